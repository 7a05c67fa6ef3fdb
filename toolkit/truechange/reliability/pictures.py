"""The agreement plot and the forest of error beside published ones."""

import re
from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np

from truechange.foundation.numbers import fixed
from truechange.numerics.resampling import Floats

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from matplotlib.axes import Axes

    from truechange.foundation.estimate import Estimate

GOLDEN = 2.399963  # radians: points on a sunflower never overlap in rows


def spread_ties(x: Floats, y: Floats, reach_x: float, reach_y: float) -> tuple[Floats, Floats, int]:
    """Move points that coincide apart on a small fixed spiral; also return how many points share their place."""
    x, y = x.astype(float).copy(), y.astype(float).copy()
    _, place, counts = np.unique(np.column_stack([x, y]), axis=0, return_inverse=True, return_counts=True)
    place = place.ravel()
    for where in np.flatnonzero(counts > 1):
        members = np.flatnonzero(place == where)
        turn = np.arange(members.size)
        radius = np.sqrt(turn / counts.max())
        x[members] += reach_x * radius * np.cos(GOLDEN * turn)
        y[members] += reach_y * radius * np.sin(GOLDEN * turn)
    return x, y, int(counts[counts > 1].sum())


def agreement_picture(found: Any, ax: "Axes | None") -> "Axes":
    """Draw differences against means with bias and limits; the interval of each as a band."""
    from truechange.foundation.drawing import ACCENT, INK, LINE, WARM, axes

    ax = axes(ax, width=6.8, height=4.2)
    on_logs = found.scale == "log"
    means, differences = (found.first + found.second) / 2, found.differences
    if on_logs:
        means, differences = np.exp(means), np.exp(differences)
    width = float(np.ptp(means)) or 1.0
    height = float(found.upper.value - found.lower.value) or 1.0
    x, y, tied = spread_ties(means, differences, width / 60, height / 40)
    for e, colour, dash, hatch in (
        (found.bias, ACCENT, "-", ""),
        (found.lower, WARM, "--", ""),
        (found.upper, WARM, "--", ""),
    ):
        if e.has_interval:
            ax.axhspan(e.low, e.high, color=colour, alpha=0.14, lw=0, hatch=hatch)
        ax.axhline(e.value, color=colour, lw=1.6, ls=dash)
        places = found.bias.decimals
        ax.annotate(
            fixed(e.value, places),
            (1.0, e.value),
            xycoords=("axes fraction", "data"),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            fontsize=9,
            color=colour,
            annotation_clip=False,
        )
    ax.axhline(1.0 if on_logs else 0.0, color=LINE, lw=1)
    ax.plot(x, y, "o", ms=5, mfc="white", mec=INK, mew=1.1, zorder=3)
    if found.proportional_bias.low > 0 or found.proportional_bias.high < 0:
        level = np.linspace(means.min(), means.max(), 60)
        for curve, dash in zip(found.at(np.log(level) if on_logs else level), ("-", ":", ":"), strict=True):
            ax.plot(level, np.exp(curve) if on_logs else curve, color=INK, lw=1, ls=dash)
    unit = f" ({found.unit})" if found.unit else ""
    ties = f", {tied} share a place and are drawn apart" if tied else ""
    ax.set_title(f"{found.n} pairs{ties}; bands: {100 * found.bias.confidence:g}% intervals", fontsize=9)
    ax.set_xlabel(f"{'Geometric mean' if on_logs else 'Mean'} of the two{unit}")
    ax.set_ylabel("First / second" if on_logs else f"First − second{unit}")
    return ax


def forest_of_errors(found: Any, beside: "pd.DataFrame | Mapping[str, Estimate] | None", ax: "Axes | None") -> "Axes":
    """Draw own SEM in a row of its own above published ones, or above its other forms."""
    import pandas as pd

    from truechange.foundation.drawing import WASH, axes, interval_rows
    from truechange.foundation.estimate import Estimate

    rows = {f"Own, {found.error} ({found.sem.n} people)": found.sem}
    if beside is None:
        forms = {"agreement": found.sem_agreement, "consistency": found.sem_consistency, "one-way": found.sem_one_way}
        rows |= {f"Own, {name}": e for name, e in forms.items() if name != found.error}
    elif isinstance(beside, pd.DataFrame):
        for row in beside.to_dict("records"):
            low, high = row.get("ci_low", np.nan), row.get("ci_high", np.nan)
            author = re.sub(r"(\d{4}).*", r"\1", str(row.get("citation", "")))
            gap = row.get("interval") or "interval not given"
            label = f"{author}: {row.get('population', '')}, {gap} [{row.get('status', '')}]"
            label = label if label not in rows else f"{label} ({row['value']:g})"
            rows[label] = Estimate(value=row["value"], low=low, high=high)
    else:
        rows |= beside
    unit = f" ({found.sample.unit})" if found.sample.unit else ""
    if ax is None:
        ax = axes(width=8.4, height=0.9 + 0.42 * len(rows))
    ax = interval_rows([fill(label, 52) for label in rows], list(rows.values()), ax=ax, strong=(0,))
    ax.tick_params(axis="y", labelsize=8)
    ax.set_xlabel(f"Standard error of measurement{unit}")
    ax.set_xlim(left=0)
    ax.axvspan(found.sem.low, found.sem.high, color=WASH, zorder=0)
    return ax
