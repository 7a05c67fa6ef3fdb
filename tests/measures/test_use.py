"""Every published value has a use that follows from rules; rows that condemn themselves are used on nobody."""

from statistics import median

import pytest

import truechange as tc
from truechange.individual.norms import offers
from truechange.measures.literature import KINDS, MEMORY, published_rows, with_uses

ROWS = published_rows()
RAW = [{name: cell for name, cell in row.items() if name not in ("use", "why_not")} for row in ROWS]
GOOD = next(row for row in RAW if row["quantity"] == "mic" and row["citation"].startswith("Mostafaee"))
Z = {"sem": 1.0, "mdc95": 2.7718, "mdc90": 2.3262}  # 1.959964 and 1.644854 times the root of 2


def study(row):
    return row["measure"], row["citation"].split(" et al")[0], row["population"], row["interval"]


def implied_sd(row):
    scale = {"mm": 0.1, "cm (VAS)": 1.0, tc.measure(row["measure"]).unit: 1.0}.get(row["unit"])
    iccs = [float(other["value"]) for other in RAW if other["quantity"] == "icc" and study(other) == study(row)]
    if row["quantity"] not in Z or not iccs or scale is None:
        return None
    return float(row["value"]) * scale / Z[row["quantity"]] / (1 - median(iccs)) ** 0.5


def expected(row):
    """Say again, in one's own words, whom a row may be used on."""
    if row["quantity"] not in (*Z, "mic"):
        return "comparison"
    known = [(study(other)[:3], implied_sd(other)) for other in RAW if other["measure"] == row["measure"]]
    others = [sd for who, sd in known if sd and who != study(row)[:3]]
    sd, test = implied_sd(row), tc.measure(row["measure"])
    bad = [
        bool(row["kind"] or row["doubt"]) or row["status"] == "from memory",
        row["quantity"] != "sem" and row["unit"] == test.unit and float(row["value"]) < test.resolution,
        row["unit"].endswith("(VAS)") and float(row["value"]) < test.resolution,
        bool(row["ci_low"]) and float(row["ci_low"]) <= 0 <= float(row["ci_high"]),
        bool(sd and len(others) >= 2 and not 0.25 <= sd / median(others) <= 4),
    ]
    return "none" if any(bad) else "group" if row["level"] == "group" else "person"


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['measure']}-{row['quantity']}-{row['value']}")
def test_the_use_of_every_row_follows_from_the_rules(row):
    assert row["use"] == expected(row)
    assert (row["why_not"] != "") == (row["use"] == "none")
    assert row["kind"] in ("", *KINDS)


# Source: rows an independent reader named as condemning themselves, by their own notes and figures
CONDEMNED = [
    ("chair_stand_30s", "mdc95", "0.96"), ("stair_climb", "mic", "2.3"), ("walk_40m_fast", "mdc95", "0.13"),
    ("pain_0_10", "mic", "4.15"), ("pain_0_10", "mic", "2.16"), ("knee_extensor_strength", "mic", "30"),
    ("pain_0_10", "mic", "1.75"), ("sit_to_stand_power", "mic", "0.33"), ("sit_to_stand_power", "mic", "0.42"),
    ("stair_climb", "mdc95", "0.102"), ("pain_0_10", "mdc95", "0.08"), ("stair_climb", "mic", "3.21"),
]  # fmt: skip


@pytest.mark.parametrize(("test", "quantity", "value"), CONDEMNED)
def test_a_row_that_condemns_itself_is_used_on_nobody_and_says_why(test, quantity, value):
    (row,) = (row for row in ROWS if (row["measure"], row["quantity"], row["value"]) == (test, quantity, value))
    assert row["use"] == "none"
    with pytest.raises(tc.RefusedError, match=r"may not be used|memory"):
        tc.published_threshold(test, quantity, citation=row["citation"], value=float(value))
    check = tc.transport_check(row)
    assert check.verdict == ("doubtful" if row["why_not"] == MEMORY else "do not use")
    assert row["why_not"] == MEMORY or any(row["why_not"] in reason for reason in check.reasons)


def test_what_is_offered_for_a_person_or_a_programme_is_fit_for_one_person():
    offered = {
        (test, one.key) for test in tc.list_measures().index for what in ("sem", "mcid") for one in offers(test, what)
    }
    fit = {(r["measure"], f"{r['citation']} | {r['value']} {r['unit']}") for r in ROWS if r["use"] == "person"}
    assert offered
    assert offered <= fit


AGAINST = {
    "MAJOR": "large", "much-improved threshold": "large", "adopted": "adopted", "origin not seen": "quoted",
    "a conversion": "converted", "cross-sectional": "cross-sectional", "10 m, not 40 m": "another test's",
}  # fmt: skip


@pytest.mark.parametrize("words", AGAINST)
def test_the_kind_is_what_the_note_says(words):
    noted = [row for row in ROWS if row["quantity"] in (*Z, "mic") and words in row["note"]]
    assert noted
    assert {row["kind"] for row in noted} == {AGAINST[words]}


@pytest.mark.parametrize(("planted", "reason"), [
    ({}, ""), ({"level": "group"}, ""), ({"level": ""}, "not said"), ({"value": "0"}, "not above zero"),
    ({"value": "0.5"}, "below one whole step"), ({"value": "2.5", "ci_low": "-0.1", "ci_high": "5"}, "includes zero"),
    ({"status": "from memory"}, "from memory"),
    ({"doubt": "their seats were of all heights"}, "seats were of all heights"),
    *(({"kind": kind}, words) for kind, words in KINDS.items())])  # fmt: skip
def test_a_planted_row_is_refused_with_its_reason(planted, reason):
    (*_, row) = with_uses([*RAW, GOOD | planted])
    assert reason in row["why_not"]
    assert row["use"] == ("none" if reason else planted.get("level", "person"))


@pytest.mark.parametrize(
    ("sem", "icc", "fits"),
    # other studies of this test imply SDs of 2.9 to 5.3 stands, 1.2 in one
    [("0.9", "0.95", True), ("0.9", "0.9995", False), ("9", "0.95", False), ("0.05", "0.9", False)],
)
def test_an_error_that_its_icc_makes_impossible_is_refused(sem, icc, fits):
    new = {**GOOD, "citation": "Nobody et al 2026", "kind": "", "level": ""}
    (*_, row) = with_uses([*RAW, {**new, "quantity": "icc", "value": icc}, {**new, "quantity": "sem", "value": sem}])
    assert (row["use"] == "person") == fits
    assert fits or "means an SD of" in row["why_not"]


def test_the_reason_is_printed_with_the_value(capsys):
    from truechange.cli.main import main

    assert main(["measures", "stair_climb", "--published", "mic"]) == 0
    assert "not used: its interval includes zero: not established" in capsys.readouterr().out
