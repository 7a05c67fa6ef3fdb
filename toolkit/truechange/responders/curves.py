"""Cumulative responder curve: for every change, how many changed at least that much; and four meanings of responder."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from truechange.foundation.errors import DataError, check_choice, check_confidence, check_kind
from truechange.foundation.estimate import Estimate, Threshold, person_threshold
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Part, Result, told
from truechange.foundation.sem import Sem, read_sem
from truechange.numerics.intervals import wilson_limits
from truechange.responders import true_share
from truechange.responders.counting import any_threshold, group_labels, how_many, numbers, size_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class CumulativeChange(Result):
    """Share of those who started, or were due, that changed by at least x, for every x that occurs.

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
    whom : str
        Of whom the shares are: "who started", or "due" where others' follow-up lies ahead.
    """

    rows: pd.DataFrame
    improvement: dict[str, np.ndarray]
    thresholds: tuple[Threshold, ...]
    sem: float | None
    confidence: float
    cautions: tuple[str, ...]
    whom: str = "who started"
    sources = ("newcombe1998a", "massart1990")

    def table(self) -> pd.DataFrame:
        """Return one row a group and distinct change.

        Columns: group, change, at_least, share, low, high (Wilson, pointwise), band_low, band_high
        (simultaneous), highest_possible, true_share (true change at least x, as in
        :func:`true_responder_share`, the missing counted as not shown; NaN without a SEM).
        """
        return self.rows.copy()

    def at(self, threshold: Threshold | float) -> pd.DataFrame:
        """Return the share at a threshold and at both limits of its interval: does the choice matter?

        Columns: group, threshold, share, low, high.
        """
        edges: tuple[float, ...] = (float(threshold),)
        if isinstance(threshold, Threshold) and threshold.has_interval:
            edges = (threshold.low, threshold.value, threshold.high)
        rows = []
        for name, values in self.improvement.items():
            for edge in edges:
                k, n = how_many(values, edge), values.size
                low, high = wilson_limits(k, n, self.confidence)
                rows.append((name, edge, k / n, float(low), float(high)))
        return pd.DataFrame(rows, columns=["group", "threshold", "share", "low", "high"])

    def sentences(self) -> tuple[str, ...]:
        """Say half of each group's change, and the share at each threshold."""
        who = {name: f"{name}: " if len(self.improvement) > 1 else "" for name in self.improvement}
        sentences = []
        for name, values in self.improvement.items():
            got = values[~np.isnan(values)]
            half = f"{who[name]}half" if who[name] else "Half"
            middle = fixed(float(np.median(got)), 1)
            sentences.append(f"{half} of the {got.size} people measured improved by {middle} or more.")
        for limit in self.thresholds:
            reached = f"of those {self.whom} changed by at least the {limit.kind.upper()} of {size_of(limit)}."
            for row in self.at(limit.value).to_dict("records"):
                sentences.append(f"{who[row['group']]}{percent(row['share'])} {reached}")
        return tuple(sentences)

    @property
    def alt(self) -> str:
        """The picture in words."""
        seen = "Falling curve of the share that changed by at least each amount, with its band."
        return " ".join((seen, *self.sentences()))

    def plot(self, *, ax: Axes | None = None) -> Axes:
        """Draw the curves as steps with their simultaneous band, thresholds as vertical lines."""
        from truechange.foundation import drawing

        ax = drawing.axes(ax)
        for at, (name, rows) in enumerate(self.rows.groupby("group", sort=False)):
            change, colour = rows["change"], drawing.SERIES[at % 5]
            ax.step(change, rows["share"], where="pre", color=colour, ls=drawing.DASHES[at % 4], lw=2, label=str(name))
            ax.fill_between(change, rows["band_low"], rows["band_high"], step="pre", color=colour, alpha=0.15, lw=0)
            if (rows["highest_possible"] > rows["share"]).any():
                ax.step(change, rows["highest_possible"], where="pre", color=colour, lw=0.8, alpha=0.7,
                        label=f"{name}, if all the missing did")  # fmt: skip
            if self.sem is not None:
                ax.plot(change, rows["true_share"], color=colour, lw=1, ls=":", label=f"{name}, true change")
        for at, limit in enumerate(self.thresholds):
            if limit.has_interval:
                ax.axvspan(limit.low, limit.high, color=drawing.WASH, zorder=0, lw=0)
            drawing.mark_line(ax, limit.value, limit.kind.upper(), along="x").set_position((0, 3 + 10 * at))
        ax.set_ylim(0, 1)
        drawing.percent_axis(ax, "y")
        ax.set_xlabel("improvement of at least")
        ax.set_ylabel(f"share of those {self.whom}")
        if len(ax.get_legend_handles_labels()[0]) > 1:
            ax.legend(frameon=False, fontsize=8)
        return ax


def cumulative_change(
    improvement: Any, by: Any = None, *, thresholds: tuple[Threshold | float, ...] = (),
    sem: Estimate | float | None = None, confidence: float = 0.95, whom: str = "who started",
) -> CumulativeChange:  # fmt: skip
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
        Adds the curve of true change, with measurement error taken out as in :func:`true_responder_share`.
    confidence : float, optional
        Level of both bands: Wilson's at each point, and the simultaneous band of Dvoretzky, Kiefer and Wolfowitz
        with Massart's constant, ``± √(ln(2/α) / 2n)``.
    whom : str, optional
        Which people these are, for the words: "who started", "due".

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
    error = None if sem is None else read_sem(sem)
    curves, improvements, cautions = [], {}, list[str]()
    for name in sorted(set(labels)):
        improvements[name] = values[(labels == name).to_numpy()]
        changes, away = true_share.measured_changes(improvements[name])
        curves.append(_curve(name, changes, changes.size + away, error, confidence))
        lost = f"{name}: {away} people without a usable follow-up count as not shown at every change."
        cautions.extend(told({lost: away}))
    limits = tuple(any_threshold(limit) for limit in thresholds)
    rows, sem_of_one = pd.concat(curves, ignore_index=True), error.value if error else None
    return CumulativeChange(rows, improvements, limits, sem_of_one, confidence, tuple(cautions), whom)


def _curve(name: str, changes: np.ndarray, started: int, error: Sem | None, confidence: float) -> pd.DataFrame:
    change, counts = np.unique(np.round(changes, 9), return_counts=True)  # 0.3 and 0.30000000000000004 are one step
    at_least = counts[::-1].cumsum()[::-1]
    share, (low, high) = at_least / started, wilson_limits(at_least, started, confidence)
    band = sqrt(log(2 / (1 - confidence)) / (2 * started))
    true = np.full(change.size, np.nan)
    if error is not None and float(np.var(changes, ddof=1)) > 2 * error.value**2:
        true = (
            true_share.share_at_least(true_share.true_changes(changes, error.value, error.df), change)
            * changes.size
            / started
        )
    return pd.DataFrame({
        "group": name, "change": change, "at_least": at_least, "share": share, "low": low, "high": high,
        "band_low": np.clip(share - band, 0, 1), "band_high": np.clip(share + band, 0, 1),
        "highest_possible": (at_least + started - changes.size) / started, "true_share": true,
    })  # fmt: skip


RULES = {
    "A": "change of at least the MCID",
    "B": "change of at least the MCID and of the MDC95",
    "C": "chance of more than {certainty} that the true change is above the MCID",
    "D": "expected number with true change above the MCID",
}


def responder_definitions(
    improvement: Any, *, mcid: Threshold | float, sem: Estimate | float, primary: str, sem_df: float | None = None,
    certainty: float = 0.8, confidence: float = 0.95,
) -> Part:  # fmt: skip
    """Count responders by four rules; which one counts is stated by `primary`.

    Parameters
    ----------
    improvement : array-like of float, shape (n,)
        One entry a person who started; NaN without a usable follow-up (counts as not shown).
    mcid : Threshold or float
        Person-level MCID.
    sem : Estimate or float
        Standard error of measurement of one score.
    primary : {"A", "B", "C", "D"}
        A change ≥ MCID; B change ≥ MCID and ≥ MDC95; C chance of a true change above the MCID > `certainty`;
        D the sum of those chances.
    sem_df, certainty, confidence : float, optional
        Degrees of freedom of the SEM; what counts as sure in C; level of the intervals.

    Returns
    -------
    Part
        One row a rule: definition, rule, primary, people, started, share, low, high; with `primary` and `chances`, of
        each person measured, that the true change is above the MCID, in the order given.

    Examples
    --------
    >>> found = responder_definitions([4, 1, 3, 0, 2, 5, 2, 1], mcid=2, sem=1.0, primary="A")
    >>> found.table()["definition"].tolist(), int(found.table()["people"].iloc[0])
    (['A', 'B', 'C', 'D'], 5)
    """
    check_choice("primary", primary, tuple(RULES))
    check_confidence(confidence)
    limit, error = person_threshold(mcid, "mcid", name="mcid"), read_sem(sem, sem_df)
    changes, away = true_share.measured_changes(improvement)
    started, se, fit = (
        changes.size + away,
        true_share.spread_of(limit),
        true_share.true_changes(changes, error.value, error.df),
    )
    chances = true_share.chance_beyond(changes, fit, limit.value, se)
    mdc = float(ndtri(0.975)) * sqrt(2) * error.value
    counts = [
        how_many(changes, limit.value),
        how_many(changes, max(limit.value, mdc)),
        int((chances > certainty).sum()),
    ]
    expected = np.array(true_share.share_beyond(fit, limit.value, se, confidence)[1:]) * (changes.size / started)
    table = pd.DataFrame({
        "definition": list(RULES), "rule": [rule.format(certainty=certainty) for rule in RULES.values()],
        "primary": [name == primary for name in RULES], "people": [*map(float, counts), float(chances.sum())],
        "started": started,
    })  # fmt: skip
    table["share"] = table["people"] / started
    low, high = wilson_limits(counts, started, confidence)
    table["low"], table["high"] = [*low, expected[0]], [*high, expected[1]]
    sentences = tuple(
        f"{row['definition']}{' (primary)' if row['primary'] else ''}, {row['rule']}: {row['people']:.3g} of "
        f"{row['started']} ({percent(row['share'])})."
        for row in table.sort_values("primary", ascending=False, kind="stable").to_dict("records")
    )
    cautions = (
        "B is strict by design: as a share it leaves out most people whose true change is just above the MCID.",
        *error.cautions,
        *told({f"{away} people without a usable follow-up count as not shown in every rule.": away}),
    )
    return Part({"rows": table, "primary": primary, "chances": chances}, table, sentences, cautions, ("newcombe1998a",))
