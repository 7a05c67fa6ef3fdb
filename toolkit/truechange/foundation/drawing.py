"""Drawing primitives: numbers and axes only, one restrained look, readable in grey."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from truechange.foundation.estimate import Estimate

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK = "#22303c"
QUIET = "#5b6b77"
LINE = "#c9d2d8"
WASH = "#e9eef1"
ACCENT = "#1f6f8b"
WARM = "#a4501f"
SERIES = (ACCENT, WARM, "#7a8f2e", "#6b4f8a", INK)
MARKERS = ("o", "s", "^", "D", "v")
DASHES = ("-", "--", "-.", ":")


def axes(ax: "Axes | None" = None, *, width: float = 6.4, height: float = 3.6) -> "Axes":
    """Return `ax`, or a new figure's axes (inches) in the house look; never the current axes of someone else."""
    import matplotlib.pyplot as plt

    if ax is None:
        _, ax = plt.subplots(figsize=(width, height), layout="constrained")
    return plain(ax)


def plain(ax: "Axes") -> "Axes":
    """Give axes the house look: two spines, quiet ticks, no grid."""
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(QUIET)
    ax.tick_params(colors=QUIET, labelsize=9)
    ax.xaxis.label.set_color(INK)
    ax.yaxis.label.set_color(INK)
    ax.title.set_color(INK)
    return ax


def percent_axis(ax: "Axes", along: str = "x") -> None:
    """Write the ticks of the `along` axis as percentages, with a true minus sign."""
    axis = ax.xaxis if along == "x" else ax.yaxis
    axis.set_major_formatter(lambda value, _: f"{100 * value:.0f}%".replace("-", "−"))


def interval_rows(
    labels: Sequence[str],
    estimates: Sequence[Estimate],
    *,
    ax: "Axes | None" = None,
    strong: Sequence[int] = (),
    unit: str = "",
) -> "Axes":
    """Draw one row an estimate, top to bottom: a point, its interval, the rows in `strong` heavier."""
    ax = axes(ax, height=0.9 + 0.34 * len(labels))
    for row, estimate in enumerate(estimates):
        heavy = row in strong
        colour = ACCENT if heavy else INK
        if estimate.has_interval:
            ax.plot(
                [estimate.low, estimate.high], [row, row], color=colour, lw=3 if heavy else 1.4, solid_capstyle="butt"
            )
        ax.plot(estimate.value, row, "D" if heavy else "o", color=colour, ms=8 if heavy else 5, zorder=3)
    ax.set_yticks(range(len(labels)), labels)
    ax.set_ylim(len(labels) - 0.4, -0.6)
    if unit:
        ax.set_xlabel(unit)
    return ax


def mark_line(ax: "Axes", at: float, label: str, *, along: str = "y", colour: str = QUIET, dash: str = "--") -> Any:
    """Draw a thin reference line across the axes at `at` on the `along` axis, with its words beside it."""
    if along == "y":
        ax.axhline(at, color=colour, lw=1, ls=dash)
        return ax.annotate(
            label,
            (1.0, at),
            xycoords=("axes fraction", "data"),
            xytext=(4, 0),
            textcoords="offset points",
            fontsize=8,
            color=colour,
            va="center",
            annotation_clip=False,
        )
    ax.axvline(at, color=colour, lw=1, ls=dash)
    return ax.annotate(
        label,
        (at, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(0, 3),
        textcoords="offset points",
        fontsize=8,
        color=colour,
        ha="center",
        annotation_clip=False,
    )
