"""The MCID study: every estimator on the same people, one recommended by a fixed rule, the rest for comparison."""

from math import isfinite, nan, sqrt

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from truechange.foundation.errors import check_confidence, check_resamples
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.origin import Origin
from truechange.foundation.sem import read_sem
from truechange.meaningful_change.anchor import check_people, mean_interval
from truechange.meaningful_change.bias import (
    direction,
    known_bias,
    population_of,
)
from truechange.meaningful_change.cautions import below_error, error_cautions, model_cautions, parted_caution
from truechange.meaningful_change.credibility import credibility_sheet
from truechange.meaningful_change.diagnostics import calibration, wrong_sem
from truechange.meaningful_change.draws import DRAWN, EXTRAS, draw_quantities, limits_of
from truechange.meaningful_change.estimators import Layout, Rows, estimate_rows
from truechange.meaningful_change.people import RatedPeople, rated_people
from truechange.meaningful_change.result import METHODS, NAMES, McidStudy
from truechange.meaningful_change.rules import LEAST, boundary_table, choose, gap, uses_of
from truechange.meaningful_change.sizes import size_references
from truechange.numerics.resampling import Floats
from truechange.numerics.roc import auc_interval

SOURCES = ("terluin2015", "terluin2017", "terluin2022", "froud2014", "devet2007", "delong1988", "devji2020")


def mcid(
    improvement: ArrayLike,
    anchor: ArrayLike,
    cut: int = 1,
    sem: "float | Estimate | None" = None,
    sem_df: float | None = None,
    before: ArrayLike | None = None,
    after: ArrayLike | None = None,
    n_boot: int = 2000,
    seed: int = 0,
    confidence: float = 0.95,
    *,
    unit: str = "",
    protocol: str = "",
) -> McidStudy:
    r"""Estimate the smallest change that people themselves call an improvement, by every method side by side.

    Parameters
    ----------
    improvement : array_like, shape (n,)
        Change of each person, positive = better, in the unit of the test. Missing values are set aside and counted.
    anchor : array_like of int, shape (n,)
        Rating of change: 0 unchanged, 1 a little better, higher better still, negative worse.
    cut : int, optional
        Lowest rating that counts as improved; "a little better" is the rating equal to it, "unchanged" the one below.
    sem : float or Estimate, optional
        Standard error of measurement of one test score, same unit and protocol; an Estimate brings its degrees of
        freedom. Without it the latent-threshold methods are left out.
    sem_df : float, optional
        Degrees of freedom of the SEM; its uncertainty is then carried into every interval.
    before, after : array_like, shape (n,), optional
        The two scores behind the improvement, either direction of better.
    n_boot : int, optional
        Resamples of people for the intervals, at least 100.
    seed : int, optional
        Seed of the resampling.
    confidence : float, optional
        Level of all intervals, as a fraction.
    unit, protocol : str, optional
        Unit of the test, and how it is done; they travel with the threshold.

    Returns
    -------
    McidStudy
        ``recommended`` is None where the fixed rule gives no value; the rest of the study stays, with the reason in
        ``cautions``.

    Raises
    ------
    DataError
        The columns do not line up, hold text, or nobody is complete.
    ChoiceError
        `cut`, `sem`, `sem_df`, `n_boot` or `confidence` is not understood.

    Notes
    -----
    With :math:`m, s` the mean and SD of change :math:`D`, :math:`p` the share improved, :math:`L` its log odds and
    :math:`r` the point-biserial correlation:

    - predictive: :math:`\mathrm{logit} P = C + B D`, value :math:`(L - C)/B` (Terluin et al. 2015);
    - adjusted 2017: minus :math:`(0.090 + 0.103 r) s L`; adjusted 2022: minus
      :math:`(0.8/\mathrm{rel}_T - 0.5) s r L`, :math:`\mathrm{rel}_T` the anchor's reliability (both as attributed
      to Terluin, Eekhout & Terwee in public code; not read in the papers);
    - latent threshold (own derivation, checked by simulation): probit :math:`P = \Phi(\alpha + \beta D)`,
      :math:`\mathrm{rel}_D = 1 - 2\,\mathrm{SEM}^2/s^2`, value :math:`m + \mathrm{rel}_D(-\alpha/\beta - m)`,
      with :math:`\mathrm{rel}_T = (\beta s)^2/(1 + (\beta s)^2)/\mathrm{rel}_D`. It is the mean personal threshold
      on the scale of true change if true change, errors and thresholds are normal and independent;
    - two states: the same with both scores in the probit, for people who rate how they are; all ratings: the same
      with an ordered probit, every boundary between ratings from one fit.

    Intervals: t and Welch for the two means, percentile bootstrap over people for the rest (the whole procedure is
    repeated), SEM squared redrawn as :math:`\mathrm{SEM}^2\,df/\chi^2_{df}` in each resample.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> true_change = rng.normal(2.3, 2, 300)
    >>> improvement = np.round(true_change + rng.normal(0, 1.2, 300))
    >>> rating = np.digitize(true_change + rng.normal(0, 1.5, 300), [-2, 2, 5]) - 1
    >>> study = mcid(improvement, rating, sem=0.85, sem_df=49, n_boot=500, unit="stands")
    >>> study.recommended_method, study.recommended.level
    ('latent_threshold', 'person')
    >>> print(study.recommended)
    2.22 stands (95% CI 1.85 to 2.60)
    """
    check_confidence(confidence)
    check_resamples(n_boot, seed)
    people = rated_people(improvement, anchor, cut=cut, before=before, after=after)
    error = None if sem is None else read_sem(sem, sem_df, unit=unit)
    unit = unit or ("" if error is None else error.estimate.unit)
    check = check_people(people, confidence=confidence)
    layout = Layout.of(people)
    spread = None if error is None else np.array([error.value**2])
    rows = estimate_rows(layout, layout.kinds.counts[None], spread)
    uses = uses_of(people, check, layout, rows)
    draws = draw_quantities(layout, rows, error, n_boot, seed)
    limits = limits_of(draws, confidence)
    ends = gap(layout)
    method, refused = choose(people, check, rows, uses, ends is not None)
    uses |= {method: "recommended"} if method else {}
    estimates = _estimates(people, rows, uses, limits, ends, confidence)
    population = population_of(rows) if people.n >= LEAST else None
    bias = dict.fromkeys(METHODS, nan) if population is None else known_bias(people, rows, population, METHODS)
    ways = {name: direction(value, float(rows["sd"][0])) for name, value in bias.items()}
    estimates["bias_direction"] = list(ways.values())
    recommended = _threshold(estimates, method, people.n, unit, protocol, confidence)
    sizes = size_references(people, error, confidence)
    failed = float(np.isnan(draws[:, DRAWN.index(method)]).mean()) if method and ends is None else 0.0
    value = nan if recommended is None else recommended.value
    cautions = [*([f"No MCID is given: {refused}."] if refused else []), *check.cautions]
    cautions += parted_caution(ends)
    if people.n >= LEAST and 0 < rows["improved"][0] < 1 and rows["sd"][0] > 0:
        cautions += error_cautions(error, rows) + model_cautions(people, layout, rows, failed)
        cautions += below_error(value, error, sizes["estimate"].to_dict()["MDC"])
    boundaries = boundary_table(people, layout, rows, limits[:, len(DRAWN) :])
    return McidStudy(
        estimates=estimates,
        recommended=recommended,
        recommended_method=method,
        anchor=check,
        size_references=sizes,
        credibility=credibility_sheet(check, recommended),
        bias_map=_bias_map(estimates, bias, ways),
        boundaries=boundaries,
        calibration=calibration(people, confidence),
        curve=(float(rows["probit_intercept"][0]), float(rows["probit_slope"][0])),
        wrong_sem=pd.DataFrame() if error is None else wrong_sem(rows, error.value),
        deterioration=_deterioration(boundaries, people, unit, protocol, confidence),
        adjustment=_adjustment(rows),
        area=_area(layout, people.n, confidence),
        refused=refused,
        n=people.n,
        mean=float(rows["mean"][0]),
        sd=float(rows["sd"][0]),
        cut=people.cut,
        unit=unit,
        confidence=confidence,
        cautions=tuple(dict.fromkeys(cautions)),
        sources=(*check.sources, *SOURCES, *(("firth1993",) if ends else ())),
        **{name: _extra(name, rows, limits, people.n, confidence) for name in EXTRAS[:3]},
    )


def _estimates(
    people: RatedPeople,
    rows: Rows,
    uses: dict[str, str],
    limits: Floats,
    ends: tuple[float, float] | None,
    confidence: float,
) -> pd.DataFrame:
    values = {name: float(rows[name][0]) if name in rows else nan for name in METHODS}
    spans = {name: (float(low), float(high)) for name, low, high in zip(DRAWN, *limits[:, : len(DRAWN)], strict=True)}
    if "anchor_reliability" not in rows:
        outer = [*spans["adjusted_low"], *spans["adjusted_high"]]
        spans["predictive_adjusted_2022"] = min(outer), max(outer)
    if ends is not None and "change_reliability" in rows:
        mean, kept = float(rows["mean"][0]), max(0.0, float(rows["change_reliability"][0]))
        spans["latent_threshold"] = mean + kept * (ends[0] - mean), mean + kept * (ends[1] - mean)
    little, same = (people.change[people.rating == rating] for rating in (people.cut, people.cut - 1))
    spans["mean_change"] = mean_interval(little, confidence)[1:]
    spans["mean_difference"] = welch_interval(little, same, confidence)
    numbers = {"mean_change": little.size, "mean_difference": little.size + same.size, "detectability_limit": same.size}
    told = []
    for name in METHODS:
        lost = uses[name].startswith("not computed")
        value, (low, high) = (nan, (nan, nan)) if lost else (values[name], spans[name])
        told.append((value, low, high, numbers.get(name, people.n), "", uses[name]))
    columns = ["estimate", "low", "high", "n", "bias_direction", "use"]
    return pd.DataFrame(told, columns=columns, index=pd.Index(METHODS, name="method"))


def welch_interval(first: Floats, second: Floats, confidence: float) -> tuple[float, float]:
    """Return Welch's limits of the difference of two means; NaN for groups of one or without spread."""
    if min(first.size, second.size) < 2:
        return nan, nan
    parts = [values.var(ddof=1) / values.size for values in (first, second)]
    if not sum(parts) > 0:
        return nan, nan
    df = sum(parts) ** 2 / sum(p**2 / (v.size - 1) for p, v in zip(parts, (first, second), strict=True))
    reach = float(stdtrit(df, (1 + confidence) / 2)) * sqrt(sum(parts))
    apart = float(first.mean() - second.mean())
    return apart - reach, apart + reach


def _threshold(
    estimates: pd.DataFrame, method: str, n: int, unit: str, protocol: str, confidence: float
) -> Threshold | None:
    if not method:
        return None
    row = estimates.loc[method].to_dict()
    return Threshold(
        kind="mcid", level="person", value=float(row["estimate"]), low=float(row["low"]), high=float(row["high"]),
        confidence=confidence, unit=unit, n=n, method=NAMES[method], origin=Origin.own(n=n), protocol=protocol,
    )  # fmt: skip


def _deterioration(
    boundaries: pd.DataFrame, people: RatedPeople, unit: str, protocol: str, confidence: float
) -> Threshold | None:
    """Return the boundary between unchanged and worse, sign turned; None if too few worsened or it is above 0."""
    upper = 1 - people.cut
    if upper not in boundaries.index or boundaries.loc[upper, "use"] != "estimable":
        return None
    row = boundaries.loc[upper].to_dict()
    if not row["change"] <= 0:
        return None
    return Threshold(
        kind="mcid", level="person", direction="deterioration", value=-float(row["change"]), low=-float(row["high"]),
        high=-float(row["low"]), confidence=confidence, unit=unit, n=people.n,
        method=NAMES["latent_threshold_ordinal"], origin=Origin.own(n=people.n), protocol=protocol,
    )  # fmt: skip


def _bias_map(estimates: pd.DataFrame, bias: dict[str, float], ways: dict[str, str]) -> pd.DataFrame:
    frame = pd.DataFrame({"estimate": estimates["estimate"], "known_bias": bias, "direction": ways})
    return frame.loc[list(METHODS)].assign(without_known_bias=lambda f: f["estimate"] - f["known_bias"])


def _extra(name: str, rows: Rows, limits: Floats, n: int, confidence: float) -> Estimate:
    value = float(rows[name][0]) if name in rows and n >= LEAST else nan
    low, high = limits[:, DRAWN.index(name)]
    return Estimate(value=value, low=float(low), high=float(high), confidence=confidence, n=n, method="bootstrap")


def _area(layout: Layout, n: int, confidence: float) -> Estimate:
    hits, misses = (part[0] for part in layout.by_group(layout.kinds.counts[None], layout.steps))
    value, low, high = auc_interval(hits, misses, confidence) if hits.any() and misses.any() else (nan, nan, nan)
    return Estimate(value=value, low=low, high=high, confidence=confidence, n=n, method="DeLong")


def _adjustment(rows: Rows) -> tuple[float, float]:
    parts = [float(rows[name][0]) for name in ("predictive", "sd", "point_biserial", "log_odds")]
    return (parts[0], parts[1] * parts[2] * parts[3]) if all(isfinite(p) for p in parts) else (nan, nan)
