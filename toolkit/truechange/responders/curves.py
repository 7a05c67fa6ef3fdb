"""The cumulative curve: for every change, how many changed at least that much."""

from dataclasses import dataclass
from math import log, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import ndtr

from truechange.foundation.errors import DataError, check_confidence, check_kind
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Result
from truechange.foundation.sem import read_sem
from truechange.numerics.shares import wilson_limits
from truechange.responders.counting import any_threshold, group_labels, numbers, size_of
from truechange.responders.shares import how_many
from truechange.responders.true_share import measured_changes

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class CumulativeChange(Result):
    """Share of those who started that changed by at least x, for every x that occurs.

    Parameters
    ----------
    rows : DataFrame
        The columns of :meth:`table`.
    improvement : dict
        Group: its improvements as given, NaN where there is no follow-up.
    thresholds : tuple of Threshold
        Lines in the picture.
    sem : float or None
        Standard error of measurement for the second curve, of true change.
    confidence : float
        Level of the bands.
    cautions : tuple of str
        What a reader must know.
    """

    rows: pd.DataFrame
    improvement: dict[str, np.ndarray]
    thresholds: tuple[Threshold, ...]
    sem: float | None
    confidence: float
    cautions: tuple[str, ...]
    sources = ("newcombe1998a", "massart1990")

    def table(self) -> pd.DataFrame:
        """Return one row a group and distinct change.

        Columns: group, change, at_least, share, low, high (Wilson, pointwise), band_low, band_high
        (simultaneous), highest_possible, true_share (true change at least x, under a normal
        model, the missing counted as not shown; NaN without a SEM).
        """
        return self.rows.copy()

    def at(self, threshold: "Threshold | float") -> pd.DataFrame:
        """Return the share at a threshold and at both limits of its interval: does the choice matter?

        Columns: group, threshold, share, low, high.
        """
        places: tuple[float, ...] = (float(threshold),)
        if isinstance(threshold, Threshold) and threshold.has_interval:
            places = (threshold.low, threshold.value, threshold.high)
        rows = []
        for name, values in self.improvement.items():
            for place in places:
                k, n = how_many(values, place), values.size
                low, high = wilson_limits(k, n, self.confidence)
                rows.append({"group": name, "threshold": place, "share": k / n, "low": float(low), "high": float(high)})
        return pd.DataFrame(rows)

    def sentences(self) -> tuple[str, ...]:
        """Say half of each group's change, and the share at each threshold."""
        said = []
        for name, values in self.improvement.items():
            got = values[~np.isnan(values)]
            who = "" if len(self.improvement) == 1 else f"{name}: "
            start = "half" if who else "Half"
            said.append(
                f"{who}{start} of the {got.size} people measured improved by {fixed(float(np.median(got)), 1)} or more."
            )
        for limit in self.thresholds:
            for row in self.at(limit.value).to_dict("records"):
                who = "" if len(self.improvement) == 1 else f"{row['group']}: "
                said.append(
                    f"{who}{percent(row['share'])} of those who started changed by at least the {limit.kind.upper()} "
                    f"of {size_of(limit)}."
                )
        return tuple(said)

    @property
    def alt(self) -> str:
        """The picture in words."""
        return "Falling curve of the share that changed by at least each amount, with its band. " + " ".join(
            self.sentences()
        )

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw the curves as steps with their simultaneous band, thresholds as vertical lines."""
        from truechange.foundation import drawing

        ax = drawing.axes(ax)
        for at, (name, part) in enumerate(self.rows.groupby("group", sort=False)):
            colour, dash = drawing.SERIES[at % 5], drawing.DASHES[at % 4]
            ax.step(part["change"], part["share"], where="pre", color=colour, ls=dash, lw=2, label=str(name))
            ax.fill_between(
                part["change"], part["band_low"], part["band_high"], step="pre", color=colour, alpha=0.15, lw=0
            )
            if (part["highest_possible"] > part["share"]).any():
                ax.step(part["change"], part["highest_possible"], where="pre", color=colour, lw=0.8, alpha=0.7,
                        label=f"{name}, if all the missing did")  # fmt: skip
            if self.sem is not None:
                ax.plot(part["change"], part["true_share"], color=colour, lw=1, ls=":", label=f"{name}, true change")
        for at, limit in enumerate(self.thresholds):
            if limit.has_interval:
                ax.axvspan(limit.low, limit.high, color=drawing.WASH, zorder=0, lw=0)
            drawing.mark_line(ax, limit.value, limit.kind.upper(), along="x").set_position((0, 3 + 10 * at))
        ax.set_ylim(0, 1)
        drawing.percent_axis(ax, "y")
        ax.set_xlabel("improvement of at least")
        ax.set_ylabel("share of those who started")
        if len(ax.get_legend_handles_labels()[0]) > 1:
            ax.legend(frameon=False, fontsize=8)
        return ax


def cumulative_change(
    improvement: Any,
    by: Any = None,
    *,
    thresholds: "tuple[Threshold | float, ...]" = (),
    sem: "Estimate | float | None" = None,
    confidence: float = 0.95,
) -> CumulativeChange:
    """Compute the share of those who started that changed by at least x, for every x.

    Parameters
    ----------
    improvement : array-like of float, shape (n,)
        One improvement a person who started; NaN without follow-up (counts as not shown).
    by : array-like, Series or dict, optional
        Group of each person.
    thresholds : tuple of Threshold or float, optional
        Marked in the picture and read off in the sentences.
    sem : Estimate or float, optional
        Adds the curve of true change under a normal model: same mean, spread without measurement error.
    confidence : float, optional
        Level of both bands: Wilson's at each point, and the simultaneous band of Dvoretzky, Kiefer and Wolfowitz
        with Massart's constant, ``± √(ln(2/α) / 2n)``.

    Returns
    -------
    CumulativeChange

    Raises
    ------
    DataError
        Fewer than 3 people measured in a group, or lengths that do not fit.

    Examples
    --------
    >>> curve = cumulative_change([0, 1, 1, 3, 5])
    >>> curve.table()[["change", "share"]].values.tolist()
    [[0.0, 1.0], [1.0, 0.8], [3.0, 0.4], [5.0, 0.2]]
    """
    check_confidence(confidence)
    check_kind("thresholds", thresholds, (tuple, list), "one or more in a tuple, such as (2.0,)")
    values = numbers(improvement)
    if not values.size:
        raise DataError("improvement is empty: give one entry for everyone who started.")
    labels = group_labels(improvement, by, values.size)
    error = None if sem is None else read_sem(sem).value
    parts, kept, notes = [], {}, []
    for name in sorted(set(labels)):
        here = values[(labels == name).to_numpy()]
        got, away = measured_changes(here)
        kept[name] = here
        if away:
            notes.append(f"{name}: {away} people without a usable follow-up count as not shown at every change.")
        parts.append(_curve(name, got, here.size, error, confidence))
    limits = tuple(any_threshold(limit) for limit in thresholds)
    return CumulativeChange(pd.concat(parts, ignore_index=True), kept, limits, error, confidence, tuple(notes))


def _curve(name: str, got: np.ndarray, started: int, sem: float | None, confidence: float) -> pd.DataFrame:
    change, counts = np.unique(np.round(got, 9), return_counts=True)  # 0.3 and 0.30000000000000004 are one step
    at_least = counts[::-1].cumsum()[::-1]
    low, high = wilson_limits(at_least, started, confidence)
    share = at_least / started
    band = sqrt(log(2 / (1 - confidence)) / (2 * started))
    true = np.full(change.size, np.nan)
    if sem is not None and (variance := float(np.var(got, ddof=1)) - 2 * sem**2) > 0:
        true = ndtr((got.mean() - change) / sqrt(variance)) * got.size / started
    return pd.DataFrame(
        {
            "group": name,
            "change": change,
            "at_least": at_least,
            "share": share,
            "low": low,
            "high": high,
            "band_low": np.clip(share - band, 0, 1),
            "band_high": np.clip(share + band, 0, 1),
            "highest_possible": (at_least + started - got.size) / started,
            "true_share": true,
        }
    )
