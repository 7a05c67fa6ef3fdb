"""Scores of a reliability study, people x trials, every score used once; and what they gain by practice (learning)."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from math import isfinite, nan, sqrt
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import chdtri, fdtrc, stdtr, stdtrit

from truechange.foundation.drawing import ACCENT, LINE, Axes
from truechange.foundation.errors import DataError, check_choice, check_kind, check_resamples, listed
from truechange.foundation.estimate import Estimate, Origin
from truechange.foundation.numbers import p_value, people
from truechange.foundation.result import Part, told
from truechange.numerics import variances as kernels
from truechange.numerics.resampling import Floats, bca_limits, percentile_limits

MISSING = ("refuse", "leave out", "reml")
SQUARES = {"agreement": "within", "consistency": "error", "one-way": "within"}  # mean square an SEM is the root of
ERRORS = tuple(SQUARES)
LIMITS = ("exact", "percentile", "bca")
RULES = {"mean": "mean", "first": "first", "last": "last", "highest": "max", "lowest": "min"}  # of a visit's trials


class Columns(NamedTuple):
    """Which columns of a long table hold what; `session`, `stable` and `result` where there are any."""

    person: str = "person"
    trial: str = "trial"
    value: str = "value"
    session: str | None = None
    stable: str | None = None
    result: str | None = None


@dataclass(frozen=True, slots=True)
class Sample:
    """What all numbers of one study share: people, unit, level of the intervals, origin."""

    n: int
    confidence: float = 0.95
    unit: str = ""
    origin: Origin = field(default_factory=Origin.own)

    @property
    def tails(self) -> tuple[float, float]:
        """Lower and upper tail of the intervals."""
        return (1 - self.confidence) / 2, (1 + self.confidence) / 2

    def estimate(
        self, value: Any, low: Any = nan, high: Any = nan, method: str = "", df: float | None = None
    ) -> Estimate:
        """Return a number of this study."""
        ends = {"value": float(value), "low": float(low), "high": float(high), "confidence": self.confidence}
        return Estimate(**ends, unit=self.unit, n=self.n, df=df, method=method, origin=self.origin)

    def around(self, value: float, se: float, df: float, method: str) -> Estimate:
        """Return a number with its t interval."""
        half = float(stdtrit(df, self.tails[1])) * se
        return self.estimate(value, value - half, value + half, f"{method}, t interval", df)

    def sd(self, square: float, df: float, method: str) -> Estimate:
        """Return the root of a mean square with its chi-square interval."""
        low, high = (sqrt(square * df / float(chdtri(df, tail))) for tail in self.tails)
        return self.estimate(sqrt(square), low, high, f"{method}; chi-square interval, {df:g} df", df)

    def line(self, x: Floats, y: Floats, method: str) -> tuple[Estimate, float]:
        """Return the least-squares slope of y on x with its t interval, and the intercept; NaN if x does not vary."""
        n, away = x.size, x - x.mean()
        sxx = float(np.sum(away**2))
        bare = replace(self, unit="")
        if n < 3 or sxx == 0:
            return bare.estimate(nan, method=method), nan
        slope = float(np.sum(away * y)) / sxx
        intercept = float(y.mean()) - slope * float(x.mean())
        squares = float(np.sum((y - intercept - slope * x) ** 2))
        return bare.around(slope, sqrt(squares / (n - 2) / sxx), n - 2, method), intercept


def estimates_table(named: Mapping[str, Estimate], index: str = "quantity") -> pd.DataFrame:
    """Return one row a named estimate, unrounded."""
    return pd.DataFrame([e.row() for e in named.values()], index=pd.Index(list(named), name=index))


@dataclass(frozen=True, slots=True)
class TrialTable:
    """Scores of people (rows) in trials (columns), with who was set aside and why.

    Parameters
    ----------
    scores : ndarray, shape (n, k)
        In the unit of the test; NaN only under ``missing="reml"``.
    people, trials : tuple
        Labels of rows and columns, in order.
    set_aside : dict of str to tuple
        Reason -> people.
    per_visit : int
        Trials that a rule made one score of.
    whole : bool
        Whether REML was asked for though no score is missing.
    """

    scores: Floats
    people: tuple[Any, ...]
    trials: tuple[Any, ...]
    set_aside: dict[str, tuple[object, ...]]
    per_visit: int = 1
    whole: bool = False

    @property
    def long(self) -> pd.DataFrame:
        """One row a score: person (row number), trial (label), value; session too where a label is (session, trial)."""
        rows, columns = np.nonzero(np.isfinite(self.scores))
        names = ["session", "trial"] if isinstance(self.trials[0], tuple) else ["trial"]
        labels = pd.DataFrame(list(self.trials), columns=names).iloc[columns].reset_index(drop=True)
        return labels.assign(person=rows, value=self.scores[rows, columns])[["person", *names, "value"]]

    @property
    def cautions(self) -> tuple[str, ...]:
        """One sentence a reason for which people were set aside; that a table stands on its side, or needed no REML."""
        n, k = self.scores.shape
        aside = {f"{people(len(who))} set aside, {why}: {listed(who)}.": who for why, who in self.set_aside.items()}
        return told({f"{k} trials of {people(n)}: were person= and trial= swapped?": k > n} | aside | {
            "No score is missing, so the mean squares were used instead of REML: its estimates are theirs unless a "
            "variance would be negative, and their intervals are exact.": self.whole,
        })  # fmt: skip


def trial_table(data: pd.DataFrame, columns: Columns, missing: str = "refuse", rule: str = "") -> TrialTable:
    """Shape a long table into people x trials.

    Parameters
    ----------
    data : DataFrame
        One row a person and trial; not changed.
    columns : Columns
        Its columns. Trials are ordered as sorted. `stable` (true/false): people not declared stable in every row are
        set aside and counted. `result` says ``measured`` or why there is no score (``unable``, ``refused`` ...):
        people with anything but ``measured`` are set aside and counted, never scored 0. With `session`, labels are
        pairs (session, trial).
    missing : {"refuse", "leave out", "reml"}
        What to do with people who lack a trial.
    rule : str, optional
        A key of ``RULES``: how the trials of one session become its score; the sessions are then the trials.

    Raises
    ------
    DataError
        A column is absent, a score is not a number, two scores share person
        and trial, cells are missing under ``"refuse"``, fewer than 2
        people or trials are left, or trial numbers run on over the sessions.
    ChoiceError
        `missing` or `rule` is unknown.
    """
    person, trial, value, session, stable, result = columns
    check_choice("missing", missing, MISSING)
    check_long(data)
    check_columns(data, filter(None, columns))
    unlabelled = data[[person, trial, *filter(None, (session,))]].isna().any(axis=1)
    if unlabelled.any():
        raise DataError(
            f"{people(unlabelled.sum(), 'rows lack', 'row lacks')} '{person}' or '{trial}' (first at row "
            f"{data.index[unlabelled][0]})."
        )
    rows, set_aside = _measured(data, person, stable, result)
    rows = rows.assign(**{value: _numbers(rows[value], value)})
    where = [person, *filter(None, (session,)), trial]
    doubled = list(rows.loc[rows.duplicated(where, keep=False), person].drop_duplicates())
    if doubled:
        raise DataError(
            f"More than one '{value}' for the same '{trial}' in {len(doubled)} of {rows[person].nunique()} people: "
            f"{listed(doubled)}. Keep one score per person and trial; trials within visits need session= "
            "(session_reliability, measurement_error)."
        )
    rows, trial, per_visit = _by_session(rows, columns, rule) if session else (rows, trial, 1)
    # not pivot_table, which averages doubled scores in silence
    wide = rows.pivot(index=person, columns=trial, values=value)  # noqa: PD010
    gaps = wide.isna().any(axis=1)
    if gaps.any() and missing == "refuse":
        raise DataError(
            f"No '{value}' in at least one '{trial}' for {gaps.sum()} of {len(wide)} people: "
            f"{listed(wide.index[gaps])}. Complete the data, pass missing='leave out' to use the other "
            f"{(~gaps).sum()}, or missing='reml' to use every score."
        )
    if missing == "leave out":
        set_aside["a missing trial"] = tuple(wide.index[gaps])
        wide = wide.loc[~gaps]
    else:
        wide = wide.dropna(how="all")
    n, k = wide.shape
    if n < 2 or k < 2:
        why = "".join(f" Set aside, {reason}: {listed(who)}." for reason, who in set_aside.items() if who)
        raise DataError(
            f"Reliability needs at least 2 people with 2 trials each; {people(n)} and {k} trials are left.{why}"
        )
    whole = missing == "reml" and not gaps.any()
    return TrialTable(wide.to_numpy(dtype=float), tuple(wide.index), tuple(wide.columns), set_aside, per_visit, whole)


def _by_session(rows: pd.DataFrame, columns: Columns, rule: str) -> tuple[pd.DataFrame, str, int]:
    """Return one row a score, the column of its label, and how many trials the `rule` made one score of."""
    person, trial, value, session, *_ = columns
    sessions = rows.groupby(trial)[str(session)].nunique()
    if sessions.max() == 1 and len(rows[session].unique()) > 1:
        raise DataError(
            f"trial={trial!r}: no trial number occurs in two sessions. Number trials from 1 in every session; for one "
            "score a session leave session= out."
        )
    if not rule:
        label = f"{session} and {trial}"
        both = pd.Series(list(zip(rows[session], rows[trial], strict=True)), index=rows.index)
        return rows.assign(**{label: both}), label, 1
    check_choice("rule", rule, tuple(RULES))
    visits = rows.dropna(subset=value).sort_values(trial).groupby([person, session], as_index=False)[value]
    counts = pd.DataFrame(visits.size())
    usual = int(counts["size"].max())
    if len(short := counts.loc[counts["size"] < usual, person].unique()):
        raise DataError(
            f"rule={rule!r}: visits have {counts['size'].min()} to {usual} trials (fewer: {listed(short)}), and the "
            f"{rule} of few is not that of many. Keep as many trials a visit as the programme uses."
        )
    return pd.DataFrame(visits.agg(RULES[rule])), str(session), usual


def check_columns(data: pd.DataFrame, columns: Iterable[str]) -> None:
    """Raise a DataError that names the columns the table lacks, and those it has."""
    if absent := [name for name in columns if name not in data.columns]:
        raise DataError(f"No column {listed(absent)} in the data; it has {listed(data.columns, 12)}.")


def _measured(
    rows: pd.DataFrame, person: str, stable: str | None, result: str | None
) -> tuple[pd.DataFrame, dict[str, tuple[object, ...]]]:
    """Return the rows of stable people with every score measured, and who was set aside for which reason."""
    set_aside: dict[str, tuple[object, ...]] = {}
    if stable and not set(rows[stable].dropna()) <= {True, False}:
        strange = next(answer for answer in rows[stable].dropna() if answer not in (True, False))
        raise DataError(f"Column '{stable}' must hold true or false, found {strange!r}. Translate it first.")
    for column, reason, fine in (
        (stable, "not declared stable", True),
        (result, "a trial without a score (unable, refused or not done)", "measured"),
    ):
        if column:
            out = set_aside[reason] = tuple(rows.loc[~rows[column].eq(fine), person].drop_duplicates())
            rows = rows.loc[~rows[person].isin(out)]
    return rows, set_aside


def check_long(data: object) -> None:
    """Raise a DataError unless `data` is a table."""
    check_kind("data", data, pd.DataFrame, "a table (DataFrame) with one row a person and trial", DataError)


def _numbers(column: pd.Series, name: str) -> pd.Series:
    numbers = pd.to_numeric(column, errors="coerce")
    wrong = (numbers.isna() & column.notna()) | np.isinf(numbers)
    if wrong.any():
        bad = f"values of '{name}' are not finite numbers", f"value of '{name}' is not a finite number"
        raise DataError(
            f"{people(wrong.sum(), *bad)}, the first {column[wrong].iloc[0]!r} at row {column.index[wrong][0]}. "
            "Correct them (a decimal point, no comma); leave a missing score empty."
        )
    return numbers.astype(float)


def float_array(given: ArrayLike, name: str) -> Floats:
    """Return `given` as numbers.

    Raises
    ------
    DataError
        It holds something else.
    """
    try:
        return np.asarray(given, dtype=float)
    except (TypeError, ValueError) as wrong:
        raise DataError(f"{name} must hold numbers only ({wrong}). Correct it; leave a missing score empty.") from wrong


def count_cautions(n: int) -> tuple[str, ...]:
    """Return the caution that few people call for."""
    few = f"Only {people(n)}: far too few to know much."
    return told({few: n < 10, f"{n} people: fewer than 30; plan for 50.": 10 <= n < 30})


def resampled_limits(
    scores: Floats,
    quantity: Callable[[kernels.MeanSquares], Floats],
    limits: str,
    n_boot: int,
    seed: int,
    confidence: float,
) -> tuple[float, float, str]:
    """Return bootstrap limits over people of any function of the mean squares, and how they were found."""
    check_resamples(n_boot, seed)
    if not np.isfinite(scores).all():
        raise DataError("Bootstrap limits need complete scores; leave out people with a missing trial.")
    draws = np.asarray(quantity(kernels.resampled_mean_squares(scores, n_boot=n_boot, seed=seed)))
    failed = float(np.isnan(draws).mean())
    words = f"{'BCa' if limits == 'bca' else limits} bootstrap over people (B = {n_boot}, {100 * failed:.1f}% failed)"
    draws = draws[~np.isnan(draws)]
    if limits == "percentile":
        low, high = percentile_limits(draws, confidence)
        return float(low), float(high), words
    left_out = np.asarray(quantity(kernels.jackknifed_mean_squares(scores)))
    return *bca_limits(draws, float(quantity(kernels.mean_squares(scores))), left_out, confidence), words


def learning_between(scores: Floats, trials: tuple[object, ...], sample: Sample, margin: float | None = None) -> Part:
    """Compare consecutive trials of a complete table (people x trials, in the order done): learning effects.

    A gain counts as small when its 90% interval lies inside ± `margin` (two one-sided tests at 5%).

    Returns
    -------
    Part
        Table and ``steps``, one row a step: from, to, gain, low, high, p_value, sem (of that pair), sem_low, sem_high,
        gain_low_90, gain_high_90, within_margin. ``f, df1, df2, p_value`` (F test that all trial means are equal),
        ``epsilon, p_corrected`` (Greenhouse-Geisser's correction; 1 and the plain p for two trials), ``margin``,
        ``scores``, ``trials``.
    """
    n, k = scores.shape
    gains = np.diff(scores, axis=1)
    gain, se = gains.mean(axis=0), gains.std(axis=0, ddof=1) / sqrt(n)
    half, half_90 = (stdtrit(n - 1, tail) * se for tail in (sample.tails[1], 0.95))
    sem = se * sqrt(n / 2)
    wide, narrow = (sqrt((n - 1) / float(chdtri(n - 1, tail))) for tail in sample.tails[::-1])
    with np.errstate(all="ignore"):
        p = 2 * stdtr(n - 1, -np.abs(gain) / se)
    steps = pd.DataFrame({
        "from": trials[:-1], "to": trials[1:], "gain": gain, "low": gain - half, "high": gain + half, "p_value": p,
        "sem": sem, "sem_low": sem * narrow, "sem_high": sem * wide, "gain_low_90": gain - half_90,
        "gain_high_90": gain + half_90, "within_margin": None,
    })  # fmt: skip
    if margin is not None:
        steps["within_margin"] = (steps["gain_low_90"] > -margin) & (steps["gain_high_90"] < margin)
    ms = kernels.mean_squares(scores)
    df1, df2 = ms.df["trials"], ms.df["error"]
    f = float(ms.trials / ms.error) if ms.error > 0 else nan
    covariance = np.cov(scores, rowvar=False)
    centred = covariance - covariance.mean(axis=0) - covariance.mean(axis=1)[:, None] + covariance.mean()
    squares = float(np.sum(centred**2))
    epsilon = min(1.0, float(np.trace(centred)) ** 2 / ((k - 1) * squares)) if squares > 0 else 1.0
    plain, corrected = (float(fdtrc(e * df1, e * df2, f)) if isfinite(f) else nan for e in (1.0, epsilon))
    cautions = told({
        "Two trials cannot tell learning from a one-off shift; a third trial could.": k == 2,
        "Trials must have been done in this order; with a random order a gain is not learning.": k > 2,
    })  # fmt: skip
    facts = {"steps": steps, "f": f, "df1": df1, "df2": df2, "p_value": plain, "epsilon": epsilon,
             "p_corrected": corrected, "margin": margin, "scores": scores, "trials": trials}  # fmt: skip
    small = [f"; within ±{margin:g}: {'yes' if row else 'not shown'}" if row is not None else ""
             for row in steps["within_margin"]]  # fmt: skip
    ways = zip(steps["from"], steps["to"], map(sample.estimate, gain, steps["low"], steps["high"]), small, strict=True)
    says = [f"From trial {first} to {second}: {gained}{within}." for first, second, gained, within in ways]
    return Part(
        facts, steps, (*says, f"All {k} trial means alike: {p_value(corrected)}."), cautions,
        ("hopkins2000", "greenhouse1959"), f"Scores of {people(n)} over {k} trials, with means.",
        draw=partial(_draw_trials, scores, trials, sample.unit),
    )  # fmt: skip


def _draw_trials(scores: Floats, trials: tuple[object, ...], unit: str, ax: Axes) -> Axes:
    """Draw each person faintly and the trial means with intervals for their own spread."""
    n, k = scores.shape
    at, means = np.arange(k), scores.mean(axis=0)
    ax.plot(at, scores.T, color=LINE, lw=0.8, zorder=1)
    # people differ by more than trials do: take their level out before drawing the interval
    inner = scores - scores.mean(axis=1, keepdims=True)
    half = stdtrit(n - 1, 0.975) * inner.std(axis=0, ddof=1) * sqrt(k / (k - 1) / n)
    ax.errorbar(at, means, yerr=half, color=ACCENT, marker="D", ms=7, lw=2.4, capsize=5, zorder=3)
    ax.set_xticks(at, [f"trial {trial}" for trial in trials])
    ax.set_xlim(-0.3, k - 0.7)
    ax.set_ylabel(f"Score ({unit})" if unit else "Score")
    each = f"{people(n)}: each thin line is one; diamonds are means (95% interval, level of people taken out)"
    ax.set_title(each, fontsize=9)
    return ax


def mean_gain(first: Floats, second: Floats, sample: Sample) -> Estimate:
    """Return the mean of second minus first over people with both, with its t interval."""
    gains = (second - first)[np.isfinite(second - first)]
    of_these = replace(sample, n=gains.size)
    if gains.size < 2:
        return of_these.estimate(nan, method="fewer than 2 people have both")
    se = float(gains.std(ddof=1)) / sqrt(gains.size)
    return of_these.around(float(gains.mean()), se, gains.size - 1, "mean of second minus first")


def sems_from_squares(ms: kernels.MeanSquares, sample: Sample) -> dict[str, Estimate]:
    """Return the three SEMs of a complete table with chi-square and Graybill-Wang limits."""
    squares, weights = [float(ms.trials), float(ms.error)], [1 / ms.n, 1 - 1 / ms.n]
    within, dfs = float(ms.within), [ms.df["trials"], ms.df["error"]]
    # no switch to a pooled interval where trials < error: it would cover as little as 91% (value and one-way SEM agree)
    low, high = kernels.graybill_wang(squares, weights, dfs, sample.confidence)
    spread = sum((w * m) ** 2 / d for w, m, d in zip(weights, squares, dfs, strict=True))
    satterthwaite = within**2 / spread if spread else ms.df["within"]
    how = "√(trial + residual variance); Graybill-Wang interval"
    agreement = sample.estimate(sqrt(within), sqrt(low), sqrt(high), how, satterthwaite)
    consistency = sample.sd(squares[1], ms.df["error"], "√(residual mean square)")
    one_way = sample.sd(within, ms.df["within"], "√(within-person mean square)")
    return dict(zip(ERRORS, (agreement, consistency, one_way), strict=True))
