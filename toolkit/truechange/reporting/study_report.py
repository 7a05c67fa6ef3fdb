"""A study (capstone): what it computed, in order; its pictures, tables and sections; the files written."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pandas as pd

from truechange.figures import save_print
from truechange.foundation import drawing
from truechange.foundation.numbers import decimals_for, fixed, percent, with_interval
from truechange.foundation.result import Part, gathered
from truechange.meaningful_change.estimators import METHODS
from truechange.programme.studying import Study
from truechange.reporting import audit_exhibits as exhibits
from truechange.reporting.audit_exhibits import OneTest, computed, measure_rows
from truechange.reporting.audit_report import cannot_show
from truechange.reporting.files import Stamp, whole_folder, write_each
from truechange.reporting.files import stamp as made_of
from truechange.reporting.methods import Prose, in_words, methods_paragraph, plain, told_sources
from truechange.reporting.page import Picture, Section, Words, edited, numbered, page_html, write_docx, write_pdf
from truechange.reporting.references import audit_facts, checklist, cite, mcid_facts, reliability_facts, wording
from truechange.reporting.tables import ReadyTable, interval_cells, ready_table

LISTS = ("grras", "cosmin_error", "consort_outcomes", "consort_pro")
HEIGHTS = {"mcid": 4.0}  # inches; the others are 3.1
MOST_SAID = 3
KEPT = "Move or rename it, or add --overwrite to replace it."
TITLE = "Measurement error, meaningful change and responders"


def study_pictures(study: Study) -> dict[str, Picture]:
    """Draw the figures of the thesis, by file name."""
    primary, mcid = OneTest(study.audit), computed(study.mcid)
    versus = getattr(primary.comparison, "checks", None)
    parts = {"agreement": study.agreement, "mcid": mcid, "curve": primary.curve, "slopes": computed(versus),
             "residuals": computed(getattr(versus, "residuals", None))}  # fmt: skip
    pictures: dict[str, Picture | None] = {
        name: Picture(part.plot(ax=drawing.axes(width=5.2, height=HEIGHTS.get(name, 3.1))), part.alt)
        for name, part in parts.items()
        if part is not None
    }
    pictures |= {name: getattr(exhibits, name)(primary) for name in ("changes", "shares")}
    pictures["flow"] = exhibits.arms(primary)
    if mcid is not None:
        seen = f"{mcid.anchor.alt} Beside it the share improved by fifths of the change, with the fitted curve."
        pictures["anchor"] = Picture(mcid.plot_anchor()[0], seen)
    return {name: replace(one, caption=wording("captions")[name]) for name, one in pictures.items() if one is not None}


def study_tables(study: Study) -> dict[str, ReadyTable]:
    """Return the tables of the thesis, by file name."""
    name, mcid, primary = study.measure.name, computed(study.mcid), OneTest(study.audit)
    whole = exhibits.audit_tables(study.audit)
    rows = {kind: measure_rows(frame, primary.key) for kind, frame in whole.items()}
    icc = pd.DataFrame([one.estimate.row() | {"form": one.form} for one in study.icc])
    versus, likeness = primary.comparison, study.checks.get("therapist")
    slopes = getattr(versus, "checks", None)
    sources: dict[str, tuple[Any, str]] = {
        "reliability": (icc[["form", "estimate", "low", "high", "n", "method"]], f"Reliability: {name}"),
        "error": (study.error.table(), f"Measurement error: {name}"),
        "agreement": (study.agreement.table(), f"Agreement of the two tests: {name}"),
        "change": (rows["change"], f"Change of the group: {name}"),
        "responders": (exhibits.counted_rows(rows["changed enough"], primary), f"Who changed enough: {name}"),
        "missing": (rows["missing"], "Share that changed enough, by what is assumed of the missing"),
    }
    if mcid is not None:
        methods = mcid.table().rename(index=lambda name: METHODS[name].words).assign(unit=mcid.unit)
        shares = mcid.at_cut.rename(columns={"estimate": "share"}).drop(columns="method")
        sources |= {
            "anchor": (mcid.anchor, "The rating as an anchor"),
            "rule": (mcid.rule, "The fixed rule that chose the MCID, as it ran on these people"),
            "mcid": (methods, f"Change that matters: {name}"),
            "accuracy": (shares, "How well a change by at least the MCID tells who rated an improvement"),
            "sizes": (mcid.size_references, "Sizes to compare with, which say nothing about importance"),
            "credibility": (mcid.credibility, "Credibility of the MCID"),
        }
    if isinstance(likeness, Part):
        sources["likeness"] = likeness.table(), "Are people of one therapist alike"
    if isinstance(slopes, Part):
        sources["slopes"] = slopes.table(), "What the adjusted difference rests on"
    tables = {kind: ready_table(source, title) for kind, (source, title) in sources.items()}
    if versus is not None:
        first, response, *_ = exhibits.comparison_tables(versus)
        tables |= {"comparison": replace(first, notes=()), "response": response}
    return tables | _doubted(study) | {"baseline": exhibits.baseline(whole["baseline"])}


def _doubted(study: Study) -> dict[str, ReadyTable]:
    """Return the doubts in order, and the people counted with an MCID they had no part in."""
    doubts, fit = study.checks.get("attacks"), study.checks.get("cross-fitting")
    made = {}
    if isinstance(doubts, Part):
        rows = tuple((row["doubt"], row["number"], *_becomes(row), fixed(row["moved"], 1)) for row in doubts.records)
        head = ("if", "the number", "as told (95% CI)", "becomes", "moved")
        note = "Moved: how far, in halves of the number's own interval; above 1 it leaves the interval."
        made["attacks"] = ReadyTable("What a reader may attack, by how far it moves the number", head, rows, (note,))
    if isinstance(fit, Part):
        same, other = (interval_cells(fit.table(), columns) for columns in (SAME_PEOPLE, OTHER_PEOPLE))
        heads = ("", "MCID from the same people (95% CI)", "MCID from other people (95% CI)")
        cells = tuple(zip(fit.table()["quantity"], same, other, strict=True))
        made["held out"] = ReadyTable("Internal validation by cross-fitting", heads, cells)
    return made


SAME_PEOPLE, OTHER_PEOPLE = ("same_people", "low", "high"), ("held_out", "held_out_low", "held_out_high")


def _becomes(row: dict[Any, Any]) -> tuple[str, str]:
    """Write a number as it is told, and what it becomes: a share as a percentage."""
    places = None if row["number"].startswith("share") else decimals_for(row["low"], row["high"], row["told"])
    unit = f" {row['unit']}" if row["unit"] else ""
    ends = dict.fromkeys(percent(row[end]) if places is None else fixed(row[end], places) for end in ("least", "most"))
    told = with_interval(row["told"], row["low"], row["high"], places)
    return told.replace(" (", f"{unit} (", 1), f"{' to '.join(ends)}{unit}"


def study_methods(study: Study, cited: tuple[str, ...] = (), style: str = "numbered") -> Prose:
    """Word the methods paragraph of a study from what it computed; `cited` are sources the text around it uses."""
    return methods_paragraph(*study.results, options=study.options, cited=cited, style=style)


def study_sections(
    study: Study, stamp: Stamp, pictures: Mapping[str, Picture], tables: Mapping[str, ReadyTable]
) -> list[Section]:
    """Lay the study out: the answer, what may be attacked, methods, results, limits, checklists, references, stamp."""
    audit, key = study.audit, study.audit.primary
    known = audit_facts(audit) | reliability_facts(study.error, study.measure, study.agreement)
    known |= mcid_facts(study.mcid) if computed(study.mcid) else {}
    lists = [checklist(name, known) for name in LISTS]
    told = study_methods(study, cited=tuple(key for one in lists for key in one.sources))
    filled = [block for one in lists for block in (Words(one.sentences()), one.ready())]
    group = (audit.change[key], audit.comparison[key])
    weak = gathered((), study.error, study.agreement, study.mcid, *group, *study.checks.values())
    rest = [text for text in study.cautions if text not in weak]
    answer = [*study.sentences(), *(part.sentence() for part in group)]

    def shown(*names: str) -> list[Picture | ReadyTable]:
        found = (pictures.get(name[2:]) if name.startswith("~ ") else tables.get(name) for name in names)
        return [block for block in found if block is not None]

    return numbered([
        Section("The answer", [plain(answer, "answer")]),
        Section("What a reader may attack", [_text(_attacked(study)), *shown("attacks"), plain(weak, "list")]),
        Section("Methods", [Words(told.paragraphs)]),
        *(Section(title, [_text(said), *shown(*names)]) for title, said, *names in _results(study)),
        Section("What this study cannot show", [Words(cannot_show(audit), "caution")]),
        Section("Further cautions", [plain(rest, "list")]),
        Section("For the discussion", [Words(wording("discussion")["questions"], "list")]),
        Section("Checklists", [*filled, *shown("credibility")]),
        Section("References", [Words(told.references.sentences(), "references")]),
        Section("To get the same numbers again", [Words([f"{fact}: {value}" for fact, value in stamp.rows], "list")]),
    ])  # fmt: skip


def _results(study: Study) -> "list[tuple[Any, ...]]":
    """Return the sections of results: title, sentences, names of tables and (after a wave) figures in order."""
    audit, checks = study.audit, study.checks
    parts = (audit.flow, audit.change, audit.responders, audit.comparison)
    flow, change, enough, versus = (part[audit.primary] for part in parts)

    def looked(*names: str) -> list[str]:
        return [text for name in names if name in checks for text in checks[name].sentences()]

    error = [study.icc[0].sentence(), *study.error.sentences(), *study.agreement.sentences(), *looked("errors")]
    compared = [*versus.sentences(), *(versus.checks.sentences() if isinstance(versus, Part) else ())]
    return [
        ("Who was measured", flow.sentences(), "~ flow", "baseline"),
        ("Reliability and measurement error", error, "reliability", "error", "~ agreement", "agreement"),
        ("The change that matters", [*study.mcid.sentences(), *looked("ratings")], "anchor", "~ anchor", "rule",
         "accuracy", "~ mcid", "mcid", "sizes"),
        ("The change of the group", [*change.sentences(), *looked("therapist", "site")], "change", "likeness"),
        ("Who changed enough", [*enough.sentences(), *looked("cross-fitting")], "~ changes", "~ shares", "responders",
         "held out", "~ curve", "missing"),
        ("Compared with others", compared, "comparison", "response", "~ slopes", "slopes", "~ residuals"),
    ]  # fmt: skip


def _attacked(study: Study) -> list[str]:
    """Say the three doubts that move a number most, and that the rest follows in order."""
    doubts = study.checks.get("attacks")
    if not isinstance(doubts, Part) or not doubts.records:
        return ["None of the doubts about these numbers could be computed."]
    said = [f"If {row['doubt']}, the {row['number']} becomes {_becomes(row)[1]} instead of {_becomes(row)[0]}."
            for row in doubts.records[:MOST_SAID]]  # fmt: skip
    beyond = sum(row["moved"] > 1 for row in doubts.records)
    last = f"Of {len(doubts.records)} doubts that were computed {beyond} move a number out of its own interval"
    return [*said, f"{last}; what could not be computed is listed after them."]


def _text(sentences: Iterable[str]) -> Words:
    return Words([" ".join(map(in_words, sentences))])


def write_study(
    study: Study, out: Path, *, stamp: Stamp | None = None, overwrite: bool = False,
    step: Callable[[str], None] = lambda _words: None,
) -> tuple[tuple[Path, ...], tuple[str, ...]]:  # fmt: skip
    """Write the study into a folder, all or none: page, PDF, Word document, figures, tables and references.

    Parameters
    ----------
    study : Study
        What was computed.
    out : Path
        The folder.
    stamp : Stamp, optional
        Files and options of the run; without it, versions and the choices of the study.
    overwrite : bool, optional
        Replace a ``study.docx`` that was edited since it was written; by default it is left alone, and said.
    step : callable, optional
        Told what is being written.

    Returns
    -------
    tuple of Path, tuple of str
        The documents written, and what was left out: because a part is not installed, or not to lose somebody's work.
    """
    study = study.public()
    step("drawing the figures")
    pictures, tables = study_pictures(study), study_tables(study)
    sections = study_sections(study, stamp or made_of((), asdict(study.choices)), pictures, tables)
    lead = f"{study.measure.name}; {study.audit.programme}, {study.audit.before} to {study.audit.after}."
    page = page_html(TITLE, lead, sections)
    writers: dict[str, Callable[[Path], Any]] = {
        "study.html": lambda path: path.write_text(page, encoding="utf-8"),
        "study.pdf": lambda path: write_pdf(TITLE, lead, sections, path),
        "study.docx": lambda path: write_docx(TITLE, lead, sections, path),
        "methods.tex": lambda path: path.write_text(f"{study_methods(study, style='bibtex')}\n", encoding="utf-8"),
        "references.bib": lambda path: path.write_text(_bibtex(study), encoding="utf-8"),
    }
    left = []
    if not overwrite and edited(Path(out) / "study.docx"):
        del writers["study.docx"]
        left.append(f"{Path(out) / 'study.docx'} was edited since it was written and is left as it is. {KEPT}")
    with whole_folder(out) as aside:
        made, left_out = write_each(writers, aside, out, step)
        step("figures and tables")
        for folder in ("figures", "tables"):
            (aside / folder).mkdir()
        for name, picture in pictures.items():
            save_print(picture.drawn, aside / "figures" / name)
        for name, table in tables.items():
            (aside / "tables" / f"{name}.csv").write_text(table.csv(), encoding="utf-8-sig")
            (aside / "tables" / f"{name}.tex").write_text(table.latex(name.replace(" ", "-")), encoding="utf-8")
    return made, (*left, *left_out)


def _bibtex(study: Study) -> str:
    keys = [key for one in study.results for key in told_sources(one)]
    return "\n\n".join(cite(*keys, style="bibtex").sentences()) + "\n"
