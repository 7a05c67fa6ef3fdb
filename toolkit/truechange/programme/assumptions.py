"""Assumptions looked at (regression diagnostics): slopes, residuals, clusters, ratings not given, normal errors."""

from collections.abc import Callable, Mapping
from functools import partial
from math import nan, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import fdtri, ndtri

from truechange.foundation.errors import DataError
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import decimals_for, fixed, p_value
from truechange.foundation.result import Part, told
from truechange.numerics.intervals import mean_limits
from truechange.numerics.small_cells import FEW, few
from truechange.programme.parts import Floats, coefficient, hc3, quantities, t_estimate, welch_difference

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from truechange.reliability import MeasurementError

SKEWED, HEAVY = 1.0, 2.0  # own rules: skewness and excess kurtosis from which values are called not normal
LEAST_SHOWN, LEAST_UNITS, FEW_UNITS = 5, 5, 10  # people behind a drawn mean; units for an ICC, and for a good one


def _shape(what: str, values: Floats) -> tuple[float, float, str]:
    """Return skewness, excess kurtosis (moments; both 0 for a normal distribution) and what they say."""
    z = (values - values.mean()) / values.std()
    lean, tails = float(np.mean(z**3)), float(np.mean(z**4)) - 3
    near = "are near normal" if abs(lean) < SKEWED and tails < HEAVY else "are not normal"
    return lean, tails, f"{what} {near} (skewness {fixed(lean, 2)}, excess kurtosis {fixed(tails, 2)})."


def ancova_checks(
    before: Floats, improvement: Floats, group: Floats, names: tuple[str, str], confidence: float, unit: str = ""
) -> Part:
    """Look at what an analysis of covariance rests on (equal slopes, a straight line, residuals, single people).

    Parameters
    ----------
    before, improvement, group : ndarray, shape (n,)
        Score before, improvement (positive = better), 1 for the programme and 0 for the comparison.
    names : tuple of str
        Programme and comparison.
    confidence : float
        Level of the intervals.
    unit : str, optional
        Unit of the test.

    Returns
    -------
    Part
        ``slopes`` (improvement on score before, of each group), ``slope_gap`` (first less second), ``unequal`` (its
        interval leaves out 0), ``low_start`` and ``high_start`` (adjusted difference for people who start 1 SD below
        and above the mean), ``bent`` (adjusted difference with a squared term), ``least`` and ``most`` (with any one
        person left out), ``skewness`` and ``kurtosis`` (of the residuals), ``residuals`` (a Part that draws them
        against normal quantiles). Draws each group's line over the means of fifths of the score before.
    """
    x, g = before - before.mean(), group.astype(float)
    plain, wide, curved = (hc3(improvement, x, g, *more) for more in ((), (x * g,), (x**2,)))
    sd, own = float(x.std(ddof=1)), "own slope for each group, HC3"
    gap = coefficient(wide, 3, confidence, "difference of slopes, HC3")
    slopes = [coefficient(hc3(improvement[g == at], x[g == at]), 1, confidence, "least squares, HC3") for at in (1, 0)]
    low, high = (coefficient(hc3(improvement, x - to, g, (x - to) * g), 2, confidence, own, unit) for to in (-sd, sd))
    bent, rest = coefficient(curved, 2, confidence, "with a squared score before, HC3", unit), np.asarray(plain.resid)
    turned = np.linalg.pinv(plain.model.exog)
    alone = plain.params[2] - turned[2] * rest / (1 - np.einsum("ij,ji->i", plain.model.exog, turned))
    lean, tails, shaped = _shape("The residuals", rest)
    differ = "differ" if gap.low > 0 or gap.high < 0 else "are not shown to differ"
    least, most = (fixed(float(end), bent.decimals) for end in (alone.min(), alone.max()))
    own_lines = (
        f"The slopes of improvement on score before {differ}: {slopes[0]} in {names[0]}, {slopes[1]} in {names[1]}. "
        f"For people who start 1 SD lower than the mean the adjusted difference is {low}, 1 SD higher {high}."
    )
    other = (
        f"With a curved line ({p_value(curved.pvalues[3])} for the bend) the adjusted difference is {bent}; with any "
        f"one person left out it lies between {least} and {most}{f' {unit}' if unit else ''}."
    )
    rows = {f"slope, {name}": one for name, one in zip(names, slopes, strict=True)}
    rows |= {"difference of the slopes": gap, "difference of people who start 1 SD lower": low}
    rows |= {"difference of people who start 1 SD higher": high, "difference with a curved line": bent}
    facts: dict[str, Any] = {
        "slopes": tuple(slopes), "slope_gap": gap, "unequal": differ == "differ", "low_start": low, "high_start": high,
        "bent": bent, "bend_p": float(curved.pvalues[3]), "least": float(alone.min()), "most": float(alone.max()),
        "skewness": lean, "kurtosis": tails,
        "residuals": Part({}, pd.DataFrame(), (shaped,), draw=partial(_quantiles, rest),
                          seen="Residuals in order of size against normal quantiles, with the line they would follow."),
    }  # fmt: skip
    groups = {name: (_fifths(before[g == at], improvement[g == at], confidence),
                     [fit.params[0] + fit.params[2] * at for fit in (wide, plain)],
                     [wide.params[1] + wide.params[3] * at, plain.params[1]])
              for name, at in zip(names, (1, 0), strict=True)}  # fmt: skip
    return Part(
        facts, quantities(rows, {"p (curved)": facts["bend_p"]}), (own_lines, other, shaped), (), ("long2000",),
        "Mean improvement by fifths of the score before in either group, each group's own line and parallel lines.",
        partial(_lines, groups, float(before.mean()), unit),
    )  # fmt: skip


def _fifths(x: Floats, y: Floats, confidence: float) -> list[tuple[float, float, float, float]]:
    """Return mean of x, mean of y and its limits, for as many groups of x (five at most) as hold five people each."""
    parts = max(1, min(5, x.size // LEAST_SHOWN))
    member = np.searchsorted(np.unique(np.quantile(x, np.linspace(0, 1, parts + 1)[1:-1])), x, side="left")
    held = [(x[member == at], y[member == at]) for at in np.unique(member)]
    return [(float(a.mean()), *mean_limits(b, confidence)) for a, b in held if b.size >= LEAST_SHOWN]


def _lines(groups: Mapping[str, Any], middle: float, unit: str, ax: "Axes") -> "Axes":
    """Draw the means, each group's own line (solid) and the parallel lines that one difference rests on (dotted)."""
    from truechange.foundation import drawing

    for name, colour, mark in zip(groups, drawing.SERIES, drawing.MARKERS, strict=False):
        means, levels, slopes = groups[name]
        at, mean, low, high = np.transpose(means)
        ax.vlines(at, low, high, color=colour, lw=1.3)
        ax.plot(at, mean, mark, color=colour, ms=6, label=name)
        for level, slope, dash in zip(levels, slopes, ("-", ":"), strict=True):
            ax.plot(at, level + slope * (at - middle), color=colour, lw=1.8, ls=dash)
    ax.set_xlabel(f"score before{f' ({unit})' if unit else ''}; solid: own line, dotted: parallel lines")
    ax.set_ylabel(f"mean improvement{f' ({unit})' if unit else ''}")
    ax.legend(frameon=False, fontsize=8)
    return ax


def _quantiles(rest: Floats, ax: "Axes") -> "Axes":
    """Draw residuals against normal quantiles."""
    from truechange.foundation import drawing

    normal = ndtri((np.arange(rest.size) + 0.5) / rest.size)
    ax.plot(normal, np.sort(rest), "o", ms=4, mfc="none", color=drawing.INK)
    ax.plot(normal, rest.std(ddof=1) * normal, color=drawing.ACCENT, lw=1.5)
    ax.set_xlabel("normal quantile")
    ax.set_ylabel("residual")
    return ax


def clustering(unit: Any, improvement: Floats, before: Floats, *, name: str, test_unit: str = "") -> Part:
    """Say how alike people of one therapist or site are in their change (cluster ICC), and what it does to the mean.

    Parameters
    ----------
    unit : Series of str, shape (n,)
        Therapist or site; people without one are left out.
    improvement, before : ndarray, shape (n,)
        Without missing values.
    name, test_unit : str
        What the units are; unit of the test.

    Returns
    -------
    Part
        ``icc`` (of what is left of improvement beside the score before), ``effect`` (design effect of the mean),
        ``mean`` (with an interval widened by its root), ``units``.

    Raises
    ------
    DataError
        Fewer than five units, or hardly anybody shares one.

    Notes
    -----
    One-way analysis of variance: ``(MSB − MSW)/(MSB + (m − 1) MSW)`` with ``m = (N − Σn²/N)/(k − 1)``, F limits with
    the same m; design effect ``1 + (Σn²/N − 1) ICC``, the mean with k − 1 degrees of freedom.
    """
    known = pd.Series(unit).notna().to_numpy()
    names, y, x = pd.Series(unit)[known].astype(str).to_numpy(), improvement[known], before[known]
    place, n = np.unique(names, return_inverse=True)[1], len(names)
    sizes = np.bincount(place).astype(float)
    if sizes.size < LEAST_UNITS or n - sizes.size < LEAST_UNITS:
        raise DataError(
            f"{sizes.size} {name}s are too few to say how alike their people are; at least {LEAST_UNITS} are needed, "
            "with several people each."
        )
    slope, k = float(np.polyfit(x, y, 1)[0]) if np.ptp(x) > 0 else 0.0, sizes.size
    rest = y - y.mean() - slope * (x - x.mean())
    means = np.bincount(place, rest) / sizes
    between, within = float(sizes @ means**2) / (k - 1), float(np.sum((rest - means[place]) ** 2)) / (n - k)
    squares = float(sizes @ sizes) / n
    m, ratio = (n - squares) / (k - 1), between / within
    outer = (ratio / float(fdtri(k - 1, n - k, at)) for at in (0.975, 0.025))
    value, low, high = ((found - 1) / (found + m - 1) for found in (ratio, *outer))
    icc = Estimate(value=value, low=low, high=high, n=n, method=f"one-way analysis of variance, {k} {name}s")
    effect, how = max(1.0, 1 + (squares - 1) * value), f"mean, interval widened for people of one {name}"
    se = float(y.std(ddof=1)) * sqrt(effect / n)
    mean = t_estimate(float(y.mean()), se, k - 1, 0.95, n=n, unit=test_unit, method=how)
    ends = [fixed(end, decimals_for(*mean_limits(y, 0.95)[1:])) for end in (mean.low, mean.high)]
    alike = (
        f"The changes of people of one {name} are alike by an intraclass correlation of {icc} ({k} {name}s, {n} "
        f"people): it multiplies the variance of the mean by {fixed(effect, 2)}, and its interval becomes "
        f"{' to '.join(ends)}{f' {test_unit}' if test_unit else ''}."
    )
    few_units = f"{k} {name}s are few: how alike their people are is known only within a wide interval."
    return Part({"icc": icc, "effect": effect, "mean": mean, "units": k},
                quantities({f"ICC by {name}": icc}, {"design effect": effect}), (alike,),
                told({few_units: k < FEW_UNITS}))  # fmt: skip


def ratings_not_given(
    people: pd.DataFrame, cut: int, again: Callable[[pd.DataFrame, int], float], places: int = 1
) -> Part:
    """Ask what people without a rating, and another cut of the rating, could do to the MCID.

    Parameters
    ----------
    people : DataFrame
        Everyone with two comparable scores: improvement, rating, and what `again` reads.
    cut : int
        Lowest rating that counts as improved.
    again : callable
        Returns the MCID by the recommended method of people (all rated) at a cut; NaN if there is none.
    places : int, optional
        Decimals in which it is told.

    Returns
    -------
    Part
        ``unrated`` (people), ``rated_gap`` (mean improvement of the rated less the others; None for fewer than five),
        ``if_improved``, ``if_unchanged`` (the MCID if all of them had rated so), ``next_cut`` (one rating higher).
    """
    lost = people["rating"].isna()
    some, hidden = int(lost.sum()), bool(few(lost.sum()))
    gap = None
    if some >= LEAST_SHOWN and (~lost).sum() > 1:
        rated, others = (people.loc[at, "improvement"].to_numpy(float) for at in (~lost, lost))
        gap = welch_difference(rated, others, 0.95)
    better, same = (again(people.fillna({"rating": to}), cut) if some else nan for to in (cut, cut - 1))
    higher = again(people[~lost], cut + 1)
    better_to, same_to, higher_to = (fixed(value, places) for value in (better, same, higher))
    whom = f"{FEW if hidden else some} of the {len(people)} people with two comparable scores gave no rating"
    says = told({
        f"Everybody with two comparable scores rated the change ({len(people)} people).": not some,
        f"{whom}.".capitalize(): some,
        f"The mean improvement of the rated less that of the others is {gap}.": gap is not None,
        f"Had all of them rated themselves improved, the MCID would be {better_to}; had all said unchanged, "
        f"{same_to}.": better == better and same == same,
        f"Were only a rating one step higher to count as improved, it would be {higher_to}.": higher == higher,
    })  # fmt: skip
    facts: dict[str, Any] = {
        "unrated": some,
        "rated_gap": gap,
        "if_improved": better,
        "if_unchanged": same,
        "next_cut": higher,
    }
    rows = {"MCID if they had rated themselves improved": better, "MCID if they had said unchanged": same}
    return Part(facts, quantities({"rated less not rated": gap}, rows | {"MCID one rating higher": higher}), says)


def error_shape(error: "MeasurementError") -> Part:
    """Hold the MDC, which takes errors as normal and of one size, against what the differences themselves show.

    Returns
    -------
    Part
        ``skewness``, ``kurtosis`` (of the differences), ``within`` (the distance from the mean difference that 95% of
        people keep), ``at_low``, ``at_high`` (the MDC at the lowest and highest tenth of the scores; None where the
        error is not shown to depend on the score).
    """
    scores, unit = error.complete, error.sample.unit
    apart = scores[:, -1] - scores[:, 0]
    lean, tails, shaped = _shape("The differences of the two tests", apart)
    seen = float(np.quantile(np.abs(apart - apart.mean()), 0.95))
    tenths: Any = np.quantile(scores.mean(axis=1), (0.1, 0.9)) if error.spread.flagged else ()
    ends: list[Any] = [error.mdc_at(float(at)) for at in tenths]
    within = (
        f"95% of them lie within {fixed(seen, error.mdc95.decimals)}{f' {unit}' if unit else ''} of their mean, "
        f"against an MDC95 of {error.mdc95}; the intervals of SEM, MDC and limits of agreement lean on normal errors."
    )
    even = "The size of the error is not shown to depend on the score."
    if ends:
        even = f"The error depends on the score: the MDC95 is {ends[0]} at low scores and {ends[1]} at high ones."
    facts: dict[str, Any] = {"skewness": lean, "kurtosis": tails, "within": seen, "at_low": None, "at_high": None}
    facts |= dict(zip(("at_low", "at_high"), ends, strict=False))
    return Part(
        facts, quantities({}, {"skewness": lean, "excess kurtosis": tails, "95% within": seen}), (shaped, within, even)
    )
