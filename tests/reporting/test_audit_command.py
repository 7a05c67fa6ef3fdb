"""The audit command on a tiny clinic: what is missing is named, trouble has its status, thresholds their source."""

import json
import re
import shutil

import numpy as np
import pandas as pd
import pytest
from clinics import codes, scores

from truechange.cli.main import main
from truechange.foundation.estimate import Threshold
from truechange.reporting.files import read_thresholds


@pytest.fixture(scope="module")
def clinic(tmp_path_factory):
    before, after = [9, 11, 8, 12, 10, 13, 9, 10, 11, 12, 8, 10], [12, 13, 8, 15, 13, 14, 12, 9, 13, 15]
    place = tmp_path_factory.mktemp("clinic") / "clinic.csv"
    scores(codes(12), before, pd.Series(after).reindex(range(12))).to_csv(place, index=False)
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
    assert "Appendix: not computed, and why" in page
    assert "7 of the 12 people due" in capsys.readouterr().out  # counted by hand from the two rows above
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


@pytest.fixture(scope="module")
def two_groups(tmp_path_factory):
    rng, people, place = np.random.default_rng(3), codes(96), tmp_path_factory.mktemp("groups")
    facts = {"programme": ["leg power", "waiting list"] * 48, "joint": ["knee", "knee", "hip", "hip"] * 24}
    pd.DataFrame({"person": people, **facts}).to_csv(place / "people.csv", index=False)
    before = rng.normal(10, 2, 96).round()
    after = before + (np.tile([2.5, 0], 48) + rng.normal(0, 1.5, 96)).round()
    scores(people, before, after).to_csv(place / "assessments.csv", index=False)
    (place / "thresholds.toml").write_text("[chair_stand_30s]\nsem = 1.0\n")
    return place


def test_an_entry_rule_and_subgroups_named_beforehand(two_groups, tmp_path, capsys):
    place = tmp_path / "clinic"
    shutil.copytree(two_groups, place, ignore=shutil.ignore_patterns("*.toml"))
    words = ["audit", str(place), "--programme", "leg power", "--compare", "waiting list", "--resamples", "100",
             "--json"]  # fmt: skip
    words += ["--thresholds", str(two_groups / "thresholds.toml")]
    words += ["--entry", "chair_stand_30s", "12", "11.5", "3", "--subgroups", "joint"]
    assert main(words) == 0
    told = json.loads(capsys.readouterr().out)
    # what is error of the way from the mean of those taken in to everyone's
    scores = pd.read_csv(place / "assessments.csv").merge(pd.read_csv(place / "people.csv"))
    taken = scores[(scores["programme"] == "leg power") & (scores["occasion"] == "baseline")]["value"]
    expected = 1.0**2 / 3**2 * (11.5 - taken.mean())
    flat = json.dumps(told)
    (gain,) = {float(found) for found in re.findall(r'entry rule alone", "estimate": ([-0-9.]+)', flat)}
    assert gain == pytest.approx(expected, rel=1e-4)
    assert "joint: knee less hip" in flat
    assert told["stamp"]["entry"] == "chair_stand_30s 12 11.5 3"
    assert told["stamp"]["subgroups"] == "joint"


def test_the_clinics_settings_serve_as_thresholds(tmp_path):
    path = tmp_path / "clinic.toml"
    path.write_text(
        '[clinic]\nname = "Our clinic"\n[measures.timed_up_and_go]\nsem = 0.5\nsem_df = 49\nsem_people = 50\n'
        "practice = 0.1\nmcid = { value = 1.4, low = 0.9, high = 1.8, n = 80 }\n[measures.walk_6min]\nsem = 20\n",
        encoding="utf-8",
    )
    known = read_thresholds(path)
    sem, mcid = known["timed_up_and_go"]["sem"], known["timed_up_and_go"]["mcid"]
    assert (sem.value, sem.df, sem.origin.sentence()) == (0.5, 49, "own data (Our clinic), 50 people")
    assert (mcid.value, mcid.low, mcid.high, mcid.kind, mcid.origin.n) == (1.4, 0.9, 1.8, "mcid", 80)
    assert known["timed_up_and_go"]["practice"] == 0.1
    assert set(read_thresholds(path, ["walk_6min"])) == {"walk_6min"}
