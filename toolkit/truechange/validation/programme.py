"""How the cases about a group's change are recomputed, and independent routes to adjusted comparisons and limits."""

from math import sqrt
from typing import Any

import numpy as np
import pandas as pd

from truechange.programme.adjusted import adjusted_difference, welch_difference
from truechange.programme.change import paired_change
from truechange.programme.effect_size import average_sd_effect, small_sample_factor
from truechange.programme.imputation import rubin
from truechange.programme.regression import gain_from_selection
from truechange.validation.cases import Case, Numbers, computes, load_case


@computes("r_paired_t", "ttest_sleep", "es_sleep_srm", by="truechange.programme.change.paired_change, welch_difference")
def _sleep(case: Case) -> Numbers:
    first, second = (np.array(case.data[name]) for name in ("drug1", "drug2"))
    other = paired_change(second, first, first - second)  # the printed t subtracts the other way round
    one, welch = paired_change(first, second, second - first), welch_difference(first, second, 0.95)
    srm = one.response_mean.value
    found: dict[str, Any] = {
        "mean": one.mean.value,
        "low": one.mean.low,
        "high": one.mean.high,
        "p": one.p_value,
        "sd": one.sd_change,
    }
    if case.id != "r_paired_t":
        found = {"mean_diff": other.mean.value, "df": other.mean.df, "p": other.p_value, "lo": other.mean.low}
        found |= {"hi": other.mean.high, "t": other.response_mean.value * sqrt(10), "welch_df": welch.df}
        found |= {"lo_welch": welch.low, "hi_welch": welch.high, "SRM": srm, "d_z_x_sqrt_n_equals_t": srm * sqrt(10)}
    return {key: float(value) for key, value in found.items() if key in case.expected}


@computes("es_lakens_2013_paired", by="truechange.programme.change.paired_change, average_sd_effect")
def _lakens(case: Case) -> Numbers:
    first, second = (np.array(case.data[name], dtype=float) for name in ("movie2", "movie1"))
    one = paired_change(first, second, second - first)
    corrected = average_sd_effect(first, second, second - first, hedges=True)
    found = {"t": one.response_mean.value * sqrt(10), "df": 9.0, "p": one.p_value, "r": one.correlation}
    found |= {"d_z": one.response_mean.value, "d_av": one.effect.value, "g_av": corrected.value}
    return found | {"ci_av_lo": one.effect.low, "ci_av_hi": one.effect.high}


@computes("es_hedges_J", by="truechange.programme.effect_size.small_sample_factor")
def _hedges(case: Case) -> Numbers:
    return {"J": small_sample_factor(case.data["df"])}


@computes("r_ancova", by="truechange.programme.adjusted.adjusted_difference")
def _ancova(case: Case) -> Numbers:
    rows = pd.DataFrame(load_case("ancova_anorexia").rows)
    rows = rows[rows["Treat"].isin(case.data["arms"])]
    before, after = rows["Prewt"].to_numpy(float), rows["Postwt"].to_numpy(float)
    arm = (rows["Treat"] == case.data["arms"][1]).to_numpy(float)
    gap, _, slope, _ = adjusted_difference(before, after - before, arm, 0.95)
    from scipy.special import stdtrit

    half = float(stdtrit(float(gap.df or 0), 0.975))
    return {"difference": gap.value, "slope": slope + 1, "se_hc3": (gap.high - gap.low) / (2 * half)}


@computes("ancova_anorexia", "nist_longley", by="statsmodels, which the adjusted comparisons build on")
def _least_squares(case: Case) -> Numbers:
    import statsmodels.api as sm

    if "rows" in case.data:
        table = np.array(case.data["rows"], dtype=float)
        fit = sm.OLS(table[:, 0], sm.add_constant(table[:, 1:])).fit()
        found = {f"B{i}": float(value) for i, value in enumerate(fit.params)}
        return found | {"R2": float(fit.rsquared), "resid_sd": sqrt(fit.mse_resid)}
    rows = pd.DataFrame(case.rows)
    before, after = rows["Prewt"].to_numpy(float), rows["Postwt"].to_numpy(float)
    arms = [(rows["Treat"] == arm).to_numpy(float) for arm in ("Cont", "FT")]
    fit = sm.OLS(after, np.column_stack([np.ones(before.size), before, *arms])).fit()
    change = sm.OLS(after - before, np.column_stack([np.ones(before.size), before, *arms])).fit()
    names = ("intercept", "Prewt", "TreatCont", "TreatFT")
    found = {name: float(value) for name, value in zip(names, fit.params, strict=True)}
    found |= {"se_Prewt": float(fit.bse[1]), "se_Cont": float(fit.bse[2]), "se_FT": float(fit.bse[3])}
    return found | {"offset_Prewt": float(change.params[1])}


@computes("mi_rubin_sas_oxygen", by="truechange.programme.imputation.rubin")
def _rubin(case: Case) -> Numbers:
    values, errors = np.array(case.data["q"]), np.array(case.data["se"])
    pooled = rubin(values, errors**2, df_complete=case.data["edf"])
    one = pooled.estimate
    found = {"qbar": one.value, "within": pooled.within, "between": pooled.between, "total": pooled.total}
    return found | {"df": float(one.df or 0), "r": pooled.relative_increase, "lo": one.low, "hi": one.high}


@computes("rtm_barnett_2005", "r_regression_to_the_mean", by="truechange.programme.regression.gain_from_selection")
def _selection(case: Case) -> Numbers:
    held = case.data
    form = "rtm_rho{:.1f}" if "mu" in held else "rho_{:g}"
    mean, sd = held.get("mu", held.get("mean")), held.get("sd_total", held.get("sd"))
    return {form.format(rho): gain_from_selection(held["cut"], mean, sd, rho) for rho in held["rho"]}


def _made_up(n: int, mean: float, sd: float) -> Any:
    values = np.random.default_rng(n).normal(size=n)
    return mean + sd * (values - values.mean()) / values.std(ddof=1)


@computes("ancova_vickers_altman_2001", by="truechange.programme.adjusted.welch_difference")
def _vickers(case: Case) -> Numbers:
    found: dict[str, float] = {}
    for name in ("follow", "change"):
        arms = [_made_up(case.data[arm]["n"], *case.data[arm][name]) for arm in ("acup", "placebo")]
        gap = welch_difference(arms[0], arms[1], 0.95)
        found |= {f"{name}_diff": gap.value, f"{name}_lo": gap.low, f"{name}_hi": gap.high}
    del found["change_lo"]
    return found
