"""Write an audit: one self-contained page, an accessible PDF, a workbook, JSON, a director's page, counts to keep."""

import json
from collections.abc import Callable
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from truechange.foundation.result import Part
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.periods import saved_rows
from truechange.programme.sites import private_sheets, worklist
from truechange.reporting.audit_sections import audit_sections, cannot_show, scope
from truechange.reporting.audit_tables import audit_tables, in_words
from truechange.reporting.files import Stamp, whole_folder, write_each, write_workbook
from truechange.reporting.files import stamp as make_stamp
from truechange.reporting.page import Section, page_html, write_pdf
from truechange.reporting.references import cite

TITLE = "Programme audit"
SUMMARY = 1  # sections that make the page of its own


class AuditReport:
    """One audit as its documents show it: the public numbers, laid out once and written in every format.

    Parameters
    ----------
    audit : ProgrammeAudit
        What was computed.
    stamp : Stamp, optional
        Files and options of the run; by default versions and seed alone.
    **shown : bool
        ``small_cells`` and ``names``, as in :meth:`ProgrammeAudit.public`, from which alone the report is made.
    """

    def __init__(self, audit: ProgrammeAudit, stamp: Stamp | None = None, **shown: bool) -> None:
        self.audit = audit.public(**shown)
        self.stamp = stamp or make_stamp(options={"seed": audit.seed, "confidence": audit.confidence})
        self.lead = scope(self.audit, self.stamp)
        self.answer = tuple(map(in_words, self.audit.sentences()))

    @cached_property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Every table, unrounded."""
        return audit_tables(self.audit)

    @cached_property
    def sections(self) -> list[Section]:
        """The report, section by section."""
        return audit_sections(self.audit, self.tables, self.stamp)

    def page(self) -> str:
        """Return one self-contained page."""
        return page_html(TITLE, self.lead, self.sections)

    def html(self, path: Path) -> None:
        """Write the page."""
        Path(path).write_text(self.page(), encoding="utf-8")

    def pdf(self, path: Path) -> None:
        """Write the report as a tagged PDF."""
        write_pdf(TITLE, self.lead, self.sections, path)

    def summary(self, path: Path) -> None:
        """Write the first page alone, for a director."""
        write_pdf(TITLE, self.lead, self.sections[:SUMMARY], path)

    def excel(self, path: Path) -> None:
        """Write every table into a workbook, formulas inert."""
        cautions = (*map(in_words, self.audit.cautions), *cannot_show(self.audit))
        write_workbook(path, {
            "answer": pd.DataFrame({"answer": self.answer}), **self.tables,
            "cautions": pd.DataFrame({"caution": cautions}),
            "stamp": pd.DataFrame(self.stamp.rows, columns=["fact", "value"]),
        })  # fmt: skip

    def data(self) -> str:
        """Return JSON: answer, tables (rows of unrounded values), cautions, refusals, references, stamp."""
        told = {
            "scope": self.lead, "answer": self.answer, "cannot_show": cannot_show(self.audit),
            "cautions": tuple(map(in_words, self.audit.cautions)),
            "tables": {name: _records(frame) for name, frame in self.tables.items()},
            "not_computed": [{"part": part.part, "reason": in_words(part.reason)} for part in self.audit.refused],
            "references": cite(self.audit).sentences(), "stamp": dict(self.stamp.rows),
        }  # fmt: skip
        return json.dumps(told, ensure_ascii=False, indent=1, allow_nan=False) + "\n"

    def json(self, path: Path) -> None:
        """Write the JSON."""
        Path(path).write_text(self.data(), encoding="utf-8")

    def counts(self, path: Path) -> None:
        """Write the counts of every test and period, without any person, for the trend of the next audit."""
        about = {"programme": self.audit.programme, "before": self.audit.before, "after": self.audit.after}
        kept = [saved_rows(part, test=key, **about) for key, part in self.audit.periods.parts.items()
                if isinstance(part, Part)]  # fmt: skip
        pd.concat(kept, ignore_index=True).to_csv(path, index=False)


def write_audit(
    audit: ProgrammeAudit, out: Path, *, stamp: Stamp | None = None, step: Callable[[str], None] = lambda _words: None,
    **shown: bool,
) -> tuple[tuple[Path, ...], tuple[str, ...]]:  # fmt: skip
    """Write ``audit.html``, ``audit.pdf``, ``audit.xlsx`` and ``audit.json`` into a folder, all or none.

    Beside them ``summary.pdf``, the first page alone, and ``counts.csv``, from which the next audit draws its trend.

    Parameters
    ----------
    audit, stamp, **shown
        As for :class:`AuditReport`.
    out : Path
        The folder; other files in it are left alone.
    step : callable, optional
        Told what is being written.

    Returns
    -------
    tuple of Path, tuple of str
        The files, and what was left out because a part is not installed.
    """
    step("drawing the pictures")
    report = AuditReport(audit, stamp, **shown)
    writers = {"audit.html": report.html, "audit.pdf": report.pdf, "audit.xlsx": report.excel,
               "audit.json": report.json, "summary.pdf": report.summary, "counts.csv": report.counts}  # fmt: skip
    with whole_folder(out) as aside:
        return write_each(writers, aside, out, step)


def write_worklist(audit: ProgrammeAudit, out: Path) -> tuple[Path, ...]:
    """Write the worklist, and a private workbook for each therapist under the label of the report; codes only.

    Parameters
    ----------
    audit : ProgrammeAudit
        As computed, not the public one.
    out : Path
        A folder that stays inside the clinic.
    """
    books = {"worklist": {"worklist": worklist(audit)}} | private_sheets(audit)
    with whole_folder(out) as aside:
        for name, sheets in books.items():
            write_workbook(aside / f"{name}.xlsx", sheets)
    return tuple(Path(out) / f"{name}.xlsx" for name in books)


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    flat = frame if isinstance(frame.index, pd.RangeIndex) else frame.reset_index()
    rows = flat.astype(object).where(flat.notna(), None).to_dict("records")
    return [{str(name): _plain(value) for name, value in row.items()} for row in rows]


def _plain(value: Any) -> Any:
    value = value.item() if hasattr(value, "item") else value
    if isinstance(value, float) and value in (float("inf"), float("-inf")):
        return "infinite" if value > 0 else "-infinite"
    return value if value is None or isinstance(value, bool | int | float | str) else str(value)
