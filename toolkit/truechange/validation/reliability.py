"""How the cases about ICC, SEM, limits of agreement and kappa are recomputed through the public functions."""

from math import sqrt
from typing import Any

import numpy as np
import pandas as pd

import truechange as tc
from truechange.numerics.mean_squares import FORMS
from truechange.numerics.reml import Design, fit_reml
from truechange.reliability import variance_components
from truechange.reliability.agreement import limit_factors, limits_from_summary
from truechange.validation.cases import Case, Numbers, computes

OLD_NAMES = dict(zip(("ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)"), FORMS, strict=True))


BOTH = {"ICC(1,1)": "ICC(1)", "ICC(1,k)": "ICC(k)"}


def long(table: Any) -> pd.DataFrame:
    """Turn people x trials into one row a score."""
    scores = np.asarray(table, dtype=float)
    people, trials = (index.ravel() for index in np.indices(scores.shape))
    return pd.DataFrame({"person": people, "trial": trials, "value": scores.ravel()})


@computes("icc_shrout_fleiss_1979", by="tc.icc_table, tc.icc")
def _shrout_fleiss(case: Case) -> Numbers:
    data = long(case.data["ratings"])
    table, ms = tc.icc_table(data), tc.icc(data, form="ICC(A,1)").mean_squares
    found = {"BMS": ms.persons, "WMS": ms.within, "JMS": ms.trials, "EMS": ms.error}
    for old, form in OLD_NAMES.items():
        row = table.loc[form]
        found |= {old: row.estimate, f"{old}_7dp": row.estimate, f"{old}_lo": row.low, f"{old}_hi": row.high}
    return found


@computes("icc_pingouin_wine", by="tc.icc_table")
def _wine(case: Case) -> Numbers:
    table = tc.icc_table(long(case.data["ratings"]))
    found = {name: table.estimate[BOTH.get(name, name)] for name in case.expected if name.startswith("ICC")}
    found |= {"F1": table.f["ICC(1)"], "F2": table.f["ICC(C,1)"]}
    for short, form in (("A1", "ICC(A,1)"), ("Ak", "ICC(A,k)")):
        found |= {f"lo_{short}": table.low[form], f"hi_{short}": table.high[form]}
    return found


@computes("icc_weir_2005_A", "typical_error_weir_A", by="tc.icc_table, tc.measurement_error")
def _weir(case: Case) -> Numbers:
    scores = np.column_stack([case.data["trial1"], case.data["trial2"]]).astype(float)
    data = long(scores)
    table, ms = tc.icc_table(data), tc.icc(data, form="ICC(A,1)").mean_squares
    error = tc.measurement_error(data, error="consistency")
    r, sd = table.estimate["ICC(C,1)"], scores.std(ddof=1)
    found = {"mean1": scores[:, 0].mean(), "mean2": scores[:, 1].mean()}
    found |= {"sd1": scores[:, 0].std(ddof=1), "sd2": scores[:, 1].std(ddof=1)}
    found |= {"MS_subjects": ms.persons, "MS_trials": ms.trials, "MS_error": ms.error}
    found |= {old: table.estimate[form] for old, form in OLD_NAMES.items()}
    found |= {"SEM": error.sem.value, "SEE": sd * sqrt(r * (1 - r)), "SEP": sd * sqrt(1 - r * r)}
    typical = (scores[:, 0] - scores[:, 1]).std(ddof=1) / sqrt(2)
    return found | {"MD": error.mdc95.value, "typical_error": error.sem.value, "identity": typical - error.sem.value}


@computes("r_icc_shrout_fleiss", "r_icc_weir", "r_icc_gonio", by="tc.icc_table, tc.icc")
def _all_forms(case: Case) -> Numbers:
    data = long(case.data["ratings"])
    table, ms = tc.icc_table(data), tc.icc(data, form="ICC(A,1)").mean_squares
    found = {"ms_persons": ms.persons, "ms_trials": ms.trials, "ms_error": ms.error}
    for form, row in table.iterrows():
        found |= {form: row.estimate, f"{form} low": row.low, f"{form} high": row.high, f"{form} F": row.f}
    return found


@computes("icc_from_mean_squares", by="tc.icc_table on a table built to have these mean squares")
def _from_mean_squares(case: Case) -> Numbers:
    n, k = case.data["n"], case.data["k"]
    held = np.linalg.qr(np.column_stack([np.ones(n), np.random.default_rng(1).normal(size=(n, k))]))[0][:, 1:]
    away = np.eye(k) - 1 / k  # residuals without trial means, orthogonal to the person effect in the first column
    noise = held[:, 1:k] @ np.linalg.svd(away)[2][: k - 1]
    noise *= sqrt(case.data["mse"] * (n - 1) * (k - 1) / np.sum(noise**2))
    people = held[:, [0]] * sqrt(case.data["msr"] * (n - 1) / k)
    table = tc.icc_table(long(people + noise))
    found: dict[str, float] = {}
    for form in ("ICC(C,1)", "ICC(C,k)"):
        row = table.loc[form]
        found |= {form: row.estimate, f"{form} low": row.low, f"{form} high": row.high}
    return found


@computes(*(f"nist_{name}" for name in ("sirstv", "atmwtag", *(f"smls0{i}" for i in range(1, 10)))), by="tc.icc")
def _nist(case: Case) -> Numbers:
    groups = [list(group) for group in case.data["groups"]]
    if "pattern" in case.data:
        pairs = (case.data["replicates"] - 1) // 2
        groups = [group[:1] + group[1:] * pairs for group in groups]
    found = tc.icc(long(groups), form="ICC(1)")
    between, within = found.mean_squares.persons, found.mean_squares.within
    r2 = between * found.df1 / (between * found.df1 + within * found.df2)
    numbers = {"F": found.f, "ms_between": between, "ms_within": within, "r_squared": r2}
    return numbers | {"residual_sd": tc.measurement_error(long(groups)).sem_one_way.value}


@computes("sem_shrout_fleiss", by="tc.measurement_error")
def _sem(case: Case) -> Numbers:
    error = tc.measurement_error(long(case.data["ratings"]))
    found: dict[str, float] = {}
    for name in ("consistency", "agreement", "one_way"):
        one = getattr(error, f"sem_{name}")
        found |= {name: one.value, f"{name}_low": one.low, f"{name}_high": one.high}
    return found


@computes("sem_precision", by="tc.measurement_error")
def _precision(case: Case) -> Numbers:
    found: dict[str, float] = {}
    for df in case.data["df"]:
        pairs = np.column_stack([np.zeros(df + 1), np.random.default_rng(df).normal(size=df + 1)])
        one = tc.measurement_error(long(pairs)).sem_consistency
        found |= {f"df{df}_low": one.low / one.value, f"df{df}_high": one.high / one.value}
    return found


@computes("sem_de_winter_2004", by="tc.measurement_error on 155 pairs built to the printed mean and limits")
def _de_winter(case: Case) -> Numbers:
    found: dict[str, float] = {}
    for short, name in (("abd", "abduction"), ("er", "external_rotation")):
        held = case.data[name]
        d = np.random.default_rng(2).normal(size=case.data["n"])
        d = held["mean_diff"] + (d - d.mean()) / d.std(ddof=1) * held["loa_half_width"] / 1.959964
        pairs = long(np.column_stack([d, np.zeros(d.size)]))
        error = tc.measurement_error(pairs)
        found |= {f"SEM_cons_{short}": error.sem_consistency.value, f"SEM_agr_{short}": error.sem_agreement.value}
        found[f"SDC_{short}"] = tc.measurement_error(pairs, error="consistency").mdc95.value
    return found


@computes("ba_pefr_1986", "ba_exact_pefr", by="tc.limits_of_agreement, tc.measurement_error")
def _pefr(case: Case) -> Numbers:
    first, second = (np.array(case.data[name], dtype=float) for name in ("wright1", "mini1"))
    exact = tc.limits_of_agreement(first, second)
    sd = (exact.upper.value - exact.bias.value) / 1.959964
    found = {"bias": exact.bias.value, "sd": sd, "loa_lo_2sd": exact.bias.value - 2 * sd}
    found |= {"loa_hi_2sd": exact.bias.value + 2 * sd, "loa_lo_196": exact.lower.value, "loa_hi_196": exact.upper.value}
    found |= {"bias_lo": exact.bias.low, "bias_hi": exact.bias.high, "upper_lo": exact.upper.low}
    found |= {"upper_hi": exact.upper.high, "lower_lo": exact.lower.low, "lower_hi": exact.lower.high}
    both = [np.column_stack([case.data[f"{meter}1"], case.data[f"{meter}2"]]) for meter in ("wright", "mini")]
    doubled = tc.limits_of_agreement(*both)
    found["sd_means"] = (doubled.bias.high - doubled.bias.low) / (2 * _t(0.975, first.size - 1)) * sqrt(first.size)
    found["sd_corrected"] = (doubled.upper.value - doubled.bias.value) / 1.959964
    for meter in ("wright", "mini"):
        again = tc.limits_of_agreement(case.data[f"{meter}1"], case.data[f"{meter}2"]).repeatability
        found |= {f"sd_rep_{meter}": again.value / 1.959964, f"CR_{meter}": 2 * again.value / 1.959964}
    return found


def _t(p: float, df: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(df, p))


@computes("ba_1999_repeated", by="truechange.reliability.agreement.limits_from_summary")
def _repeated(case: Case) -> Numbers:
    held = case.data
    bias, lower, upper, _ = limits_from_summary(
        n=85,
        bias=held["bias"],
        sd=sqrt(held["var_diff_of_means"]),
        within=(held["var_within_J"], held["var_within_S"]),
        replicates=(held["m"], held["m"]),
    )
    single = (upper.value - bias.value) / 1.959964
    return {"sd_single": single, "loa_lo": lower.value, "loa_hi": upper.value}


@computes("ba_1999_bp_summary", by="truechange.reliability.agreement.limits_from_summary")
def _pressure(case: Case) -> Numbers:
    bias, lower, upper, _ = limits_from_summary(
        n=case.data["n"], bias=case.data["bias"], sd=case.data["sd"], method="approximate"
    )
    found = {"loa_lo": lower.value, "loa_hi": upper.value, "bias_lo": bias.low, "bias_hi": bias.high}
    found |= {"loa_lo_ci_lo": lower.low, "loa_lo_ci_hi": lower.high}
    return found | {"loa_hi_ci_lo": upper.low, "loa_hi_ci_hi": upper.high}


@computes("ba_giavarina_2015", by="tc.limits_of_agreement")
def _giavarina(case: Case) -> Numbers:
    found = tc.limits_of_agreement(case.data["A"], case.data["B"])
    sd = (found.upper.value - found.bias.value) / 1.959964
    return {"bias": found.bias.value, "sd": sd, "loa_lo": found.lower.value, "loa_hi": found.upper.value}


def _pair_factors(n: int, confidence: float) -> tuple[float, float]:
    """Read the factors of the pair off the intervals of made-up differences with mean 0 and SD 1."""
    _, _, upper, _ = limits_from_summary(n=n, bias=0.0, sd=1.0, confidence=confidence, method="pair")
    return upper.low, upper.high


@computes("ba_carkeet_2015_factors", by="truechange.reliability.agreement.limits_from_summary")
def _carkeet(case: Case) -> Numbers:
    found: dict[str, float] = {}
    for df in case.data["df"]:
        for tail, confidence in ((0.025, 0.95), (0.05, 0.90)):
            low, high = _pair_factors(df + 1, confidence)
            found |= {f"v{df}_{tail:g}": low, f"v{df}_{1 - tail:g}": high}
    return found


@computes("loa_factors", "r_limit_factors", by="truechange.reliability.agreement.limit_factors")
def _factors(case: Case) -> Numbers:
    found: dict[str, float] = {}
    for n in case.data["n"]:
        one, pair = limit_factors(n, 0.95, "exact"), limit_factors(n, 0.95, "pair")
        found |= {f"n{n}_one_low": one[0], f"n{n}_one_high": one[1], f"n{n}_pair_low": pair[0]}
        found |= {f"n{n}_pair_high": pair[1], f"n{n} q0.025": one[0], f"n{n} q0.975": one[1]}
    return found


@computes("nist_norris", by="tc.limits_of_agreement (slope of difference on mean)")
def _norris(case: Case) -> Numbers:
    x, y = np.array(case.data["x"]), np.array(case.data["y"])
    slope = tc.limits_of_agreement(x + y / 2, x - y / 2).proportional_bias  # difference y against mean x
    return {"B1": slope.value, "se_B1": (slope.high - slope.low) / (2 * _t(0.975, len(x) - 2))}


@computes("icc_gonio_eliasziw_1994", by="truechange.reliability.variance_components")
def _gonio(case: Case) -> Numbers:
    scores = np.array([[float(row[name]) for name in ("a1", "a2", "a3", "b1", "b2", "b3")] for row in case.rows])
    data = long(scores).assign(rater=lambda d: d["trial"] // 3)
    fit = variance_components(data, random=("person", "rater", "person:rater"), limits="monte-carlo", n_boot=10)
    person, rater, inter, error = (one.value for one in fit.variances.values())
    found = {"var_subject": person, "var_rater": rater, "var_inter": inter, "var_error": error}
    found |= {"MS_error": error, "MS_subj_x_rater": error + 3 * inter, "MS_raters": error + 3 * inter + 87 * rater}
    found["MS_subjects"] = error + 3 * inter + 6 * person
    between = {"rater": 1.0, "person:rater": 1.0, "residual": 1.0}
    found |= {"ICC_inter_random": fit.icc(between).value, "SEM_inter": fit.sem(between).value}
    found["ICC_intra_random"] = 1 - error / (person + rater + inter + error)
    return found | {"SEM_intra": fit.sem({"residual": 1.0}).value}


@computes("r_reml_complete", "r_reml_gaps", by="truechange.numerics.reml.fit_reml, tc.icc")
def _reml(case: Case) -> Numbers:
    people, trials = (np.array(case.data[name], dtype=np.intp) - 1 for name in ("person", "trial"))
    fit = fit_reml(Design([people, trials], np.ones((people.size, 1))), np.array(case.data["score"], dtype=float))
    person, trial, error = (float(one) for one in fit.variances)
    found = {"var_person": person, "var_trial": trial, "var_error": error}
    if case.id == "r_reml_complete":  # public functions want ten people
        total = person + trial + error
        return found | {"ICC(A,1)": person / total, "ICC(C,1)": person / (person + error)}
    data = pd.DataFrame({"person": people, "trial": trials, "value": case.data["score"]})
    forms = ("ICC(A,1)", "ICC(C,1)")
    return found | {form: tc.icc(data, form=form, missing="reml").estimate.value for form in forms}


def spelled_out(counts: Any) -> tuple[Any, Any]:
    """Spell out a table of counts as two columns of ratings."""
    table = np.rint(np.asarray(counts, dtype=float)).astype(int)
    first, second = np.indices(table.shape)
    return np.repeat(first.ravel(), table.ravel()), np.repeat(second.ravel(), table.ravel())


@computes("kappa_cohen_1968", "kappa_irr_diagnoses", "r_kappa", by="tc.weighted_kappa")
def _kappa(case: Case) -> Numbers:
    if "file" in case.data:
        two = tc.weighted_kappa(*([row[name] for row in case.rows] for name in ("rater2", "rater3")), weights="none")
        return {"kappa_r2r3": two.value, "z_r2r3": two.z}
    counts = case.data.get("counts") or np.array(case.data["proportions"]) * case.data["n"]
    first, second = spelled_out(counts)
    found = {"kappa": tc.weighted_kappa(first, second, weights="none").value}
    if "disagreement_weights" in case.data:
        own = tc.weighted_kappa(first, second, weights=case.data["disagreement_weights"])
        return found | {"kappa_w": own.value}
    return found | {name: tc.weighted_kappa(first, second, weights=name).value for name in ("quadratic", "linear")}


@computes("cv_influentialpoints_pcv", by="tc.measurement_error")
def _duplicates(case: Case) -> Numbers:
    scores = np.column_stack([case.data["x1"], case.data["x2"]]).astype(float)
    sem = tc.measurement_error(long(scores)).sem_one_way.value
    return {"mean_s2": sem**2, "mean": scores.mean(), "cv_sd_over_mean_pct": 100 * sem / scores.mean()}
