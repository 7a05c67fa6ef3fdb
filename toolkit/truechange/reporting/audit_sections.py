"""The audit in sections: the answer on the first page, then every part with its numbers, cautions and sources."""

from typing import Any

import pandas as pd

from truechange.figures import changes_against_thresholds
from truechange.foundation.estimate import Threshold
from truechange.foundation.result import Result
from truechange.measures import measure as measure_named
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.parts import Refused
from truechange.reporting.audit_tables import measure_rows
from truechange.reporting.checklists import checklist
from truechange.reporting.known_facts import audit_facts
from truechange.reporting.page import Block, Picture, Row, Section, Words
from truechange.reporting.references import cite
from truechange.reporting.stamp import Stamp
from truechange.reporting.tables import ReadyTable, ready_table
from truechange.reporting.wording import cannot_show, concerning, once

LISTS = ("consort_outcomes", "consort_pro")
SMALL = "Counts of one to four people in a breakdown are hidden, and a second one where the total would give them away."


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
    method = [f"{section.title}: {sources.marks(*part.sources)}." for part, section in parts if part.sources]
    return [
        _answer(audit),
        *(section for _, section in parts),
        Section("Cautions", [Words(audit.cautions, "list")]),
        *([Section("Not computed, and why", [Words(_refusals(audit), "list")])] if audit.refused else []),
        Section(
            "Reporting checklists",
            [Words([SMALL, *(text for one in lists for text in one.sentences())]), *(one.ready() for one in lists)],
            starts_page=True,
        ),
        Section("Methods and references", [Words(once(method), "list"), Words(sources.sentences())]),
        Section("To get the same numbers again", [ReadyTable("Reproducibility", ("fact", "value"), stamp.rows)]),
    ]


def _answer(audit: ProgrammeAudit) -> Section:
    pictures = [
        Picture(part.plot(ax=None), part.alt)
        for part in (audit.flow[audit.primary], audit.responders[audit.primary])
        if not isinstance(part, Refused)
    ]
    pictures.insert(1, _changes(audit))
    limits = Words(cannot_show(audit), "caution")
    return Section("The answer", [Words(audit.sentences(), "answer"), Row(pictures), limits])


def _changes(audit: ProgrammeAudit) -> Picture:
    known: Any = audit.known[audit.primary]
    mcid = known.mcid if isinstance(known.mcid, Threshold) else None
    drawn = changes_against_thresholds(audit.pairs[audit.primary]["improvement"], mdc=known.mdc, mcid=mcid)
    said = " ".join(text for part in (audit.change, audit.responders) for text in part[audit.primary].sentences()[:1])
    return Picture(drawn, f"Every person's improvement, least to most, against the MDC and the MCID. {said}")


def _parts(audit: ProgrammeAudit, tables: dict[str, pd.DataFrame]) -> list[tuple[Result, Section]]:
    first, names = audit.primary, audit.flow.names
    title, step = names[first], measure_named(first).resolution

    def about(
        part: Result, key: str, words: str, *, resolution: float | None = None, drawn: bool = False
    ) -> list[Block]:
        one: Any = concerning(part, first)
        if one is None:
            return []
        blocks: list[Block] = [Words(one.sentences())]
        if drawn and hasattr(one, "plot"):
            blocks.append(Picture(one.plot(), one.alt))
        if not isinstance(one, Refused) and key in tables:
            rows = measure_rows(tables[key], first).dropna(axis="columns", how="all")
            blocks.append(ready_table(rows, words, resolution=resolution, notes=one.cautions))
        return blocks

    enough: Any = audit.responders[first]
    curve = [] if isinstance(enough.curve, Refused) else [Picture(enough.curve.plot(), enough.curve.alt)]
    sections = [
        (audit.flow, "Who could be compared", about(audit.flow, "flow", f"From starting to being counted: {title}")),
        (audit.baseline, "Who they were", about(audit.baseline, "baseline", "The people when they started")),
        (audit.change, "How much the group changed",
         about(audit.change, "change", f"Change: {title}", resolution=step)),
        (audit.responders, "Who changed enough",
         [*about(audit.responders, "changed enough", f"Changed by at least a threshold: {title}"), *curve]),
        (audit.missing, "People without a follow-up",
         about(audit.missing, "missing", "Share that changed enough, by what is assumed of the missing")),
        (audit.comparison, "Compared with others", about(audit.comparison, "comparison", f"Comparison: {title}")),
        (audit.known, "Measurement error and the change that matters",
         about(audit.known, "error and importance", f"What a change is held against: {title}", resolution=step)),
        (audit.dose, "Training done", about(audit.dose, "training", "Training of those who started")),
        (audit.sites, "Sites", about(audit.sites, "sites", "Sites, in order of their names", drawn=True)),
        (audit.therapists, "Therapists", about(audit.therapists, "therapists", "Therapists, numbered", drawn=True)),
    ]  # fmt: skip
    made = [(part, Section(words, blocks)) for part, words, blocks in sections if blocks]
    if len(audit.measures) > 1:
        made.insert(5, (audit.change, Section("All tests looked at", [_all_tests(tables["tests"], names)])))
    return made


def _all_tests(rows: pd.DataFrame, names: Any) -> ReadyTable:
    shown = rows.assign(test=[names[measure] for measure in rows["measure"]])
    kept = ["test", "comparable", "mean_improvement", "low", "high", "unit", "mcid", "share", "true_share"]
    return ready_table(
        shown[[name for name in kept if name in shown]],
        "Every test side by side",
        notes=("Share: of those who started, changed by at least the MCID. True share: error taken out.",),
    )


def _refusals(audit: ProgrammeAudit) -> tuple[str, ...]:
    return once(text for part in audit.refused for text in part.sentences())
