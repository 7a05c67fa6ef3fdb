"""The whole chain in one picture: the test's error, the change that matters, one person, and who changed enough."""

from typing import TYPE_CHECKING

from truechange.figures.combined import share_rows
from truechange.foundation import drawing
from truechange.foundation.numbers import fixed, percent

if TYPE_CHECKING:
    from matplotlib.figure import Figure, SubFigure

    from truechange.individual import PersonChange
    from truechange.meaningful_change import McidStudy
    from truechange.reliability import LimitsOfAgreement, MeasurementError
    from truechange.responders.counting import ErrorOnly
    from truechange.responders.true_share import TrueShare

TITLES = (
    "1  How far apart are two scores of an unchanged person?",
    "2  What change matters?",
    "3  Did this person really change, and enough?",
    "4  How many of those measured changed enough?",
)
PLACES = ((0.12, 0.15, 0.7, 0.7), (0.4, 0.15, 0.56, 0.66), (0.12, 0.15, 0.6, 0.7), (0.36, 0.15, 0.52, 0.7))


def overview(
    error: "MeasurementError",
    agreement: "LimitsOfAgreement",
    study: "McidStudy",
    person: "PersonChange",
    true_share: "TrueShare",
    from_error: "ErrorOnly",
) -> "Figure":
    """Draw the four answers side by side.

    Parameters
    ----------
    error : MeasurementError
        Its MDC95 is written under the first panel.
    agreement : LimitsOfAgreement
        Of the same retest study.
    study : McidStudy
    person : PersonChange
    true_share : TrueShare
        With the observed share beside it: both of the people measured.
    from_error : ErrorOnly
        What error alone would give, of the same people.

    Returns
    -------
    Figure
        11.5 by 8 inches.
    """
    import matplotlib.pyplot as plt

    figure = plt.figure(figsize=(11.5, 8))
    parts: list[SubFigure] = [part for row in figure.subfigures(2, 2) for part in row]  # type: ignore[union-attr]
    panels = []
    for part, title, place in zip(parts, TITLES, PLACES, strict=True):
        part.text(0.02, 0.96, title, fontsize=11.5, fontweight="bold", color=drawing.INK, va="top")
        panels.append(drawing.plain(part.add_axes(place)))
    agreement.plot(ax=panels[0])
    panels[0].set_xlabel(
        f"mean of two scores; one person must change by {fixed(error.mdc95.value, 1)} to be beyond error"
    )
    panels[0].set_ylabel(f"second − first visit ({study.unit})")
    study.plot(ax=panels[1])
    panels[1].set_xlabel(f"change ({study.unit}); arrows: push of each method's known bias", x=0.2)
    person.plot(ax=panels[2])
    chance = f"chance of an important\ntrue improvement: {percent(person.p_meaningful)}"
    panels[2].text(0.03, 0.97, chance, transform=panels[2].transAxes, va="top", fontsize=10, color=drawing.WARM)
    share_rows(
        {
            "changed by at least\nthe MCID": true_share.observed,
            "true change\nabove the MCID": true_share,
            "expected from\nerror alone": from_error.share,
        },
        ax=panels[3],
    )
    return figure
