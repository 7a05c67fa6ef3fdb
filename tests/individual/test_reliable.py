"""The reliable-change family against published and recomputed examples (sources in the case files)."""

import math

import pytest

import truechange as tc


def test_what_cannot_be_computed_is_there_with_its_reason():
    family = tc.reliable_change(9, 13, sem=1.0)
    assert len(family) == 6
    assert family.loc["regression_based", "note"] == "needs an untreated retest sample of at least 3 people"
    assert math.isnan(family.loc["regression_based", "statistic"])
    assert tc.reliable_change(9, 13, sem=0.0).loc["jacobson_truax", "note"] == "the standard error is 0"
    noise = tc.reliable_change(9, 13, sem=3.0, programme=tc.Programme(11, 13, 3, 3, 0.9, 50)).loc["hageman_arrindell"]
    assert "no more than measurement error" in noise["note"]
    few, group = tc.Programme(11, 11.3, 3.2, 3.2, 0.9, 29), tc.Programme(11, 13, 3.2, 3.4, 0.8, 200)
    worked = tc.reliable_change(9, 13, sem=1.0, practice=0.3, retest=few, programme=group)
    assert worked.loc["regression_based", "note"] == "from 29 people; at least 30 are advised"
    assert worked["beyond_error"].all()


def test_the_family_takes_the_same_error_as_the_verdict():
    given = tc.reliable_change(9, 13, sem=tc.Estimate(value=1.0, df=29))
    assert given.loc["jacobson_truax", "statistic"] == pytest.approx(4 / 2**0.5)


def test_the_sign_follows_the_direction_of_the_test():
    up, down = (
        tc.reliable_change(9, 13, sem=1, sem_after=2, practice=0.5),
        tc.reliable_change(13, 9, sem=1, sem_after=2, practice=0.5, better="lower"),
    )
    assert (up["statistic"].dropna() == down["statistic"].dropna()).all()
    assert up.loc["unequal_error", "standard_error"] == pytest.approx(math.sqrt(5))
