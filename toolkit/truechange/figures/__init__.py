"""Pictures that combine several results: changes against both thresholds, shares beside error's own, flow of people.

A result's own small picture is its ``.plot(ax=None)``.
"""

from collections.abc import Mapping, Sequence
from math import ceil, floor, inf, isfinite, sqrt
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any

from truechange.foundation import drawing
from truechange.foundation.drawing import png
from truechange.foundation.errors import DataError, OutcomeError
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.numbers import fixed, percent, reachable, with_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure

    from truechange.individual.change import PersonChange
    from truechange.meaningful_change.study import McidStudy
    from truechange.reliability.agreement import LimitsOfAgreement
    from truechange.reliability.error import MeasurementError
    from truechange.responders.counting import ErrorOnly
    from truechange.responders.true_share import TrueShare

PRINT_DPI = 300
COLUMN_INCHES = (3.3, 6.9)  # one and two columns of a journal page


def save_print(drawn: Any, stem: str | Path) -> tuple[Path, Path]:
    """Write a Figure or Axes as ``stem.png`` (300 dpi) and ``stem.svg``, and close it.

    Parameters
    ----------
    drawn : Figure or Axes
        The picture.
    stem : path
        Where it goes, without ending.

    Returns
    -------
    tuple of Path
        The PNG and the SVG.

    Raises
    ------
    OutcomeError
        The picture is wider than a page's two columns.
    """
    import matplotlib as mpl

    picture = drawn if hasattr(drawn, "savefig") else drawn.figure
    width = picture.get_size_inches()[0]
    if width > COLUMN_INCHES[1]:
        raise OutcomeError(f"The figure is {width:.1f} inches wide; at most {COLUMN_INCHES[1]} fit a printed page.")
    base = Path(stem)
    made = base.with_name(f"{base.name}.png"), base.with_name(f"{base.name}.svg")
    with mpl.rc_context({"svg.hashsalt": "truechange", "svg.fonttype": "none"}):
        picture.savefig(made[1], format="svg", bbox_inches="tight", metadata={"Date": None, "Creator": None})
    made[0].write_bytes(png(picture, dpi=PRINT_DPI))
    return made


FEWEST_SHOWN, MOST_BARS = 5, 25
ZONES = (  # words, marker, colour, face of the marker
    ("at least both thresholds", "D", drawing.ACCENT, drawing.ACCENT),
    ("between the thresholds", "o", drawing.ACCENT, "white"),
    ("below both", "o", drawing.QUIET, drawing.QUIET),
    ("worse by at least the MDC", "v", drawing.WARM, drawing.WARM),
)


def changes_against_thresholds(
    improvements: Any, *, mdc: Threshold | None = None, mcid: Threshold | None = None, ax: "Axes | None" = None
) -> "Axes":
    """Draw every person's improvement, least to most, against the MDC and the MCID.

    Parameters
    ----------
    improvements : array-like of float, shape (n,)
        One improvement a person (positive = better); missing ones are left out. The legend counts people,
        without the number where it is below five.
    mdc, mcid : Threshold, optional
        Person-level thresholds in the same unit; their intervals stand at the right edge.
    ax : Axes, optional
        Where to draw; a new figure by default.

    Raises
    ------
    DataError
        There is no finite improvement.
    """
    import numpy as np

    values, ax = np.sort(_finite(improvements)), drawing.axes(ax)
    stated = [threshold for threshold in (mdc, mcid) if threshold is not None]
    people, zones = np.arange(1, values.size + 1), _zones(values, stated, mdc)
    for zone, (label, marker, colour, face) in enumerate(ZONES):
        if (here := zones == zone).any():
            count = int(here.sum())
            shown = count if count >= FEWEST_SHOWN else f"fewer than {FEWEST_SHOWN}"
            words = f"{label}: {shown}" if stated else None
            ax.plot(people[here], values[here], marker, ms=4, color=colour, mfc=face, label=words, ls="none")
    ax.axhline(0, color=drawing.QUIET, lw=1)
    for beside, threshold, colour, dash in ((1.03, mdc, drawing.INK, "--"), (1.05, mcid, drawing.WARM, "-.")):
        if threshold is not None:
            if threshold.has_interval:
                ax.plot([values.size * beside + 1] * 2, [threshold.low, threshold.high], color=colour, lw=2.5)
            shown = f"{threshold.kind.upper()} {fixed(threshold.value, threshold.decimals)}"
            drawing.mark_line(ax, threshold.value, shown, colour=colour, dash=dash)
    unit = next((threshold.unit for threshold in stated if threshold.unit), "")
    ax.set_xlabel("people, least to most improved")
    ax.set_ylabel(f"improvement ({unit})" if unit else "improvement")
    if stated:
        bottom, top = ax.get_ylim()
        ax.set_ylim(bottom, top + 0.28 * (top - bottom))  # room for the words
        ax.legend(fontsize=8, frameon=False, loc="upper left")
    return ax


def changes_beside_error(
    improvements: Any, threshold: Threshold | None, error: Estimate | None, *, practice: float = 0.0, unit: str = "",
    resolution: float = 1.0, ax: "Axes | None" = None,
) -> "Axes":  # fmt: skip
    """Draw how many people changed by how much, and beside it what measurement error alone would give as many people.

    Parameters
    ----------
    improvements : array-like of float, shape (n,)
        One improvement a person (positive = better); missing ones are left out.
    threshold : Threshold or None
        Smallest change that counts; people at or beyond it are drawn darker.
    error : Estimate or None
        SEM of one score; the line is ``n P(g + √2 SEM Z)`` in each bar's span, g the practice gain.
    practice : float, optional
        Gain from merely repeating the test.
    unit : str, optional
        Of the test.
    resolution : float, optional
        Its smallest step; bars are one step wide, or as many steps as keep them to about 25.
    ax : Axes, optional
        Where to draw.

    Raises
    ------
    DataError
        There is no finite improvement.
    """
    import numpy as np
    from scipy.special import ndtr

    values = _finite(improvements)
    spread = 0.0 if error is None else sqrt(2) * error.value
    low, high = min(values.min(), practice - 2.5 * spread), max(values.max(), practice + 2.5 * spread)
    width = resolution * max(1, round((high - low) / MOST_BARS / resolution))
    cut = reachable(threshold.value, resolution) if threshold is not None else inf
    start = (cut if isfinite(cut) else 0.0) - resolution / 2  # an edge lies where the threshold is first reached
    edges = start + width * np.arange(floor((low - start) / width), ceil((high - start) / width) + 1)
    counts = np.histogram(values, edges)[0]
    ax, middle = drawing.axes(ax), (edges[:-1] + edges[1:]) / 2
    enough = middle > start if isfinite(cut) else np.zeros(middle.size, dtype=bool)
    ax.bar(middle[~enough], counts[~enough], 0.88 * width, color=drawing.LINE)
    ax.bar(middle[enough], counts[enough], 0.88 * width, color=drawing.ACCENT)
    if spread:
        alone = values.size * np.diff(ndtr((edges - practice) / spread))
        ax.stairs(alone, edges, color=drawing.WARM, lw=1.6)
        top = int(alone.argmax())
        ax.annotate("if nobody had\ntruly changed", (edges[top], alone[top]), xytext=(-8, -4), va="top", ha="right",
                    textcoords="offset points", fontsize=8.5, color=drawing.WARM)  # fmt: skip
    if isfinite(cut):
        drawing.mark_line(ax, start, f"{with_unit(cut, unit)} or more", along="x", colour=drawing.INK)
    ax.set_xlabel(f"improvement ({unit}), people with two scores" if unit else "improvement, people with two scores")
    ax.set_ylabel("people")
    return ax


def _finite(improvements: Any) -> Any:
    import numpy as np

    values = np.asarray(improvements, dtype=float)
    values = values[np.isfinite(values)]
    if not values.size:
        raise DataError("There is no change to draw: nobody has two comparable scores.")
    return values


def _zones(values: Any, thresholds: Sequence[Threshold], mdc: Threshold | None) -> Any:
    import numpy as np

    if not thresholds:
        return np.full(values.shape, 2)
    reached = sum((values >= threshold.value).astype(int) for threshold in thresholds)
    zones = np.where(reached == len(thresholds), 0, np.where(reached > 0, 1, 2))
    return zones if mdc is None else np.where(values <= -mdc.value, 3, zones)


def step_bars(steps: Mapping[str, int], *, ax: "Axes | None" = None) -> "Axes":
    """Draw how many people are left at each step, as bars under their words, the last one heavier.

    Parameters
    ----------
    steps : mapping of str to int
        Words and people, first to last.
    ax : Axes, optional
        Where to draw.
    """
    ax = drawing.axes(ax, height=0.5 + 0.42 * len(steps))
    for at, (words, people) in enumerate(steps.items()):
        ax.barh(at + 0.2, people, height=0.34, color=drawing.LINE if at + 1 < len(steps) else drawing.ACCENT)
        ax.text(0, at - 0.17, f"{words}: {people}", fontsize=9, color=drawing.INK, va="center")
    ax.set_ylim(len(steps) - 0.5, -0.55)
    ax.set_xlim(0, max(steps.values()))
    ax.axis("off")
    return ax


def flow_boxes(arms: Mapping[str, Any]) -> "Axes":
    """Draw the flow of people (participant flow), a column an arm: started, set apart on the way, compared.

    Parameters
    ----------
    arms : mapping of str to Part
        Name of the arm: its flow, with ``started``, ``not_yet_due``, ``due``, ``compared`` and ``reasons``.
    """
    ax = drawing.axes(None, width=3.3 * len(arms), height=3.2)
    for column, (name, flow) in enumerate(arms.items()):
        why = "\n".join(f"{people} {fill(reason, 34)}" for reason, people in flow.reasons.items())
        lost = f"not compared: {flow.due - flow.compared}" + (f"\n{why}" if why and flow.due > flow.compared else "")
        ahead = f"not yet due: {flow.not_yet_due}\n" if flow.not_yet_due else ""
        boxes = ((0.92, f"{name}\nstarted: {flow.started}"), (0.5, ahead + lost), (0.06, f"compared: {flow.compared}"))
        for at, words in boxes:
            edge, size = (drawing.LINE, 7.5) if at == 0.5 else (drawing.ACCENT, 9)
            ax.annotate(words, (column, at), ha="center", va="center", fontsize=size, color=drawing.INK, zorder=5,
                        bbox={"boxstyle": "square,pad=0.5", "fc": "white", "ec": edge})  # fmt: skip
        arrow = {"arrowstyle": "-|>", "color": drawing.QUIET}
        ax.annotate("", (column, 0.13), (column, 0.84), arrowprops=arrow, zorder=1)
    ax.set_xlim(-0.5, len(arms) - 0.5)
    ax.set_ylim(-0.02, 1.02)
    ax.axis("off")
    return ax


def share_rows(
    shares: Mapping[str, Estimate | float], *, strong: Sequence[int] = (0,), ax: "Axes | None" = None
) -> "Axes":
    """Draw shares below each other on one scale from 0 to 100%, the `strong` rows heavier (the first by default).

    Parameters
    ----------
    shares : mapping of str to (Estimate or float)
        Words and share (0 to 1), top to bottom; a bare number is drawn without interval.
    strong : sequence of int, optional
        Rows drawn heavier.
    ax : Axes, optional
        Where to draw.
    """
    rows = [share if isinstance(share, Estimate) else Estimate(value=float(share)) for share in shares.values()]
    ax = drawing.interval_rows(list(shares), rows, ax=ax, strong=strong)
    for at, row in enumerate(rows):
        ax.text(1.02, at, percent(row.value), va="center", fontsize=9, color=drawing.INK, clip_on=False)
    ax.set_xlim(0, 1)
    drawing.percent_axis(ax)
    ax.set_xlabel("share of people")
    return ax


def estimates_side_by_side(
    estimates: Mapping[str, Estimate], *, strong: Sequence[str] = (), marks: Sequence[Estimate] = (),
    ax: "Axes | None" = None,
) -> "Axes":  # fmt: skip
    """Draw estimates of one unit below each other, with reference lines.

    Parameters
    ----------
    estimates : mapping of str to Estimate
        Words and estimate, top to bottom.
    strong : sequence of str, optional
        Rows drawn heavier.
    marks : sequence of Estimate, optional
        Values drawn as vertical lines; thresholds are named by their kind.
    ax : Axes, optional
        Where to draw.
    """
    names = list(estimates)
    unit = next((row.unit for row in estimates.values() if row.unit), "")
    heavy = [names.index(name) for name in strong]
    ax = drawing.interval_rows(names, list(estimates.values()), ax=ax, strong=heavy, unit=unit)
    for mark in marks:
        words = mark.kind.upper() if isinstance(mark, Threshold) else mark.method
        drawing.mark_line(ax, mark.value, f"{words} {fixed(mark.value, mark.decimals)}", along="x")
    return ax


TITLES = (
    "1  How far apart are two scores of an unchanged person?",
    "2  What change matters?",
    "3  Did this person really change, and enough?",
    "4  How many of those measured changed enough?",
)
PLACES = ((0.12, 0.15, 0.7, 0.7), (0.4, 0.15, 0.56, 0.66), (0.12, 0.15, 0.6, 0.7), (0.36, 0.15, 0.52, 0.7))


def overview(
    error: "MeasurementError", agreement: "LimitsOfAgreement", study: "McidStudy", person: "PersonChange",
    true_share: "TrueShare", from_error: "ErrorOnly",
) -> "Figure":  # fmt: skip
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
    beyond = fixed(error.mdc95.value, 1)
    panels[0].set_xlabel(f"mean of two scores; one person must change by {beyond} to be beyond error")
    panels[0].set_ylabel(f"second − first visit ({study.unit})")
    study.plot(ax=panels[1])
    panels[1].set_xlabel(f"change ({study.unit}); arrows: push of each method's known bias", x=0.2)
    person.plot(ax=panels[2])
    chance = f"chance of an important\ntrue improvement: {percent(person.p_meaningful)}"
    panels[2].text(0.03, 0.97, chance, transform=panels[2].transAxes, va="top", fontsize=10, color=drawing.WARM)
    shares = {"improved by at least\nthe MCID": true_share.observed, "true change\nabove the MCID": true_share,
              "expected from\nerror alone": from_error.share}  # fmt: skip
    share_rows(shares, ax=panels[3])
    return figure
