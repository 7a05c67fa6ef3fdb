"""The reliability job on data that nobody here invented: knee angles of 29 people, two goniometers, three readings.

Data: Eliasziw M, Young SL, Woodbury MG, Fryday-Field K (1994). Physical Therapy 74(8):777-788, table 4, as carried
by the registry package pyirr (0.84.1.2, GPL-3; its data example, taken from the R package irr, GPL-2 or later). The
numbers are facts of the paper, kept in the validation room.
"""

import numpy as np
import pandas as pd
import pytest

import truechange as tc
from truechange.validation.cases import load_case


@pytest.fixture(scope="module")
def angles():
    held = pd.DataFrame(load_case("icc_gonio_eliasziw_1994").rows).astype(float)
    long = held.melt("subject", var_name="reading", value_name="value").rename(columns={"subject": "person"})
    return long.assign(meter=long["reading"].str[0], trial=long["reading"].str[1].astype(int))


def test_the_data_are_whole(angles):
    assert len(angles) == 29 * 6
    assert angles["value"].notna().all()
    assert angles["value"].between(-20, 25).all()


def test_readings_of_one_goniometer_repeat_within_a_degree_or_so(angles):
    one = tc.measurement_error(angles.query("meter == 'a'"), unit="degrees", error="consistency")
    assert 0.5 < one.sem.value < 1.5
    assert one.sem.df == 56
    assert one.mdc95.value == pytest.approx(1.959964 * np.sqrt(2) * one.sem.value)


def test_two_goniometers_differ_by_more_than_two_readings_of_one(angles):
    case = load_case("icc_gonio_eliasziw_1994")
    both = tc.measurement_error(angles, session="meter", unit="degrees")
    # recomputed without an effect of the reading; ours takes out the order of readings, which moves it by 0.1%
    assert both.sem_agreement.value == pytest.approx(case.expected["SEM_inter"].value, rel=0.005)
    assert case.expected["SEM_intra"].value == pytest.approx(both.components.sem({"residual": 1}).value, rel=0.02)
    assert both.sem_agreement.value > 1.5 * both.components.sem({"residual": 1}).value


def test_the_shift_between_the_goniometers_is_seen(angles):
    first, second = (angles.query("meter == @m").pivot(index="person", columns="trial", values="value") for m in "ab")  # noqa: PD010
    limits = tc.limits_of_agreement(first, second, unit="degrees")
    assert limits.bias.low > 0  # the first goniometer reads higher
    assert limits.n == 29
    single = tc.limits_of_agreement(first[1], second[1], unit="degrees")
    assert single.lower.value < limits.bias.value < single.upper.value


def test_icc_is_high_because_people_differ_widely(angles):
    table = tc.icc_table(angles.query("trial == 1"), trial="meter")
    assert (table["estimate"] > 0.9).all()
    assert table.loc["ICC(A,1)", "estimate"] < table.loc["ICC(C,1)", "estimate"]


def test_lost_readings_change_little(angles):
    rng = np.random.default_rng(3)
    kept = angles[rng.random(len(angles)) > 0.1]
    whole, part = (tc.measurement_error(held, session="meter", missing="reml") for held in (angles, kept))
    assert part.sem.value == pytest.approx(whole.sem.value, rel=0.15)
    assert any("lack a score" in caution for caution in part.cautions)


def test_angles_below_zero_have_no_log_scale(angles):
    with pytest.raises(tc.RefusedError, match="0 or less"):
        tc.measurement_error(angles.query("meter == 'a'")).on_log_scale()
