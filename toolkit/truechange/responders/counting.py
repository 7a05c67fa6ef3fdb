"""Responders: people who improved by at least the threshold, of all who started; how many error alone would make."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from math import inf, isfinite, nan
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import bdtrc, betaincinv

from truechange.foundation import errors
from truechange.foundation.distributions import error_share, sd_factors
from truechange.foundation.errors import DataError, RefusedError, in_short, listed
from truechange.foundation.estimate import Estimate, Threshold, person_threshold, plain_number, read_sem
from truechange.foundation.numbers import fixed, percent, reaches, with_unit
from truechange.foundation.result import Part, Spoken, told
from truechange.meaningful_change.ratings import numbers as column_of
from truechange.numerics.intervals import FEW, Floats, tango_limits, wilson_limits

EVERYONE = "everyone"


def exact_limits(k: ArrayLike, n: ArrayLike, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Return Clopper and Pearson's exact limits for `k` of `n`, elementwise; NaN where `n` is 0."""
    k, n = np.asarray(k, dtype=float), np.asarray(n, dtype=float)
    tail = (1 - confidence) / 2
    with np.errstate(invalid="ignore"):
        low = np.where(k == 0, 0.0, betaincinv(np.maximum(k, 1), n - k + 1, tail))
        high = np.where(k == n, 1.0, betaincinv(k + 1, np.maximum(n - k, 1), 1 - tail))
    return np.where(n > 0, low, np.nan), np.where(n > 0, high, np.nan)


LIMITS = {"wilson": (wilson_limits, "Wilson score"), "exact": (exact_limits, "Clopper-Pearson exact")}


def whole_people(given: Any, name: str) -> int:
    """Return a number of people as a whole number; raise a DataError that names it where it is none."""
    try:
        if 0 <= given < inf and int(given) == given:
            return int(given)
    except (TypeError, ValueError):
        pass
    raise DataError(f"{name}={in_short(given)} must be a whole number of people, at least 0.")


def check_count(k: Any, n: Any, *, k_name: str = "k", n_name: str = "n") -> tuple[int, int]:
    """Return `k` and `n` as whole numbers with 0 ≤ k ≤ n and n ≥ 1; raise a DataError where they are not."""
    k, n = whole_people(k, k_name), whole_people(n, n_name)
    if n == 0:
        raise DataError(f"{n_name}=0: nobody started, so there is no share to compute.")
    if k > n:
        raise DataError(f"{k_name}={k} is more than {n_name}={n}: count the people who started in {n_name}.")
    return k, n


def how_many(changes: Any, threshold: float) -> int:
    """Return how many changes are at least the threshold, floating-point noise aside; missing ones are not."""
    return int(np.count_nonzero(reaches(changes, threshold)))


def proportion(k: int, n: int, confidence: float = 0.95, method: str = "wilson") -> Estimate:
    """Estimate a share of people with its interval.

    Parameters
    ----------
    k : int
        People who changed enough.
    n : int
        People who started; those who never came back count here.
    confidence : float, optional
        Level of the interval.
    method : {"wilson", "exact"}, optional
        Wilson's score interval, or Clopper and Pearson's (never covers less than stated, wider).

    Returns
    -------
    Estimate

    Raises
    ------
    DataError
        `k` and `n` are not whole numbers with 0 ≤ k ≤ n, or nobody started.
    ChoiceError
        `method` or `confidence` is not available.

    References
    ----------
    Newcombe RG (1998). Stat Med 17:857-872.

    Examples
    --------
    >>> print(proportion(18, 30))
    0.60 (95% CI 0.42 to 0.75)
    >>> print(proportion(0, 12))
    0.00 (95% CI 0.00 to 0.24)
    """
    errors.check_choice("method", method, tuple(LIMITS))
    errors.check_confidence(confidence)
    k, n = check_count(k, n)
    limits, words = LIMITS[method]
    low, high = limits(k, n, confidence)
    return Estimate(value=k / n, low=float(low), high=float(high), confidence=confidence, n=n, method=words)


class Responders(Spoken):
    """People who improved by at least a threshold, of all who started.

    Its facts: ``rows`` (the table), ``threshold`` (what a change was held against: ``change ≥ threshold``, unrounded),
    ``confidence`` (level of the intervals), ``whom`` (which people the shares are of: "who started", or "due" where
    others' follow-up lies ahead). Its table, one row a group: group, started, measured, changed_enough, proportion,
    low, high (Wilson, of those who started), worse_enough, share_of_measured, lowest_possible, highest_possible (if
    none or all of the people without a follow-up had changed enough), share_at_low, share_at_high (were the threshold
    the lower or the upper limit of its interval).
    """

    def _share(self, group: str, method: str, *, net: bool) -> Estimate:
        row = next((row for row in self.rows.to_dict("records") if row["group"] == group), None)
        if row is None:
            raise DataError(f"No group {group!r}; there are {listed(self.rows['group'])}.")
        n, value, (low, high) = row["started"], row["proportion"], (row["low"], row["high"])
        if net:
            value = (row["changed_enough"] - row["worse_enough"]) / n
            low, high = tango_limits(row["changed_enough"], row["worse_enough"], n, self.confidence)
        how = f"{method}, of those {self.whom}"
        return Estimate(value=value, low=low, high=high, confidence=self.confidence, n=n, method=how)

    def net(self, group: str = EVERYONE) -> Estimate:
        """Return the share who improved enough minus the share who worsened as much, of those who started (Tango).

        Error alone moves as many one way as the other, so the difference is 0 where nobody truly changed.
        """
        return self._share(group, "Tango score, paired shares", net=True)

    def share(self, group: str = EVERYONE) -> Estimate:
        """Return one group's share of those who started, as an Estimate."""
        return self._share(group, "Wilson score", net=False)


def _draw(rows: pd.DataFrame, whom: str, ax: Any) -> Any:
    """Draw one row a group: share of those who started, its interval, and what the missing could make of it."""
    from truechange.foundation import drawing

    shares = [Estimate(value=share, low=low, high=high)
              for share, low, high in rows[["proportion", "low", "high"]].to_numpy()]  # fmt: skip
    drawing.interval_rows(list(rows["group"]), shares, ax=ax)
    for at, edges in enumerate(rows[["lowest_possible", "highest_possible"]].to_numpy()):
        ax.plot(edges, [at + 0.22] * 2, color=drawing.LINE, lw=5)
    drawing.percent_axis(ax)
    ax.set(xlim=(0, 1), xlabel=f"improved by at least the threshold, of those {whom}")
    return ax


def _sentence(row: Mapping[str, Any], limit: Threshold, confidence: float, whom: str) -> str:
    """Say how many of those who started in a group changed enough, and how many were not measured."""
    who = "" if row["group"] == EVERYONE else f"{row['group']}: "
    share = lost = edges = ""
    if row["started"] >= FEW:
        low, high = percent(row["low"]), percent(row["high"])
        share = f" ({percent(row['proportion'])}, {100 * confidence:g}% CI {low} to {high})"
    if away := row["started"] - row["measured"]:
        lost = f"; {away} had no usable follow-up and count{'s' * (away == 1)} as not shown"
    if share and limit.has_interval:
        edges = (
            f"; were the {limit.kind.upper()} anywhere in its interval ({limit.interval_text()}), between "
            f"{percent(row['share_at_high'])} and {percent(row['share_at_low'])}"
        )
    reached = f"{row['changed_enough']} of the {row['started']} people {whom} improved by at least {size_of(limit)}"
    return f"{who}{reached}{share}{lost}{edges}."


def numbers(improvement: Any, name: str = "improvement") -> np.ndarray:
    """Return the improvements as numbers, NaN where there is none.

    Raises
    ------
    DataError
        One of them is not a number or infinite, or they are not one column.
    """
    if np.ndim(improvement) != 1:
        raise DataError(
            f"{name}={in_short(improvement)} must be one column with a number a person (NaN where there is no "
            "follow-up); pick the column of a table, or put one person's number in a list."
        )
    return column_of(name, improvement)


def size_of(limit: Threshold) -> str:
    """Write a threshold's size and unit; an MCID without an interval as it was typed, an MDC is computed."""
    typed = limit.kind == "mcid" and not limit.has_interval
    return with_unit(limit.value, limit.unit) if typed else f"{fixed(limit.value, limit.decimals)} {limit.unit}".strip()


def any_threshold(given: Threshold | float) -> Threshold:
    """Return `given` as a person-level threshold of either kind; a bare number is taken as a stated MCID."""
    return person_threshold(given, given.kind if isinstance(given, Threshold) else "mcid", name="threshold")


def group_labels(improvement: Any, by: Any, n: int) -> pd.Series:
    """Return one group name a person, `n` of them; everyone together without `by`.

    Raises
    ------
    DataError
        `by` does not fit the people.
    """
    if by is None:
        return pd.Series([EVERYONE] * n)
    if isinstance(by, Mapping):
        if not isinstance(improvement, pd.Series):
            raise DataError("by= as a dict names each person's group: give improvement as a Series indexed by person.")
        by = [by.get(person) for person in improvement.index]
    errors.check_same_index(improvement=improvement, by=by)
    labels = pd.Series(by).reset_index(drop=True)
    if len(labels) != n:
        raise DataError(f"by= has {len(labels)} entries for {n} people: give one group for each improvement.")
    return labels.map(_label).astype(object)


def _label(given: Any) -> str:
    if given is None or given != given:
        return "not stated"
    return str(int(given)) if isinstance(given, float) and given.is_integer() else str(given)


def _started(started: Any, groups: pd.Series) -> dict[str, int]:
    """Return people who started by group: counted from the rows, or as one number or a dict gives them."""
    order = sorted(set(groups)) or [EVERYONE]
    if started is None:
        return {name: int((groups == name).sum()) for name in order}
    if not isinstance(started, Mapping):
        if np.ndim(started):
            raise DataError(f"started={in_short(started)} cannot be used; give one number, or a dict of group: people.")
        if len(order) > 1:
            raise DataError(f"started= is one number for {len(order)} groups ({listed(order)}): give a dict.")
        started = {order[0]: started}
    began = {_label(key): whole_people(value, "started") for key, value in started.items()} or {EVERYONE: 0}
    if strange := sorted(set(groups) - set(began)):
        raise DataError(f"No number of people who started for {listed(strange)}: add it to started=.")
    return began


def count_responders(
    improvement: Any, threshold: Threshold | float, by: Any = None, started: Any = None, confidence: float = 0.95, *,
    whom: str = "who started",
) -> Responders:  # fmt: skip
    """Count the people who improved by at least `threshold`, of all who started.

    Parameters
    ----------
    improvement : array-like of float, shape (n,)
        One improvement a person (positive = better), in the unit of the test; NaN for a person who started
        and has no usable follow-up.
    threshold : Threshold or float
        Person-level MCID or MDC; the rule is ``improvement ≥ threshold``, unrounded.
    by : array-like, Series or dict, optional
        Group of each person (programme, site); a dict maps person to group and needs `improvement` indexed by person.
    started : int or mapping of group to int, optional
        People who started: one number, or one for each group. Without it every row is a person who started.
    confidence : float, optional
        Level of the intervals.
    whom : str, optional
        Which people these are, for the words: "who started", "due".

    Returns
    -------
    Responders

    Raises
    ------
    DataError
        Nobody, more people measured than started, an infinite improvement, or lengths that do not fit.
    RefusedError
        The threshold is for a group's mean or for the difference between groups.

    Examples
    --------
    >>> found = count_responders([3, 1, 0, 4, float("nan")], 2)
    >>> print(found.sentence())
    2 of the 5 people who started improved by at least 2; 1 had no usable follow-up and counts as not shown.
    """
    errors.check_confidence(confidence)
    limit, values = any_threshold(threshold), numbers(improvement)
    if limit.value <= 0:
        raise RefusedError("A threshold of 0 calls everyone who did not get worse a responder; give a positive one.")
    groups = group_labels(improvement, by, len(values))
    rows = []
    for name, number in _started(started, groups).items():
        here = values[(groups == name).to_numpy()]
        measured = int(np.isfinite(here).sum())
        if number < measured or number == 0:
            raise DataError(
                f"{name}: {measured} people were measured but {number} started. Count everyone who started in started=."
            )
        enough, limits = how_many(here, limit.value), (limit.low, limit.high)
        low, high = (float(edge) for edge in wilson_limits(enough, number, confidence))
        at_low, at_high = (how_many(here, edge) / number if limit.has_interval else nan for edge in limits)
        rows.append({
            "group": name, "started": number, "measured": measured, "changed_enough": enough,
            "proportion": enough / number, "low": low, "high": high, "worse_enough": how_many(-here, limit.value),
            "share_of_measured": enough / measured if measured else nan, "lowest_possible": enough / number,
            "highest_possible": (enough + number - measured) / number, "share_at_low": at_low, "share_at_high": at_high,
        })  # fmt: skip
    table, says = pd.DataFrame(rows), tuple(_sentence(row, limit, confidence, whom) for row in rows)
    seen = "Share of people who changed enough, with its interval, a row for each group."
    facts = {"rows": table, "threshold": limit, "confidence": confidence, "whom": whom}
    return Responders(facts, table, says, _cautions(table, limit, values), ("newcombe1998a",), seen,
                      partial(_draw, table, whom), height=0.9 + 0.34 * len(rows))  # fmt: skip


def _cautions(table: pd.DataFrame, limit: Threshold, values: np.ndarray) -> tuple[str, ...]:
    everyone, small = int(table["started"].sum()), table.loc[table["started"] < FEW, "group"]
    away = everyone - int(table["measured"].sum())
    alone = "“Improved by at least” is not “caused by the programme”: nobody here was compared with a twin left alone."
    seen = np.abs(values[np.isfinite(values) & (values != 0)])
    return (*limit.cautions, alone, *told({
        f"Every change that is not 0 is more than the threshold of {limit.value:g}: give threshold= in the unit of the "
        "test, not as a share.": seen.size and limit.value < min(1, seen.min()),
        f"{away} of {everyone} people have no usable follow-up ({percent(away / everyone)}); they stay in the "
        "denominator, and the lowest and highest possible shares say how much they matter.": away,
        f"Fewer than {FEW} people started in {listed(small)}: read the count, not a percentage.": len(small),
        "The threshold is used as if it were known exactly; its own uncertainty is not in these intervals.":
            not limit.has_interval,
    }))  # fmt: skip


class ErrorOnly(Part):
    """What measurement error alone would produce.

    Its facts: ``share`` (chance that one unchanged person reaches the threshold; its interval carries the uncertainty
    of the SEM), the same number as ``proportion``, ``n`` (people measured twice: error moves nobody else over a
    threshold), ``expected`` (how many of them reach it), ``threshold``; ``sem``, ``practice`` (gain expected from
    repeating the test) and ``resolution`` (step in which it is scored, 0 without steps) in the unit of the test;
    ``retest`` (share of real retest pairs of unchanged people that reached the threshold, None where none were given).
    """

    def tail(self, k: int) -> float:
        """Chance of at least `k` such people among `n`, if nobody truly changed (exact binomial)."""
        k, _ = check_count(k, self.n)
        return 1.0 if k == 0 else float(bdtrc(k - 1, self.n, self.share.value))


def responders_from_error(
    threshold: Threshold | float, *, sem: Estimate | float, n: int, practice: float = 0.0, resolution: float = 0.0,
    sem_df: float | None = None, retest: Any = None, confidence: float = 0.95,
) -> ErrorOnly:  # fmt: skip
    """Compute how many of `n` unchanged people would reach `threshold` by measurement error alone.

    Parameters
    ----------
    threshold : Threshold or float
        Person-level threshold, in the unit of the test.
    sem : Estimate or float
        Standard error of measurement of one score, as tested: with the rounding that the scores have.
    n : int
        People measured twice.
    practice : float, optional
        Mean gain of unchanged people from repeating the test (positive = better).
    resolution : float, optional
        Step in which the test is scored (``tc.measure(key).resolution``). On a test of whole numbers error alone
        carries more people over a threshold than the smooth normal tail says; 0 for a scale without steps.
    sem_df : float, optional
        Degrees of freedom of the SEM; taken from an Estimate. Gives the share its interval.
    retest : array-like, optional
        Improvements of unchanged people tested twice, for the same share counted instead of computed.
    confidence : float, optional
        Level of the interval.

    Returns
    -------
    ErrorOnly

    Raises
    ------
    DataError
        The SEM is negative or `n` not a whole number of people.

    Notes
    -----
    Normal errors of equal size at both visits, before rounding to steps of the resolution:
    :func:`truechange.foundation.distributions.error_share`. For a scale without steps it is
    ``1 − Φ((T − practice) / (√2 SEM))`` (textbook form).

    Examples
    --------
    >>> found = responders_from_error(2, sem=1.414, n=100)
    >>> round(found.proportion, 3), round(found.expected, 1), round(found.tail(25), 3)
    (0.159, 15.9, 0.012)
    """
    errors.check_confidence(confidence)
    limit, known = any_threshold(threshold), read_sem(sem, sem_df)
    n = check_count(0, n)[1]
    practice, resolution = plain_number(practice, "practice"), plain_number(resolution, "resolution")
    if not 0 <= resolution < inf:
        raise DataError(f"resolution={resolution!r} must be the step of the test, or 0 for a scale without steps.")
    if not isfinite(practice):
        raise DataError(f"practice={practice!r} is no usable number; give 0 if nothing is known of it, and say so.")
    counted = None
    if retest is not None:
        gains = numbers(retest, "retest")
        gains = gains[~np.isnan(gains)]
        if not gains.size:
            raise DataError("retest holds no improvement: leave it out.")
        counted = proportion(how_many(gains, limit.value), gains.size, confidence)

    def share_with(error: float) -> float:
        return error_share(limit.value, error, practice, resolution)

    low, high = nan, nan
    if known.df is not None:  # sorted: where practice alone reaches the threshold, a larger error makes fewer
        low, high = sorted(share_with(known.value * factor) for factor in sd_factors(known.df, confidence))
    steps = f", scores in steps of {resolution:g}" if resolution else ""
    share = Estimate(value=share_with(known.value), low=low, high=high, confidence=confidence, n=n, df=known.df,
                     method=f"normal errors{steps}; interval from the chi-square interval of the SEM")  # fmt: skip
    known_to = f"; {percent(share.low)} to {percent(share.high)} as far as the error is known"
    about = f"{percent(share.value)}{known_to if share.has_interval else ''}"
    carried = f"about {fixed(n * share.value, 1)} of {n} people measured twice ({about}) over the threshold"
    says = [f"If nobody had truly changed, measurement error alone would carry {carried}."]
    if counted:
        interval = f"{100 * confidence:g}% CI {percent(counted.low)} to {percent(counted.high)}"
        reached = f"{percent(counted.value)} reached it ({interval})"
        says.append(f"Of the {counted.n} unchanged people of the retest study {reached}.")
    cautions = (
        *limit.cautions, "The two errors are taken as independent, normal and of the same size for everyone.",
        *known.cautions,
        *told({"The SEM is taken as known exactly, so the expected number has no interval.": known.df is None}),
    )  # fmt: skip
    row = {"threshold": limit.value, "sem": known.value, "practice": practice, "resolution": resolution, "n": n,
           "proportion": share.value, "low": share.low, "high": share.high, "expected": n * share.value}  # fmt: skip
    frame = pd.DataFrame([row | {"retest_share": counted.value if counted else nan}])
    return ErrorOnly(row | {"share": share, "threshold": limit, "retest": counted}, frame, tuple(says), cautions)
