"""Pictures of one MCID study: mean change of each rating, the fitted curve, and the map of known bias."""

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import ndtr

from truechange.foundation.drawing import ACCENT, INK, QUIET, WARM, axes, plain
from truechange.foundation.numbers import fixed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NEGLIGIBLE, TOLD = 0.01, 5


def category_means(categories: pd.DataFrame, *, cut: int, unit: str = "", ax: "Axes | None" = None) -> "Axes":
    """Draw the mean change of each rating with its t interval; ratings that count as improved are filled."""
    ax = axes(ax)
    for rating, row in zip(categories.index.astype(int), categories.to_dict("records"), strict=True):
        colour = ACCENT if (counts := rating >= cut) else INK
        ax.plot([rating, rating], [row["low"], row["high"]], color=colour, lw=1.6)
        ax.plot(rating, row["mean_change"], "o", color=colour, ms=7, mfc=colour if counts else "white", zorder=3)
    names = [f"{_signed(rating)}\nn {n:.0f}" for rating, n in categories["n"].items()]
    ax.set_xticks(list(categories.index), names, fontsize=9 if len(names) < 8 else 6.5)
    ax.set_xlabel(f"rating of change (filled: improved, from {_signed(cut)})")
    ax.set_ylabel(f"mean change{_in(unit)}")
    told = categories[categories["n"] >= TOLD].fillna({"low": 0.0, "high": 0.0})
    low = min(told["low"].min(), categories["mean_change"].min())
    high = max(told["high"].max(), categories["mean_change"].max())
    if np.isfinite(high - low) and high > low:  # intervals of a handful of people run off the picture
        ax.set_ylim(low - 0.06 * (high - low), high + 0.06 * (high - low))
    return ax


def anchor_pair(
    categories: pd.DataFrame, fifths: pd.DataFrame, curve: tuple[float, float], *, cut: int, mark: float | None,
    unit: str, pair: "tuple[Axes, Axes] | None",
) -> "tuple[Axes, Axes]":  # fmt: skip
    """Draw the means of the ratings beside the share improved by fifths of the change and the fitted curve."""
    if pair is None:
        import matplotlib.pyplot as plt

        _, made = plt.subplots(1, 2, figsize=(6.8, 3.1), layout="constrained")
        pair = made[0], made[1]
    left, right = pair
    category_means(categories, cut=cut, unit=unit, ax=left)
    plain(right)
    at = fifths["mean_change"]
    right.vlines(at, 100 * fifths["low"], 100 * fifths["high"], color=INK, lw=1.4)
    right.plot(at, 100 * fifths["improved"], "o", color=INK, ms=6, label="observed, fifths of the change")
    if np.isfinite(curve).all():
        reach = np.linspace(float(at.min()) - 1e-9, float(at.max()) + 1e-9, 200)
        right.plot(reach, 100 * ndtr(curve[0] + curve[1] * reach), color=ACCENT, lw=2, label="fitted curve")
    if mark is not None:
        right.plot([mark, mark], [-3, 100], color=WARM, lw=1, ls="--")
        right.annotate(f" MCID {fixed(mark, 1)}", (mark, 1), color=WARM, fontsize=8)
    right.set_ylim(-3, 118)
    right.set_yticks(range(0, 101, 20))
    right.set_xlabel(f"change{_in(unit)}")
    right.set_ylabel("rated improved (%)")
    right.legend(frameon=False, fontsize=8, loc="upper left")
    return pair


def bias_map(frame: pd.DataFrame, *, chosen: str, unit: str, ax: "Axes | None" = None) -> "Axes":
    """Draw one row a method; an arrow runs from where a method would stand without its known bias to where it stands.

    `frame` is indexed by method: estimate, low, high, known_bias, name.
    """
    shown = frame[np.isfinite(frame["estimate"])]
    shown = pd.concat([shown.loc[shown.index == chosen], shown.loc[shown.index != chosen]])
    if shown.empty:
        ax = axes(ax, height=1.6)
        ax.set_axis_off()
        words = "No method gave an estimate from these data."
        ax.text(0.5, 0.5, words, ha="center", color=QUIET, transform=ax.transAxes)
        return ax
    span = float(np.nanmax(shown[["estimate", "high"]].to_numpy()) - np.nanmin(shown[["estimate", "low"]].to_numpy()))
    ax = axes(ax, width=7.4, height=1.3 + 0.33 * max(1, len(shown)))
    for row, (method, entry) in enumerate(zip(shown.index, shown.to_dict("records"), strict=True)):
        large = method == chosen
        colour, value = ACCENT if large else INK, entry["estimate"]
        ax.plot([entry["low"], entry["high"]], [row, row], color=colour, lw=4 if large else 1.0, solid_capstyle="butt")
        ax.plot(value, row, "D" if large else "o", color=colour, ms=10 if large else 4.5, zorder=3)
        push = entry["known_bias"]
        if np.isfinite(push) and abs(push) > NEGLIGIBLE * span:
            arrow = {"arrowstyle": "-|>", "color": WARM, "lw": 1.4, "shrinkA": 0, "shrinkB": 0}
            ax.annotate("", (value, row + 0.28), (value - push, row + 0.28), arrowprops=arrow)
    if chosen:
        ax.axvline(frame["estimate"].to_dict()[chosen], color=ACCENT, lw=0.8, ls=":")
    ax.set_yticks(range(len(shown)), list(shown["name"]))
    if chosen:
        ax.get_yticklabels()[0].set_fontweight("bold")
        value, low, high = (fixed(part, 1) for part in shown[["estimate", "low", "high"]].to_numpy(dtype=float)[0])
        ax.set_title(f"{value}{f' {unit}' if unit else ''} ({low} to {high})", color=ACCENT, fontsize=15)
    ax.set_ylim(len(shown) - 0.3, -0.7)
    ax.set_xlabel(f"change{_in(unit)}\narrow: push of the known bias\nat this share improved", color=QUIET)
    return ax


def _signed(rating: object) -> str:
    number = int(str(rating))
    return f"+{number}" if number > 0 else fixed(number, 0)


def _in(unit: str) -> str:
    return f" ({unit})" if unit else ""
