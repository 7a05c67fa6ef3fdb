"""Reliability by independent routes: other libraries, numerical integration, identities."""

from math import sqrt

import numpy as np
import pandas as pd

import truechange as tc
from oracles import Pairs, route
from truechange.reliability.agreement import limit_factors
from truechange.reliability.icc import variance_components
from truechange.validation.cases import load_case, long, spelled_out

RETEST = [
    [9, 10, 10], [12, 12, 13], [7, 8, 9], [14, 13, 15], [11, 12, 11], [10, 9, 11],
    [15, 16, 16], [8, 10, 9], [13, 13, 14], [6, 7, 8], [12, 14, 13], [9, 9, 10],
]  # fmt: skip


@route("ICC", by="tc.icc", came="another library")
def _mean_squares_against_least_squares() -> Pairs:
    """statsmodels: two-way analysis of variance by least squares."""
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    table = anova_lm(ols("value ~ C(person) + C(trial)", long(RETEST)).fit())["sum_sq"] / [11, 2, 22]
    ms = tc.icc(long(RETEST), form="ICC(A,1)").mean_squares
    return {
        "persons": (float(table["C(person)"]), float(ms.persons), 1e-9),
        "trials": (float(table["C(trial)"]), float(ms.trials), 1e-9),
        "error": (float(table["Residual"]), float(ms.error), 1e-9),
    }


@route("ICC", by="tc.icc_table")
def _icc_identities() -> Pairs:
    """Identities: alpha is ICC(C,k), Spearman-Brown steps up, F test as null value."""
    scores, table = np.array(RETEST, dtype=float), tc.icc_table(long(RETEST))
    k = scores.shape[1]
    alpha = k / (k - 1) * (1 - scores.var(axis=0, ddof=1).sum() / scores.sum(axis=1).var(ddof=1))
    found = {"Cronbach's alpha": (float(alpha), table.estimate["ICC(C,k)"], 1e-12)}
    for single, mean in (("ICC(1)", "ICC(k)"), ("ICC(A,1)", "ICC(A,k)"), ("ICC(C,1)", "ICC(C,k)")):
        for column in ("estimate", "low", "high"):
            r = table[column][single]
            found[f"{mean} {column}"] = (k * r / (1 + (k - 1) * r), table[column][mean], 1e-12)
    wide = long(load_case("icc_shrout_fleiss_1979").data["ratings"])
    p = tc.icc(wide, form="ICC(1)").p_value
    low = tc.icc(wide, form="ICC(1)", confidence=1 - 2 * p).estimate.low
    return found | {"lower limit at level 1 - 2p": (0.0, low, 1e-9)}


@route("SEM / MDC", by="tc.measurement_error")
def _sem_identities() -> Pairs:
    """Identities: SD of differences over root 2; MDC95 is the half width of the limits."""
    pairs = np.array(RETEST, dtype=float)[:, :2]
    error, limits = tc.measurement_error(long(pairs), error="consistency"), tc.limits_of_agreement(*pairs.T)
    sd = float(np.diff(pairs).std(ddof=1))
    both = tc.measurement_error(long(pairs))
    return {
        "consistency": (sd / sqrt(2), error.sem_consistency.value, 1e-12),
        "MDC95": (limits.upper.value - limits.bias.value, error.mdc95.value, 1e-12),
        "MDC90 over MDC95": (1.6448536 / 1.9599640, error.mdc90.value / error.mdc95.value, 1e-7),
        "MDC of a mean": (error.mdc95.value / sqrt(12), error.mdc95_group.value, 1e-12),
        "agreement from differences": (sqrt(np.mean(np.diff(pairs) ** 2) / 2), both.sem_agreement.value, 1e-12),
        "one-way equals agreement": (both.sem_one_way.value, both.sem_agreement.value, 1e-12),
        "two visits averaged": (error.mdc95.value * sqrt(0.75), error.mdc(scores_before=2).value, 1e-12),
        "gain": (float(np.diff(pairs).mean()), error.learning.value, 1e-12),
    }


@route("SEM / MDC", by="tc.measurement_error", came="another library")
def _gain_against_scipy() -> Pairs:
    """scipy.stats: gain from the first to the second trial as a paired t test."""
    from scipy.stats import ttest_rel

    first, second, _ = np.array(RETEST, dtype=float).T
    limits = ttest_rel(second, first).confidence_interval()
    gain = tc.measurement_error(long(RETEST)).learning
    return {"low": (float(limits.low), gain.low, 1e-10), "high": (float(limits.high), gain.high, 1e-10)}


@route("Bland-Altman", by="truechange.reliability.agreement.limit_factors")
def _factors_by_integration() -> Pairs:
    """Chance that the bound holds, by integrating over the sample SD or mean."""
    from scipy.integrate import quad
    from scipy.stats import chi, chi2, norm, t

    def one_limit(s: float, k: float, n: int) -> float:
        return float(chi.pdf(s, n - 1) * norm.cdf(sqrt(n) * (k * s / sqrt(n - 1) - 1.959963985)))

    def pair(mean: float, k: float, n: int) -> float:
        reach = _half_width(mean)
        return float(norm.pdf(mean * sqrt(n)) * sqrt(n) * chi2.sf((n - 1) * (reach / k) ** 2, n - 1))

    found: Pairs = {}
    for n in (10, 30, 85):
        sample_sd = (float(chi.ppf(1e-12, n - 1)), float(chi.ppf(1 - 1e-12, n - 1)))
        sample_mean = (-7 / sqrt(n), 7 / sqrt(n))
        for name, chance, (low, high), method in (
            ("one limit", one_limit, sample_sd, "exact"),
            ("pair", pair, sample_mean, "pair"),
        ):
            for tail, k in zip((0.025, 0.975), limit_factors(n, 0.95, method), strict=True):
                integral = quad(chance, low, high, args=(k, n), epsabs=1e-10, limit=200)[0]
                found[f"{name}, n {n}, {tail:g}"] = (tail, integral, 1e-6)
    half = float(t.ppf(0.975, 9)) * sqrt(1 / 10 + 1.959963985**2 / (2 * 9))  # Bland & Altman 1999, by hand
    return found | {"approximate, n 10": (1.959963985 + half, limit_factors(10, 0.95, "approximate")[1], 1e-8)}


def _half_width(mean: float) -> float:
    """Find r so that mean ± r holds 95% of a standard normal."""
    from scipy.optimize import brentq
    from scipy.stats import norm

    return float(brentq(lambda r: norm.cdf(mean + r) - norm.cdf(mean - r) - 0.95, 0.5, 12, xtol=1e-13))


@route("Bland-Altman", by="tc.limits_of_agreement", came="another library")
def _slope_against_least_squares() -> Pairs:
    """statsmodels: slope of difference on mean by least squares."""
    import statsmodels.api as sm

    first, second, _ = np.array(RETEST, dtype=float).T
    fit = sm.OLS(first - second, sm.add_constant((first + second) / 2)).fit()
    low, high = fit.conf_int()[1]
    slope = tc.limits_of_agreement(first, second).proportional_bias
    return {
        "slope": (float(fit.params[1]), slope.value, 1e-10),
        "low": (float(low), slope.low, 1e-10),
        "high": (float(high), slope.high, 1e-10),
    }


@route("Weighted kappa", by="tc.weighted_kappa")
def _kappa_is_nearly_an_icc() -> Pairs:
    """Identity: quadratic kappa and ICC(A,1) differ by less than 3/n."""
    first, second = spelled_out(np.array(load_case("r_kappa").data["counts"]) * 20)
    kappa = tc.weighted_kappa(first, second).value
    icc = tc.icc(long(np.column_stack([first, second])), form="ICC(A,1)").estimate.value
    return {"2,000 pairs": (icc, kappa, 3 / first.size)}


@route("SEM / MDC", by="tc.measurement_error")
def _ratios_by_hand() -> Pairs:
    """Logarithms taken beforehand, ratios by hand."""
    scores = np.array(RETEST, dtype=float)
    ratio = tc.measurement_error(long(scores)).on_log_scale()
    sem = tc.measurement_error(long(np.log(scores))).sem.value
    return {
        "CV": (float(np.exp(sem) - 1), ratio.cv.value, 1e-12),
        "MDC95 up": (float(np.exp(1.959963985 * sqrt(2) * sem)), ratio.mdc95_up.value, 1e-8),
        "up times down": (1.0, ratio.mdc95_up.value * ratio.mdc95_down.value, 1e-12),
    }


@route("SEM / MDC", by="truechange.numerics.variances.fit_reml", came="another library")
def _reml_against_statsmodels() -> Pairs:
    """statsmodels: variances of a mixed model with missing cells (it settles to 2 digits)."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    held = load_case("r_reml_gaps").data
    data = pd.DataFrame({name: held[name] for name in ("person", "trial", "score")})
    parts = {"person": "0 + C(person)", "trial": "0 + C(trial)"}
    model = MixedLM.from_formula("score ~ 1", groups=np.ones(len(data)), vc_formula=parts, re_formula="0", data=data)
    fit = model.fit(reml=True, method="powell")
    ours = variance_components(data, value="score", limits="monte-carlo", n_boot=10).variances
    theirs = dict(zip(model.exog_vc.names, fit.vcomp, strict=True)) | {"residual": fit.scale}
    return {name: (float(theirs[name]), ours[name].value, 0.01) for name in ("person", "trial", "residual")}


@route("Weighted kappa", by="tc.weighted_kappa")
def _agreement_by_hand() -> Pairs:
    """Specific agreement, identical ratings and greatest kappa counted by hand."""
    one = tc.weighted_kappa(*spelled_out([[5, 1, 0], [2, 6, 1], [0, 2, 3]]), weights="none")
    # totals 6, 9, 5 and 7, 9, 4: at most 6, 9 and 4 of 20 can agree
    chance = (6 * 7 + 9 * 9 + 5 * 4) / 400
    found: Pairs = {"identical": (14 / 20, one.observed, 1e-12)}
    for name, other, ours in zip("abc", (10 / 13, 12 / 18, 6 / 9), one.agreement, strict=True):
        found[f"category {name}"] = (other, float(ours), 1e-12)
    return found | {"greatest kappa": ((19 / 20 - chance) / (1 - chance), one.greatest, 1e-12)}


@route("SEM / MDC", by="tc.transport_check", came="another library")
def _transport_against_scipy() -> Pairs:
    """scipy.stats: limits of a variance ratio between own and published people."""
    from scipy.stats import f

    own = np.array(RETEST, dtype=float)[:, 0]
    ratio = tc.transport_check(2.0, own, source_sd=3.0, source_n=40, unit="stands").variance_ratio
    value = float(own.var(ddof=1) / 9)
    return {
        "ratio": (value, ratio.value, 1e-12),
        "low": (value / float(f.ppf(0.975, 11, 39)), ratio.low, 1e-9),
        "high": (value / float(f.ppf(0.025, 11, 39)), ratio.high, 1e-9),
    }


@route("SEM / MDC", by="tc.measurement_error", came="another library")
def _agreement_df_as_of_two_variances() -> Pairs:
    """scipy.stats: Welch's t has the same Satterthwaite df when its two samples hold the same two mean squares."""
    from scipy.stats import ttest_ind

    study = tc.measurement_error(long(RETEST))
    ms = tc.icc(long(RETEST), form="ICC(A,1)").mean_squares
    n, k = len(RETEST), 3
    trials = np.random.default_rng(3).normal(size=k)
    error = np.random.default_rng(4).normal(size=(n - 1) * (k - 1) + 1)
    for sample, variance in ((trials, ms.trials * k / n), (error, ms.error * (1 - 1 / n) * error.size)):
        sample *= np.sqrt(variance / sample.var(ddof=1))
    welch = ttest_ind(trials, error, equal_var=False)
    return {"degrees of freedom": (float(welch.df), float(study.sem_agreement.df or 0), 1e-9)}


@route("SEM / MDC", by="tc.measurement_error", came="another library")
def _interval_at_a_level_against_sandwich() -> Pairs:
    """statsmodels: least-squares line of spread on mean with a robust (HC0) interval; 1,000 people."""
    import statsmodels.api as sm

    rng = np.random.default_rng(62)
    level = rng.uniform(5, 25, 1000)
    scores = level[:, None] + rng.normal(size=(1000, 2)) * (0.3 + 0.06 * level)[:, None]
    spread = tc.measurement_error(long(scores), error="consistency").spread
    fit = sm.OLS(spread.spreads, sm.add_constant(spread.means)).fit(cov_type="HC0")
    found: Pairs = {}
    for at in (8.0, 22.0):
        mean = fit.get_prediction([[1.0, at]]).summary_frame().iloc[0]
        ours = spread.sem_at(at)
        # mean |difference| of a normal pair is 2 SEM / sqrt(pi)
        for side, theirs in (("low", mean["mean_ci_lower"]), ("high", mean["mean_ci_upper"])):
            found[f"{side} at {at:g}"] = (float(theirs) * sqrt(np.pi) / 2, getattr(ours, side), 0.02)
    return found
