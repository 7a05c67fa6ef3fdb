"""The study: every number in the generated prose is a result's number; files whole; documents readable."""

import re
from dataclasses import replace
from pathlib import Path
from shutil import copy

import numpy as np
import pandas as pd
import pytest

import truechange as tc
from truechange.cli.main import main
from truechange.foundation.errors import OutcomeError, RefusedError
from truechange.foundation.result import Refused
from truechange.programme.assumptions import error_shape, ratings_not_given
from truechange.reporting.files import stamp
from truechange.reporting.methods import methods_paragraph, told_sources
from truechange.reporting.page import Section, Words, write_docx
from truechange.reporting.page import edited as is_edited
from truechange.reporting.references import wording
from truechange.reporting.study_report import study_pictures, study_sections, study_tables, write_study

DATA = Path(__file__).parents[2] / "data_synthetic"
NUMBER = re.compile(r"\d+(?:[.,]\d+)*")
MARK = re.compile(r" \[[\d,]+\]")


def computed(clinic, **more):
    """The study of the stored retest data and a clinic's folder."""
    known = {"measure": "chair_stand_30s", "programme": "leg power", "trials": "last", "resamples": 100}
    return tc.study(DATA / "retest.csv", clinic, **known | more)


@pytest.fixture(scope="module")
def study(demo_study):
    return demo_study


@pytest.fixture(scope="module")
def told(study):
    return methods_paragraph(*study.results, options=study.options)


def test_every_number_in_the_paragraph_was_filled_in_from_a_result(told):
    shown = " ".join(str(fact["shown"]) for fact in told.facts)
    for sentence in told.sentences():
        for number in NUMBER.findall(MARK.sub("", sentence)):
            assert number in NUMBER.findall(shown), f"{number} in: {sentence}"


@pytest.fixture(scope="module")
def sections(study):
    return study_sections(study, stamp(), study_pictures(study), study_tables(study))


def test_no_caution_of_any_part_of_the_study_is_lost(study, sections, cautions_within, shown_caution):
    kept = [part for part in sections if part.title in ("What a reader may attack", "Further cautions")]
    told = " ".join(text for part in kept for text in part.blocks[-1].texts).lower()
    found = cautions_within(study)
    assert len(found) > 10
    assert [text for text in found if shown_caution(text) not in told] == []


def test_a_retyped_number_is_refused(study, monkeypatch):
    monkeypatch.setitem(wording("methods")["IccResult"], "icc", ["We studied 50 people."])
    with pytest.raises(OutcomeError, match="wording"):
        methods_paragraph(study.icc[0])


def test_the_paragraph_says_what_was_run(study, told):
    text = str(told)
    assert "ICC(A,1)" in text
    assert study.error.mdc95.method in text
    assert str(study.mcid.recommended) in text  # as the threshold people are held against
    assert f"truechange {tc.__version__}" in text
    assert "Resamples: 100" in text
    flow = study.audit.flow[study.audit.primary]
    assert f"Of {len(study.change.frame)} people with a first score {flow.compared} had a second one" in text
    for claim in ("fixed before", "seat height changed", "subgroup"):
        assert claim not in text
    assert "own derivation, checked by simulation and published nowhere else: latent threshold" in text
    assert "true change is above the MCID was estimated by the software's own derivation" in text
    assert study.audit.missing[study.audit.primary].mean.method in text


def test_the_gain_between_the_tests_has_the_sign_of_second_less_first(study):
    seen = study.retest.usable
    assert study.error.learning.value == pytest.approx(float((seen["after"] - seen["before"]).mean()))
    assert study.error.learning.value == pytest.approx(-study.agreement.bias.value)


def test_an_estimator_that_was_refused_is_not_said_to_be_computed(study):
    rated = study.change.usable.dropna(subset=["rating"])
    found = tc.mcid(rated["improvement"], rated["rating"], n_boot=100, unit="stands")
    text = str(methods_paragraph(found))
    side_by_side, lacking = text.split("Not computed: ")
    assert "latent threshold" not in side_by_side
    assert lacking.startswith("latent threshold; latent threshold, two states; latent threshold, all ratings.")
    assert "own derivation" not in text
    assert set(found.sources) == set(methods_paragraph(found).sources)


def test_a_part_that_was_refused_is_not_said_to_be_done(study):
    key = study.audit.primary
    refused = {name: Refused(name, "no reason.") for name in ("comparison", "missing", "change")}
    parts = {name: replace(getattr(study.audit, name), parts={key: part}) for name, part in refused.items()}
    enough = study.audit.responders[key]
    enough = replace(enough, facts={**enough.facts, "true_share": refused["change"], "from_error": refused["change"]})
    parts["responders"] = replace(study.audit.responders, parts={key: enough})
    text = str(methods_paragraph(replace(study.audit, **parts)))
    for claim in (
        "compared with",
        "covariance",
        "trimmed mean",
        "imputation",
        "worst case",
        "error alone",
        "true change",
    ):
        assert claim not in text
    assert "counted as changed enough" in text


@pytest.fixture(scope="module")
def unrated(tmp_path_factory):
    """The same study from a folder without ratings."""
    place = tmp_path_factory.mktemp("unrated")
    for name in ("people.csv", "assessments.csv"):
        copy(DATA / name, place)
    return computed(place)


def test_a_study_without_ratings_says_what_was_not_computed_and_why(unrated, tmp_path):
    assert isinstance(unrated.mcid, Refused)
    text = str(methods_paragraph(*unrated.results))
    assert "The change that matters: not estimated. Nobody with two comparable scores rated the change" in text
    assert "at least the MDC" in text
    assert "MCID" not in text
    written, _ = write_study(unrated, tmp_path / "out", stamp=stamp([], {}))
    page = written[0].read_text(encoding="utf-8")
    assert "not computed. Nobody with two comparable scores" in page
    assert not (tmp_path / "out" / "figures" / "mcid.png").exists()
    assert (tmp_path / "out" / "figures" / "curve.png").exists()


def test_nothing_is_cited_that_was_not_used_and_all_used_is(study, told):
    used = {key for one in study.results for key in told_sources(one)}
    assert set(told.sources) == used
    marks = [int(n) for mark in re.findall(r"\[([\d,]+)\]", str(told)) for n in mark.split(",")]
    assert set(marks) == set(range(1, len(told.sources) + 1))
    firsts = list(dict.fromkeys(marks))
    assert firsts == sorted(firsts)


def test_author_year_style(study):
    text = str(methods_paragraph(study.icc[0], style="author-year"))
    assert "(Shrout and Fleiss 1979; McGraw and Wong 1996)" in text


def test_a_study_says_itself_and_keeps_every_choice(study):
    assert study.sentences()[:2] == (study.error.sentence(), study.mcid.sentence())
    assert (study.choices.interval, study.choices.resamples, study.choices.before) == ("1 week", 100, "baseline")
    assert str(study.methods) == str(methods_paragraph(*study.results, options=study.options))
    table = study.table().set_index(["part", "quantity"])["estimate"]
    assert table["reliability, ICC(A,1)", "ICC(A,1)"] == study.icc[0].estimate.value
    assert table["change that matters", "mean_change"] == study.mcid.table().loc["mean_change", "estimate"]
    assert table["change", "mean improvement"] == study.audit.change[study.audit.primary].mean.value
    assert f"{study.cautions[0]}" in str(study)


def test_the_study_is_written_whole(study, tmp_path):
    pytest.importorskip("docx")
    files, left_out = write_study(study, tmp_path / "a", stamp=stamp([], {"seed": 0}))
    assert not left_out
    assert [path.name for path in files] == ["study.html", "study.pdf", "study.docx", "methods.tex", "references.bib"]
    figures = {path.name for path in (tmp_path / "a" / "figures").iterdir()}
    assert {"agreement.png", "agreement.svg", "mcid.png", "changes.svg"} <= figures
    for table in (tmp_path / "a" / "tables").glob("*.csv"):
        assert len(pd.read_csv(table)) > 0


def test_an_edited_word_document_is_replaced_only_when_asked(study, tmp_path, capsys, monkeypatch):
    docx = pytest.importorskip("docx")
    monkeypatch.setattr("truechange.cli.reports.study", lambda *_given, **_more: study)
    # a short document without pictures: what is asked is whose document stays
    short = {"sections": [Section("Methods", [Words(["We tested twice."])])], "pictures": {}, "tables": {}}
    for name, part in short.items():
        monkeypatch.setattr(f"truechange.reporting.study_report.study_{name}", lambda *_given, part=part: part)
    monkeypatch.setattr("truechange.reporting.study_report.write_pdf", lambda *_given: None)
    words = ["study", str(DATA / "retest.csv"), str(DATA), "--measure", "chair_stand_30s", "--out", str(tmp_path)]
    place = tmp_path / "study.docx"
    assert main(words) == 0
    ours = place.read_bytes()
    assert main(words) == 0  # unedited: written again without a question
    document = docx.Document(place)
    document.paragraphs[2].add_run(" My own sentence.")
    document.save(place)
    theirs = place.read_bytes()
    (tmp_path / "study.html").unlink()
    capsys.readouterr()
    assert main(words) == 1
    said = capsys.readouterr()
    assert f"{place} was edited" in said.err
    assert "--overwrite" in said.err
    assert "study.docx" not in said.out
    assert place.read_bytes() == theirs
    assert (tmp_path / "study.html").exists()  # the others are written
    assert main([*words, "--overwrite"]) == 0
    assert place.read_bytes() == ours
    place.write_text("notes kept under this name")
    assert is_edited(place)


def test_the_word_document_reads_well_and_repeats_its_bytes(sections, tmp_path):
    docx = pytest.importorskip("docx")
    first = write_docx("Title", "lead", sections, tmp_path / "a.docx")
    second = write_docx("Title", "lead", sections, tmp_path / "b.docx")
    assert first.read_bytes() == second.read_bytes()
    document = docx.Document(first)
    headings = [p.text for p in document.paragraphs if p.style.name == "Heading 1"]
    assert headings[:3] == ["The answer", "What a reader may attack", "Methods"]
    assert "References" in headings
    pictures = document.element.xpath("//wp:docPr")
    assert len(pictures) >= 7
    assert all(picture.get("descr") for picture in pictures)
    assert all("w:tblHeader" in table.rows[0]._tr.xml for table in document.tables)
    page = " ".join(section.html() for section in sections[-4:])
    captions = [p.text for p in document.paragraphs if p.style.name == "Caption"]
    assert captions[0].startswith("Table 1. What a reader may attack")
    assert sum(text.startswith("Figure ") for text in captions) == len(pictures)
    assert "of 15 items answered" in page
    assert "For you to answer." in page
    assert "to be answered by the study team" in page


def test_nobody_is_counted_with_an_mcid_that_is_not_to_be_leaned_on():
    # the invented clinic's walk: its MCID's interval reaches zero
    found = computed(DATA, measure="walk_40m_fast")
    assert found.mcid.recommended.doubts
    assert found.mcid.sentence().count("Do not lean on it: ") == len(found.mcid.recommended.doubts)
    enough = found.audit.responders["walk_40m_fast"]
    assert isinstance(enough.counted, Refused)
    assert isinstance(enough.true_share, Refused)
    assert isinstance(found.checks["cross-fitting"], Refused)
    assert "but its interval reaches zero" in found.sentences()[2]
    assert enough.beyond_error.rows["changed_enough"].iloc[0] > 0


TWICE = pd.DataFrame({"person": list("aabbccdd"), "trial": [1, 2] * 4, "value": [9, 10, 12, 11, 7, 8, 13, 14.0]})
GAINS, RATED = [0, 1, 2, 3, 4, 5] * 10, [0, 0, 1, 0, 1, 2] * 10
FIRST = [5, 9, 7, 8, 6, 9] * 10
SCORES = {"before": FIRST, "after": [first + gain for first, gain in zip(FIRST, GAINS, strict=True)]}


@pytest.mark.parametrize(
    ("compute", "claimed", "not_done"),
    [
        (lambda: tc.mcid(GAINS, [1] * 60, n_boot=100), "share improved, order", ("receiver", "correlation")),
        (lambda: tc.mcid(GAINS, RATED, n_boot=100), "correlation with the change, order", ("each score",)),
        (lambda: tc.mcid(GAINS, RATED, n_boot=100, **SCORES), "and with each score", ()),
        (lambda: tc.mcid(GAINS[:1], RATED[:1], n_boot=100), "from 1 person against", ("1 people", "receiver")),
        (lambda: tc.limits_of_agreement([9, 12], [10, 11]), "of 2 pairs", ("slope", "logarithms")),
        (lambda: tc.limits_of_agreement([9, 12, 7], [10, 11, 9], scale="log"), "computed on logarithms with", ()),
        (lambda: tc.limits_of_agreement([9, 12, 7], [10, 11, 9]), "slope of the difference", ("logarithms",)),
    ],
)
def test_of_odd_data_the_paragraph_claims_only_what_was_done(compute, claimed, not_done):
    found = compute()
    text = str(methods_paragraph(found))
    assert claimed in text
    assert [claim for claim in not_done if claim in text] == []
    assert ("delong1988" in found.sources) == ("receiver" in text)


def test_the_paragraph_tells_the_doubts_of_the_mcid_that_the_rule_chose(study):
    doubtful = replace(study.mcid, recommended=replace(study.mcid.recommended, doubts=("it reaches zero.", "so.")))
    assert "It is not to be leaned on: it reaches zero; so" in str(methods_paragraph(doubtful))
    assert "leaned on" not in str(methods_paragraph(study.mcid))


@pytest.mark.parametrize(("gave_none", "told"), [(0, False), (6, True)])
def test_the_mcid_was_computed_again_for_the_unrated_only_where_somebody_gave_no_rating(gave_none, told):
    people = pd.DataFrame({"improvement": [0.0, 1, 2, 3] * 5, "rating": [0.0, 0, 1, 2] * 5})
    people.loc[: gave_none - 1, "rating"] = np.nan
    look = ratings_not_given(people, 1, lambda _rated, at: 2.0 if at == 1 else np.nan)
    text = str(methods_paragraph({"ratings": look}))
    assert ("for those who gave none" in text) == told
    assert "next cut" not in text


def test_a_study_without_an_mcid_still_says_who_changed_beyond_error_and_who_got_worse():
    rows = pd.read_csv(DATA / "assessments.csv")
    rows.loc[rows["occasion"] == "discharge", "value"] = (rows["value"] - 5).clip(lower=0)
    rows = rows[rows["measure"] == "chair_stand_30s"]
    frames = {"assessments": rows, **{name: pd.read_csv(DATA / f"{name}.csv") for name in ("people", "ratings")}}
    fell = computed(frames)
    gained, limit = fell.change.usable["improvement"], fell.error.mdc95.value
    text = " ".join(fell.sentences())
    assert f"{(gained >= limit).sum()} of the 200 people due improved by at least" in text
    assert f"{(gained <= -limit).sum()} got worse by at least" in text
    answer = study_sections(fell, stamp(), {}, {})[0]
    assert f"{(gained <= -limit).sum()} got worse by at least" in " ".join(answer.blocks[0].texts)


def test_two_tests_that_agree_completely_are_refused_a_shape_without_a_warning():
    same = TWICE.assign(value=[9, 9, 12, 12, 7, 7, 13, 13])
    with pytest.raises(RefusedError, match="have no shape"):
        error_shape(tc.measurement_error(same))


@pytest.mark.parametrize(("kind", "advised"), [("consistency", False), ("agreement", True)])
def test_a_shift_is_not_answered_with_the_error_that_was_chosen_already(kind, advised):
    shifted = TWICE.assign(value=[9, 12, 12, 15, 7, 10, 13, 16.5])
    said = [text for text in tc.measurement_error(shifted, error=kind).cautions if text.startswith("Scores shift")]
    assert len(said) == 1
    assert ("or use error='consistency' and carry" in said[0]) == advised
    assert "carry the gain as practice" in said[0]


@pytest.mark.parametrize(("gaps", "told"), [([], "with 3 "), ([2, 5], "with up to 3 ")])
def test_people_who_lack_a_score_are_not_told_to_have_all_of_them(gaps, told):
    noise = np.random.default_rng(4).normal(0, 1, 36).round(1)
    three = pd.DataFrame({"person": np.repeat(range(12), 3), "trial": [1, 2, 3] * 12, "value": noise})
    three["value"] += np.repeat(range(12), 3)
    three = three.drop(index=gaps)
    kept = "reml" if gaps else "refuse"
    error = tc.measurement_error(three, missing=kept)
    for found in (error, tc.icc(three, form="ICC(A,1)", missing=kept)):
        assert f"of 12 people {told}trials each" in str(methods_paragraph(found)).replace("from 12", "of 12")
