"""Entry rule on the command: the clinic's settings keep it, and the audit and a person's answer use it."""

import json

import numpy as np
import pytest
from clinics import codes, scores

from truechange.cli.main import main
from truechange.foundation.errors import DataError
from truechange.measures.settings import settings

RULE = "[measures.chair_stand_30s]\nsem = 1.04\nsem_df = 49\nmcid = { value = 2 }\nentry = { cut = 9 }\n"


@pytest.fixture(scope="module")
def clinic(tmp_path_factory):
    rng = np.random.default_rng(41)
    true = rng.normal(10, 3, 900)
    first = np.round(true + rng.normal(0, 1, true.size))
    here = np.flatnonzero((first <= 9) & (first >= 0))[:150]
    second = np.maximum(np.round(true[here] + 2 + rng.normal(0, 2, here.size) + rng.normal(0, 1, here.size)), 0)
    place = tmp_path_factory.mktemp("entry") / "clinic.csv"
    scores(codes(here.size), first[here].astype(int), second.astype(int)).to_csv(place, index=False)
    return place


def test_the_audit_takes_the_cut_from_the_settings(clinic, tmp_path, capsys):
    path = tmp_path / "clinic.toml"
    said = []
    for text in (RULE, RULE.replace("entry = { cut = 9 }\n", "")):
        path.write_text(text, encoding="utf-8")
        assert main(["audit", str(clinic), "--thresholds", str(path), "--json", "--resamples", "200"]) == 0
        said.append(json.dumps(json.loads(capsys.readouterr().out), ensure_ascii=False))
    assert "mean improvement less what the entry rule makes by itself" in said[0]
    assert "taken on trust" in said[0]
    assert "end sharply" not in said[0]
    assert "end sharply at 9" in said[1]


def test_renewed_settings_keep_the_rule(clinic, tmp_path, capsys, monkeypatch):
    path = tmp_path / "clinic.toml"
    path.write_text(RULE, encoding="utf-8")
    main(["settings", "--from", str(clinic), "--out", str(path)])
    known = settings(str(path)).of("chair_stand_30s")
    assert known["entry"] == {"cut": 9}
    assert known["n"] == 150


@pytest.mark.parametrize("rule", ["{ mean = 10 }", "{ cut = 9, shape = 1 }", '{ cut = "9" }', '"9 or less"'])
def test_a_rule_that_is_none_is_refused_when_the_settings_are_read(tmp_path, rule):
    path = tmp_path / "clinic.toml"
    path.write_text(f"[measures.chair_stand_30s]\nentry = {rule}\n", encoding="utf-8")
    with pytest.raises(DataError, match="entry"):
        settings(str(path))


def test_settings_count_no_test_of_which_only_the_way_it_is_done_is_known(tmp_path, capsys):
    rows = scores(codes(20), np.full(20, 9), np.full(20, 12), seat_height_cm=43)
    rows.to_csv(tmp_path / "seen.csv", index=False)
    status = main(["settings", "--from", str(tmp_path / "seen.csv"), "--out", str(tmp_path / "own.toml")])
    assert "tests with an error or MCID: 0" in capsys.readouterr().out
    assert status == 1
