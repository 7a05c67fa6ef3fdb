"""A study (capstone): what it computed, in order; its pictures, tables and sections; the files written."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from truechange.figures import save_print
from truechange.foundation import drawing
from truechange.foundation.numbers import decimals_for, fixed, percent, with_interval
from truechange.foundation.result import Part, gathered
from truechange.meaningful_change.estimators import METHODS
from truechange.programme.parts import ByMeasure, Refused
from truechange.programme.studying import Study
from truechange.reporting.audit_pictures import arms, changes, shares
from truechange.reporting.audit_sections import audit_facts, cannot_show, mcid_facts, reliability_facts
from truechange.reporting.audit_tables import (
    audit_tables,
    baseline,
    comparison_tables,
    counted_rows,
    in_words,
    measure_rows,
)
from truechange.reporting.files import Stamp, whole_folder, write_each
from truechange.reporting.files import stamp as made_of
from truechange.reporting.methods import Prose, methods_paragraph, told_sources
from truechange.reporting.page import Picture, Section, Words, edited, numbered, page_html, write_docx, write_pdf
from truechange.reporting.references import checklist, cite
from truechange.reporting.tables import ReadyTable, ready_table

if TYPE_CHECKING:
    import pandas as pd


LISTS = ("grras", "cosmin_error", "consort_outcomes", "consort_pro")
PROMPTS = (
    "Is the MCID larger or smaller than the MDC of one person, and what does that mean for a single patient's verdict?",
    "How do your error and your MCID compare with published ones, and do people, protocol and interval match?",
    "How many of those who changed enough would error alone explain, and how far is the true share from the count?",
    "Who is missing, and could they change the conclusion?",
    "What would have happened without the programme, and what in your design speaks to it?",
    "What would you measure differently: practice trials, blinded ratings, a second baseline, more people?",
)


def study_pictures(study: Study) -> dict[str, Picture]:
    """Draw the figures of the thesis, by file name."""
    audit = study.audit
    enough: Any = audit.responders[audit.primary]
    versus: Any = getattr(audit.comparison[audit.primary], "checks", None)
    drawn = {
        "agreement": study.agreement,
        "mcid": study.mcid,
        "curve": getattr(enough, "curve", enough),
        "slopes": versus,
        "residuals": getattr(versus, "residuals", None),
    }
    made = {
        name: Picture(part.plot(ax=drawing.axes(width=5.2, height=HEIGHTS.get(name, 3.1))), part.alt, CAPTIONS[name])
        for name, part in drawn.items()
        if part is not None and not isinstance(part, Refused)
    }
    others = {"flow": arms(audit), "changes": changes(audit), "shares": shares(audit)}
    if not isinstance(study.mcid, Refused):
        said = f"{study.mcid.anchor.alt} Beside it the share improved by fifths of the change, with the fitted curve."
        others["anchor"] = Picture(study.mcid.plot_anchor()[0], said)
    return made | {name: Picture(one.drawn, one.alt, CAPTIONS[name]) for name, one in others.items() if one is not None}


HEIGHTS = {"mcid": 4.0}  # inches; the others are 3.1
CAPTIONS = {
    "agreement": "Difference of the two tests against their mean, with limits of agreement.",
    "mcid": "Every estimate of the change that matters, from the same people.",
    "anchor": "Mean change for each rating, and share improved by fifths of the change with the fitted curve.",
    "flow": "People from starting to being compared.",
    "slopes": "Improvement on score before in each group: is one adjusted difference enough, is the line straight?",
    "residuals": "Residuals of the analysis of covariance against normal quantiles.",
    "changes": "Every person's improvement against the MDC and the MCID.",
    "shares": "Share that changed enough, beside what error alone gives and the true share.",
    "curve": "Share that changed by at least each amount.",
}


def study_tables(study: Study) -> dict[str, ReadyTable]:
    """Return the tables of the thesis, by file name."""
    name, mcid, key = study.measure.name, study.mcid, study.audit.primary
    whole = audit_tables(study.audit)
    part = {kind: measure_rows(frame, key) for kind, frame in whole.items()}
    icc = _frame([one.estimate.row() | {"form": one.form} for one in study.icc])
    versus: Any = study.audit.comparison[key]
    matters: dict[str, ReadyTable] = {}
    if not isinstance(mcid, Refused):
        methods = mcid.table().rename(index=lambda name: METHODS[name].words).assign(unit=mcid.unit)
        shares = mcid.at_cut.rename(columns={"estimate": "share"}).drop(columns="method")
        matters = {
            "anchor": ready_table(mcid.anchor, "The rating as an anchor"),
            "rule": ready_table(mcid.rule, "The fixed rule that chose the MCID, as it ran on these people"),
            "mcid": ready_table(methods, f"Change that matters: {name}"),
            "accuracy": ready_table(shares, "How well a change by at least the MCID tells who rated an improvement"),
            "sizes": ready_table(mcid.size_references, "Sizes to compare with, which say nothing about importance"),
            "credibility": ready_table(mcid.credibility, "Credibility of the MCID"),
        }
    looked: dict[str, tuple[Any, str]] = {
        "likeness": (study.checks.get("therapist"), "Are people of one therapist alike"),
        "slopes": (getattr(versus, "checks", None), "What the adjusted difference rests on"),
    }
    matters |= {kind: ready_table(one.table(), title) for kind, (one, title) in looked.items() if isinstance(one, Part)}
    if isinstance(versus, Part):
        first, *rest = comparison_tables(versus)
        matters |= {"comparison": replace(first, notes=()), "response": rest[0]}
    return matters | _doubted(study) | {
        "reliability": ready_table(icc, f"Reliability: {name}"),
        "error": ready_table(study.error.table(), f"Measurement error: {name}"),
        "agreement": ready_table(study.agreement.table(), f"Agreement of the two tests: {name}"),
        "baseline": baseline(whole["baseline"]),
        "change": ready_table(part["change"], f"Change of the group: {name}"),
        "responders": ready_table(counted_rows(part["changed enough"], study.audit), f"Who changed enough: {name}"),
        "missing": ready_table(part["missing"], "Share that changed enough, by what is assumed of the missing"),
    }  # fmt: skip


def _doubted(study: Study) -> dict[str, ReadyTable]:
    """Return the doubts in order, and the people counted with an MCID they had no part in."""
    doubts, fit = study.checks.get("attacks"), study.checks.get("cross-fitting")
    made = {}
    if isinstance(doubts, Part):
        rows = [(row["doubt"], row["number"], *_becomes(row), fixed(row["moved"], 1)) for row in doubts.records]
        head = ("if", "the number", "as told (95% CI)", "becomes", "moved")
        note = "Moved: how far, in halves of the number's own interval; above 1 it leaves the interval."
        made["attacks"] = ReadyTable(
            "What a reader may attack, by how far it moves the number", head, tuple(rows), (note,)
        )
    if isinstance(fit, Part):
        cells = [(row["quantity"], with_interval(row["same_people"], row["low"], row["high"]),
                  with_interval(row["held_out"], row["held_out_low"], row["held_out_high"]))
                 for row in fit.table().to_dict("records")]  # fmt: skip
        heads = ("", "MCID from the same people (95% CI)", "MCID from other people (95% CI)")
        made["held out"] = ReadyTable("Internal validation by cross-fitting", heads, tuple(cells))
    return made


def _becomes(row: dict[Any, Any]) -> tuple[str, str]:
    """Write a number as it is told, and what it becomes: a share as a percentage."""
    places = None if row["number"].startswith("share") else decimals_for(row["low"], row["high"], row["told"])
    unit = f" {row['unit']}" if row["unit"] else ""
    ends = dict.fromkeys(percent(row[end]) if places is None else fixed(row[end], places) for end in ("least", "most"))
    told = with_interval(row["told"], row["low"], row["high"], places)
    return told.replace(" (", f"{unit} (", 1), f"{' to '.join(ends)}{unit}"


def _frame(rows: list[dict[str, object]]) -> "pd.DataFrame":
    import pandas as pd

    return pd.DataFrame(rows)[["form", "estimate", "low", "high", "n", "method"]]


def study_methods(study: Study, cited: tuple[str, ...] = (), style: str = "numbered") -> Prose:
    """Word the methods paragraph of a study from what it computed; `cited` are sources the text around it uses."""
    return methods_paragraph(*study.results, options=study.options, cited=cited, style=style)


def study_sections(
    study: Study, stamp: Stamp, pictures: Mapping[str, Picture], tables: Mapping[str, ReadyTable]
) -> list[Section]:
    """Lay the study out: the answer, what may be attacked, methods, results, limits, checklists, references, stamp."""
    audit = study.audit
    known = audit_facts(audit) | reliability_facts(study.error, study.measure, study.agreement)
    known |= {} if isinstance(study.mcid, Refused) else mcid_facts(study.mcid)
    lists = [checklist(name, known) for name in LISTS]
    told = study_methods(study, cited=tuple(key for one in lists for key in one.sources))
    filled = [block for one in lists for block in (Words(one.sentences()), one.ready())]
    parts = (audit.change[audit.primary], audit.comparison[audit.primary], *study.checks.values())
    weak = gathered((), study.error, study.agreement, study.mcid, *parts)
    rest = [text for text in study.cautions if text not in weak]

    def shown(*names: str) -> list[Picture | ReadyTable]:
        found = (pictures.get(name[2:]) if name.startswith("~ ") else tables.get(name) for name in names)
        return [block for block in found if block is not None]

    return numbered([
        Section("The answer", [_list(_answer(study), "answer")]),
        Section("What a reader may attack", [_text(_attacked(study)), *shown("attacks"), _list(weak)]),
        Section("Methods", [Words(told.paragraphs)]),
        *(Section(title, [_text(said), *shown(*names)]) for title, said, *names in _results(study)),
        Section("What this study cannot show", [Words(cannot_show(audit), "caution")]),
        Section("Further cautions", [_list(rest)]),
        Section("For the discussion", [Words(PROMPTS, "list")]),
        Section("Checklists", [*filled, *shown("credibility")]),
        Section("References", [Words(told.references.sentences(), "references")]),
        Section("To get the same numbers again", [Words([f"{fact}: {value}" for fact, value in stamp.rows], "list")]),
    ])  # fmt: skip


def _results(study: Study) -> "list[tuple[Any, ...]]":
    """Return the sections of results: title, sentences, names of tables and (after a wave) figures in order."""
    audit, key, checks = study.audit, study.audit.primary, study.checks
    parts = (audit.flow, audit.change, audit.responders, audit.comparison)
    flow, change, enough, versus = (_of(part, key) for part in parts)

    def looked(*names: str) -> list[str]:
        return [text for name in names if name in checks for text in checks[name].sentences()]

    error = [*study.icc[0].sentences()[:1], *study.error.sentences(), *study.agreement.sentences(), *looked("errors")]
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


def _answer(study: Study) -> list[str]:
    """Return the answer: error, MCID, who changed enough, how much the group changed, and against whom."""
    key = study.audit.primary
    parts = (study.audit.change, study.audit.comparison)
    return [*study.sentences(), *(part[key].sentence() for part in parts)]


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


def _list(sentences: Iterable[str], kind: str = "list") -> Words:
    return Words([in_words(text) for text in sentences], kind)


def _text(sentences: Sequence[str]) -> Words:
    return Words([" ".join(map(in_words, sentences))])


def _of(part: ByMeasure, measure: str) -> Any:
    return part[measure]


MOST_SAID = 3
KEPT = "Move or rename it, or add --overwrite to replace it."
TITLE = "Measurement error, meaningful change and responders"


def write_study(
    study: Study,
    out: Path,
    *,
    stamp: Stamp | None = None,
    overwrite: bool = False,
    step: Callable[[str], None] = lambda _words: None,
) -> tuple[tuple[Path, ...], tuple[str, ...]]:
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
