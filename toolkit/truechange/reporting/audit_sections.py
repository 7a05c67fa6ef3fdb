"""The audit in sections: the answer on the first page, then every part with its numbers, cautions and sources."""

from typing import Any

import pandas as pd

from truechange.foundation import drawing
from truechange.foundation.result import Result
from truechange.measures import measure as measure_named
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.parts import Refused
from truechange.reporting.audit_pictures import all_tests, baseline, changes, shares, steps
from truechange.reporting.audit_tables import measure_rows
from truechange.reporting.checklists import checklist
from truechange.reporting.known_facts import audit_facts
from truechange.reporting.page import Block, Columns, Picture, Section, Words
from truechange.reporting.references import cite
from truechange.reporting.small_cells import HIDDEN
from truechange.reporting.stamp import Stamp
from truechange.reporting.tables import ready_table
from truechange.reporting.wording import cannot_show, concerning, once

LISTS = ("consort_outcomes", "consort_pro")
SMALL = "Counts of one to four people in a breakdown are hidden, and a second one where the total would give them away."
UNIT_COLUMNS = ("site", "therapist", "started", "changed_enough", "share", "low", "high", "shrunken")


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
    refused = _refusals(audit)
    return [
        _answer(audit, tables),
        *(section for _, section in parts),
        Section("Cautions", [Words(audit.cautions, "list")]),
        *([Section("Not computed, and why", [Words(refused, "list")])] if refused else []),
        Section("Methods and references", [Words(once(method), "list"), Words(sources.sentences(), "references")]),
        Section("Reporting checklists", [block for one in lists for block in (Words(one.sentences()), one.ready())]),
        Section("To get the same numbers again", [Words([f"{fact}: {value}" for fact, value in stamp.rows], "list")]),
    ]


def _answer(audit: ProgrammeAudit, tables: dict[str, pd.DataFrame]) -> Section:
    flow = measure_rows(tables["flow"], audit.primary)
    beside = [steps(audit, flow), *([shown] if (shown := shares(audit)) else [])]
    pictures = Columns([[changes(audit)], beside])
    return Section("The answer", [Words(audit.sentences(), "answer"), pictures, Words(cannot_show(audit), "caution")])


def _parts(audit: ProgrammeAudit, tables: dict[str, pd.DataFrame]) -> list[tuple[Result, Section]]:
    first = audit.primary
    title, step = audit.flow.names[first], measure_named(first).resolution

    def about(part: Result, key: str, words: str, **options: Any) -> list[Block]:
        one: Any = concerning(part, first)
        if one is None or isinstance(one, Refused):  # told under "Not computed"
            return []
        blocks: list[Block] = [Words(one.sentences()[:1] if key == "flow" else one.sentences())]
        rows = measure_rows(tables[key], first).dropna(axis="columns", how="all")
        if key != "error and importance" or "estimate" in rows:
            hidden = (SMALL,) if (rows == HIDDEN).any(axis=None) else ()
            blocks.append(ready_table(rows, words, notes=(*hidden, *one.cautions), **options))
        return blocks

    def unit(part: Result, key: str, words: str) -> list[Block]:
        one: Any = part
        limits = getattr(one, "dispersion", float("nan")) == getattr(one, "dispersion", float("nan"))
        return [
            *about(part, key, words, names=UNIT_COLUMNS),
            *([Picture(one.plot(ax=_small()), one.alt)] if limits else []),
        ]

    enough: Any = audit.responders[first]
    drawn = getattr(enough, "curve", None)
    curve = [] if drawn is None or isinstance(drawn, Refused) else [Picture(drawn.plot(ax=_small()), drawn.alt)]
    who: list[Block] = [Words(audit.baseline.sentences()), baseline(tables["baseline"])]
    sections: list[tuple[Result, str, list[Block]]] = [
        (audit.flow, "Who could be compared", about(audit.flow, "flow", f"From starting to being counted: {title}")),
        (audit.baseline, "Who they were", who),
        (audit.change, "How much the group changed",
         about(audit.change, "change", f"Change: {title}", resolution=step)),
        (audit.responders, "Who changed enough",
         [*about(audit.responders, "changed enough", f"Changed by at least a threshold: {title}"), *curve]),
        (audit.missing, "People without a follow-up",
         about(audit.missing, "missing", "Share that changed enough, by what is assumed of the missing")),
        (audit.comparison, "Compared with others", about(audit.comparison, "comparison", f"Comparison: {title}")),
        (audit.change, "All tests looked at", [all_tests(audit)] if len(audit.measures) > 1 else []),
        (audit.known, "Measurement error and the change that matters",
         about(audit.known, "error and importance", f"What a change is held against: {title}", resolution=step)),
        (audit.dose, "Training done", about(audit.dose, "training", "Training of those who started")),
        (audit.sites, "Sites", unit(audit.sites, "sites", "Sites, in order of their names")),
        (audit.therapists, "Therapists", unit(audit.therapists, "therapists", "Therapists, numbered")),
    ]  # fmt: skip
    return [(part, Section(words, blocks)) for part, words, blocks in sections if blocks]


def _small() -> Any:
    return drawing.axes(width=5.2, height=3.0)


def _refusals(audit: ProgrammeAudit) -> tuple[str, ...]:
    """Say each reason once, with the parts and the tests it stops."""
    found: dict[str, dict[str, list[str]]] = {}
    for part in (audit.known, audit.change, audit.responders, audit.missing, audit.comparison):
        for measure, piece in part.parts.items():
            for one in [piece] if isinstance(piece, Refused) else getattr(piece, "refused", ()):
                found.setdefault(one.reason, {}).setdefault(audit.flow.names[measure], []).append(one.part.lower())
    for whole in (audit.dose, audit.sites, audit.therapists):
        if isinstance(whole, Refused):
            found.setdefault(whole.reason, {}).setdefault("", []).append(whole.part.lower())
    said = []
    for reason, tests in found.items():
        parts = once(part for names in tests.values() for part in names)
        where = ", ".join(name for name in tests if name)
        said.append(f"{where + ': ' if where else ''}{', '.join(parts)}. {reason}")
    return tuple(said)
