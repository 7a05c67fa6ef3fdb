"""The document of a study as a whole: each number traced and written one way, no code, LaTeX that compiles."""

import re
import shutil
import subprocess

import numpy as np
import pandas as pd
import pytest
from walks import walked

from truechange.foundation.result import Part, Result
from truechange.meaningful_change.estimators import METHODS
from truechange.meaningful_change.ratings import STRONG, USABLE_SHARE, WEAK
from truechange.meaningful_change.rules import LEAST_SEPARATED, LEAST_TWO_STATE, STATE_BIAS
from truechange.reporting.files import stamp
from truechange.reporting.methods import CODE
from truechange.reporting.page import Picture, Words
from truechange.reporting.study_report import study_pictures, study_sections, study_tables, write_study
from truechange.reporting.tables import ReadyTable, latex_text

NUMBER = re.compile(r"(?<![\w.,])[−-]?\d+(?:\.\d+)?(?![\w]|\.\d)")
NO_NUMBER = re.compile(  # marks of references, numbers of tables, names of forms, tests, methods and libraries
    r"\[[\d,]+\]|(Table|Figure)s? \d+(?:( to | and )\d+)?|[A-Z]{3}\([AC]?,?\d\)|MDC9[05]|m = \d+|30-second chair stand"
    r"|20% trimmed|(truechange|Python|numpy|pandas|scipy|statsmodels) [\d.]+"
)
UNTRACED = {  # no results: lists to fill in, questions, titles of papers, file digests
    "Checklists", "References", "To get the same numbers again", "For the discussion", "What this study cannot show",
    "Further cautions",
}  # fmt: skip
# what is no result: names of methods, years of their papers, constants of formulas, the fixed rule's own numbers
CONSTANTS = {"95", "99.8", "90", "1.960", "1.645", "1.96", "2017", "2022", "80", "20", "0.5", "0.2", "1", "2", "0.8",
             "1.2", "30", "10", "0.001", "0", f"{LEAST_SEPARATED}", f"{LEAST_TWO_STATE}", f"{STATE_BIAS:g}",
             f"{WEAK:.2f}", f"{STRONG:.2f}", *(f"{100 * edge:.0f}" for edge in USABLE_SHARE)}  # fmt: skip


@pytest.fixture(scope="module")
def pictures(demo_study):
    return study_pictures(demo_study.public())


@pytest.fixture(scope="module")
def document(demo_study, pictures):
    study = demo_study.public()
    return study_sections(study, stamp(), pictures, study_tables(study))


def texts_of(section):
    """Every text of a section's prose, tables, captions and words for pictures."""
    for block in section.blocks:
        if isinstance(block, Words):
            yield from block.texts
        elif isinstance(block, ReadyTable):
            yield from (block.title, *block.head, *block.notes, *(cell for row in block.rows for cell in row))
        elif isinstance(block, Picture):
            yield from (block.caption, block.alt)


def recorded(held):
    """Every number that the record holds: fields, facts, tables and estimates, and how many there are of them."""
    for part in walked(held):
        if isinstance(part, int | float | np.number) and not isinstance(part, bool):
            yield float(part)
        elif isinstance(part, list | tuple | set | dict):
            yield float(len(part))
        for frame in (part, part.table() if isinstance(part, Result) else None):
            if isinstance(frame, pd.DataFrame):
                cells = [*(cell for column in frame for cell in frame[column]), *frame.index, len(frame)]
                yield from (float(cell) for cell in cells if isinstance(cell, int | float | np.number))


@pytest.fixture(scope="module")
def record(demo_study):
    """The study's numbers, without the raw scores of people: from those anything could be found."""
    whole = demo_study.public()
    usable = whole.change.usable
    found = [
        *recorded((whole.icc, whole.error.table(), whole.error.sem, whole.agreement.table(), whole.mcid, whole.checks))
    ]
    audit, choices = whole.audit, whole.choices
    parts = ("flow", "protocols", "baseline", "change", "responders", "missing", "comparison", "known", "sites", "dose")
    found += [*recorded([getattr(audit, name) for name in (*parts, "therapists")])]
    facts = (len(whole.change.frame), len(usable), usable["rating"].notna().sum(), whole.error.scores.shape[1])
    facts += (whole.error.sem.n, choices.resamples, choices.seed, choices.cut)
    return np.unique([value for value in [*found, *map(float, facts)] if np.isfinite(value)])


def held_by(record, text):
    """Whether a recorded number, its share in percent, a sum to a whole or its other sign is written so."""
    shown = float(text.replace("−", "-"))
    places = len(text.partition(".")[2])
    half = 0.5 * 10**-places + 1e-9
    return any(np.any(np.abs(sign * scale * record - shown) <= half) for scale in (1, 100) for sign in (1, -1))


def test_each_number_of_the_document_is_a_number_of_the_record(document, record):
    unknown, seen = [], 0
    for section in document:
        if section.title in UNTRACED:
            continue
        for text in texts_of(section):
            bare = NO_NUMBER.sub("", text)
            for number in NUMBER.findall(bare):
                seen += 1
                if number.lstrip("−-") not in CONSTANTS and not held_by(record, number):
                    unknown.append((section.title, number, text[:90]))
    assert seen > 500
    assert unknown == []


def test_a_number_that_is_not_in_the_record_would_be_found(record):
    assert held_by(record, "163")
    assert not held_by(record, "41.7777")


def test_one_number_is_written_in_one_way(demo_study, document):
    """Each headline value stands with the digits its interval earns, wherever it stands."""
    key = demo_study.audit.primary
    versus, change = demo_study.audit.comparison[key], demo_study.audit.change[key]
    headline = {
        "SEM": demo_study.error.sem, "MDC95": demo_study.error.mdc95, "MCID": demo_study.mcid.recommended,
        "gain": demo_study.error.learning, "mean": change.mean, "difference": versus.adjusted,
        "lower limit": demo_study.agreement.lower, "upper limit": demo_study.agreement.upper,
    }  # fmt: skip
    whole = " ".join(text for section in document for text in texts_of(section))
    unit = demo_study.measure.unit
    for name, one in headline.items():
        right = one.text().split(f" {unit}")[0]
        assert f"{right} {unit}" in whole, name
        for places in range(5):
            other = f"{one.value:.{places}f}".replace("-", "−")
            ends = f"{one.low:.{places}f} to {one.high:.{places}f}".replace("-", "−")
            wrong = re.findall(rf"(?<![\d.]){re.escape(other)} {unit} \((?:95% CI )?{ends}\)", whole)
            assert other == right or not wrong, (name, wrong)
    assert not re.findall(r"\d\.\d{4,}", re.sub(r"doi:\S+", "", whole))
    assert "0.58 (0.5" not in whole  # a share is a percentage everywhere


def test_tables_and_figures_are_numbered_in_order_and_named_in_the_text(document):
    for kind, of in (("Table", ReadyTable), ("Figure", Picture)):
        blocks = [block for section in document for block in section.blocks if isinstance(block, of)]
        heads = [block.title if kind == "Table" else block.caption for block in blocks]
        assert [head.partition(".")[0] for head in heads] == [f"{kind} {at}" for at in range(1, len(heads) + 1)]
        assert len(heads) >= 9
    for section in document:
        if any(isinstance(block, ReadyTable | Picture) for block in section.blocks):
            assert " See Table" in section.blocks[0].texts[-1] or " See Figure" in section.blocks[0].texts[-1]


def test_what_may_be_attacked_stands_right_after_the_answer_worst_first(demo_study, document):
    assert [section.title for section in document[:3]] == ["The answer", "What a reader may attack", "Methods"]
    lead, table, weak = document[1].blocks
    worst = demo_study.checks["attacks"].records[0]
    assert lead.texts[0].startswith(f"If {worst['doubt']}, the {worst['number']} becomes ")
    assert table.rows[0][0] == worst["doubt"]
    assert any("not necessarily formed by lot" in text for text in weak.texts)


def test_the_document_gives_no_advice_in_code(document):
    for section in document[:-1]:
        for text in texts_of(section):
            if section.title != "References":
                assert not CODE.search(text), text
                assert not re.search(r"[a-z]_[a-z]|--[a-z]", text), text
    assert {"GRRAS", "COSMIN", "CONSORT"} <= set(re.findall(r"[A-Z]{5,}", " ".join(texts_of(document[-3]))))


def test_methods_hold_no_results_and_results_hold_the_rule(demo_study, document):
    methods = " ".join(document[2].blocks[0].texts)
    assert demo_study.mcid.anchor.correlation.text(2) not in methods
    assert METHODS[demo_study.mcid.recommended_method].words in methods
    assert "cross-fitting" in methods
    rule = next(block for block in document[5].blocks if isinstance(block, ReadyTable) and "fixed rule" in block.title)
    assert [row[0] for row in rule.rows] == demo_study.mcid.rule["question"].to_list()


def test_both_arms_flow_and_unequal_slopes_are_drawn(demo_study, pictures):
    words = " ".join(text.get_text() for text in pictures["flow"].drawn.texts)
    assert "leg power\nstarted: 200" in words
    assert "waiting list\nstarted: 60" in words
    assert {"slopes", "residuals", "anchor"} <= set(pictures)
    assert isinstance(demo_study.checks["errors"], Part)


def test_latex_compiles_or_has_every_sign_escaped(demo_study, pictures, tmp_path, monkeypatch):
    monkeypatch.setattr("truechange.reporting.study_report.study_pictures", lambda _study: pictures)
    for name in ("write_pdf", "write_docx", "save_print"):
        monkeypatch.setattr(f"truechange.reporting.study_report.{name}", lambda *_given: None)
    write_study(demo_study, tmp_path / "out", stamp=stamp())
    pieces = [*sorted((tmp_path / "out" / "tables").glob("*.tex")), tmp_path / "out" / "methods.tex"]
    assert len(pieces) > 10
    for piece in pieces:
        text = piece.read_text(encoding="utf-8")
        assert not re.search(r"(?<!\\)[%#]|[−≥≤√×∞χ→]", text), piece.name
        assert text.count("{") == text.count("}"), piece.name
    if shutil.which("pdflatex") is None:
        return
    body = "\n".join(rf"\input{{{piece.with_suffix('').as_posix()}}}" for piece in pieces)
    (tmp_path / "all.tex").write_text(f"\\documentclass{{article}}\\begin{{document}}\n{body}\n\\end{{document}}\n")
    command = ["pdflatex", "-interaction=nonstopmode", "-halt-on-error", "all.tex"]
    made = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stdout[-2000:]
    assert (tmp_path / "all.pdf").stat().st_size > 10_000


def test_every_sign_that_latex_reads_as_a_command_is_escaped():
    assert latex_text(r"a_b & 5% #1 {x} ~ ^ \y") == (
        r"a\_b \& 5\% \#1 \{x\} \textasciitilde{} \textasciicircum{} \textbackslash{}y"
    )
