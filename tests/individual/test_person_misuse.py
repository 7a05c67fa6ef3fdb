"""What a therapist may type by mistake is named and refused; nothing is taken silently."""

import numpy as np
import pandas as pd
import pytest

import truechange as tc


def test_the_family_takes_the_same_error_as_the_verdict():
    given = tc.reliable_change(9, 13, sem=tc.Estimate(value=1.0, df=29))
    assert given.loc["jacobson_truax", "statistic"] == pytest.approx(4 / 2**0.5)


@pytest.mark.parametrize("sem", [None, "x"])
def test_an_error_that_is_no_number_is_named(sem):
    with pytest.raises(tc.ChoiceError, match="sem="):
        tc.reliable_change(9, 13, sem=sem)


def test_an_mdc_is_not_an_error():
    mdc = tc.Threshold(value=2.8, kind="mdc")
    with pytest.raises(tc.RefusedError, match="MDC"):
        tc.reliable_change(9, 13, sem=mdc)


def test_an_error_in_another_unit_is_refused():
    with pytest.raises(tc.RefusedError, match="in s"):
        tc.person_change(9, 13, sem=tc.Estimate(value=1, unit="s", df=29), mcid=2, measure="chair_stand_30s")


def test_a_group_in_which_nobody_differs_is_refused():
    with pytest.raises(tc.ChoiceError, match="exactly the same"):
        tc.Programme(11, 13, 3.2, 3.2, 1.0, 200)


@pytest.mark.parametrize("wrong", [{"mcid": None}, {"mcid": "a"}, {"sem": "x"}, {"practice": "x"}])
def test_words_for_numbers_are_named(wrong):
    with pytest.raises(tc.ChoiceError, match=next(iter(wrong))):
        tc.person_change(9, 13, **({"sem": 1.0, "mcid": 2.0} | wrong))


@pytest.mark.parametrize("several", [[9, 10], np.array([9.0, 10.0]), pd.Series([9, 10], index=[4, 7])])
def test_several_scores_of_one_stage_come_in_any_sequence(several):
    assert tc.person_change(several, 13, sem=1.0, mcid=2.0).before == pytest.approx(9.5)


def test_columns_of_different_length_are_named():
    with pytest.raises(tc.DataError, match="differ in length"):
        tc.visits({"day": [0, 7, 8], "score": [9, 13]}, sem=1.0, mcid=2.0)


def test_no_caution_is_said_twice():
    cautions = tc.person_change(0, 0, sem=1.0, mcid=2.0, measure="chair_stand_30s").cautions
    assert len(set(cautions)) == len(cautions)


def test_where_a_number_comes_from_is_minded_first():
    published = tc.published_threshold("chair_stand_30s", "mic", citation="Mostafaee")
    found = tc.person_change(9, 13, sem=1.0, mcid=published, measure="chair_stand_30s")
    places = [number for number, text in enumerate(found.cautions) if "Mostafaee" in text]
    generic = [number for number, text in enumerate(found.cautions) if "not proof" in text]
    assert places[0] < generic[0]
