"""Pictures of one MCID study: mean change of each rating, and the map of known bias."""

from typing import TYPE_CHECKING

import pandas as pd

from truechange.foundation.drawing import ACCENT, INK, axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def category_means(categories: pd.DataFrame, *, cut: int, unit: str = "", ax: "Axes | None" = None) -> "Axes":
    """Draw the mean change of each rating with its t interval; ratings that count as improved are filled."""
    ax = axes(ax)
    for rating, row in categories.iterrows():
        counts = int(str(rating)) >= cut
        colour = ACCENT if counts else INK
        ax.plot([rating, rating], [row["low"], row["high"]], color=colour, lw=1.6)
        ax.plot(rating, row["mean_change"], "o", color=colour, ms=7, mfc=colour if counts else "white", zorder=3)
    ax.set_xticks(list(categories.index), [f"{rating:+d}\n(n {n})" for rating, n in categories["n"].items()])
    ax.set_xlabel(f"rating of change (improved from {cut:+d})")
    ax.set_ylabel(f"mean change{f' ({unit})' if unit else ''}")
    return ax
