"""The audit in sections: the answer first, then every part with its numbers, cautions, sources; scope and limits."""

import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pandas as pd

from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.result import Part, Result, told
from truechange.measures import Measure
from truechange.measures import measure as measure_named
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.flow import fact_words
from truechange.programme.parts import ByMeasure, Refused
from truechange.reporting import audit_pictures as pictures
from truechange.reporting import audit_tables as tables_of
from truechange.reporting.audit_tables import EQUAL_START, in_words, measure_rows
from truechange.reporting.files import Stamp
from truechange.reporting.first_page import first_page
from truechange.reporting.page import Block, Columns, Section, Words
from truechange.reporting.references import checklist, cite
from truechange.reporting.tables import ReadyTable, ready_table

INFORMS = (
    "These numbers inform a judgement; they do not diagnose. Local rules and a licensed clinician decide about any one "
    "person."
)
CHANGED = (
    "“Changed by at least” is meant as it stands. It does not say that a person responded to the programme: one score "
    "before and one after cannot tell a person's own response from chance and from a good or bad day."
)
ALONE = (
    "Nobody here was compared with people left alone. People also change by themselves, by repeating a test, and "
    "because they come when they are at their worst; none of that can be taken out of a before-after comparison."
)
COMPARED = (
    "The people compared with were not chosen by lot, unless you know that they were: differences between the groups "
    "that nobody measured remain in the result."
)
WHO = (
    "Nor can it say for whom the programme works best: that would need each person measured several times with and "
    "without it."
)


def cannot_show(audit: ProgrammeAudit) -> tuple[str, ...]:
    """Return what this audit cannot show."""
    compared = any(not isinstance(part, Refused) for part in audit.comparison.parts.values())
    return (COMPARED if compared else ALONE, CHANGED, WHO, INFORMS)


def scope(audit: ProgrammeAudit, stamp: Stamp | None = None) -> str:
    """Say in one line what was audited (title block): clinic, programme, people, visits, day of the count, tests."""
    run = dict(stamp.rows) if stamp else {}
    names = audit.flow.names
    others = [names[measure] for measure in audit.measures if measure != audit.primary]
    day = audit.rule.as_of
    facts = {
        run.get("clinic", ""): "clinic" in run,
        audit.programme + (f" compared with {audit.compare}" if audit.compare else ""): True,
        f"people who {audit.period}": audit.period,
        f"{audit.before} to {audit.after}": True,
        f"counted on {day:%Y-%m-%d}" if day is not None else "": day is not None,
        f"primary test: {names[audit.primary]}": True,
        f"also looked at: {', '.join(others)}": others,
        f"responsible: {run.get('author', '')}": "author" in run,
    }
    return " · ".join(told(facts))


def concerning(part: object, measure: str) -> object:
    """Return what a part says about one test, or the part itself where it is not split by test."""
    return part.parts.get(measure) if isinstance(part, ByMeasure) else part


def once(texts: Iterable[str]) -> tuple[str, ...]:
    """Return the texts, each once, in order."""
    return tuple(dict.fromkeys(texts))


def instrument(measure: str) -> str:
    """Name a test with its unit, direction and smallest step."""
    test = measure_named(measure)
    return f"{test.name} ({test.unit}, {test.better} is better, read to {test.resolution:g})"


def audit_facts(audit: ProgrammeAudit) -> dict[str, str]:
    """Return the facts of an audit by the names the checklists ask for."""
    first = audit.primary
    known: Any = audit.known[first]
    flow: Any = audit.flow[first]
    missing: Any = audit.missing[first]
    facts = {
        "outcomes": "; ".join(instrument(measure) for measure in audit.measures),
        "occasions": f"{audit.before} and {audit.after}",
        "flow": flow.sentence(),
        "looks": f"{len(audit.measures)}, all reported",
    }
    if len(audit.measures) > 1:
        facts["primary"] = f"{audit.flow.names[first]} was given as primary; whether beforehand is for you to say"
    if isinstance(known.sem, Estimate):
        facts["reliability"] = f"SEM {known.sem}, {known.sem.origin.sentence()}"
    if isinstance(known.mcid, Threshold):
        facts["mcid"] = f"{known.mcid}; {known.mcid.method.replace('_', ' ')}; {known.mcid.origin.sentence()}"
        facts["threshold"] = f"improvement of at least the MCID, compared unrounded, of all {flow.due} due"
    if not isinstance(missing, Refused):
        ways = ", ".join(missing.table()["way"].astype(str)) if "way" in missing.table() else ""
        facts["missing"] = f"shown side by side: {ways}" if ways else missing.sentence()
    return facts


def reliability_facts(error: Any, test: Measure, agreement: Any = None) -> dict[str, str]:
    """Return the facts of a retest study."""
    origin = error.sem.origin
    facts = {
        "instrument": instrument(test.key),
        "statistics": f"SEM ({error.error}): {error.sem.method}; MDC: {error.mdc95.method}",
        "included": f"{error.sem.n} people, {len(error.trials)} repeats each; testers: for you to say",
        "estimates": f"SEM {error.sem}; MDC95 {error.mdc95}",
        "meaning": error.sentence(),
        "details": "tables and figures of this report; the data stay with you",
        "shift": f"mean gain from the first to the second test {error.learning}",
        "protocol": f"had to match: {', '.join(map(fact_words, test.protocol))}" if test.protocol else "",
        "population": origin.population,
        "interval": origin.interval,
    }
    if agreement is not None:
        facts["estimates"] += f"; limits of agreement {agreement.lower} and {agreement.upper}"
    return {name: text for name, text in facts.items() if text}


def mcid_facts(study: Any) -> dict[str, str]:
    """Return the facts of an MCID study."""
    rated = f"correlation with the change {study.anchor.correlation}, {study.n} people"
    facts = {"question": rated}
    if study.recommended is not None:
        facts["mcid"] = f"{study.recommended}, chosen by a fixed rule among all estimators"
    return facts


WORDS_USED = Path(__file__).with_name("words_used.toml")
LISTS = ("consort_outcomes", "consort_pro")
NO_RULE = (
    "What taking people in for a low score gives by itself is not computed: that needs the entry rule, and better also "
    "the mean and SD of everyone screened."
)
TABLES_ONLY = ("effect size (average SD)", "correlation", "p (paired t)")  # in the workbook, or said in a sentence
UNIT_COLUMNS = ("site", "therapist", "due", "changed_enough", "share", "low", "high", EQUAL_START)


def audit_sections(audit: ProgrammeAudit, tables: dict[str, pd.DataFrame], stamp: Stamp) -> list[Section]:
    """Lay an audit out.

    Parameters
    ----------
    audit : ProgrammeAudit
        What was computed.
    tables : dict of str to DataFrame
        Its tables as they may be shown, by :func:`truechange.reporting.audit_tables.audit_tables`.
    stamp : Stamp
        For the last section.
    """
    lists = [checklist(name, audit_facts(audit)) for name in LISTS]
    sources = cite(audit, *lists)
    parts = _parts(audit, tables)
    method = [f"{section.title} {sources.marks(*part.sources)}" for part, section in parts if part.sources]
    refused, answer = _refusals(audit), _answer(audit, tables)
    used = words_used([answer, *(section for _, section in parts)])
    return [
        first_page(audit, ALONE),
        answer,
        Section("Words used", [Words(used, "list")]),
        *(section for _, section in parts),
        Section("Appendix: cautions", [Words(list(map(in_words, audit.cautions)), "list")]),
        *([Section("Appendix: not computed, and why", [Words(refused, "list")])] if refused else []),
        Section("Appendix: methods and references",
                [Words(["; ".join(once(method)) + "."]), Words(sources.sentences(), "references")]),
        Section("Appendix: reporting checklists",
                [block for one in lists for block in (Words(one.sentences()), one.ready())]),
        Section("Appendix: to get the same numbers again", [Words(_stamp_lines(stamp), "references")]),
    ]  # fmt: skip


def words_used(sections: Iterable[Section]) -> list[str]:
    """Explain each trade word that stands in the sections (glossary), once."""
    explained = tomllib.loads(WORDS_USED.read_text(encoding="utf-8"))
    text = " ".join(repr(block) for section in sections for block in section.blocks
                    if isinstance(block, Words | ReadyTable))  # fmt: skip
    return list(once(meaning for word, meaning in explained.items() if word in text))


def _answer(audit: ProgrammeAudit, tables: dict[str, pd.DataFrame]) -> Section:
    flow = measure_rows(tables["flow"], audit.primary)
    right = [pictures.steps(audit, flow), *([shown] if (shown := pictures.shares(audit)) else [])]
    everyone = pictures.changes(audit)
    columns = Columns([[everyone], right] if everyone else [right])
    return Section(
        "The answer in full",
        [
            Words([in_words(text) for text in audit.sentences()], "answer"),
            columns,
            Words(cannot_show(audit), "caution"),
        ],
        starts_page=True,
    )


def _parts(audit: ProgrammeAudit, tables: dict[str, pd.DataFrame]) -> list[tuple[Result, Section]]:
    first = audit.primary
    title, step = audit.flow.names[first], measure_named(first).resolution

    def about(part: Result, key: str, words: str, **options: Any) -> list[Block]:
        one: Any = concerning(part, first)
        if one is None or isinstance(one, Refused):  # told under "Not computed"
            return []
        said = one.sentences()[:1] if key == "flow" else one.sentences()
        blocks: list[Block] = [Words([in_words(text) for text in said])]
        rows = measure_rows(tables[key], first).dropna(axis="columns", how="all")
        if key == "change":
            rows = rows[~rows["quantity"].isin(TABLES_ONLY)].reset_index(drop=True)
        if key != "error and importance" or "estimate" in rows:
            blocks.append(ready_table(rows, words, notes=one.cautions, **options))
        return blocks

    def unit(part: Result, key: str, words: str) -> list[Block]:
        if not isinstance(part, Part):
            return []
        rows = tables[key]
        drawn = pictures.units(part, rows, key.removesuffix("s"))
        shown = rows if drawn else tables_of.at_equal_start(rows, audit.primary)  # drawn, or one more column
        table = ready_table(shown, words, names=UNIT_COLUMNS, notes=part.cautions)
        return [Words(part.sentences()), table, *pictures.beside(drawn)]

    versus: Any = concerning(audit.comparison, first)
    compared: list[Block] = []
    if isinstance(versus, Part):
        compared = [Words(versus.sentences()), *tables_of.comparison_tables(versus)]
    who: list[Block] = [Words(audit.baseline.sentences()), tables_of.baseline(tables["baseline"])]
    sections: list[tuple[Result, str, list[Block]]] = [
        (audit.flow, "Who could be compared", about(audit.flow, "flow", f"From starting to being counted: {title}")),
        (audit.quality, "The rows behind it, and how the test was done", _rows(audit, tables)),
        (audit.baseline, "Who they were", who),
        (audit.change, "How much the group changed",
         about(audit.change, "change", f"Change: {title}", resolution=step)),
        (audit.regression, "Did they come at their worst",
         _start(audit)),
        (audit.responders, "Who changed enough", _enough(audit, tables)),
        (audit.missing, "People without a follow-up", _missing(audit, tables)),
        (audit.comparison, "Compared with others", compared),
        (audit.change, "All tests looked at", [tables_of.all_tests(audit)] if len(audit.measures) > 1 else []),
        (audit.known, "Measurement error and the change that matters",
         about(audit.known, "error and importance", f"What a change is held against: {title}", resolution=step)),
        (audit.periods, "From period to period", _trend(audit, tables)),
        (audit.dose, "Training done", _training(audit.dose)),
        (audit.sites, "Sites", unit(audit.sites, "sites", "Sites, in order of their names")),
        (audit.therapists, "Therapists", unit(audit.therapists, "therapists", "Therapists, numbered")),
    ]  # fmt: skip
    return [(part, Section(words, blocks)) for part, words, blocks in sections if blocks]


def _training(dose: Result) -> list[Block]:
    if not isinstance(dose, Part):
        return []
    return [Words(dose.sentences()), *pictures.beside(pictures.training(dose)), tables_of.training_table(dose)]


def _trend(audit: ProgrammeAudit, tables: dict[str, pd.DataFrame]) -> list[Block]:
    part: Any = audit.periods[audit.primary]
    if len(part.usable) < 2:
        return []
    rows = tables_of.trend_rows(measure_rows(tables["periods"], audit.primary), audit.primary)
    table = ready_table(rows, f"By the {part.every} in which people started", notes=part.cautions)
    return [Words(part.sentences()), table, *pictures.beside(pictures.trend_charts(part))]


def _rows(audit: ProgrammeAudit, tables: dict[str, pd.DataFrame]) -> list[Block]:
    """Say where the rows of the file went, and what of the protocol was recorded and the same."""
    done: Any = concerning(audit.protocols, audit.primary)
    blocks: list[Block] = [
        Words([*audit.quality.sentences(), done.sentence()]),
        ready_table(tables["rows"], "Rows of the file", notes=audit.quality.cautions),
    ]
    if "fact" in tables.get("protocols", ()):
        rows = measure_rows(tables["protocols"], audit.primary)
        rows = rows.assign(fact=rows["fact"].str.replace("_", " "))
        blocks.append(ready_table(rows, f"How it was done: {audit.flow.names[audit.primary]}", notes=done.cautions))
    return blocks


def _start(audit: ProgrammeAudit) -> list[Block]:
    part = audit.regression[audit.primary]
    if not isinstance(part, Part):
        return []
    asked = () if part.from_selection is not None else (NO_RULE,)
    return [Words((*part.sentences(), *part.cautions, *asked))]


def _enough(audit: ProgrammeAudit, tables: dict[str, pd.DataFrame]) -> list[Block]:
    part = audit.responders[audit.primary]
    if not isinstance(part, Part):
        return []
    rows = tables_of.counted_rows(measure_rows(tables["changed enough"], audit.primary), audit)
    name = audit.flow.names[audit.primary]
    blocks: list[Block] = [
        Words([in_words(text) for text in part.sentences()]),
        ready_table(rows, f"Changed by at least a threshold: {name}", notes=part.cautions),
    ]
    if "threshold choice" in tables:
        blocks += pictures.beside(
            pictures.how_many_changed(audit, measure_rows(tables["threshold choice"], audit.primary))
        )
    return blocks


def _missing(audit: ProgrammeAudit, tables: dict[str, pd.DataFrame]) -> list[Block]:
    part = audit.missing[audit.primary]
    if not isinstance(part, Part):
        return []
    word = tables_of.held_to(audit, audit.primary)
    known: Any = audit.known[audit.primary]
    size = known.mcid.value if word == "MCID" else known.mdc.value

    rows = measure_rows(tables["missing"], audit.primary).dropna(axis="columns", how="all")
    title = "Share that changed enough, by what is assumed of the missing"
    blocks: list[Block] = [Words(part.sentences()), ready_table(rows, title, notes=part.cautions)]
    if part.mean is not None and part.missing:
        worse = measure_rows(tables["tipping point"], audit.primary)
        drawn = pictures.how_far_it_holds(part, measure_named(audit.primary).unit)
        blocks += [tables_of.tipping_table(worse, audit.primary, word, size), *pictures.beside(drawn)]
    return blocks


def _stamp_lines(stamp: Stamp) -> list[str]:
    """Give every file a line, and everything else one together."""
    told = [f"{fact}: {value}" for fact, value in stamp.rows]
    files = [text for text in told if text.startswith("SHA-256")]
    return ["; ".join(text for text in told if text not in files), *files]


def _refusals(audit: ProgrammeAudit) -> tuple[str, ...]:
    """Say each reason once, with the parts and the tests it stops."""
    found: dict[str, dict[str, list[str]]] = {}
    for part in (audit.known, audit.change, audit.responders, audit.missing, audit.comparison, audit.regression):
        for measure, piece in part.parts.items():
            for one in [piece] if isinstance(piece, Refused) else getattr(piece, "refused", ()):
                found.setdefault(in_words(one.reason), {}).setdefault(audit.flow.names[measure], []).append(
                    one.part.lower()
                )
    for whole in (audit.dose, audit.sites, audit.therapists):
        if isinstance(whole, Refused):
            found.setdefault(whole.reason, {}).setdefault("", []).append(whole.part.lower())
    said = []
    for reason, tests in found.items():
        parts = once(part for names in tests.values() for part in names)
        where = ", ".join(name for name in tests if name)
        said.append(f"{where + ': ' if where else ''}{', '.join(parts)}. {reason}")
    return tuple(said)
