"""Change of a group from baseline to discharge, regression to the mean beside it, and the intervals both rest on."""

from collections.abc import Mapping
from functools import partial
from math import exp, nan, pi, sqrt
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import gammaln, nctdtr, ndtr, stdtr, stdtrit

from truechange.foundation import drawing
from truechange.foundation.entry import Entry, sentence_before_cut
from truechange.foundation.errors import DataError, check_choice, check_confidence
from truechange.foundation.estimate import Estimate, read_sem
from truechange.foundation.numbers import fixed, p_value, percent, with_unit
from truechange.foundation.result import Part, Refused, worded, wordings
from truechange.numerics.resampling import Floats, percentile_limits
from truechange.numerics.small_cells import FEW, few
from truechange.numerics.true_change import TakenIn, beyond_cut, resampled_taken_in, sharp_edge

WORDS = wordings(__file__)
QUANTITIES = ("quantity", "estimate", "low", "high", "method")


def t_estimate(value: float, se: float, df: float, confidence: float, **about: Any) -> Estimate:
    """Return an estimate with its t interval: value ± t × standard error."""
    half = float(stdtrit(df, (1 + confidence) / 2)) * se
    return Estimate(value=value, low=value - half, high=value + half, confidence=confidence, df=df, **about)


def welch_difference(first: Floats, second: Floats, confidence: float, unit: str = "") -> Estimate:
    """Return the difference of two means with Welch's interval."""
    v1, v2 = first.var(ddof=1) / first.size, second.var(ddof=1) / second.size
    gap, se = float(first.mean() - second.mean()), sqrt(v1 + v2)
    df = (v1 + v2) ** 2 / (v1**2 / (first.size - 1) + v2**2 / (second.size - 1)) if se else first.size - 1
    how = "difference of means, Welch"
    return t_estimate(gap, se, float(df), confidence, unit=unit, n=first.size + second.size, method=how)


def hc3(y: Floats, *columns: Any) -> Any:
    """Fit `y` on a constant and `columns` by least squares, with HC3 standard errors (Long and Ervin 2000).

    Raises
    ------
    DataError
        Nobody leaves the line: its errors would be 0, and any difference certain.
    """
    from statsmodels.regression.linear_model import OLS

    fit = OLS(y, np.column_stack([np.ones(len(y)), *columns])).fit(cov_type="HC3", use_t=True)
    if np.abs(fit.resid).max() <= NOISE * max(1.0, np.abs(y).max()):
        raise DataError("Every change lies on one line, as when all are the same: no error can be told from it.")
    return fit


def coefficient(fit: Any, at: int, confidence: float, method: str, unit: str = "") -> Estimate:
    """Return one coefficient of a fitted line with its interval."""
    value, low, high = (float(number) for number in (fit.params[at], *fit.conf_int(alpha=1 - confidence)[at]))
    return Estimate(value=value, low=low, high=high, confidence=confidence, unit=unit, n=int(fit.nobs),
                    df=float(fit.df_resid), method=method)  # fmt: skip


def quantities(
    estimates: Mapping[str, Any], numbers: Mapping[str, float] | None = None, columns: Any = QUANTITIES, **shared: Any
) -> pd.DataFrame:
    """Return one row a quantity: the estimates that are known, then plain numbers, each of those with `shared`."""
    rows = [{"quantity": name, **one.row()} for name, one in estimates.items() if one is not None]
    rows += [{"quantity": name, "estimate": value, **shared} for name, value in (numbers or {}).items()]
    return pd.DataFrame(rows).reindex(columns=list(columns))


def gain_from_selection(cut: float, mean: float, sd: float, reliability: float, *, taken: str = "below") -> float:
    """Return the mean gain that appears without any change when only people beyond a cut are taken in.

    Parameters
    ----------
    cut : float
        Entry rule on the first score, in the test's unit.
    mean, sd : float
        Of the scores of everyone who could have been taken in, before selection.
    reliability : float
        Correlation of two scores of unchanged people, 0 to 1.
    taken : {"below", "above"}, optional
        Who is taken in: those with a score below the cut, or above it.

    Returns
    -------
    float
        In the test's unit, positive towards the mean.

    Raises
    ------
    DataError
        The SD is not positive or the reliability not between 0 and 1.

    Notes
    -----
    ``(1 − ρ) σ φ(z) / Φ(z)`` with ``z = (cut − mean)/σ`` (Barnett, van der Pols and Dobson 2005, Int J Epidemiol
    34:215-220, eq. 1). Do not use it when people were taken in by another test's score.

    Examples
    --------
    >>> round(gain_from_selection(40, mean=60, sd=15, reliability=0.5), 3)
    13.486
    """
    check_choice("taken", taken, ("below", "above"))
    if not (sd > 0 and 0 <= reliability <= 1):
        raise DataError(f"sd={sd!r} must be positive and reliability={reliability!r} between 0 and 1.")
    z = (cut - mean) / sd * (1 if taken == "below" else -1)
    return (1 - reliability) * sd * exp(-z * z / 2) / sqrt(2 * pi) / float(ndtr(z))


def start_dependence(
    before: Any, after: Any, sem: "Estimate | float", *, entry: Entry | None = None, unit: str = "",
    n_boot: int = 2000, seed: int = 0, confidence: float = 0.95,
) -> Part:  # fmt: skip
    """Estimate how the true change depends on the true score before, and what an entry rule makes by itself.

    Parameters
    ----------
    before, after : array-like of float, shape (n,)
        Scores turned so that up is better; pairs with a gap are left out.
    sem : Estimate or float
        Standard error of measurement of one score; redrawn in each resample when its degrees of freedom are known.
    entry : Entry, optional
        The rule by which people were taken in for a poor first score, in the test's own direction.
    unit : str, optional
        Unit of the test.
    n_boot, seed, confidence
        Of the bootstrap interval over people.

    Returns
    -------
    Part
        ``slope`` (Estimate, measurement error removed from the score before), ``plain`` (as measured: negative even
        when nothing depends on anything), ``from_selection`` (Estimate, mean gain that the entry rule makes by itself,
        or None), ``beyond_selection`` (Estimate, mean improvement less that gain, or None), ``unit``.

    Raises
    ------
    DataError
        Fewer than 20 pairs, or people who score better than a cut to which a curve is to be fitted.
    RefusedError
        The scores before vary no more than measurement error, or do not fit the entry rule.

    Notes
    -----
    ``(s₁₂ − (s₁₁ − SEM²)) / (s₁₁ − SEM²)`` (Blomqvist 1977, J Am Stat Assoc 72:746-749; from memory). The correlation
    of change with the score before is never given: it is negative by construction. With an entry rule s₁₁ and s₁₂ are
    those of everyone before the cut (mean μ, variance σ²), and the rule by itself makes ``SEM²/σ² (μ − x̄₁)``: what
    :func:`gain_from_selection` expects of it, here for the people who were really taken in.
    """
    check_confidence(confidence)
    scores = np.column_stack([np.asarray(before, dtype=float), np.asarray(after, dtype=float)])
    whole = np.isfinite(scores).all(axis=1)
    first, second = scores[whole].T
    n, known = first.size, read_sem(sem, unit=unit)
    if n < 20:
        raise DataError(f"{n} pairs are too few to tell dependence on the start from error; at least 20 are needed.")
    if float((second - first).std()) <= NOISE:
        raise DataError("Every change is the same: how it depends on the start cannot be told from error.")
    rule = entry and entry.of_people(whole)
    found, draws = resampled_taken_in(rule, first, second, known, _start_of, n_boot=n_boot, seed=seed)
    low, high = percentile_limits(draws, confidence)
    how = ("slope without the error of the first score", "SEM²/σ² × (everyone's mean − mean before)",
             "mean improvement less what the entry rule makes by itself")  # fmt: skip
    slope, gain, beyond = (
        Estimate(value=float(value), low=float(one), high=float(other), confidence=confidence, n=n, unit=in_unit,
                 method=f"{made}; bootstrap over people")
        for value, one, other, made, in_unit in zip(_start_of(found)[0], low, high, how, ("", unit, unit), strict=True)
    )  # fmt: skip
    plain, failed = float(np.cov(first, second)[0, 1] / first.var(ddof=1)) - 1, float(np.isnan(draws[:, 0]).mean())
    facts = {"plain": plain, "slope": slope, "from_selection": None, "beyond_selection": None, "unit": unit}
    shown, edges, before_cut = {"slope on score before, error removed": slope}, sharp_edge(first), []
    if entry is not None:
        facts |= {"from_selection": gain, "beyond_selection": beyond}
        shown |= {"mean gain expected from the entry rule alone": gain, "mean improvement beyond it": beyond}
        before_cut = [sentence_before_cut(entry, float(found.mean[0]), float(found.variance[0]), unit)]
        edges = entry.cautions(beyond_cut(entry, first))
    words, filled = WORDS["start"], facts | {"plain": fixed(plain, 2), "failed": fixed(100 * failed, 1)}
    says = (*worded(words, filled, ruled=entry), *before_cut, *worded(words, filled, leans=True))
    no_room, *lost = worded(words, filled, no_room=True, failed=failed)
    return Part(facts, quantities(shown, {"slope on score before, as measured": plain}), says,
                (no_room, *known.cautions, *lost, *edges), ("blomqvist1977", "barnett2005"))  # fmt: skip


def _start_of(found: TakenIn, _: Any = None) -> Floats:
    """Return slope, mean gain of the entry rule, and mean improvement less that gain, one row a resample."""
    return np.column_stack([found.slope, found.regression, found.expected.mean(axis=1)])


FEW_PAIRS = 10
TRIM = 0.2
NOISE = 1e-9  # an SD this small beside the mean is floating-point noise
COLUMNS = ("quantity", "estimate", "low", "high", "n", "unit", "method")


def small_sample_factor(df: float) -> float:
    """Return Hedges' exact correction ``Γ(df/2) / (√(df/2) Γ((df−1)/2))`` (Hedges 1981, from memory).

    Examples
    --------
    >>> round(small_sample_factor(10), 6)
    0.922746
    """
    return exp(float(gammaln(df / 2) - gammaln((df - 1) / 2))) / sqrt(df / 2)


def noncentral_t_limits(t: float, df: float, confidence: float) -> tuple[float, float]:
    """Return the noncentrality parameters for which `t` lies at either tail of the noncentral t distribution."""
    from scipy.optimize import brentq

    if not abs(t) < 1e6:  # the changes are all the same but for floating-point noise
        return nan, nan
    reach = 8 * sqrt(1 + t * t / (2 * df))

    def above(shift: float, level: float) -> float:
        if abs(shift - t) > 0.9 * reach:  # far out the function is not computed reliably, and its value is known
            return float(shift < t) - level
        found = float(nctdtr(df, shift, t) if t >= 0 else 1 - nctdtr(df, -shift, -t))
        if found != found:  # normal form, for huge t
            found = float(ndtr((t * (1 - 1 / (4 * df)) - shift) / sqrt(1 + t * t / (2 * df))))
        return found - level

    tail = (1 - confidence) / 2
    low, high = (float(brentq(above, t - reach, t + reach, (level,), xtol=1e-10)) for level in (1 - tail, tail))
    return low, high


def standardised_response_mean(change: Floats, confidence: float = 0.95) -> Estimate:
    """Return mean change / SD of change (d_z), with its noncentral t interval."""
    n, mean, sd = change.size, float(change.mean()), float(change.std(ddof=1))
    if sd <= NOISE * max(1.0, abs(mean)):
        return Estimate(value=nan, confidence=confidence, n=n, method="all changes equal: not defined")
    low, high = (edge / sqrt(n) for edge in noncentral_t_limits(mean / sd * sqrt(n), n - 1, confidence))
    how = "mean change / SD of change; noncentral t"
    return Estimate(value=mean / sd, low=low, high=high, confidence=confidence, n=n, df=n - 1, method=how)


def average_sd_effect(
    before: Floats, after: Floats, change: Floats, confidence: float = 0.95, *, hedges: bool = False
) -> Estimate:
    """Return mean change / √((s₁² + s₂²)/2) (d_av), with Algina and Keselman's interval.

    Limits: noncentrality limits of the paired t times ``√(2 s_d² / (n (s₁² + s₂²)))``. With `hedges` the value (not
    the interval) is multiplied by the small-sample factor at 2(n − 1) degrees of freedom, as Lakens 2013 does.
    """
    n, mean, spread = change.size, float(change.mean()), float(change.var(ddof=1))
    both = float(before.var(ddof=1) + after.var(ddof=1))
    if both == 0 or sqrt(spread) <= NOISE * max(1.0, abs(mean)):
        return Estimate(value=nan, confidence=confidence, n=n, method="no spread: not defined")
    factor = sqrt(2 * spread / (n * both))
    low, high = (edge * factor for edge in noncentral_t_limits(mean / sqrt(spread / n), n - 1, confidence))
    value = mean / sqrt(both / 2) * (small_sample_factor(2 * (n - 1)) if hedges else 1.0)
    how = f"mean change / average SD{', small-sample corrected' * hedges}; noncentral t (Algina and Keselman)"
    return Estimate(value=value, low=low, high=high, confidence=confidence, n=n, df=n - 1, method=how)


def mean_estimate(values: Floats, confidence: float, unit: str = "") -> Estimate:
    """Return the mean with its t interval."""
    n, se = values.size, float(values.std(ddof=1)) / sqrt(values.size)
    return t_estimate(float(values.mean()), se, n - 1, confidence, unit=unit, n=n, method="mean, t interval")


def trimmed_mean(values: Floats, confidence: float, unit: str = "", trim: float = TRIM) -> Estimate:
    """Return the trimmed mean with the Tukey-McLaughlin interval (winsorised SD, h − 1 degrees of freedom)."""
    n, ordered = values.size, np.sort(values)
    cut = int(trim * n)
    inner = ordered[cut : n - cut]
    winsorised = np.clip(ordered, inner[0], inner[-1])
    se = float(winsorised.std(ddof=1)) / ((inner.size / n) * sqrt(n))
    how = f"{100 * trim:g}% trimmed mean, winsorised t interval"
    return t_estimate(float(inner.mean()), se, inner.size - 1, confidence, unit=unit, n=n, method=how)


def paired_change(
    before: Any, after: Any, improvement: Any, *, due: int | None = None, unit: str = "",
    practice: "Estimate | float | None" = None, unable: tuple[Any, float] = ((), nan), confidence: float = 0.95,
) -> Part:  # fmt: skip
    """Estimate the mean improvement of people measured twice.

    Parameters
    ----------
    before, after : array-like of float, shape (n,)
        Scores in the test's unit; NaN where there is none.
    improvement : array-like of float, shape (n,)
        Their difference, turned so that positive = better.
    due : int, optional
        People whose follow-up was due; all rows given by default.
    unit : str, optional
        Unit of the test.
    practice : Estimate or float, optional
        Mean gain of unchanged people from repeating the test (positive = better).
    unable : tuple of array-like of float and float, optional
        Improvements of people who could not do the second test, and the worst score, in the test's unit, that their
        second one was taken as: a second mean counts them, so that no mean leaves them out in silence.
    confidence : float, optional
        Level of the intervals.

    Returns
    -------
    Part
        ``mean, trimmed, before, after, response_mean, effect, beyond_practice, with_unable`` (Estimates),
        ``sd_before, sd_change, correlation, p_value`` (paired t), ``due, unable`` (people), ``improvements``. Table:
        one row a quantity.

    Raises
    ------
    DataError
        Fewer than 3 people have both scores.

    Examples
    --------
    >>> found = paired_change([9, 10, 12, 8, 11], [12, 11, 13, 12, 12], [3, 1, 1, 4, 1], unit="stands")
    >>> print(found.mean)
    2.0 stands (95% CI 0.2 to 3.8)
    """
    check_confidence(confidence)
    first, second, gained = (np.asarray(values, dtype=float) for values in (before, after, improvement))
    whole = np.isfinite(first) & np.isfinite(second) & np.isfinite(gained)
    n, due = int(whole.sum()), whole.size if due is None else due
    if n < 3:
        raise DataError(f"A mean change with an interval needs at least 3 people with both scores, not {n}.")
    first, second, gained = first[whole], second[whole], gained[whole]
    lost = np.asarray(unable[0], dtype=float)
    lost = lost[np.isfinite(lost)]
    mean, sd = mean_estimate(gained, confidence, unit), float(gained.std(ddof=1))
    sd = 0.0 if sd <= NOISE * max(1.0, abs(mean.value)) else sd
    varies = sd > 0 and first.std() > 0 and second.std() > 0
    t = mean.value / (sd / sqrt(n)) if sd else nan
    facts = {
        "due": due, "mean": mean, "trimmed": trimmed_mean(gained, confidence, unit),
        "before": mean_estimate(first, confidence, unit), "after": mean_estimate(second, confidence, unit),
        "sd_before": float(first.std(ddof=1)), "sd_change": sd,
        "correlation": float(np.corrcoef(first, second)[0, 1]) if varies else nan,
        "response_mean": standardised_response_mean(gained, confidence),
        "effect": average_sd_effect(first, second, gained, confidence), "p_value": 2 * float(stdtr(n - 1, -abs(t))),
        "beyond_practice": None if practice is None else _beyond(mean, practice, sd), "improvements": gained,
        "with_unable": mean_estimate(np.concatenate([gained, lost]), confidence, unit) if lost.size else None,
        "unable": lost.size, "worst": unable[1],
    }  # fmt: skip
    about = {"n": n, "share": percent(n / max(due, 1))}
    return _told(facts, worded(WORDS["change"], about, no_effect=True, partly=n < due, few=n < FEW_PAIRS, same=sd == 0))


def left_out(change: Any) -> tuple[str, ...]:
    """Say whom the mean leaves out: those who could no longer do the test, by number where that may be told."""
    some = change.facts.get("some_unable", False)
    return change.sentences()[-1:] if change.facts.get("unable") else worded(WORDS["change"], {}, left_out=some)


def without_unable(change: Part) -> Part:
    """Return the change without the second mean, whose size would tell how many were unable."""
    hidden = {"with_unable": None, "unable": 0, "some_unable": True}
    return _told({**change.facts, **hidden}, (*change.cautions, WORDS["change"]["left_out"]))


def _told(facts: dict[str, Any], cautions: tuple[str, ...]) -> Part:
    """Return the change with its table, words and picture, from the numbers that may be told."""
    mean, beyond, unable = facts["mean"], facts["beyond_practice"], facts["with_unable"]
    n, worst, p = mean.n, facts["worst"], facts["p_value"]
    frame = quantities(
        {"score before": facts["before"], "score after": facts["after"], "mean improvement": mean,
         "trimmed mean improvement": facts["trimmed"], "standardised response mean": facts["response_mean"],
         "effect size (average SD)": facts["effect"], "mean improvement beyond practice": beyond,
         f"mean improvement, unable counted as {worst:g}": unable},
        {"SD before": facts["sd_before"], "SD of change": facts["sd_change"], "correlation": facts["correlation"],
         "p (paired t)": p}, COLUMNS, n=n,
    )  # fmt: skip
    low, high = (fixed(float(end), 1) for end in (facts["improvements"].min(), facts["improvements"].max()))
    filled = facts | {"n": n, "p": p_value(p), "score": with_unit(worst, mean.unit), "low": low, "high": high}
    filled["moved"] = mean.worded("improved by {}", "got worse by {}")
    says = worded(WORDS["change"], filled, mean=True, trimmed=True, beyond=bool(beyond), unable=bool(unable))
    seen = WORDS["change"]["seen"].format_map(filled)
    refused = partial(Refused, "Change", f"{FEW.capitalize()} people have two scores: their mean is not shown.")
    return Part(facts, frame, tuple(says), cautions, ("lakens2013", "algina2003", "tukey1963"), seen,
                partial(_draw, facts), refused if few(n or 0) else None)  # fmt: skip


def _draw(facts: Mapping[str, Any], ax: Any) -> Any:
    """Draw every person's improvement, sorted, with the mean and its interval across."""
    ordered, mean = np.sort(facts["improvements"]), facts["mean"]
    ax.axhspan(mean.low, mean.high, color=drawing.WASH, lw=0)
    ax.axhline(0, color=drawing.QUIET, lw=1)
    ax.plot(np.arange(1, ordered.size + 1), ordered, "o", ms=3.5, color=drawing.INK, alpha=0.8)
    drawing.mark_line(ax, mean.value, "mean", colour=drawing.ACCENT, dash="-")
    ax.set_xlabel("people, least to most improved")
    ax.set_ylabel(f"improvement ({mean.unit})" if mean.unit else "improvement")
    return ax


def _beyond(mean: Estimate, practice: "Estimate | float", sd: float) -> Estimate:
    """Subtract the practice gain, its standard error added to that of the mean."""
    se, n = 0.0, mean.n or 1
    if isinstance(practice, Estimate) and practice.has_interval:
        se = (practice.high - practice.low) / (2 * float(stdtrit(practice.df or 1e9, (1 + practice.confidence) / 2)))
    how, both = "mean less practice gain, both uncertainties", sqrt(sd**2 / n + se**2)
    return t_estimate(mean.value - float(practice), both, n - 1, mean.confidence, unit=mean.unit, n=n, method=how)
