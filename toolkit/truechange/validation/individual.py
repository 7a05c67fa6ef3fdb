"""How the cases about one person are recomputed through the public functions, and independent routes to them."""

from math import sqrt

import numpy as np

import truechange as tc
from truechange.individual import norm_position, predict_retest, recovery_cutoffs
from truechange.validation.cases import Case, Numbers, computes

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
