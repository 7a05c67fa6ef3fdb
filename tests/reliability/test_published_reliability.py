"""Printed numbers about reliability by other ways than the calls of their cases, which tests/validation makes.

The cases (source, DOI, status, printed digits beside each number) are the files
in the validation room; tolerance is half of the last printed digit unless a case says why not.
"""

import numpy as np
import pandas as pd
import pytest

import truechange as tc
from truechange.numerics.mean_squares import icc_values, mean_squares
from truechange.reliability import variance_components
from truechange.validation.cases import load_case, long, made_up


# Source: Bland & Altman 1999, section 5.1 (printed): limits from means of three replicates.
def test_limits_from_replicates():
    case = load_case("ba_1999_repeated")
    m, middle = case.data["m"], made_up(85, case.data["bias"], case.data["var_diff_of_means"] ** 0.5)
    apart = np.arange(m) - (m - 1) / 2
    apart /= apart.std(ddof=1)
    first, second = (apart * case.data[f"var_within_{observer}"] ** 0.5 for observer in "JS")
    found = tc.limits_of_agreement(middle[:, None] + first, np.zeros((85, 1)) + second)
    assert case.expected["sd_single"].agrees(found.sd)
    assert case.expected["loa_lo"].agrees(found.lower.value)
    assert case.expected["loa_hi"].agrees(found.upper.value)


# Source: Bland & Altman 1986, table 1 (printed): correction for repeated measurements, SD 37.7.
def test_peak_flow_with_both_readings():
    case = load_case("ba_pefr_1986")
    wright, mini = (np.column_stack([case.data[f"{name}{i}"] for i in (1, 2)]) for name in ("wright", "mini"))
    found = tc.limits_of_agreement(wright, mini)
    assert case.expected["sd_means"].agrees(np.std(found.differences, ddof=1))
    assert case.expected["sd_corrected"].agrees(found.sd)
    assert case.expected["r"].agrees(np.corrcoef(wright[:, 0], mini[:, 0])[0, 1])


# Source: a training page on the coefficient of variation (not peer reviewed): duplicate packed cell volumes.
def test_within_person_cv():
    case = load_case("cv_influentialpoints_pcv")
    pairs = np.column_stack([case.data["x1"], case.data["x2"]])
    sem = tc.measurement_error(long(pairs)).sem_one_way.value
    assert case.expected["mean_s2"].agrees(sem**2)
    assert case.expected["cv_sd_over_mean_pct"].agrees(100 * sem / pairs.mean())


# Source: Eliasziw et al. 1994, table 4 (data): two goniometers, three readings each; components recomputed (R lme4).
def test_goniometers():
    case = load_case("icc_gonio_eliasziw_1994")
    rows = pd.DataFrame(case.rows).astype(float).melt("subject", var_name="reading")
    rows = rows.assign(meter=rows["reading"].str[0], person=rows["subject"])
    fit = variance_components(rows, random=("person", "meter", "person:meter"), limits="monte-carlo")
    between = {"meter": 1.0, "person:meter": 1.0, "residual": 1.0}
    assert case.expected["SEM_intra"].agrees(fit.sem({"residual": 1}).value)
    assert case.expected["SEM_inter"].agrees(fit.sem(between).value)
    assert case.expected["ICC_inter_random"].agrees(fit.icc(between).value)
    same_meter = 1 - fit.fit.variances[-1] / fit.fit.variances.sum()
    assert case.expected["ICC_intra_random"].agrees(same_meter)


# Source: Cohen 1968, table 1 (printed): own disagreement weights.
def test_weighted_kappa_of_1968():
    case = load_case("kappa_cohen_1968")
    counts = np.round(np.array(case.data["proportions"]) * case.data["n"]).astype(int)
    first, second = (np.repeat(held.ravel(), counts.ravel()) for held in np.indices(counts.shape))
    own = tc.weighted_kappa(first, second, weights=case.data["disagreement_weights"])
    assert case.expected["kappa_w"].agrees(own.value)
    assert case.expected["kappa"].agrees(tc.weighted_kappa(first, second, weights="none").value)


# Source: Fleiss 1971 (data), output of a general reliability package for raters 2 and 3.
def test_kappa_of_two_psychiatrists():
    case = load_case("kappa_irr_diagnoses")
    second, third = ([row[f"rater{i}"] for row in case.rows] for i in (2, 3))
    found = tc.weighted_kappa(second, third, weights="none")
    assert case.expected["kappa_r2r3"].agrees(found.value)
    assert case.expected["z_r2r3"].agrees(found.z)


# Source: R 4.2.2, psych 2.2.9 (script tests/reference/make_reference.R).
def test_kappa_of_another_program():
    case = load_case("r_kappa")
    counts = np.array(case.data["counts"])
    first, second = (np.repeat(held.ravel(), counts.ravel()) for held in np.indices(counts.shape))
    for key, weights in (("kappa", "none"), ("linear", "linear"), ("quadratic", "quadratic")):
        assert case.expected[key].agrees(tc.weighted_kappa(first, second, weights=weights).value)


# Source: R 4.2.2, lme4 1.1-31: 14 people, 4 gaps.
@pytest.mark.parametrize("form", ["ICC(A,1)", "ICC(C,1)"])
def test_icc_with_gaps(form):
    case = load_case("r_reml_gaps")
    held = pd.DataFrame({key: case.data[key] for key in ("person", "trial", "score")})
    found = tc.icc(held, form=form, value="score", missing="reml")
    assert case.expected[form].agrees(found.estimate.value)
    assert found.mean_squares is None


# Source: McGraw & Wong 1996, table 4: the mean forms are the single ones stepped up.
def test_forms_on_the_published_table():
    ms = mean_squares(np.array(load_case("icc_shrout_fleiss_1979").data["ratings"], dtype=float))
    for single, mean in (("ICC(1)", "ICC(k)"), ("ICC(A,1)", "ICC(A,k)"), ("ICC(C,1)", "ICC(C,k)")):
        r = icc_values(ms, single)
        assert icc_values(ms, mean) == pytest.approx(4 * r / (1 + 3 * r))
