"""Two shares compared; the number needed to treat."""

import math

import pytest

import truechange as tc


def test_nobody_and_everybody():
    none, every = tc.compare_responders(0, 10, 0, 12), tc.compare_responders(10, 10, 12, 12)
    assert math.isnan(none.risk_ratio.value)
    assert math.isnan(none.odds_ratio.value)
    assert every.risk_ratio.value == 1
    assert none.number_needed_to_treat.value == math.inf
    assert none.number_needed_to_treat.through_infinity
    assert none.p_value == pytest.approx(1)
    assert none.p_score == 1
    assert every.risk_ratio.low < 1 < every.risk_ratio.high


def test_table_and_picture():
    found = tc.compare_responders(3, 5, 1, 6)
    assert {"difference", "number needed to treat"} <= set(found.table()["quantity"])
    assert found.plot().get_xlabel()
    assert found.alt
