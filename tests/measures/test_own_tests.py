"""A test of one's own: declared in a call or a clinic's file, it goes wherever a test of the catalogue goes."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import truechange as tc
from truechange.cli.main import main
from truechange.page.form import form_page, reply

TOML = """[tests.knee_ache]
name = "Knee ache scale"
unit = "points"
better = "lower"
resolution = 0.1
limits = [0, 100]
also = ["KAS"]

[measures.knee_ache]
sem = 4
mcid = { value = 8 }
"""
OWN = {"name": "Knee ache scale", "unit": "points", "better": "lower", "resolution": 0.1, "limits": (0, 100),
       "also": ("KAS",)}  # fmt: skip
SAYS = "Knee ache scale is a test of your own: no published error, MCID or norm is held for it."


@pytest.fixture(scope="module")
def scores():
    """Sixty people who lost about 10 points, wide, and thirty tested twice."""
    rng = np.random.default_rng(3)
    before = rng.uniform(30, 80, 60).round(1)
    after = (before - rng.normal(10, 8, 60)).clip(0, 100).round(1)
    rating = np.digitize(before - after + rng.normal(0, 4, 60), [0, 5, 12]) - 1
    people = [f"P{at:03d}" for at in range(60)]
    wide = pd.DataFrame({"person": people, "KAS pre": before, "KAS (points) post": after, "GROC": rating})
    first = rng.uniform(30, 80, 30)
    twice = {"KAS retest1": first.round(1), "KAS retest2": (first + rng.normal(0, 4, 30)).round(1)}
    return wide, pd.DataFrame({"person": [f"R{at:03d}" for at in range(30)]} | twice)


@pytest.fixture
def clinic(scores, tmp_path, monkeypatch):
    """A folder with both tables as files and the declaration in clinic.toml, entered."""
    for name, frame in zip(("wide", "retest"), scores, strict=True):
        frame.to_csv(tmp_path / f"{name}.csv", index=False)
    (tmp_path / "clinic.toml").write_text(TOML, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_call_and_a_clinics_file_declare_the_same_test(clinic):
    said = tc.measure("knee_ache", **OWN)
    assert (said.hard_low, said.hard_high, said.whole, said.improvement(50, 41.5)) == (0, 100, False, 8.5)
    assert SAYS in said.cautions
    assert "knee_ache" in tc.list_measures().index
    tc.settings(clinic / "clinic.toml")
    assert tc.measure("knee_ache") == said
    assert tc.published("knee_ache").empty
    assert tc.measure("knee_ache", **OWN | {"resolution": 1}).whole


def test_a_test_nobody_declared_is_not_read(scores):
    assert "knee_ache" not in set(tc.read(scores[0].rename(columns={"GROC": "TUG pre"})).assessments["measure"])


def test_scores_are_read_by_the_declaration_and_held_against_it():
    tc.measure("knee_ache", **OWN, usual=(5, 95), protocol=("seat_height_cm",))
    frame = pd.DataFrame({"person": ["P1", "P2", "P3"], "date": "2025-01-06", "occasion": "pre", "value": [3, 60, 130],
                          "measure": ["KAS", "knee ache scale", "knee_ache"]})  # fmt: skip
    records = tc.read(frame)
    assert records.assessments["value"].tolist() == [3, 60]
    assert records.problems.set_index("kind").loc[["soft_bound", "hard_bound"], "row"].tolist() == [0, 2]
    assert records.assessments["unit"].tolist() == ["points", "points"]


def test_records_keep_the_declaration_they_were_read_by(scores):
    tc.measure("knee_ache", **OWN)
    records = tc.read(scores[0])
    tc.measure("knee_ache", **OWN | {"better": "higher"})
    pairs = records.pairs("knee_ache", before="baseline", after="discharge")
    assert pairs.usable["improvement"].mean() == pytest.approx((scores[0]["KAS pre"] - scores[0].iloc[:, 2]).mean())


def test_the_study_is_the_same_from_frames_files_and_a_test_as_an_object(scores, clinic):
    ache = tc.measure("knee_ache", **OWN)
    from_frames = tc.study(scores[1], scores[0], measure=replace(ache), resamples=100)
    from_files = tc.study(clinic / "retest.csv", clinic / "wide.csv", measure="knee_ache", resamples=100)
    pd.testing.assert_frame_equal(from_frames.table(), from_files.table())
    assert str(from_frames.methods) == str(from_files.methods)
    assert "Knee ache scale (points; lower is better)" in str(from_frames.methods)
    assert SAYS in from_frames.cautions
    assert from_frames.audit.change["knee_ache"].mean.value > 5  # fewer points are an improvement
    assert from_frames.error.sem.unit == "points"


def test_the_audit_of_a_frame_names_the_test_and_says_that_nothing_is_published(scores):
    tc.measure("knee_ache", **OWN)
    audit = tc.audit(scores[0], n_boot=100)
    assert audit.sentences()[0].startswith("programme, Knee ache scale, baseline to discharge")
    assert SAYS in audit.cautions
    assert SAYS in audit.public().cautions


def test_every_command_knows_the_test_of_the_clinics_file(clinic, capsys):
    for words, told in (
        ("measures knee_ache", "points, lower is better"),
        ("measures knee_ache --published", "No published value"),
        ("person 60 45 --measure KAS", "60.0 → 45.0 points, improved by 15"),
        ("inspect wide.csv --notes", "score = knee_ache, at = discharge"),
        ("audit wide.csv --resamples 100", "Knee ache scale, baseline to discharge"),
        ("template new.xlsx", "fill in the sheet"),
    ):
        main(words.split())
        assert told in " ".join(capsys.readouterr().out.split()), words
    assert main(["person", "60", "45", "--measure", "knee_ache", "--published", "--settings", "none.toml"]) != 0


def test_the_page_offers_the_test_in_its_unit_and_direction(clinic):
    own = tc.settings(clinic / "clinic.toml")
    assert "Knee ache scale" in form_page(own, "knee_ache")
    answer = reply({"measure": "knee_ache", "score": ["60", "40"], "when": ["", ""]}, own)["answer"]
    assert "60.0 → 40.0 points, improved by 20" in answer
