"""Write an audit: one self-contained page, an accessible PDF, a workbook, and JSON for other programs."""

import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from truechange.foundation.errors import MissingPartError
from truechange.programme.audit_result import ProgrammeAudit
from truechange.reporting.audit_sections import audit_sections, cannot_show, scope
from truechange.reporting.audit_tables import audit_tables, in_words
from truechange.reporting.files import Stamp, whole_folder, write_workbook
from truechange.reporting.files import stamp as make_stamp
from truechange.reporting.page import Section, page_html, write_pdf
from truechange.reporting.references import cite

TITLE = "Programme audit"


def to_html(audit: ProgrammeAudit, path: Path, *, stamp: Stamp | None = None, **shown: bool) -> Path:
    """Write the audit as one self-contained page.

    Parameters
    ----------
    audit : ProgrammeAudit
        What was computed.
    path : Path
        Where it goes.
    stamp : Stamp, optional
        Files and options of the run; by default versions and seed alone.
    **shown : bool
        ``small_cells`` and ``names``, as in :meth:`ProgrammeAudit.public`, from which alone the report is made.
    """
    Path(path).write_text(audit_page(audit, stamp=stamp, **shown), encoding="utf-8")
    return Path(path)


def to_pdf(audit: ProgrammeAudit, path: Path, *, stamp: Stamp | None = None, **shown: bool) -> Path:
    """Write the audit as a tagged PDF; arguments as for :func:`to_html`."""
    return write_pdf(TITLE, scope(audit), _sections(audit, stamp, **shown), path)


def to_excel(audit: ProgrammeAudit, path: Path, *, stamp: Stamp | None = None, **shown: bool) -> Path:
    """Write every table into a workbook, unrounded, formulas inert; arguments as for :func:`to_html`."""
    audit = audit.public(**shown)
    held = {"answer": pd.DataFrame({"answer": _answer(audit)})} | audit_tables(audit)
    held["cautions"] = pd.DataFrame({"caution": (*map(in_words, audit.cautions), *cannot_show(audit))})
    held["stamp"] = pd.DataFrame(_stamped(audit, stamp).rows, columns=["fact", "value"])
    return write_workbook(path, held)


def to_json(audit: ProgrammeAudit, path: Path, *, stamp: Stamp | None = None, **shown: bool) -> Path:
    """Write the audit for other programs; arguments as for :func:`to_html`."""
    Path(path).write_text(audit_json(audit, stamp=stamp, **shown), encoding="utf-8")
    return Path(path)


def audit_page(audit: ProgrammeAudit, *, stamp: Stamp | None = None, **shown: bool) -> str:
    """Return the page as text."""
    return page_html(TITLE, scope(audit), _sections(audit, stamp, **shown))


def audit_json(audit: ProgrammeAudit, *, stamp: Stamp | None = None, **shown: bool) -> str:
    """Return the audit as JSON: answer, tables (rows of unrounded values), cautions, refusals, references, stamp."""
    audit = audit.public(**shown)
    told = {
        "scope": scope(audit),
        "answer": _answer(audit),
        "cannot_show": cannot_show(audit),
        "cautions": tuple(map(in_words, audit.cautions)),
        "tables": {name: _records(frame) for name, frame in audit_tables(audit).items()},
        "not_computed": [{"part": part.part, "reason": in_words(part.reason)} for part in audit.refused],
        "references": cite(audit).sentences(),
        "stamp": dict(_stamped(audit, stamp).rows),
    }
    return json.dumps(told, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def write_audit(
    audit: ProgrammeAudit,
    out: Path,
    *,
    stamp: Stamp | None = None,
    step: Callable[[str], None] = lambda _words: None,
    **shown: bool,
) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Write ``audit.html``, ``audit.pdf``, ``audit.xlsx`` and ``audit.json`` into a folder, all or none.

    Parameters
    ----------
    audit : ProgrammeAudit
        What was computed.
    out : Path
        The folder; other files in it are left alone.
    stamp : Stamp, optional
        As for :func:`to_html`.
    step : callable, optional
        Told what is being written.
    **shown : bool
        As for :func:`to_html`.

    Returns
    -------
    tuple of Path, tuple of str
        The files, and what was left out because a part is not installed.
    """
    step("drawing the pictures")
    audit = audit.public(**shown)
    sections, lead = _sections(audit, stamp), scope(audit)
    writers: Mapping[str, Callable[[Path], Any]] = {
        "html": lambda path: path.write_text(page_html(TITLE, lead, sections), encoding="utf-8"),
        "pdf": lambda path: write_pdf(TITLE, lead, sections, path),
        "xlsx": lambda path: to_excel(audit, path, stamp=stamp),
        "json": lambda path: to_json(audit, path, stamp=stamp),
    }
    made, left_out = [], []
    with whole_folder(out) as aside:
        for ending, write in writers.items():
            step(f"writing audit.{ending}")
            try:
                write(aside / f"audit.{ending}")
                made.append(Path(out) / f"audit.{ending}")
            except MissingPartError as missing:
                left_out.append(f"audit.{ending} was not written. {missing}")
    return tuple(made), tuple(left_out)


def _sections(audit: ProgrammeAudit, given: Stamp | None, **shown: bool) -> Sequence[Section]:
    audit = audit.public(**shown)
    return audit_sections(audit, audit_tables(audit), _stamped(audit, given))


def _answer(audit: ProgrammeAudit) -> tuple[str, ...]:
    return tuple(map(in_words, audit.sentences()))


def _stamped(audit: ProgrammeAudit, given: Stamp | None) -> Stamp:
    return make_stamp(options={"seed": audit.seed, "confidence": audit.confidence}) if given is None else given


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    flat = frame if isinstance(frame.index, pd.RangeIndex) else frame.reset_index()
    rows = flat.astype(object).where(flat.notna(), None).to_dict("records")
    return [{str(name): _plain(value) for name, value in row.items()} for row in rows]


def _plain(value: Any) -> Any:
    value = value.item() if hasattr(value, "item") else value
    if isinstance(value, float) and value in (float("inf"), float("-inf")):
        return "infinite" if value > 0 else "-infinite"
    return value if value is None or isinstance(value, bool | int | float | str) else str(value)
