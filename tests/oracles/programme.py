"""Independent routes to effect sizes, adjusted comparisons and limits."""

from math import sqrt
from typing import Any

import numpy as np

from oracles import Pairs, route
from truechange.programme.change import gain_from_selection, start_dependence, trimmed_mean
from truechange.programme.comparison import (
    adjusted_difference,
    adjusted_share_difference,
    individual_response,
    welch_difference,
)
from truechange.programme.missing import impute, missing_follow_up
from truechange.programme.sites import shrunken_shares


def _made_up(n: int, mean: float, sd: float) -> Any:
    values = np.random.default_rng(n).normal(size=n)
    return mean + sd * (values - values.mean()) / values.std(ddof=1)


@route("Group change", by="truechange.programme.change", came="another library")
def _means_against_scipy() -> Pairs:
    """scipy.stats: trimmed mean, Welch's interval."""
    from scipy import stats

    rng = np.random.default_rng(21)
    first, second = rng.gamma(2, 2, 23), rng.gamma(3, 1, 31)
    limits = stats.ttest_ind(first, second, equal_var=False).confidence_interval()
    welch = welch_difference(first, second, 0.95)
    return {
        "trimmed mean": (float(stats.trim_mean(first, 0.2)), trimmed_mean(first, 0.95).value, 1e-12),
        "Welch low": (float(limits.low), welch.low, 1e-10),
        "Welch high": (float(limits.high), welch.high, 1e-10),
    }


@route("Group change", by="truechange.programme.change.trimmed_mean")
def _trimmed_by_hand() -> Pairs:
    """Trimmed mean's interval: the one-sample form of Yuen's test, winsorised by hand."""
    values = [1.0, 2.0, 2.5, 3.0, 4.0, 4.5, 5.0, 6.0, 9.0, 40.0]  # 2 cut at each end
    pulled = [2.5, 2.5, 2.5, 3.0, 4.0, 4.5, 5.0, 6.0, 6.0, 6.0]
    mean = sum(pulled) / 10
    sd = sqrt(sum((v - mean) ** 2 for v in pulled) / 9)
    half = 2.570581835636 * sd / (0.6 * sqrt(10))  # t of 5 degrees of freedom
    one = trimmed_mean(np.array(values), 0.95)
    return {"mean": (25 / 6, one.value, 1e-12), "low": (25 / 6 - half, one.low, 1e-9)}


@route("Group change", by="truechange.programme.comparison, response_spread")
def _comparison_identities() -> Pairs:
    """Identities: spread of response, adjusted difference without spread before."""
    first, second = _made_up(30, 3.0, 2.5), _made_up(28, 1.0, 1.5)
    response = individual_response(first, second)
    se = sqrt(2 * 2.5**4 / 29 + 2 * 1.5**4 / 27)
    before = np.tile([8.0, 12.0], 20)
    gained = np.concatenate([_made_up(20, 3, 1), _made_up(20, 1, 1)])
    gap, _, slope, _ = adjusted_difference(before, gained, np.repeat([1.0, 0.0], 20), 0.95)
    return {
        "SD of response": (2.0, response.value.value, 1e-12),
        "variance, upper limit": (4.0 + 1.959963985 * se, response.variance.high, 1e-7),
        "difference of balanced groups": (2.0, gap.value, 1e-10),
        "slope": (float((gained[before == 12].mean() - gained[before == 8].mean()) / 4), slope, 1e-10),
    }


@route("Sites", by="truechange.programme.sites.shrunken_shares", came="another library")
def _between_units_against_statsmodels() -> Pairs:
    """statsmodels: variance between units by DerSimonian and Laird."""
    from statsmodels.stats.meta_analysis import combine_effects

    k, n = np.array([4, 9, 15, 6, 22, 10]), np.array([20, 25, 28, 30, 40, 18])
    overall = k.sum() / n.sum()
    theirs = combine_effects(k / n, overall * (1 - overall) / n, method_re="dl")
    shares, between = shrunken_shares(k, n)
    # the library centres on the overall share, which equals the weighted mean of the shares here
    pulled = overall + between / (between + overall * (1 - overall) / n) * (k / n - overall)
    return {
        "variance between units": (float(theirs.tau2), between, 1e-12),
        "largest share, pulled in": (float(pulled.max()), float(shares.max()), 1e-12),
    }


@route("Group change", by="truechange.programme.change")
def _selection_by_simulation() -> Pairs:
    """Gain of unchanged people taken in below a cut, a million simulated."""
    rng = np.random.default_rng(51)
    true = rng.normal(10, sqrt(0.8) * 3, 1_000_000)
    first, second = (true + rng.normal(0, sqrt(0.2) * 3, 1_000_000) for _ in range(2))
    taken = first < 8
    found: Pairs = {
        "below 8": (
            float((second - first)[taken].mean()),
            gain_from_selection(8, mean=10, sd=3, reliability=0.8),
            0.01,
        ),
        "above 12": (
            float((first - second)[first > 12].mean()),
            gain_from_selection(12, mean=10, sd=3, reliability=0.8, taken="above"),
            0.01,
        ),
    }
    before, after = first[:20_000], second[:20_000] + 2 - 0.25 * (true[:20_000] - 10)
    slope = start_dependence(before, after, sqrt(0.2) * 3, n_boot=100)
    return found | {
        "true slope of change on start": (-0.25, slope.slope.value, 0.02),
        "slope as measured": (-0.25 * 0.8 - 0.2, slope.plain, 0.02),
    }


@route("Group change", by="truechange.programme.missing.impute")
def _imputation_by_simulation() -> Pairs:
    """Gaps filled 200 times where the truth is known: means, spread and correlation."""
    rng = np.random.default_rng(52)
    before = rng.normal(10, 3, 400)
    after = 2 + 0.9 * before + rng.normal(0, 2, 400)
    gone = rng.random(400) < 1 / (1 + np.exp(0.6 * (before - 9)))  # the weaker stay away more often
    filled = impute(np.column_stack([before, np.where(gone, np.nan, after)]), 200, seed=1)[:, :, 1]
    kept = after[~gone]
    slope, constant = np.polyfit(before[~gone], kept, 1)
    spread = float(np.std(kept - constant - slope * before[~gone], ddof=2))
    residual = filled[:, gone] - constant - slope * before[gone]
    return {
        "mean of the filled": (float((constant + slope * before[gone]).mean()), float(filled[:, gone].mean()), 0.06),
        "noise of the filled": (spread, float(residual.std()), 0.12),
        "known values untouched": (0.0, float(np.abs(filled[:, ~gone] - kept).max()), 1e-9),
    }


@route("Group change", by="truechange.programme.comparison.adjusted_share_difference")
def _adjusted_shares_by_simulation() -> Pairs:
    """Difference of shares at equal start, in two large samples with known lines."""
    from scipy.special import ndtr

    rng = np.random.default_rng(53)
    before = np.concatenate([rng.normal(9, 3, 20_000), rng.normal(12, 3, 20_000)])
    group = np.repeat([1.0, 0.0], 20_000)
    mean = 1.0 + 1.2 * group - 0.3 * (before - 10.5)
    truth = float(np.mean(ndtr((mean + 1.2 * (1 - group) - 2) / 2)) - np.mean(ndtr((mean - 1.2 * group - 2) / 2)))
    found = adjusted_share_difference(before, mean + rng.normal(0, 2, 40_000), group, 2.0, n_boot=100)
    return {"difference": (truth, found.value, 0.01)}


@route("Group change", by="truechange.programme.missing.impute", came="another library")
def _imputation_draws_its_parameters() -> Pairs:
    """statsmodels and the t posterior of a linear model (textbook form): spread of the imputed mean between sets."""
    import statsmodels.api as sm

    rng = np.random.default_rng(55)
    x = rng.normal(10, 3, 20)
    y = np.where(np.arange(20) < 8, np.nan, 2 + 0.9 * x + rng.normal(0, 2, 20))
    fit = sm.OLS(y[8:], sm.add_constant(x[8:])).fit()
    line = float(fit.get_prediction([[1.0, x[:8].mean()]]).se_mean[0]) ** 2
    kept = fit.df_resid / (fit.df_resid - 2)  # mean of 1/chi-square
    means = impute(np.column_stack([x, y]), 4000, seed=4)[:, :8, 1].mean(axis=1)
    return {
        "variance of the mean of eight": (kept * (line + fit.mse_resid / 8), float(means.var()), 0.12),
        "its centre": (float(fit.predict([[1.0, x[:8].mean()]])[0]), float(means.mean()), 0.05),
    }


@route("Group change", by="truechange.programme.missing.missing_follow_up")
def _tipping_falls_by_thresholds() -> Pairs:
    """Every missing person set back by so many thresholds takes the mean down by that times the share missing."""
    rng = np.random.default_rng(56)
    before, change = rng.normal(10, 3, 60), rng.normal(3, 2, 60)
    change[:15] = np.nan
    rows = missing_follow_up(change, 2.5, before[:, None]).tipping.set_index("delta")
    found: Pairs = {}
    for delta in (0.5, 1.0, 3.0):
        fall = float(rows["mean"][0.0] - rows["mean"][delta])
        found[f"{delta:g} thresholds"] = (delta * 2.5 * 15 / 60, fall, 1e-9)
    return found
