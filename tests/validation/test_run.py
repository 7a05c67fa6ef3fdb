"""Every case is run; the machinery can turn red, says why, and never passes over what is missing."""

import json
from dataclasses import replace
from functools import cache

import matplotlib.pyplot as plt
import pytest

from truechange.cli.main import main
from truechange.validation import run
from truechange.validation.cases import FOLDER, case_ids, load_case
from truechange.validation.run import (
    AGREES,
    DISAGREES,
    NOT_RUN,
    all_checks,
    checks_table,
    counts_table,
    digits_agreed,
    headline,
    page,
    run_case,
    tally,
)

WORK = dict(all_checks())


@cache
def results(name):
    return tuple(WORK[name]())


@pytest.mark.parametrize("name", sorted(WORK))
def test_every_number_agrees_or_says_why_it_was_not_run(name):
    open_before = plt.get_fignums()
    checks = results(name)
    assert plt.get_fignums() == open_before, "a notebook would show a picture left open"
    for check in checks:
        assert check.verdict != DISAGREES, f"{check.name}: printed {check.printed}, ours {check.ours}; {check.reason}"
        assert check.verdict == AGREES or check.reason


def test_there_are_enough_checks_of_each_kind():
    checks = [check for name in WORK for check in results(name)]
    assert tally(checks)[AGREES] >= 100
    by_kind = {came: tally(c for c in checks if c.came == came)[AGREES] for came in ("printed table", "certified file")}
    assert min(by_kind.values()) >= 50


@pytest.mark.parametrize(("printed", "ours", "digits"), [
    ("0.29", 0.289764, 2), ("0.29", 0.2949, 2), ("0.29", 0.2951, 1), ("-0.13", 0.13, 0), ("9.0", 9.04, 2),
    ("2.10000000000000E+01", 21.0, 15), ("0.0000", 0.00004, 4), ("120", 120.4, 3), ("1", float("nan"), 0)])  # fmt: skip
def test_digits_agreed_are_counted_by_rounding(printed, ours, digits):
    assert digits_agreed(printed, ours) == digits


# Source: NIST Statistical Reference Datasets (certified files). A double holds about 16 digits, and the data spend 3, 7
# or 13 of them on a constant: 13, 9 or 3 can be left of the spread.
DIGITS = {12: "sirstv smls01 smls02 smls03", 9: "atmwtag smls04 smls05 smls06 norris", 3: "smls07 smls08 smls09"}


@pytest.mark.parametrize("digits", DIGITS)
def test_certified_sets_are_met_to_the_digits_that_doubles_hold(digits):
    for name in DIGITS[digits].split():
        assert min(check.digits for check in run_case(f"nist_{name}") if check.verdict == AGREES) >= digits, name


def test_a_wrong_number_turns_the_check_and_the_command_red(monkeypatch, tmp_path, capsys):
    name = "icc_shrout_fleiss_1979"
    wrong = replace(load_case(name), expected={"BMS": replace(load_case(name).expected["BMS"], value=11.3)})
    monkeypatch.setattr(run, "load_case", lambda _: wrong)
    assert [check.verdict for check in run_case(name)] == [DISAGREES]
    monkeypatch.setattr(run, "case_ids", lambda: (name,))
    command = ["validate", "--only", "shrout", "--out", str(tmp_path / "new" / "page.html")]
    assert main(command) == 1
    said = capsys.readouterr().out
    assert "disagrees" in said
    assert "1 disagree" in said
    assert "Disagreements" in (tmp_path / "new" / "page.html").read_text(encoding="utf-8")


def test_a_check_that_breaks_is_red_and_names_the_error(monkeypatch):
    def broken(_case):
        raise ZeroDivisionError("by nobody")

    monkeypatch.setattr(run, "compute", broken)
    found = run_case("icc_weir_2005_A")
    assert {check.verdict for check in found} == {DISAGREES}
    assert "ZeroDivisionError: by nobody" in found[0].reason


def test_a_number_that_nobody_computes_needs_a_reason(monkeypatch):
    monkeypatch.setattr(run, "compute", lambda _case: {})
    found = {check.name: check for check in run_case("icc_weir_2005_A")}
    assert found["SEM"].verdict == DISAGREES
    assert "left out" in found["SEM"].reason


def test_a_missing_library_is_said_and_never_counted_as_agreement(monkeypatch):
    def without(_case):
        raise ModuleNotFoundError("No module named 'statsmodels'", name="statsmodels")

    monkeypatch.setattr(run, "compute", without)
    check = run_case("icc_weir_2005_A")[0]
    assert check.verdict == NOT_RUN
    assert check.reason == "not installed: No module named 'statsmodels'"


def test_the_command_prints_json_for_another_program(tmp_path, capsys):
    out = tmp_path / "page.html"
    assert main(["validate", "--only", "newcombe_1998a", "--json", "--out", str(out)]) == 0
    told = json.loads(capsys.readouterr().out)
    first = told["checks"][0]
    assert {"source", "printed", "ours", "digits", "verdict", "came"} <= set(first)
    assert first["came"] == "printed table"
    assert told["headline"].startswith("8 of 8 checks agree")


def test_the_page_shows_what_came_from_memory_and_escapes_what_it_is_given():
    checks = [*run_case("ttest_sleep"), *run_case("prop_newcombe_1998a")]
    strange = replace(checks[0], name="<b>x</b>")
    text = page([strange, *checks])
    assert "[from memory]" in text
    assert "<b>x" not in text
    assert "http" not in text.replace("https://", "").replace("http-equiv", "")
    table = checks_table(checks)
    assert set(table["came"]) == {"from memory", "printed table"}
    assert "checks agree" in headline(checks)


def test_the_first_line_says_what_kind_each_check_is_and_counts_another_librarys_apart():
    names = ("spc_constants", "nist_sirstv", "r_fisher", "ttest_sleep", "prop_worked", "nist_longley")
    checks = [check for name in names for check in results(name)]
    line = headline(checks)
    for count, kind in ((2, "printed"), (5, "certified"), (2, "other program"), (12, "own identity")):
        assert f"{count} {kind}" in line
    assert "printed but only remembered" in line
    assert ". 6 more hold for a library that this one builds on. " in line
    assert sum(check.elsewhere for check in checks) == 6 == counts_table(checks)["agrees"].iloc[-1]
    assert headline(list(results("nist_longley"))).startswith("0 of 0 checks agree")


def test_case_ids_are_unique_and_every_data_file_is_used():
    tables = {path.name for path in FOLDER.glob("*.csv")}
    used = {load_case(name).data["file"] for name in case_ids() if "file" in load_case(name).data}
    assert tables == used
