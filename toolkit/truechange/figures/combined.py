"""Pictures that put several results side by side: changes against both thresholds, shares beside error's own."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from truechange.foundation import drawing
from truechange.foundation.errors import DataError
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.numbers import decimals_for, fixed, percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FEWEST_SHOWN = 5
ZONES = ("at least both thresholds", "between the thresholds", "below both", "worse by at least the MDC")


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

    values = np.asarray(improvements, dtype=float)
    values = np.sort(values[np.isfinite(values)])
    if not values.size:
        raise DataError("There is no change to draw: nobody has two comparable scores.")
    ax = drawing.axes(ax)
    held = [threshold for threshold in (mdc, mcid) if threshold is not None]
    place = np.arange(1, values.size + 1)
    looks = zip(ZONES, ("D", "o", "o", "v"), (drawing.ACCENT, drawing.ACCENT, drawing.QUIET, drawing.WARM), strict=True)
    for zone, (label, marker, colour) in enumerate(looks):
        kept = _zone(values, held, mdc) == zone
        if kept.any():
            face = colour if zone != 1 else "white"
            words = f"{label}: {_how_many(int(kept.sum()))}" if held else None
            ax.plot(place[kept], values[kept], marker, ms=4, color=colour, mfc=face, label=words, ls="none")
    ax.axhline(0, color=drawing.QUIET, lw=1)
    for beside, threshold, colour, dash in ((1.03, mdc, drawing.INK, "--"), (1.05, mcid, drawing.WARM, "-.")):
        if threshold is not None:
            if threshold.has_interval:
                ax.plot([values.size * beside + 1] * 2, [threshold.low, threshold.high], color=colour, lw=2.5)
            shown = f"{threshold.kind.upper()} {fixed(threshold.value, threshold.decimals)}"
            drawing.mark_line(ax, threshold.value, shown, colour=colour, dash=dash)
    unit = next((threshold.unit for threshold in held if threshold.unit), "")
    ax.set_xlabel("people, least to most improved")
    ax.set_ylabel(f"improvement ({unit})" if unit else "improvement")
    if held:
        bottom, top = ax.get_ylim()
        ax.set_ylim(bottom, top + 0.28 * (top - bottom))  # room for the words
        ax.legend(fontsize=8, frameon=False, loc="upper left")
    return ax


def _how_many(people: int) -> str:
    return str(people) if people >= FEWEST_SHOWN else f"fewer than {FEWEST_SHOWN}"


def _zone(values: Any, held: Sequence[Threshold], mdc: Threshold | None) -> Any:
    import numpy as np

    if not held:
        return np.full(values.shape, 2)
    reached = sum((values >= threshold.value).astype(int) for threshold in held)
    zone = np.where(reached == len(held), 0, np.where(reached > 0, 1, 2))
    return zone if mdc is None else np.where(values <= -mdc.value, 3, zone)


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
        last = at == len(steps) - 1
        ax.barh(at + 0.2, people, height=0.34, color=drawing.ACCENT if last else drawing.LINE)
        ax.text(0, at - 0.17, f"{words}: {people}", fontsize=9, color=drawing.INK, va="center")
    ax.set_ylim(len(steps) - 0.5, -0.55)
    ax.set_xlim(0, max(steps.values()))
    ax.axis("off")
    return ax


def share_rows(shares: Mapping[str, Estimate | float], *, ax: "Axes | None" = None) -> "Axes":
    """Draw shares below each other on one scale from 0 to 100%, the first heavier.

    Parameters
    ----------
    shares : mapping of str to (Estimate or float)
        Words and share (0 to 1), top to bottom; a bare number is drawn without interval.
    ax : Axes, optional
        Where to draw.
    """
    rows = [share if isinstance(share, Estimate) else Estimate(value=float(share)) for share in shares.values()]
    ax = drawing.interval_rows(list(shares), rows, ax=ax, strong=(0,))
    for at, row in enumerate(rows):
        ax.text(1.02, at, percent(row.value), va="center", fontsize=9, color=drawing.INK, clip_on=False)
    ax.set_xlim(0, 1)
    ax.xaxis.set_major_formatter(lambda value, _: f"{100 * value:.0f}%")
    ax.set_xlabel("share of people")
    return ax


def estimates_side_by_side(
    estimates: Mapping[str, Estimate],
    *,
    strong: Sequence[str] = (),
    marks: Sequence[Estimate] = (),
    ax: "Axes | None" = None,
) -> "Axes":
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
        places = decimals_for(mark.low, mark.high, mark.value)
        drawing.mark_line(ax, mark.value, f"{words} {fixed(mark.value, places)}", along="x")
    return ax
