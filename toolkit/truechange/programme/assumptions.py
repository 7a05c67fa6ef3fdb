"""Sensitivity analyses: the assumptions looked at (regression diagnostics), and how far each doubt moves a number."""

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from math import isfinite, nan, sqrt
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import fdtri, ndtri

from truechange.foundation import drawing
from truechange.foundation.errors import DataError, RefusedError
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import decimals_for, fixed, p_value
from truechange.foundation.result import Part, attempt, gathered, worded, wordings
from truechange.meaningful_change.draws import cross_fit_mcid
from truechange.meaningful_change.estimators import METHODS
from truechange.meaningful_change.study import McidStudy, mcid
from truechange.numerics.intervals import mean_limits
from truechange.numerics.resampling import Floats
from truechange.numerics.small_cells import FEW, few
from truechange.programme.change import coefficient, hc3, quantities, t_estimate, welch_difference
from truechange.records.pairing import Pairs
from truechange.reliability.error import MeasurementError
from truechange.responders.counting import Responders, proportion

WORDS = wordings(__file__)["assumptions"]
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
    least, most = float(alone.min()), float(alone.max())
    lean, tails, shaped = _shape("The residuals", rest)
    unequal = gap.low > 0 or gap.high < 0
    rows = {f"slope, {name}": one for name, one in zip(names, slopes, strict=True)} | {
        "difference of the slopes": gap, "difference of people who start 1 SD lower": low,
        "difference of people who start 1 SD higher": high, "difference with a curved line": bent}  # fmt: skip
    residuals = Part({}, pd.DataFrame(), (shaped,), (), (), WORDS["quantiles"], partial(_quantiles, rest))
    facts: dict[str, Any] = {
        "slopes": tuple(slopes), "slope_gap": gap, "unequal": unequal, "low_start": low, "high_start": high,
        "bent": bent, "bend_p": float(curved.pvalues[3]), "least": least, "most": most, "skewness": lean,
        "kurtosis": tails, "residuals": residuals,
    }  # fmt: skip
    groups = {name: (_fifths(before[g == at], improvement[g == at], confidence),
                     [fit.params[0] + fit.params[2] * at for fit in (wide, plain)],
                     [wide.params[1] + wide.params[3] * at, plain.params[1]])
              for name, at in zip(names, (1, 0), strict=True)}  # fmt: skip
    ends = {"least": fixed(least, bent.decimals), "most": fixed(most, bent.decimals), "unit": _unit(unit)}
    differ = "differ" if unequal else "are not shown to differ"
    filled = facts | ends | {"names": names, "differ": differ, "p": p_value(facts["bend_p"])}
    says = (*worded(WORDS, filled, slopes=True, bent=True), shaped)
    return Part(facts, quantities(rows, {"p (curved)": facts["bend_p"]}), says, (), ("long2000",), WORDS["lines"],
                partial(_lines, groups, float(before.mean()), unit))  # fmt: skip


def _unit(unit: str) -> str:
    return f" {unit}" if unit else ""


def _fifths(x: Floats, y: Floats, confidence: float) -> list[tuple[float, float, float, float]]:
    """Return mean of x, mean of y and its limits, for as many groups of x (five at most) as hold five people each."""
    parts = max(1, min(5, x.size // LEAST_SHOWN))
    member = np.searchsorted(np.unique(np.quantile(x, np.linspace(0, 1, parts + 1)[1:-1])), x, side="left")
    groups = [(x[member == at], y[member == at]) for at in np.unique(member)]
    return [(float(a.mean()), *mean_limits(b, confidence)) for a, b in groups if b.size >= LEAST_SHOWN]


def _lines(groups: Mapping[str, Any], middle: float, unit: str, ax: Any) -> Any:
    """Draw the means, each group's own line (solid) and the parallel lines that one difference rests on (dotted)."""
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


def _quantiles(rest: Floats, ax: Any) -> Any:
    """Draw residuals against normal quantiles."""
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
    One-way analysis of variance, textbook form: ``(MSB − MSW)/(MSB + (m − 1) MSW)`` with
    ``m = (N − Σn²/N)/(k − 1)``, F limits with the same m; design effect ``1 + (Σn²/N − 1) ICC``, the mean with k − 1
    degrees of freedom.
    """
    known = pd.Series(unit).notna().to_numpy()
    names, y, x = pd.Series(unit)[known].astype(str).to_numpy(), improvement[known], before[known]
    place, n = np.unique(names, return_inverse=True)[1], len(names)
    sizes = np.bincount(place).astype(float)
    k = sizes.size
    if k < LEAST_UNITS or n - k < LEAST_UNITS:
        raise DataError(f"{k} {name}s are too few to say how alike their people are; at least {LEAST_UNITS} are "
                        "needed, with several people each.")  # fmt: skip
    slope = float(np.polyfit(x, y, 1)[0]) if np.ptp(x) > 0 else 0.0
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
    from_to = [fixed(end, decimals_for(*mean_limits(y, 0.95)[1:])) for end in (mean.low, mean.high)]
    facts = {"icc": icc, "effect": effect, "mean": mean, "units": k}
    filled = facts | dict(zip(("low", "high"), from_to, strict=True))
    filled |= {"name": name, "n": n, "times": fixed(effect, 2), "unit": _unit(test_unit)}
    alike, *few_clusters = worded(WORDS, filled, clusters=True, few_clusters=k < FEW_UNITS)
    return Part(facts, quantities({f"ICC by {name}": icc}, {"design effect": effect}), (alike,), tuple(few_clusters))


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
    some, gap = int(lost.sum()), None
    if some >= LEAST_SHOWN and (~lost).sum() > 1:
        rated, others = (people.loc[at, "improvement"].to_numpy(float) for at in (~lost, lost))
        gap = welch_difference(rated, others, 0.95)
    better, same = (again(people.fillna({"rating": to}), cut) if some else nan for to in (cut, cut - 1))
    higher = again(people[~lost], cut + 1)
    filled = dict(zip(("better", "same", "higher"), (fixed(to, places) for to in (better, same, higher)), strict=True))
    filled |= {"people": str(len(people)), "whom": (FEW if few(some) else str(some)).capitalize(), "gap": str(gap)}
    says = worded(WORDS, filled, all_rated=not some, unrated=some, rated_gap=gap is not None,
                  if_rated=better == better and same == same, next_cut=higher == higher)  # fmt: skip
    facts = {"unrated": some, "rated_gap": gap, "if_improved": better, "if_unchanged": same, "next_cut": higher}
    rows = {"MCID if they had rated themselves improved": better, "MCID if they had said unchanged": same,
            "MCID one rating higher": higher}  # fmt: skip
    return Part(facts, quantities({"rated less not rated": gap}, rows), says)


def error_shape(error: MeasurementError) -> Part:
    """Hold the MDC, which takes errors as normal and of one size, against what the differences themselves show.

    Returns
    -------
    Part
        ``skewness``, ``kurtosis`` (of the differences), ``within`` (the distance from the mean difference that 95% of
        people keep), ``at_low``, ``at_high`` (the MDC at the lowest and highest tenth of the scores; None where the
        error is not shown to depend on the score).
    """
    scores, unit, uneven = error.complete, error.sample.unit, error.spread.flagged
    apart = scores[:, -1] - scores[:, 0]
    if not np.ptp(apart):
        raise RefusedError("The two tests differ by the same for everybody: their errors have no shape.")
    lean, tails, shaped = _shape("The differences of the two tests", apart)
    seen = float(np.quantile(np.abs(apart - apart.mean()), 0.95))
    ends = tuple(error.mdc_at(float(at)) if uneven else None for at in np.quantile(scores.mean(axis=1), (0.1, 0.9)))
    filled = {"seen": fixed(seen, error.mdc95.decimals), "unit": _unit(unit), "mdc95": error.mdc95, "ends": ends}
    words = worded(WORDS, filled, within=True, even=not uneven, uneven=uneven)
    rows = {"skewness": lean, "excess kurtosis": tails, "95% within": seen}
    facts = {"skewness": lean, "kurtosis": tails, "within": seen, "at_low": ends[0], "at_high": ends[1]}
    return Part(facts, quantities({}, rows), (shaped, *words))


DOUBTS = ["doubt", "number", "told", "low", "high", "least", "most", "moved", "unit"]
MDC, MCID, SHARE = "MDC95 of one person", "MCID", "share of those due that changed enough"
MEASURED = "share of those measured that changed enough"
MEAN, GAP = "mean improvement", "difference between the groups"
RESAMPLES = 400
LOOKED = {"errors": "Shape of the errors", "cross-fitting": "Internal validation", "ratings": "Ratings not given",
          "therapist": "Likeness of one therapist's people", "site": "Likeness of one site's people"}  # fmt: skip


def assumptions(
    error: MeasurementError, change: Pairs, matters: Any, audit: Any, cut: int, drawn: dict[str, Any]
) -> dict[str, Any]:
    """Look at every assumption of a study that its data can speak to; each a Part, or a refusal with its reason.

    Parameters
    ----------
    error, change, matters, audit
        Parts of the study: measurement error, pairs of the programme's people, MCID study (or refusal), audit.
    cut : int
        Lowest rating that counts as improved.
    drawn : mapping
        n_boot and seed.
    """
    people, method = audit.pairs[audit.primary], getattr(matters, "recommended_method", "")
    due = people[people["due"]]
    measured = due.dropna(subset=["before", "improvement"])
    scores = [measured[name].to_numpy(float) for name in ("improvement", "before")]

    def again(rated: pd.DataFrame, at: int) -> float:
        few: dict[str, Any] = {"before": rated["before"], "after": rated["after"], "n_boot": 100}
        found = mcid(rated["improvement"], rated["rating"], at, sem=error.sem, **few)
        return float(found.estimates["estimate"].to_dict()[method])

    def held_out() -> Part:
        if not method or matters.recommended.doubts:
            raise RefusedError("There is no MCID to hold people against.")
        few = drawn | {"n_boot": min(RESAMPLES, drawn["n_boot"])}
        return cross_fit_mcid(due, method, cut=cut, sem=error.sem, **few)

    unit, places = change.measure.unit, matters.recommended.decimals if method else 1
    work: dict[str, Callable[[], Any]] = {"errors": lambda: error_shape(error), "cross-fitting": held_out}
    work |= {"ratings": lambda: ratings_not_given(change.usable, cut, again, places)} if method else {}
    work |= {name: partial(clustering, measured[name], *scores, name=name, test_unit=unit)
             for name in ("therapist", "site") if name in measured}  # fmt: skip
    return {name: attempt(one, LOOKED[name]) for name, one in work.items()}


def attacks(error: MeasurementError, matters: Any, audit: Any, checks: Mapping[str, Any]) -> Part:
    """Order every doubt that can be put into numbers by how far it moves its number, in halves of that one's interval.

    Returns
    -------
    Part
        Table: doubt, number, told, low, high, least, most (what the number becomes), moved, unit.
    """
    rows: list[Any] = []
    for words, number, told_as, others, *moved in _doubts(error, matters, audit, checks):
        becomes = [value for value in map(float, others) if isfinite(value)]
        half = (told_as.high - told_as.low) / 2
        if becomes and half > 0:
            far = moved or [max(abs(value - told_as.value) for value in becomes) / half]
            ends = (told_as.value, told_as.low, told_as.high, min(becomes), max(becomes))
            rows.append((words, number, *ends, *far, told_as.unit))
    frame = pd.DataFrame(rows, columns=DOUBTS).sort_values("moved", ascending=False, kind="stable", ignore_index=True)
    return Part({"rows": frame, "records": frame.to_dict("records")}, frame, (), gathered((), *checks.values()))


def _doubts(error: MeasurementError, matters: Any, audit: Any, checks: Mapping[str, Any]) -> Iterator[tuple[Any, ...]]:
    """Yield each doubt in words, the number it is about, that number as told, what it becomes, and how far if known."""
    change, versus, gaps, enough = (
        part[audit.primary] for part in (audit.change, audit.comparison, audit.missing, audit.responders)
    )
    looked = {name: part for name, part in checks.items() if isinstance(part, Part)}
    if shape := looked.get("errors"):
        yield "the errors are taken as normal: the spread that 95% of people kept", MDC, error.mdc95, [shape.within]
        if shape.at_low is not None:
            yield "the error depends on the score", MDC, error.mdc95, [shape.at_low, shape.at_high]
    if isinstance(matters, McidStudy) and matters.recommended is not None:
        value, rows = matters.recommended, matters.estimates
        if matters.recommended_method == "latent_threshold":
            wrong = matters.wrong_sem["latent_threshold"]
            yield "the measurement error is 20% smaller or larger", MCID, value, [wrong[0.8], wrong[1.2]]
        person = [name for name in rows.index if METHODS[name].level == "person" and "MCID" not in METHODS[name].use]
        person = [name for name in person if not rows["use"][name].startswith(("do not", "not "))]
        others = rows["estimate"][[name for name in person if name != "detectability_limit"]]
        yield "another estimator is used on the same people", MCID, value, others
        if ratings := looked.get("ratings"):
            yield ("the people without a rating had all rated themselves improved, or all unchanged", MCID, value,
                   [ratings.if_improved, ratings.if_unchanged])  # fmt: skip
            yield "only a rating one step higher counts as improved", MCID, value, [ratings.next_cut]
    if isinstance(counted := getattr(enough, "counted", None), Responders):
        row, share = counted.rows.iloc[0], counted.share()
        yield ("none, or all, of the people without a follow-up changed enough", SHARE, share,
               row[["lowest_possible", "highest_possible"]])  # fmt: skip
        yield "the MCID lies elsewhere in its interval", SHARE, share, row[["share_at_low", "share_at_high"]]
        if fit := looked.get("cross-fitting"):
            yield "people are held against an MCID that they had no part in", SHARE, share, [fit.share.value]
        if isinstance(enough.true_share, Estimate) and row["measured"]:
            seen = proportion(row["changed_enough"], row["measured"])
            yield "measurement error is taken out of the changes", MEASURED, seen, [enough.true_share.value]
    if isinstance(change, Part):
        mean, beyond, filled = change.mean, change.beyond_practice or nan, getattr(gaps, "mean", None) or nan
        yield "what repeating the test gives by itself is taken off", MEAN, mean, [beyond]
        yield "the people without a follow-up did as people like them", MEAN, mean, [filled]
        for name in (unit for unit in ("therapist", "site") if unit in looked):
            ends = (looked[name].mean.low, looked[name].mean.high)
            wider = (ends[1] - ends[0]) / (mean.high - mean.low) - 1
            yield f"people of one {name} are alike: the ends of its interval", MEAN, mean, ends, wider
    if isinstance(versus, Part):
        gap, other = versus.adjusted, versus.checks
        yield "the groups are not adjusted for where they started", GAP, gap, [versus.unadjusted]
        yield ("each group has a slope of its own: people who start 1 SD lower, or higher", GAP, gap,
               [other.low_start, other.high_start])  # fmt: skip
        yield "the line is curved", GAP, gap, [other.bent]
        yield "one person is left out", GAP, gap, [other.least, other.most]
