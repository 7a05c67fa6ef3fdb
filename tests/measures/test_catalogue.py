"""The catalogue: facts that hang together, and direction in one place only."""

import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import truechange as tc
from truechange.measures.catalogue import OWN, catalogue

SCORES = st.floats(0.1, 200, allow_nan=False)
ALL = [test for test in catalogue().values() if test.key not in OWN]  # another file may have declared its own


@pytest.mark.parametrize("test", ALL, ids=lambda test: test.key)
def test_bounds_are_ordered_and_cautions_given(test):
    assert test.hard_low <= test.soft_low < test.soft_high <= test.hard_high
    assert 0 < test.resolution < test.soft_high - test.soft_low
    assert test.reading
    assert test.safety or test.key == "rating_of_change"
    assert set(test.tolerances) <= set(test.protocol)


def test_the_catalogue_holds_every_test_a_clinic_was_promised():
    promised = (
        "chair_stand_30s sit_to_stand_5 timed_up_and_go walk_40m_fast stair_climb walk_6min gait_speed_usual pain_0_10 "
        "lowest_seat_height sit_to_stand_power stair_power rating_of_change single_leg_stance leg_press_power "
        "knee_extensor_strength"
    )
    table = tc.list_measures()
    assert set(promised.split()) <= set(table.index)
    assert {"unit", "better", "hard_low", "hard_high", "soft_low", "soft_high", "resolution"} <= set(table.columns)
    assert set(tc.published()["measure"]) == set(table.index)


@pytest.mark.parametrize(
    ("key", "direction"),
    # common practice, no source: which way each test points
    [("chair_stand_30s", "higher"), ("sit_to_stand_5", "lower"), ("timed_up_and_go", "lower"),
     ("walk_40m_fast", "higher"), ("stair_climb", "lower"), ("walk_6min", "higher"), ("lowest_seat_height", "lower"),
     ("pain_0_10", "lower"), ("rating_of_change", "higher")],
)  # fmt: skip
def test_direction(key, direction):
    assert tc.measure(key).better == direction


@pytest.mark.parametrize("test", ALL, ids=lambda test: test.key)
@settings(derandomize=True, deadline=None, max_examples=20)
@given(before=SCORES, after=SCORES)
def test_improvement_is_positive_exactly_when_the_score_moved_the_better_way(test, before, after):
    gained = after > before if test.better == "higher" else after < before
    assert (test.improvement(before, after) > 0) == gained
    assert test.improvement(before, after) == -test.improvement(after, before)


def test_improvement_keeps_arrays_and_series():
    walk = tc.measure("timed_up_and_go")
    before, after = np.array([12.0, 9.0]), np.array([10.0, 9.5])
    np.testing.assert_allclose(walk.improvement(before, after), [2.0, -0.5])
    people = pd.Index(["P001", "P002"])
    assert walk.improvement(pd.Series(before, people), pd.Series(after, people)).index.equals(people)


def test_a_measure_of_ones_own_is_handed_back():
    own = tc.measure("walk_6min")
    assert tc.measure(own) is own


def test_the_fast_path_loads_neither_numpy_nor_pandas():
    code = (
        "import sys; from truechange.measures.catalogue import measure;"
        "from truechange.measures.literature import published_rows, published_threshold, references;"
        "measure('walk_6min').improvement(400, 430); published_rows();"
        "published_threshold('chair_stand_30s', 'mic', citation='Mostafaee');"
        "references('chair_stand_30s', age=70, sex='male');"
        "print(*({'numpy', 'pandas', 'scipy', 'matplotlib'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.stdout + done.stderr).strip() == ""
