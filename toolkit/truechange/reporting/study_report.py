"""A study (capstone): what it computed, in order; its pictures, tables and sections; the files written."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from truechange.figures import save_print
from truechange.foundation import drawing
from truechange.meaningful_change.estimators import METHODS
from truechange.programme.parts import ByMeasure, Refused
from truechange.programme.studying import Study
from truechange.reporting.audit_pictures import changes, shares, steps
from truechange.reporting.audit_sections import audit_facts, cannot_show, mcid_facts, reliability_facts
from truechange.reporting.audit_tables import audit_tables, baseline, in_words, measure_rows
from truechange.reporting.files import Stamp, whole_folder, write_each
from truechange.reporting.files import stamp as made_of
from truechange.reporting.methods import Prose, methods_paragraph, told_sources
from truechange.reporting.page import Picture, Section, Words, edited, page_html, write_docx, write_pdf
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
    flow = measure_rows(audit_tables(audit)["flow"], audit.primary)
    enough: Any = audit.responders[audit.primary]
    drawn = {
        "agreement": study.agreement,
        "mcid": study.mcid,
        "anchor": getattr(study.mcid, "anchor", study.mcid),
        "curve": getattr(enough, "curve", enough),
    }
    made = {
        name: Picture(part.plot(ax=drawing.axes(width=5.2, height=HEIGHTS.get(name, 3.1))), part.alt, CAPTIONS[name])
        for name, part in drawn.items()
        if not isinstance(part, Refused)
    }
    others = {"flow": steps(audit, flow), "changes": changes(audit), "shares": shares(audit)}
    return made | {name: Picture(one.drawn, one.alt, CAPTIONS[name]) for name, one in others.items() if one is not None}


HEIGHTS = {"mcid": 4.0}  # inches; the others are 3.1
CAPTIONS = {
    "agreement": "Difference of the two tests against their mean, with limits of agreement.",
    "mcid": "Every estimate of the change that matters, from the same people.",
    "anchor": "Mean change for each rating of change.",
    "flow": "People from starting to being compared.",
    "changes": "Every person's improvement against the MDC and the MCID.",
    "shares": "Share that changed enough, beside what error alone gives and the true share.",
    "curve": "Share that changed by at least each amount.",
}


def study_tables(study: Study) -> dict[str, ReadyTable]:
    """Return the tables of the thesis, by file name."""
    step, name, mcid = study.measure.resolution, study.measure.name, study.mcid
    tables = audit_tables(study.audit)
    part = {key: measure_rows(frame, study.audit.primary) for key, frame in tables.items()}
    icc = _frame([one.estimate.row() | {"form": one.form} for one in study.icc])
    versus = part["comparison"].dropna(axis="columns", how="all")
    missing = "Share that changed enough, by what is assumed of the missing"
    matters: dict[str, ReadyTable] = {}
    if not isinstance(mcid, Refused):
        methods = mcid.table().rename(index=lambda name: METHODS[name].words).assign(unit=mcid.unit)
        matters = {
            "anchor": ready_table(mcid.anchor, "The rating as an anchor"),
            "mcid": ready_table(methods, f"Change that matters: {name}", resolution=step, notes=mcid.cautions),
            "sizes": ready_table(mcid.size_references, "Sizes to compare with, which say nothing about importance"),
            "credibility": ready_table(mcid.credibility, "Credibility of the MCID"),
        }
    return matters | {
        "reliability": ready_table(icc, f"Reliability: {name}"),
        "error": ready_table(study.error, f"Measurement error: {name}", resolution=step),
        "agreement": ready_table(study.agreement, f"Agreement of the two tests: {name}", resolution=step),
        "baseline": baseline(tables["baseline"]),
        "change": ready_table(part["change"], f"Change of the group: {name}", resolution=step),
        "responders": ready_table(part["changed enough"], f"Who changed enough: {name}"),
        "missing": ready_table(part["missing"], missing),
        "comparison": ready_table(versus, f"Compared with others: {name}"),
    }


def _frame(rows: list[dict[str, object]]) -> "pd.DataFrame":
    import pandas as pd

    return pd.DataFrame(rows)[["form", "estimate", "low", "high", "n", "method"]]


def study_methods(study: Study, cited: tuple[str, ...] = ()) -> Prose:
    """Word the methods paragraph of a study from what it computed; `cited` are sources the text around it uses."""
    return methods_paragraph(*study.results, options=study.options, cited=cited)


def study_sections(
    study: Study, stamp: Stamp, pictures: Mapping[str, Picture], tables: Mapping[str, ReadyTable]
) -> list[Section]:
    """Lay the study out, from the methods paragraph to the reproducibility stamp."""
    audit = study.audit
    known = audit_facts(audit) | reliability_facts(study.error, study.measure, study.agreement)
    known |= {} if isinstance(study.mcid, Refused) else mcid_facts(study.mcid)
    lists = [checklist(name, known) for name in LISTS]
    told = study_methods(study, cited=tuple(key for one in lists for key in one.sources))
    parts = (audit.flow, audit.change, audit.responders, audit.comparison)
    flow, change, enough, versus = (_of(part, audit.primary) for part in parts)
    error = [*study.icc[0].sentences()[:1], *study.error.sentences(), *study.agreement.sentences()]
    filled = [block for one in lists for block in (Words(one.sentences()), one.ready())]
    cautions = [in_words(text) for text in study.cautions]

    def shown(*names: str) -> list[Picture | ReadyTable]:
        found = (pictures.get(name[2:]) if name.startswith("~ ") else tables.get(name) for name in names)
        return [block for block in found if block is not None]

    return [
        Section("Methods", [Words(told.paragraphs)]),
        Section("Who was measured", [Words(flow.sentences()[:1]), *shown("~ flow", "baseline")]),
        Section(
            "Reliability and measurement error",
            [_text(error), *shown("reliability", "error", "~ agreement", "agreement")],
        ),
        Section(
            "The change that matters",
            [_text(study.mcid.sentences()), *shown("anchor", "~ anchor", "~ mcid", "mcid", "sizes")],
        ),
        Section("The change of the group", [_text(change.sentences()), *shown("change")]),
        Section(
            "Who changed enough",
            [_text(enough.sentences()), *shown("~ changes", "~ shares", "responders", "~ curve", "missing")],
        ),
        Section("Compared with others", [_text(versus.sentences()), *shown("comparison")]),
        Section("What this study cannot show", [Words(cannot_show(audit), "caution")]),
        Section("Cautions", [Words(cautions, "list")]),
        Section("For the discussion", [Words(PROMPTS, "list")]),
        Section("Checklists", [*filled, *shown("credibility")]),
        Section("References", [Words(told.references.sentences(), "references")]),
        Section("To get the same numbers again", [Words([f"{fact}: {value}" for fact, value in stamp.rows], "list")]),
    ]


def _text(sentences: Sequence[str]) -> Words:
    return Words([" ".join(map(in_words, sentences))])


def _of(part: ByMeasure, measure: str) -> Any:
    return part[measure]


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
            (aside / "tables" / f"{name}.tex").write_text(table.latex(), encoding="utf-8")
    return made, (*left, *left_out)


def _bibtex(study: Study) -> str:
    keys = [key for one in study.results for key in told_sources(one)]
    return "\n\n".join(cite(*keys, style="bibtex").sentences()) + "\n"
