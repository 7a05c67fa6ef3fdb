"""The audit's report: whole, self-contained, the same bytes again, and nobody can be found in it."""

import json
import re
from dataclasses import replace
from html import unescape

import pandas as pd
import pytest
from openpyxl import load_workbook
from walks import without_pictures

from truechange.numerics.small_cells import HIDDEN
from truechange.programme import training
from truechange.programme.flow import baseline_table
from truechange.reporting.audit_exhibits import audit_tables, baseline, measure_rows
from truechange.reporting.audit_report import AuditReport
from truechange.reporting.methods import in_words

PERSON = re.compile(r"\bP\d{3}\b")
THERAPIST = re.compile(r"\bT\d\b")


def words_of(page):
    """The page's text without tags and embedded pictures."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", without_pictures(page))))


def test_no_script_and_no_network(clinic_page):
    assert "<script" not in clinic_page
    assert not re.search(r'(src|href)="(?!data:)', clinic_page)
    assert "url(" not in clinic_page


def test_every_picture_has_words_and_every_head_a_scope(clinic_page):
    pictures = re.findall(r"<img [^>]*>", clinic_page)
    assert len(pictures) >= 4
    assert all(re.search(r'alt="[^"]{30,}"', picture) for picture in pictures)
    assert all("scope=" in head for head in re.findall(r"<th[ >][^>]*", clinic_page))
    assert '<html lang="en">' in clinic_page


def test_the_answer_comes_first_and_is_the_audits_own(clinic_audit, clinic_page):
    text = words_of(clinic_page)
    assert len(clinic_audit.sentences()) == 5
    full = text[text.index("The answer in full") :]
    places = [full.index(sentence) for sentence in clinic_audit.sentences()]
    assert places == sorted(places)
    assert places[-1] < full.index("Who could be compared")


def test_the_ledger_and_the_share_of_the_retest_study_are_told(clinic_audit, clinic_page):
    told = words_of(clinic_page)
    assert clinic_audit.quality.sentence() in told
    enough = clinic_audit.responders[clinic_audit.primary]
    assert enough.from_error.sentences()[1] in told
    assert "unchanged people of the retest study" in told


def test_no_caution_of_any_part_is_lost(clinic_audit, clinic_page, cautions_within, shown_caution):
    safe = clinic_audit.public()
    found = cautions_within(safe)
    assert any("effect of the score before differs between the groups" in text for text in found)
    told = json.loads(AuditReport(clinic_audit).data())["cautions"]
    page = words_of(clinic_page).lower()
    assert "were not chosen by lot" in page
    assert "do not diagnose" in page
    for text in found:
        assert any(text in caution for caution in safe.cautions), text
        assert any(shown_caution(text) in caution.lower() for caution in told), text
        assert shown_caution(text) in page, text
    assert len(set(clinic_audit.cautions)) == len(clinic_audit.cautions)


def test_the_caution_of_an_adjusted_difference_stands_beside_it(clinic_page):
    section = words_of(clinic_page).split("Compared with others")[1].split("All tests looked at")[0]
    assert "effect of the score before differs between the groups" in section


def test_everything_refused_is_named_with_its_reason(clinic_audit, clinic_page):
    text = words_of(clinic_page)
    assert clinic_audit.refused
    assert all(in_words(part.reason) in text for part in clinic_audit.refused)


def test_it_says_changed_by_at_least_and_never_responded(clinic_page):
    text = words_of(clinic_page)
    assert "improved by at least" in text
    said = [text[max(0, at.start() - 40) : at.end()] for at in re.finditer("responded to", text)]
    assert all("does not say that a person responded to" in place for place in said)
    assert "success" not in text.lower().replace("successive", "")


def test_nobody_can_be_found(clinic_audit, clinic_page):
    for text in (words_of(clinic_page), AuditReport(clinic_audit).data()):
        assert not PERSON.search(text)
        assert not THERAPIST.search(text)
    for frame in audit_tables(clinic_audit).values():
        assert not {"person", "date", "before_date", "birth"} & set(map(str, frame.columns))


def test_therapists_are_named_only_when_asked(clinic_audit):
    assert audit_tables(clinic_audit)["therapists"]["therapist"].iloc[0] == "therapist 1"
    named = audit_tables(clinic_audit.public(names=True))["therapists"]["therapist"]
    assert set(named) == set(clinic_audit.people["therapist"].dropna())


def test_json_holds_the_audits_own_numbers(clinic_audit):
    told = json.loads(AuditReport(clinic_audit).data())
    first = told["tables"]["tests"][0]
    assert first["mean_improvement"] == pytest.approx(clinic_audit.change["chair_stand_30s"].mean.value, rel=1e-12)
    assert told["answer"] == list(clinic_audit.sentences())
    assert {"scope", "cannot_show", "cautions", "not_computed", "references", "stamp"} <= set(told)


def test_files_are_whole_stamped_and_repeat_their_bytes(clinic_audit, written):
    pypdf = pytest.importorskip("pypdf")
    (first, left_out), (second, _) = written
    assert not left_out
    names = [path.name for path in first]
    assert names == ["audit.html", "audit.pdf", "audit.xlsx", "audit.json", "summary.pdf", "counts.csv"]
    for one, other in zip(first, second, strict=True):
        assert one.read_bytes() == other.read_bytes(), one.name
    pdf = pypdf.PdfReader(first[1])
    assert pdf.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert pdf.trailer["/Root"]["/Lang"] == "en"
    assert pdf.metadata.title == "Programme audit"
    assert clinic_audit.sentences()[0][:40] in re.sub(r"\s+", " ", pdf.pages[1].extract_text())
    assert len(pypdf.PdfReader(first[4]).pages) == 1
    book = load_workbook(first[2])
    assert {"answer", "tests", "flow", "change", "cautions", "stamp"} <= set(book.sheetnames)
    assert all(cell.data_type != "f" for sheet in book for row in sheet.iter_rows() for cell in row)
    assert str(first[0].parent) not in first[0].read_text(encoding="utf-8")


def test_every_numbered_mark_has_its_reference(clinic_page):
    text = words_of(clinic_page)
    marks = {int(n) for found in re.findall(r"\[([\d,]+)\]", text) for n in found.split(",")}
    numbers = {
        int(n)
        for n in re.findall(r"(\d+)\. [A-Z][^.]{2,80}\. ", text[text.index("Appendix: methods and references") :])
    }
    assert marks <= numbers


def test_every_computed_part_has_its_section_and_its_table(clinic_audit, clinic_page):
    text = words_of(clinic_page)
    for words in (
        "Did they come at their worst", "If the missing did worse than people like them", "p, all tests",
        "Share of those due that improved by at least each threshold",  # a picture's words, below
        "Do people differ in their response", "Training of those due", "Adverse events written down",
    ):  # fmt: skip
        assert words in text or words in clinic_page, words
    tables = audit_tables(clinic_audit)
    told = {"start and regression", "threshold choice", "tipping point", "training by week", "adverse events"}
    assert told <= set(tables)
    choice = measure_rows(tables["threshold choice"], "chair_stand_30s")
    assert choice["share"].is_monotonic_decreasing  # a higher threshold is never reached by more people
    counted = clinic_audit.responders["chair_stand_30s"].counted.rows.iloc[0]["changed_enough"]
    assert choice.set_index("held_against").loc["MCID", "people"] == counted


def test_it_says_what_to_give_not_how_to_call(clinic_audit, clinic_page):
    for text in (words_of(clinic_page), AuditReport(clinic_audit).data()):
        assert "thresholds={" not in text
        assert "in a thresholds file" in text


def with_logs(audit, events, gone=()):
    """The audit with other adverse events (kind: people, one each), and people without a log."""
    table = pd.DataFrame([(kind, people, people) for kind, people in events.items()],
                         columns=["adverse_event", "count", "people"])  # fmt: skip
    people = audit.dose.people.assign(logged=True)
    people.loc[list(gone), "logged"] = False
    weeks = audit.dose.tolerance.weeks.copy()
    weeks.loc[weeks.index[-2:], "people"] = [6, 3]
    weeks.loc[weeks.index[-1], "pain_before"] = 9.87
    borne = training._tolerance_told({**audit.dose.tolerance.facts, "events": table, "weeks": weeks})
    notes = (f"{len(gone)} people kept no log; nothing is assumed of their training.",)
    facts = {**audit.dose.facts, "tolerance": borne, "people": people}
    return replace(audit, dose=training._dose_told(facts, notes))


def test_few_people_are_not_counted_out_in_the_training_part(clinic_audit):
    audit = with_logs(clinic_audit, {"knee swelling": 2}, gone=(0, 1, 2))
    text = words_of(AuditReport(audit).page())
    assert "knee swelling: number hidden" in text
    assert "per 1,000 training days hidden" in text  # the rate times the days would give the number away
    assert "3 people kept no log" not in text
    assert "All but fewer than 5 of the people due kept a training log" in text
    assert f"{len(audit.people) - 3} of {len(audit.people)} people" not in text
    assert "9.9" not in text.split("Training done")[1].split("Sites")[0]  # a week of three people
    shown = audit_tables(audit.public(small_cells=True))["adverse events"]
    assert shown["count"].tolist() == [2]


def test_a_second_kind_is_hidden_where_the_rate_would_give_the_first_away(clinic_audit):
    audit = with_logs(clinic_audit, {"fall": 3, "near fall": 9})
    assert audit_tables(audit)["adverse events"]["count"].tolist() == [HIDDEN, HIDDEN]
    common = with_logs(clinic_audit, {"near fall": 9})
    assert "near fall: 9, in 9 people" in words_of(AuditReport(common).page())


def test_every_interval_on_the_page_holds_its_value_between_its_ends(clinic_page):
    number = r"(−?\d+(?:\.\d+)?)%?"
    interval = rf"{number}(?: [a-z/]+)? \((?:95% (?:CI|interval) )?{number} to {number}[;)]"
    told = re.findall(interval, words_of(clinic_page))
    assert len(told) > 40
    for row in told:
        value, low, high = (float(text.replace("−", "-")) for text in row)
        assert low <= value <= high, row


def test_what_the_public_baseline_hides_is_hidden_on_the_page():
    people = pd.DataFrame({"person": range(20), "programme": "leg power", "sex": ["male"] * 3 + ["female"] * 17})
    table = baseline_table(people, {}).public().table()
    hidden = table[table["count"] == HIDDEN]
    assert len(hidden)
    shown = {row[0]: row[1] for row in baseline(table).rows}
    assert {shown[f"{fact}: {level}"] for fact, level in zip(hidden["fact"], hidden["level"], strict=True)} == {HIDDEN}
