"""The quarter by commands alone: periods, targets, the clinic's own file, saved counts, the worklist."""

import json
from pathlib import Path

import pandas as pd
import pytest
from openpyxl import load_workbook

from truechange.cli.main import main

DATA = Path(__file__).parents[2] / "data_synthetic"
SETTINGS = """
[clinic]
name = "North clinic"
author = "The lead"
[targets]
tested = 0.85
[measures.chair_stand_30s]
mcid = { value = 2.0, low = 1.5, high = 2.5, n = 150 }
"""


def run(folder, *words):
    return main(["audit", str(folder / "clinic"), "--measures", "chair_stand_30s", "--programme", "leg power",
                 "--resamples", "50", *words])  # fmt: skip


def copied(place, *names):
    (place / "clinic").mkdir()
    for name in names:
        (place / "clinic" / f"{name}.csv").write_bytes((DATA / f"{name}.csv").read_bytes())


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("quarter")
    copied(place, "people", "assessments", "ratings")
    (place / "retest.csv").write_bytes((DATA / "retest.csv").read_bytes())
    (place / "clinic.toml").write_text(SETTINGS, encoding="utf-8")
    return place


def test_one_quarter_with_the_clinics_own_file(folder, capsys, tmp_path):
    words = ("--from", "2025-04-01", "--to", "2025-06-30", "--retest", str(folder / "retest.csv"))
    assert run(folder, *words, "--target", "changed_enough=50%", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["scope"].startswith("North clinic · leg power compared with waiting list · people who started from")
    targets = {row["standard"]: row for row in told["tables"]["targets"]}
    assert targets["tested again"]["target"] == 0.85
    assert targets["changed enough"]["target"] == 0.5
    known = {row["quantity"]: row for row in told["tables"]["error and importance"]}
    assert known["MCID"]["estimate"] == 2.0
    assert known["SEM"]["origin"].startswith("own data")
    assert {row["period"] for row in told["tables"]["periods"]} == {"2025 Q1", "2025 Q2", "2025 Q3 to 2025 Q4"}
    assert told["stamp"]["clinic"] == "North clinic"


def test_a_clinic_file_that_holds_words_alone_is_no_obstacle(folder, capsys, tmp_path):
    copied(tmp_path, "people", "assessments")
    (tmp_path / "clinic.toml").write_text('[labels]\nsite = { "North" = "North" }\n', encoding="utf-8")
    assert run(tmp_path) == 0
    capsys.readouterr()


def test_the_next_audit_goes_on_from_the_saved_counts(folder, capsys, tmp_path):
    out = tmp_path / "out"
    assert run(folder, "--out", str(out)) == 0
    kept = pd.read_csv(out / "counts.csv")
    assert "person" not in kept
    assert not list(out.glob("*work*"))  # a worklist is written when it is asked for
    kept["period"] = kept["period"].str.replace("2025", "2024")
    kept.to_csv(out / "counts.csv", index=False)
    assert run(folder, "--out", str(out)) == 0
    periods = pd.read_csv(out / "counts.csv")["period"].tolist()
    assert periods == ["2024 Q1", "2024 Q2", "2024 Q3 to 2024 Q4", "2025 Q1", "2025 Q2", "2025 Q3 to 2025 Q4"]
    capsys.readouterr()


def test_the_worklist_is_written_when_asked_and_holds_codes_only(folder, capsys, tmp_path):
    assert run(folder, "--worklist", str(tmp_path / "inside")) == 0
    assert "inside the clinic only" in capsys.readouterr().out
    rows = list(load_workbook(tmp_path / "inside" / "worklist.xlsx").active.iter_rows(values_only=True))
    assert rows[0] == ("person", "test", "what", "since", "detail", "therapist")
    assert all(str(row[0]).startswith("P") for row in rows[1:])
    labels = list(load_workbook(tmp_path / "inside" / "labels.xlsx").active.iter_rows(values_only=True))[1:]
    assert (tmp_path / "inside" / f"{labels[0][0]}.xlsx").exists()


def test_published_values_fill_what_is_lacking_and_carry_their_doubts(folder, capsys, tmp_path):
    copied(tmp_path, "people", "assessments")
    assert run(tmp_path, "--published", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    known = {row["quantity"]: row for row in told["tables"]["error and importance"]}
    assert known["SEM"]["origin"] == known["MDC95"]["origin"] != ""
    assert any("doubtful" in text or "not stated" in text for text in told["cautions"])
