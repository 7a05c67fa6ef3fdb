"""Copies of what was read: one with every finding coloured and commented, one with the lossless repairs made."""

import csv
import os
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from truechange.foundation.errors import ChoiceError
from truechange.records.coded import Coded
from truechange.records.formats import TEXTS, checked_kind, raw_rows, stem
from truechange.records.header import find_header, table_of
from truechange.records.identifiers import LABELS, identifying, pseudonym, read_key
from truechange.records.inert import inert_cell, inert_frame
from truechange.records.reading import Records
from truechange.records.rules import WITHHELD, match_column, names_someone
from truechange.records.workbook import load, plain_text

COLOURS = {"error": "F4B9A0", "warning": "F7E3A1", "note": "D6E6EE"}
FINDINGS = "what was found"


def write_marked(path: str | Path, records: Records, to: str | Path, *, pseudonyms: str | Path | None = None) -> Path:
    """Write a workbook copy of `path` in which every cell with an error or a warning is coloured and commented.

    The original is never touched. Formulas are replaced by their stored values; columns that say who someone is are
    withheld. A sheet “what was found” lists everything.

    Parameters
    ----------
    path : str or Path
        What was read: a workbook, a text file, or a folder of text files.
    records : Records
        What :func:`truechange.read` returned for it.
    to : str or Path
        The copy, ``.xlsx``.
    pseudonyms : str or Path, optional
        The key file the records were read with.

    Raises
    ------
    ChoiceError
        `to` is the original, or `path` is parquet.
    """
    from openpyxl.comments import Comment
    from openpyxl.styles import PatternFill

    key = read_key(pseudonyms) if pseudonyms else None
    book = _copy(Path(path))
    asked = records.problems[records.problems["severity"] != "note"]
    fills = {severity: PatternFill("solid", start_color=colour) for severity, colour in COLOURS.items()}
    for sheet in book.worksheets:
        headings = _headings(sheet)
        _withhold(sheet, headings, key)
        said: dict[Any, list[tuple[str, str]]] = {}
        for row in asked[asked["sheet"] == sheet.title].itertuples():
            cell = sheet.cell(max(1, row.row), headings["places"].get(row.column, 1))
            said.setdefault(cell.coordinate, []).append((row.severity, f"{row.problem}. To do: {row.remedy}."))
        for coordinate, remarks in said.items():
            cell = _top_left(sheet, coordinate)
            cell.fill = fills["error" if "error" in dict(remarks) else "warning"]
            cell.comment = Comment(
                "\n".join(text for _, text in remarks), "truechange", width=320, height=60 + 45 * len(remarks)
            )
    _list_findings(book, records.problems)
    return _saved(book, path, to)


def _copy(path: Path) -> Any:
    """Return an openpyxl workbook with the cells as they stand in the file."""
    from openpyxl import Workbook

    kind = "" if path.is_dir() else checked_kind(path)
    if kind == ".parquet":
        raise ChoiceError(f"{path.name}: copies are made of workbooks and text files.")
    if kind and kind not in TEXTS:
        return load(path)
    book = Workbook()
    book.remove(book.active)
    files = (
        [path]
        if path.is_file()
        else [file for file in sorted(path.iterdir()) if file.name.lower().endswith((*TEXTS, ".csv.gz"))]
    )
    for file in files:
        sheet = book.create_sheet(stem(file)[:31])
        for row in raw_rows(file)[0][1]:
            sheet.append([inert_cell(cell) or None for cell in row])
    return book


def _headings(sheet: Any) -> dict[str, Any]:
    """Return the row of the header, the table, and the place of each heading (1 is the first column)."""
    rows = [
        [plain_text(value) for value in row]
        for row in sheet.iter_rows(max_row=min(30, sheet.max_row), values_only=True)
    ]
    at, _ = find_header(rows)
    header = rows[at] if rows else []
    places = {heading: place for place, heading in enumerate(header, 1) if heading}
    return {"row": at + 1, "table": table_of(sheet.title, header), "places": places}


def _withhold(sheet: Any, headings: dict[str, Any], key: bytes | None) -> None:
    """Replace people by their codes and empty every column that says who someone is."""
    for heading, place in headings["places"].items():
        cells = [sheet.cell(row, place) for row in range(headings["row"] + 1, sheet.max_row + 1)]
        texts = Coded.read([plain_text(cell.value) for cell in cells])
        name = match_column(heading, headings["table"])[0] if headings["table"] else ""
        what = identifying(heading, texts, headings["table"]) if headings["table"] else ""
        label = name in LABELS
        if not what and not label and not (key and name == "person"):
            continue
        for cell in cells:
            if cell.value is not None and (what or not label or names_someone(plain_text(cell.value))):
                cell.value = pseudonym(plain_text(cell.value), key) if key and name == "person" else WITHHELD


def _top_left(sheet: Any, coordinate: str) -> Any:
    """Return the cell, or the first one of the merged area it lies in, which alone can be marked."""
    area = next((area for area in sheet.merged_cells.ranges if coordinate in area), None)
    return sheet.cell(area.min_row, area.min_col) if area else sheet[coordinate]


def _list_findings(book: Any, problems: pd.DataFrame) -> None:
    from openpyxl.styles import Font, PatternFill

    sheet = book.create_sheet(FINDINGS)
    shown = inert_frame(problems[["severity", "sheet", "row", "column", "value", "problem", "remedy"]])
    sheet.append(list(shown.columns))
    fills = {severity: PatternFill("solid", start_color=colour) for severity, colour in COLOURS.items()}
    for at, row in enumerate(shown.itertuples(index=False), 2):  # sheet.max_row would look at every cell
        sheet.append(list(row))
        sheet.cell(at, 1).fill = fills[row[0]]
    for cell in sheet[1]:
        cell.font = Font(bold=True)
    for letter, width in zip("ABCDEFG", (10, 14, 7, 18, 18, 70, 70), strict=True):
        sheet.column_dimensions[letter].width = width
    sheet.freeze_panes = "A2"


def _saved(book: Any, path: str | Path, to: str | Path) -> Path:
    place = Path(to)
    if place.resolve() == Path(path).resolve():
        raise ChoiceError(f"{place.name} is the original; give the copy another name.")
    aside = place.with_name(f".{place.name}.unfinished")
    try:
        book.save(aside)
        os.replace(aside, place)
    finally:
        aside.unlink(missing_ok=True)
    return place


def write_repaired(path: str | Path, records: Records, to: str | Path) -> pd.DataFrame:
    """Write a copy of `path` with the repairs that lose nothing; return them, one a row.

    Repairs: dates as year-month-day, units and words taken off a number, decimal commas, minutes and seconds, words
    and tests by their usual name, a status under the score moved to the result. Nothing else is changed.

    Parameters
    ----------
    path : str or Path
        A workbook or a text file; its copy is of the same kind (text as UTF-8 with commas).
    records : Records
        What :func:`truechange.read` returned for it, read without pseudonyms.
    to : str or Path
        The copy.

    Returns
    -------
    DataFrame
        ``sheet, row, column, value, repair``.

    Raises
    ------
    ChoiceError
        `path` is neither a workbook nor a text file, or `to` is the original.
    """
    source = Path(path)
    if source.is_dir() or source.suffix.lower() not in (*TEXTS, ".xlsx", ".xlsm"):
        raise ChoiceError(f"{source.name}: repairs are made in one workbook or one text file at a time.")
    if Path(to).resolve() == source.resolve():
        raise ChoiceError(f"{Path(to).name} is the original; give the copy another name.")
    book = _copy(source)
    made = list(_repairs(book, records.problems))
    if source.suffix.lower() in TEXTS:
        with Path(to).open("w", encoding="utf-8", newline="") as stream:
            rows = book.worksheets[0].iter_rows(values_only=True)
            csv.writer(stream).writerows([plain_text(value) for value in row] for row in rows)
    else:
        _saved(book, path, to)
    return pd.DataFrame(made, columns=["sheet", "row", "column", "value", "repair"])


def _repairs(book: Any, problems: pd.DataFrame) -> Iterator[tuple[str, int, str, str, str]]:
    for sheet in book.worksheets:
        headings = _headings(sheet)
        places = headings["places"]
        result = next((place for name, place in places.items() if match_column(name, "assessments")[0] == "result"), 0)
        for row in problems[(problems["sheet"] == sheet.title) & (problems["repair"] != "")].itertuples():
            cell = sheet.cell(row.row, places[row.column])
            if row.kind == "status_in_value":
                beside = sheet.cell(row.row, result) if result else None
                if beside is None or plain_text(beside.value):
                    continue
                cell.value, beside.value = None, row.repair
            else:
                _put(cell, row.repair, row.kind)
            yield sheet.title, row.row, row.column, row.value, row.repair


def _put(cell: Any, repair: str, kind: str) -> None:
    if kind == "date_converted":
        cell.value, cell.number_format = date.fromisoformat(repair), "yyyy-mm-dd"
    elif kind == "word_read":
        cell.value = repair
    else:
        number = float(repair)
        cell.value = int(number) if number.is_integer() else number
