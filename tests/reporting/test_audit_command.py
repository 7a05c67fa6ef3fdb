"""The audit command on a tiny clinic: what is missing is named, trouble has its status, thresholds their source."""

import json

import pandas as pd
import pytest

from truechange.cli.main import main
from truechange.foundation.errors import DataError, OutcomeError
from truechange.foundation.estimate import Threshold
from truechange.reporting.thresholds import read_thresholds

BEFORE = [9, 11, 8, 12, 10, 13, 9, 10, 11, 12, 8, 10]
AFTER = [12, 13, 8, 15, 13, 14, 12, 9, 13, 15]


@pytest.fixture(scope="module")
def clinic(tmp_path_factory):
    rows = [(f"P{at:03d}", "2025-01-05", "baseline", "chair_stand_30s", score) for at, score in enumerate(BEFORE)]
    rows += [(f"P{at:03d}", "2025-04-05", "discharge", "chair_stand_30s", score) for at, score in enumerate(AFTER)]
    place = tmp_path_factory.mktemp("clinic") / "clinic.csv"
    pd.DataFrame(rows, columns=["person", "date", "occasion", "measure", "value"]).to_csv(place, index=False)
    return place


def test_without_thresholds_it_says_what_is_missing(clinic, capsys):
    assert main(["audit", str(clinic), "--json", "--resamples", "100"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert {"part", "reason"} <= set(told["not_computed"][0])
    assert "thresholds={" not in json.dumps(told)  # what to give, not how to call it
    assert told["stamp"]["seed"] == "0"
    assert any(name.startswith("SHA-256 of clinic.csv") for name in told["stamp"])


def test_thresholds_from_a_file_are_used_with_their_source(clinic, tmp_path, capsys):
    given = tmp_path / "thresholds.toml"
    given.write_text(
        '[chair_stand_30s]\nsem = 1.0\nmcid = { value = 2.0, source = "Author 2020", population = "knee" }\n'
    )
    assert main(["audit", str(clinic), "--thresholds", str(given), "--out", str(tmp_path / "out")]) == 0
    page = (tmp_path / "out" / "audit.html").read_text(encoding="utf-8")
    assert "Author 2020" in page
    assert "Not computed, and why" in page
    assert "7 of the 12 people who started" in capsys.readouterr().out  # counted by hand from the two rows above
    assert {path.name for path in (tmp_path / "out").iterdir()} >= {"audit.html", "audit.xlsx", "audit.json"}


def test_a_threshold_keeps_its_origin(tmp_path):
    given = tmp_path / "t.toml"
    given.write_text(
        '[timed_up_and_go]\nmcid = { value = 1.4, low = 0.8, high = 2.0, source = "Author 2020", n = 65 }\n'
    )
    limit = read_thresholds(given)["timed_up_and_go"]["mcid"]
    assert isinstance(limit, Threshold)
    assert (limit.value, limit.low, limit.unit, limit.n) == (1.4, 0.8, "s", 65)
    assert "Author 2020" in limit.origin.sentence()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[chair_stand_30s]\nmdc = 3", "mdc"),
        ("[chair_stand_30s\n", "not a TOML"),
        ("[chair_stand_30s]\nsem = 'x'", "no number"),
        ("[chair_stand_30s]\nsem = { value = 1, origin = 'x' }", "origin"),
        ("chair_stand_30s = 3", "is not one of"),
    ],
)
def test_a_wrong_thresholds_file_says_where(tmp_path, text, words):
    given = tmp_path / "t.toml"
    given.write_text(text)
    with pytest.raises(DataError, match=words):
        read_thresholds(given)


def test_a_missing_file_is_named(tmp_path, capsys):
    with pytest.raises(OutcomeError, match="no file"):
        read_thresholds(tmp_path / "none.toml")
    assert main(["audit", str(tmp_path / "none.xlsx")]) == 1
    assert "none.xlsx" in capsys.readouterr().err


def test_an_unknown_occasion_is_misuse(clinic, capsys):
    assert main(["audit", str(clinic), "--after", "midway"]) == 2
    assert "midway" in capsys.readouterr().err
