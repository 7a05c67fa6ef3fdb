"""The calls written in the case files: they reach public functions, and a wrong one turns the case red."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import truechange as tc
from truechange.validation import run
from truechange.validation.cases import (
    HELPERS,
    at,
    case_ids,
    compute,
    load_case,
    long,
    made_up,
    resolved,
    spelled_out,
    table_with,
    worked,
)
from truechange.validation.run import DISAGREES, run_case


@pytest.mark.parametrize("case", [case for case in map(load_case, case_ids()) if case.ours], ids=lambda case: case.id)
def test_what_a_case_calls_is_there_and_what_it_reads_off_is_promised(case):
    for call in case.calls.values():
        called = call["call"]
        assert called.startswith("$") or ":" in called or called in HELPERS or called in tc.__all__
    assert set(case.ours) <= set(case.expected)
    assert not [key for key, item in case.expected.items() if (key in case.ours) == bool(item.left_out)]


def test_no_helper_stays_when_its_last_case_goes():
    assert {call["call"] for case in map(load_case, case_ids()) for call in case.calls.values()} >= set(HELPERS)


def test_a_path_walks_keys_columns_rows_places_attributes_and_methods():
    frame = pd.DataFrame({"low": [1.0, 2.0]}, index=["a b", "ICC(A,1)"])
    scope = {"table": frame, "one": tc.Estimate(value=3.0, low=2.0, high=4.0), "list": [[5, 6], [7, 8]], "text": "abc"}
    assert at("table/ICC(A,1)/low", scope) == at("table/low/ICC(A,1)", scope) == 2.0
    assert at("one/high", scope) == 4.0
    assert at("list/1/0", scope) == 7
    assert at("text/upper()", scope) == "ABC"
    assert resolved(["$list/0/1", 9, "plain", ["$one/low"]], scope) == [6, 9, "plain", [2.0]]
    with pytest.raises(KeyError, match="nowhere"):
        at("nowhere/low", scope)


def test_a_wrong_call_or_path_turns_the_case_red(monkeypatch):
    case = load_case("error_only_share")
    for wrong, words in (
        (replace(case, ours={"share": "error/nothing"}), "has no 'nothing'"),
        (replace(case, calls={"error": {"call": "no_such_function"}}), "no attribute 'no_such_function'"),
    ):
        monkeypatch.setattr(run, "load_case", lambda _, wrong=wrong: wrong)
        (check,) = run_case("error_only_share")
        assert (check.verdict, words in check.reason) == (DISAGREES, True)
    wrong = replace(case, data={**case.data, "sem": 1.5})
    assert not case.expected["share"].agrees(compute(wrong)["share"])


def test_made_up_numbers_have_what_is_asked_of_them():
    values = made_up(17, 3.0, 2.0)
    assert (values.mean(), values.std(ddof=1)) == (pytest.approx(3.0), pytest.approx(2.0))
    squares = tc.icc(long(table_with(12, 3, 40.0, 5.0)), form="ICC(C,1)").mean_squares
    assert (squares.persons, squares.error) == (pytest.approx(40.0), pytest.approx(5.0))
    first, second = spelled_out([[2, 0], [1, 3]])
    assert np.column_stack([first, second]).tolist() == [[0, 0], [0, 0], [1, 0], [1, 1], [1, 1], [1, 1]]
    assert worked([4.0, 9.0], minus=0, power=0.5).tolist() == [2.0, 3.0]
    assert worked(7, minus=1, times=2, over=3) == 4.0
