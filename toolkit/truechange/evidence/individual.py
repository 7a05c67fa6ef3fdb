"""How the cases about one person are recomputed through the public functions, and independent routes to them."""

from math import sqrt
from typing import Any

import numpy as np

import truechange as tc
from truechange.evidence.cases import Case
from truechange.evidence.checking import Numbers, Pairs, computes, route
from truechange.foundation.distributions import chi2_below, chi2_quantile, t_below, t_quantile
from truechange.individual import bridge_from_pairs, norm_position, predict_retest, recovery_cutoffs

LARGE = 100_000  # people in a group whose numbers count as known


def _group(case: Case, n: int = LARGE) -> tc.Programme:
    held = case.data
    return tc.Programme(
        held["mean_before"], held["mean_after"], held["sd_before"], held["sd_after"], held["correlation"], n
    )


@computes("person_worked", by="tc.person_change, tc.reliable_change")
def _person(case: Case) -> Numbers:
    held, group = case.data, _group(case)
    x, y, sem, limit = held["before"], held["after"], held["sem"], held["mcid"]
    one = tc.person_change(x, y, sem=sem, mcid=limit, programme=group)
    views = one.priors()
    unsure = tc.person_change(x, y, sem=sem, sem_df=held["sem_df"], mcid=limit)
    means = held["retest_means"]
    retest = tc.Programme(*means, held["retest_sd"], held["retest_sd"], held["retest_r"], held["retest_n"])
    family = tc.reliable_change(x, y, sem=sem, practice=held["practice"], retest=retest, programme=group)
    srb, changes = family.loc["regression_based"], views.loc["programme, change only"]
    return {
        "true_change": one.true_change.value,
        "true_change_sd": views.sd["programme"],
        "p_better": one.p_better,
        "p_meaningful": one.p_meaningful,
        "change_only": changes["mean"],
        "change_only_sd": changes["sd"],
        "change_only_p": changes["p_meaningful"],
        "flat_p": one.p_meaningful_flat,
        "flat_p_t29": unsure.p_meaningful_flat,
        "jacobson_truax": family.statistic["jacobson_truax"],
        "practice_adjusted": family.statistic["practice_adjusted"],
        "mdc90": tc.person_change(x, y, sem=sem, mcid=limit, confidence=0.90).mdc.value,
        "mdc95": one.mdc.value,
        "srb_predicted": predict_retest(x, retest)[0],
        "srb_t": srb["statistic"],
        "srb_p": srb["p_value"],
    }


@computes(
    "rci_jacobson_truax_1991",
    "rci_two_sd_christensen_mendoza",
    by="tc.reliable_change, truechange.individual.recovery_cutoffs",
)
def _jacobson(case: Case) -> Numbers:
    held = case.data
    sem = held["s1"] * sqrt(1 - held["rxx"])
    row = tc.reliable_change(held.get("pre", 0), held.get("post", 1), sem=sem).loc["jacobson_truax"]
    found = {"S_diff": row.standard_error, "RC": row.statistic, "min_change_95": row.limit * row.standard_error}
    found["ratio"] = row.standard_error / sem
    if "s0" in held:
        found |= recovery_cutoffs(held["M_dysfunctional"], held["s1"], held["M_functional"], held["s0"])
    return found


@computes("single_case_crawford_howell_1998", by="truechange.individual.norm_position, tc.reliable_change")
def _single_case(case: Case) -> Numbers:
    held = case.data
    norm = tc.Programme(0, held["mean"], held["sd"], held["sd"], 0.5, held["n"])  # SD of the differences is the norm's
    row = tc.reliable_change(0, held["case"], sem=1.0, retest=norm).loc["retest_differences"]
    t, below = norm_position(held["case"], held["mean"], held["sd"], held["n"])
    return {"t": t, "df": row.df, "p_one_tailed": below}


@computes("regression_change_prediction_se", by="tc.reliable_change, truechange.individual.predict_retest")
def _prediction(case: Case) -> Numbers:
    first, second = np.array(case.data["trial1"], dtype=float), np.array(case.data["trial2"], dtype=float)
    r = float(np.corrcoef(first, second)[0, 1])
    retest = tc.Programme(first.mean(), second.mean(), first.std(ddof=1), second.std(ddof=1), r, first.size)
    predicted, se = predict_retest(case.data["x"], retest)
    row = tc.reliable_change(case.data["x"], case.data["y"], sem=1.0, retest=retest).loc["regression_based"]
    return {"pred": predicted, "se_new": se, "t": row.statistic, "df": row.df, "p_two_tailed": row.p_value}


def _by_grid(x: float, y: float, group: tc.Programme, sem: float) -> tuple[Any, Any]:
    """Return true changes on a fine grid of true scores, and their posterior weights."""
    s11, s22, s12 = group.sd_before**2 - sem**2, group.sd_after**2 - sem**2, group.covariance
    prior = np.linalg.inv(np.array([[s11, s12], [s12, s22]]))
    a = np.linspace(x - 8 * sem, x + 8 * sem, 801)[:, None]
    b = np.linspace(y - 8 * sem, y + 8 * sem, 801)[None, :]
    u, v = a - group.mean_before, b - group.mean_after
    log_weight = -0.5 * (prior[0, 0] * u**2 + 2 * prior[0, 1] * u * v + prior[1, 1] * v**2)
    log_weight = log_weight - 0.5 * ((x - a) ** 2 + (y - b) ** 2) / sem**2
    weight = np.exp(log_weight - log_weight.max())
    return b - a, weight / weight.sum()


@route("One person", "Posterior by adding up a grid of 640,000 pairs of true scores.", by="tc.person_change")
def _posterior_by_grid() -> Pairs:
    group = tc.Programme(11, 13, 3.2, 3.4, 0.8, LARGE)
    found: Pairs = {}
    for x, y, sem in ((9, 13, 1.0), (14, 13, 0.8), (6, 12, 1.4)):
        change, weight = _by_grid(x, y, group, sem)
        one = tc.person_change(x, y, sem=sem, mcid=2.0, programme=group)
        mean = float((weight * change).sum())
        found[f"{x} to {y}: mean"] = (mean, one.true_change.value, 1e-6)
        found[f"{x} to {y}: SD"] = (
            sqrt(float((weight * (change - mean) ** 2).sum())),
            float(one.priors().sd.iloc[0]),
            1e-5,
        )
        at, place = np.unique(np.round(change, 9), return_inverse=True)
        below = np.cumsum(np.bincount(place.ravel(), weights=weight.ravel()))
        above = 1 - float(np.interp(2.0, (at[:-1] + at[1:]) / 2, below[:-1]))
        found[f"{x} to {y}: chance above 2"] = (above, one.p_meaningful, 2e-4)
    return found


@route(
    "One person",
    "scipy.stats: an SEM known from few people turns the flat posterior into a t distribution.",
    by="tc.person_change",
    came="another library",
)
def _flat_against_t() -> Pairs:
    from scipy.stats import t

    found: Pairs = {}
    for df in (5, 14, 29):
        one = tc.person_change(9, 13, sem=1.2, sem_df=df, mcid=2.0)
        low, high = t.interval(0.95, df, loc=4, scale=1.2 * sqrt(2))
        found[f"df {df}: chance above 2"] = (float(t.cdf(2 / (1.2 * sqrt(2)), df)), one.p_meaningful_flat, 1e-4)
        found[f"df {df}: low"] = (float(low), one.true_change.low, 1e-3)
        found[f"df {df}: high"] = (float(high), one.true_change.high, 1e-3)
    return found


@route(
    "One person",
    "Small group: half a million draws of the spread of true change, weighed by the likelihood.",
    by="tc.person_change",
)
def _small_group_by_drawing() -> Pairs:
    from scipy.special import ndtr

    n, sem, d = 40, 1.0, 4.0
    group = tc.Programme(11, 13, 3.2, 3.4, 0.8, n)
    rng = np.random.default_rng(12)
    tau = np.abs(rng.normal(0, group.sd_change, 500_000))
    variance = tau**2 + 2 * sem**2
    weight = np.exp(-0.5 * (n - 1) * (np.log(variance) + group.var_change / variance - np.log(group.var_change) - 1))
    kept = tau**2 / variance
    mean = group.mean_change + kept * (d - group.mean_change)
    spread = np.sqrt(kept * 2 * sem**2 + (1 - kept) ** 2 * variance / n)
    view = tc.person_change(9, 13, sem=sem, mcid=2.0, programme=group).priors().loc["programme, change only"]
    total = weight.sum()
    return {
        "mean": (float(weight @ mean / total), float(view["mean"]), 0.01),
        "chance above 2": (float(weight @ ndtr((mean - 2) / spread) / total), float(view["p_meaningful"]), 0.004),
    }


@route(
    "One person",
    "Identities: Hageman-Arrindell is mean over SD of the change-only posterior; mirrored direction.",
    by="tc.reliable_change",
)
def _person_identities() -> Pairs:
    group, turned = tc.Programme(11, 13, 3.2, 3.4, 0.8, LARGE), tc.Programme(-11, -13, 3.2, 3.4, 0.8, LARGE)
    one = tc.person_change(9, 13, sem=1.0, mcid=2.0, programme=group)
    other = tc.person_change(-9, -13, sem=1.0, mcid=2.0, programme=turned, better="lower")
    view = one.priors().loc["programme, change only"]
    family = tc.reliable_change(9, 13, sem=1.0, programme=group)
    at_limit = tc.person_change(9, 9 + one.mdc.value, sem=1.0, mcid=2.0)
    return {
        "Hageman-Arrindell": (float(view["mean"] / view["sd"]), float(family.statistic["hageman_arrindell"]), 1e-9),
        "mirrored mean": (other.true_change.value, one.true_change.value, 1e-12),
        "mirrored chance": (other.p_meaningful, one.p_meaningful, 1e-12),
        "index at the MDC95": (1.959963985, at_limit.reliable_change_index, 1e-8),
        "two visits after": (sqrt(1.5) * 1.959963985, tc.person_change(9, [12, 14], sem=1.0, mcid=2.0).mdc.value, 1e-8),
    }


@route(
    "One person",
    "The share of a million redrawn thresholds under which the verdict stays the same.",
    by="tc.person_change",
)
def _stability_by_drawing() -> Pairs:
    rng = np.random.default_rng(13)
    limit = tc.Threshold(kind="mcid", value=2.0, low=1.4, high=2.6)
    found: Pairs = {}
    for d in (4.0, 3.0, 2.4):
        one = tc.person_change(9, 9 + d, sem=1.0, sem_df=29, mcid=limit)
        mdc = one.mdc.value * np.sqrt(29 / rng.chisquare(29, 1_000_000))
        mcid = rng.normal(2.0, 0.6 / 1.959963985, 1_000_000)
        same = ((d >= mdc) == (d >= one.mdc.value)) & ((d >= mcid) == (d >= 2.0))
        found[f"change of {d:g}"] = (float(same.mean()), one.stability, 0.002)
    return found


@route(
    "One person",
    "scipy.special: t and chi-square worked out from the standard library alone.",
    by="truechange.foundation.distributions",
    came="another library",
)
def _distributions_against_scipy() -> Pairs:
    from scipy import special

    found: Pairs = {}
    for df in (1, 2.5, 29, 400):
        for x in (-3.1, 0.4, 2.2):
            found[f"t {df:g} below {x:g}"] = (float(special.stdtr(df, x)), t_below(x, df), 1e-12)
        found[f"t {df:g} quantile"] = (float(special.stdtrit(df, 0.975)), t_quantile(0.975, df), 1e-8)
        for p in (0.025, 0.9):
            quantile = float(special.chdtri(df, 1 - p))
            found[f"chi-square {df:g} quantile {p:g}"] = (quantile, chi2_quantile(p, df), 1e-8 * max(1, quantile))
        found[f"chi-square {df:g} below"] = (float(special.chdtr(df, df + 1)), chi2_below(df + 1, df), 1e-12)
    return found


@route(
    "Reliable change",
    "statsmodels: prediction of a new person's retest score by least squares.",
    by="truechange.individual.predict_retest",
    came="another library",
)
def _prediction_against_least_squares() -> Pairs:
    import statsmodels.api as sm

    rng = np.random.default_rng(14)
    x = rng.normal(11, 3, 35)
    y = 1 + 0.9 * x + rng.normal(0, 1.2, 35)
    new = sm.OLS(y, sm.add_constant(x)).fit().get_prediction([[1.0, 7.5]])
    retest = tc.Programme(x.mean(), y.mean(), x.std(ddof=1), y.std(ddof=1), float(np.corrcoef(x, y)[0, 1]), 35)
    predicted, se = predict_retest(7.5, retest)
    return {
        "predicted": (float(new.predicted_mean[0]), predicted, 1e-9),
        "standard error": (float(new.se_obs[0]), se, 1e-9),
    }


@route("One person", "Course over several visits by weighted least squares with the known SEM (numpy).", by="tc.visits")
def _visits_by_least_squares() -> Pairs:
    days, scores = np.array([0.0, 7.0, 28.0, 56.0, 84.0]), np.array([9.0, 10.0, 11.0, 13.0, 13.0])
    one = tc.visits({"day": days, "score": scores}, baselines=2, sem=1.2, mcid=2.0)
    design = np.column_stack([np.ones(5), np.maximum(days - 7, 0) / 77])
    covariance = np.linalg.inv(design.T @ design) * 1.2**2
    gain = float((np.linalg.inv(design.T @ design) @ design.T @ scores)[1])
    half = 1.959963985 * sqrt(covariance[1, 1])
    z = 2.3939797998  # three looks at 5% together: normal quantile of 1 - 0.05/6
    return {
        "change": (gain, one.change.value, 1e-8),
        "low": (gain - half, one.change.low, 1e-6),
        "high": (gain + half, one.change.high, 1e-6),
        "MDC of each look": (z * 1.2 * sqrt(1.5), one.changes[0].mdc.value, 1e-7),
    }


@route(
    "One person",
    "statsmodels: line that carries a score from an old protocol to a new one.",
    by="truechange.individual.bridge_from_pairs",
    came="another library",
)
def _bridge_against_least_squares() -> Pairs:
    import statsmodels.api as sm

    rng = np.random.default_rng(15)
    old = np.round(rng.normal(12, 3, 40), 1)
    new = np.round(1.5 + 0.8 * old + rng.normal(0, 1, 40), 1)
    fit = sm.OLS(new, sm.add_constant(old)).fit()
    ahead = fit.get_prediction([[1.0, 9.0]])
    bridge = bridge_from_pairs(list(old), list(new))
    return {
        "carried score": (float(ahead.predicted_mean[0]), bridge.carry(9.0), 1e-9),
        "standard error": (float(ahead.se_obs[0]), bridge.difference_se(9.0, 0.1, 0.1), 1e-9),
    }
