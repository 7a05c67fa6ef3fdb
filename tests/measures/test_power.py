"""Power worked out from stands and stairs, against the published equation and its recomputed consequences."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import truechange as tc
from truechange.measures import catalogue

GRAVITY = 9.81


@pytest.mark.parametrize(("height", "printed"), [(1.55, 0.20), (1.75, 0.26)])
def test_one_stand_is_worth_0_20_to_0_26_watts_a_kilogram(height, printed):
    # Source: recomputed from the equation, seat 0.43 m, tolerance half of the last digit
    assert tc.sit_to_stand_power(1.0, height, 0.43, 1, 30) == pytest.approx(printed, abs=0.005)


@settings(derandomize=True, deadline=None)
@given(
    mass=st.floats(40, 150),
    height=st.floats(1.4, 2.0),
    seat=st.floats(0.3, 0.6),
    stands=st.integers(1, 40),
)
def test_power_is_the_energy_of_rising_over_half_the_time(mass, height, seat, stands):
    power = tc.sit_to_stand_power(mass, height, seat, stands, 30)
    energy = 0.9 * mass * GRAVITY * (height / 2 - seat) * stands
    assert power == pytest.approx(energy / 15, rel=1e-12)
    assert tc.sit_to_stand_power(2 * mass, height, seat, stands, 30) == pytest.approx(2 * power)
    assert tc.sit_to_stand_power(mass, height, seat, 5, 30 * 5 / stands) == pytest.approx(power)


def test_stair_power_is_weight_times_speed_upwards():
    # physics: 100 kg lifted 1.8 m in 9.81 s is 180 W
    assert tc.stair_power(100, 1.8, 9.81) == pytest.approx(180)


def test_ordinary_people_land_inside_the_soft_bounds():
    facts = catalogue()["sit_to_stand_power"]
    assert facts.soft_low < tc.sit_to_stand_power(75, 1.70, 0.43, 12, 30) / 75 < facts.soft_high
