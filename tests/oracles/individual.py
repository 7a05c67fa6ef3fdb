"""One person by independent routes: a grid of true scores, other libraries."""

from math import sqrt
from typing import Any

import numpy as np

import truechange as tc
from oracles import Pairs, route
from truechange.foundation.distributions import chi2_below, chi2_quantile, normal_quantile, t_below, t_quantile
from truechange.individual.score_error import predict_retest
from truechange.individual.typed import bridge_from_pairs

LARGE = 100_000  # people in a group whose numbers count as known


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


@route("One person", by="tc.person_change")
def _posterior_by_grid() -> Pairs:
    """Posterior by adding up a grid of 640,000 pairs of true scores."""
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


@route("One person", by="tc.person_change", came="another library")
def _flat_against_t() -> Pairs:
    """scipy.stats: an SEM known from few people turns the flat posterior into a t distribution."""
    from scipy.stats import t

    found: Pairs = {}
    for df in (5, 14, 29):
        one = tc.person_change(9, 13, sem=1.2, sem_df=df, mcid=2.0)
        low, high = t.interval(0.95, df, loc=4, scale=1.2 * sqrt(2))
        found[f"df {df}: chance above 2"] = (float(t.cdf(2 / (1.2 * sqrt(2)), df)), one.p_meaningful_flat, 1e-4)
        found[f"df {df}: low"] = (float(low), one.true_change.low, 1e-3)
        found[f"df {df}: high"] = (float(high), one.true_change.high, 1e-3)
    return found


@route("One person", by="tc.person_change")
def _small_group_by_drawing() -> Pairs:
    """Small group: half a million draws of the spread of true change, weighed by the likelihood."""
    from scipy.special import ndtr

    found: Pairs = {}
    for n, sem, d in ((40, 1.0, 4.0), (15, 2.2, 9.0)):
        group = tc.Programme(11, 13, 3.2, 3.4, 0.8, n)
        rng = np.random.default_rng(12)
        tau = np.abs(rng.normal(0, group.sd_change, 500_000))
        variance = tau**2 + 2 * sem**2
        likely = -0.5 * (n - 1) * (np.log(variance) + group.var_change / variance - np.log(group.var_change) - 1)
        weight, kept = np.exp(likely), tau**2 / variance
        mean = group.mean_change + kept * (d - group.mean_change)
        spread = np.sqrt(kept * 2 * sem**2 + (1 - kept) ** 2 * variance / n)
        view = tc.person_change(9, 9 + d, sem=sem, mcid=2.0, programme=group).priors().loc["programme, change only"]
        total, chance = weight.sum(), ndtr((mean - 2) / spread)
        found[f"{n} people: mean"] = (float(weight @ mean / total), float(view["mean"]), 0.01)
        found[f"{n} people: chance above 2"] = (float(weight @ chance / total), float(view["p_meaningful"]), 0.004)
    return found


@route("One person", by="tc.reliable_change")
def _person_identities() -> Pairs:
    """Identities: Hageman-Arrindell is mean over SD of the change-only posterior; mirrored direction."""
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


@route("One person", by="tc.person_change")
def _stability_by_drawing() -> Pairs:
    """The share of a million redrawn thresholds under which the verdict stays the same."""
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


@route("One person", by="truechange.foundation.distributions", came="another library")
def _distributions_against_scipy() -> Pairs:
    """scipy.special: t and chi-square worked out from the standard library alone."""
    from scipy import special

    found: Pairs = {}
    for p in (1e-4, 0.025, 0.5, 0.9, 0.975, 0.9999):
        found[f"normal quantile {p:g}"] = (float(special.ndtri(p)), normal_quantile(p), 1e-13)
        for df in (1, 2.5, 9, 29, 200, 400):
            t, chi = float(special.stdtrit(df, p)), float(special.chdtri(df, 1 - p))
            found[f"t {df:g} quantile {p:g}"] = (t, t_quantile(p, df), 1e-10 * max(1, abs(t)))
            found[f"chi-square {df:g} quantile {p:g}"] = (chi, chi2_quantile(p, df), 1e-10 * max(1, chi))
    for df in (1, 2.5, 29, 400):
        for x in (-3.1, 0.4, 2.2):
            found[f"t {df:g} below {x:g}"] = (float(special.stdtr(df, x)), t_below(x, df), 1e-12)
        found[f"chi-square {df:g} below"] = (float(special.chdtr(df, df + 1)), chi2_below(df + 1, df), 1e-12)
    return found


@route("Reliable change", by="truechange.individual.score_error.predict_retest", came="another library")
def _prediction_against_least_squares() -> Pairs:
    """statsmodels: prediction of a new person's retest score by least squares."""
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


@route("One person", by="tc.visits")
def _visits_by_least_squares() -> Pairs:
    """Course over several visits by weighted least squares with the known SEM (numpy)."""
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


@route("One person", by="truechange.individual.typed.bridge_from_pairs", came="another library")
def _bridge_against_least_squares() -> Pairs:
    """statsmodels: line that carries a score from an old protocol to a new one."""
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


@route("One person", by="tc.person_change", came="another library")
def _small_group_with_both_scores_by_drawing() -> Pairs:
    """scipy.stats: sixteen people, their covariance weighed by Wishart densities, their means drawn as well."""
    from scipy.special import ndtr
    from scipy.stats import wishart

    n, sem, x = 16, 1.4, np.array([6.0, 13.0])
    group = tc.Programme(11, 13, 3.2, 3.4, 0.7, n)
    rng, draws = np.random.default_rng(17), 20_000
    seen = np.array([[group.sd_before**2, group.covariance], [group.covariance, group.sd_after**2]])
    tau = group.sd_change * np.sqrt(2 * rng.exponential(size=draws))  # Rayleigh: scale of the observed change
    rho = 2 * rng.beta(3, 3, draws) - 1  # drawn a little towards 0
    v = group.sd_before**2 - sem**2
    cov = v + rho * np.sqrt(v) * tau
    true = np.moveaxis(np.array([[np.full(draws, v), cov], [cov, 2 * cov - v + tau**2]]), 2, 0)
    total = true + sem**2 * np.eye(2)
    log_weight = np.array([wishart.logpdf((n - 1) * seen, n - 1, one) for one in total])
    weight = np.exp(log_weight - log_weight.max())
    mu = np.array([11.0, 13.0]) + np.einsum("nij,nj->ni", np.linalg.cholesky(total / n), rng.normal(size=(draws, 2)))
    gain = np.array([-1.0, 1.0])
    pull = np.einsum("j,njk->nk", gain, true @ np.linalg.inv(total))
    mean = mu @ gain + np.einsum("nk,nk->n", pull, x - mu)
    sd = np.sqrt(np.einsum("j,njk,k->n", gain, true, gain) - np.einsum("nk,nkl,l->n", pull, true, gain))
    held = weight / weight.sum()
    middle = float(held @ mean)
    view = tc.person_change(*x, sem=sem, mcid=2.0, programme=group).priors().loc["programme"]
    return {
        "mean": (middle, float(view["mean"]), 0.02),
        "SD": (float(np.sqrt(held @ (sd**2 + (mean - middle) ** 2))), float(view["sd"]), 0.02),
        "chance above 2": (float(held @ ndtr((mean - 2) / sd)), float(view["p_meaningful"]), 0.004),
    }
