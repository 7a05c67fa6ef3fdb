"""From a file to plain sheets: every cell as text, every row with its number."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from truechange.foundation.errors import DataError, needs
from truechange.records.coded import Coded
from truechange.records.header import find_header
from truechange.records.rules import LIMITS, TOO_LARGE, sheet_names, squeezed
from truechange.records.textfile import filled, open_text, quick_columns
from truechange.records.workbook import plain_text, workbook_rows

WORKBOOKS, TEXTS = (".xlsx", ".xlsm"), (".csv", ".tsv", ".txt")
ADVICE = {
    ".xls": "Open it and save it as .xlsx (Excel workbook) or .csv.",
    ".pdf": "Scores in a PDF cannot be read safely: export them as .xlsx or .csv where they are kept.",
}


class Note(NamedTuple):
    """Something to say of a sheet as a whole: kind, row, facts."""

    kind: str
    row: int
    facts: dict[str, Any]


@dataclass(frozen=True)
class Sheet:
    """One sheet as it is written: header texts, one column of texts each, the row number of each record."""

    name: str
    header: list[str]
    columns: list[Coded]
    rows: Any
    header_row: int
    notes: list[Note]


def open_sheets(path: str | Path) -> list[Sheet]:
    """Read every sheet of a workbook (.xlsx), a text file (.csv .tsv .txt), parquet, or a folder of them; also .gz.

    Raises
    ------
    DataError
        The file is missing, empty, too large, damaged, protected, or of a kind that is not read; says what to do.
    """
    place = Path(path)
    if place.is_dir():
        files = [file for file in sorted(place.iterdir()) if squeezed(stem(file)) in sheet_names() and _is_table(file)]
        if not files:
            raise DataError(
                f"The folder {place.name} holds no assessments.csv "
                "(people.csv, ratings.csv and sessions.csv may stand beside it)."
            )
        return [sheet for file in files for sheet in open_sheets(file)]
    kind = checked_kind(place)
    if kind in TEXTS:
        opened = open_text(place)
        notes = [Note("how_read", 1, {"how": opened.how})] if opened.how else []
        if quick := quick_columns(opened):
            return [_sheet(stem(place), *quick, notes)]
        return [sheet_from_rows(stem(place), opened.rows(), notes)]
    if kind == ".parquet":
        return [_read_parquet(place)]
    return [sheet_from_rows(name, rows, [Note(*note) for note in notes]) for name, rows, notes in workbook_rows(place)]


def raw_rows(path: str | Path) -> list[tuple[str, list[list[str]]]]:
    """Return name and rows of cells of every sheet of a workbook or text file, the header not looked for."""
    place = Path(path)
    if checked_kind(place) in TEXTS:
        return [(stem(place), open_text(place).rows())]
    return [(name, rows) for name, rows, _ in workbook_rows(place)]


def checked_kind(place: Path) -> str:
    """Return a file's ending (that before .gz).

    Raises
    ------
    DataError
        The file is missing, empty, or of a kind that is not read.
    """
    if not place.is_file():
        raise DataError(f"There is no file {place}. Check the name and the folder.")
    kind = _ending(place)
    if kind not in (*WORKBOOKS, *TEXTS, ".parquet"):
        advice = ADVICE.get(kind, "Save it as .xlsx or .csv.")
        raise DataError(f"{place.name}: files of the kind {kind or 'without an ending'} are not read. {advice}")
    if not place.stat().st_size:
        raise DataError(f"{place.name} is empty (0 bytes). Export it again.")
    return kind


def _ending(file: Path) -> str:
    endings = [ending.lower() for ending in file.suffixes]
    return "".join(endings[-2:-1] if endings[-1:] == [".gz"] else endings[-1:])


def _is_table(file: Path) -> bool:
    return _ending(file) in (*TEXTS, ".parquet")


def stem(file: Path) -> str:
    """Return the name of a file without its endings."""
    return file.name.split(".")[0]


def sheet_from_rows(name: str, rows: Sequence[Sequence[str]], notes: Sequence[Note] = ()) -> Sheet:
    """Return a sheet from rows of cells; rows with more cells than the header are noted."""
    at, _ = find_header(rows)
    header = list(rows[at]) if rows else []
    body, width = rows[at + 1 :], len(header)
    wide = [Note("ragged", at + 2 + place, {}) for place, row in enumerate(body) if any(row[width:])]
    columns = [Coded.read([row[place] if place < len(row) else "" for row in body]) for place in range(width)]
    return _sheet(name, at, header, columns, [*notes, *wide])


def _sheet(name: str, at: int, header: list[str], columns: list[Coded], notes: list[Note]) -> Sheet:
    """Return a sheet without its blank rows; marks that end above the header are no concern of ours."""
    said = [note for note in notes if note.facts.get("last_row", at + 1) > at]
    if at:
        said.append(Note("header_row", at + 1, {"row": at + 1}))
    rows = np.arange(len(columns[0]) if columns else 0, dtype=np.int64) + at + 2
    if columns and not (keep := filled(columns)).all():
        columns, rows = [column.where(keep) for column in columns], rows[keep]
    return Sheet(name, header, columns, rows, at + 1, said)


def _read_parquet(place: Path) -> Sheet:
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError as missing:
        raise needs("pyarrow, which reads parquet,", "scale") from missing
    try:
        count = parquet.read_metadata(place).num_rows
        frame = pd.read_parquet(place) if count <= LIMITS["rows"] else None
    except (OSError, ValueError, pa.ArrowException) as trouble:
        raise DataError(
            f"{place.name} is not readable parquet ({type(trouble).__name__}). Export it again."
        ) from trouble
    if frame is None:
        raise DataError(f"{place.name} has {count:,} rows, more than {LIMITS['rows']:,}. {TOO_LARGE}")
    columns = []
    for name in frame.columns:
        codes, distinct = pd.factorize(frame[name])
        columns.append(Coded.of(codes, [plain_text(value) for value in distinct]))
    return _sheet(stem(place), 0, [str(name) for name in frame.columns], columns, [])
