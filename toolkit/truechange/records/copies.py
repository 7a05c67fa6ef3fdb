"""Templates and copies: the empty workbook; one copy with findings coloured, one repaired; no formula injection."""

import csv
import os
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from truechange.foundation.errors import ChoiceError
from truechange.measures.catalogue import catalogue
from truechange.records.cells import limits_of
from truechange.records.formats import TEXTS, checked_kind, load, open_text, plain_text, stem
from truechange.records.headings import NONE, WIDE, Own, find_header, table_of
from truechange.records.persons import LABELS, identifying, pseudonym, read_key
from truechange.records.reading import Records
from truechange.records.rules import COLUMNS, DECLARED, WITHHELD, Column, match_column, names_someone, word_list
from truechange.records.synonyms import own_columns
from truechange.records.values import Coded

STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")  # a workbook cannot hold these


def inert_cell(value: Any) -> Any:
    """Return `value` fit for a spreadsheet cell: text that could run as a formula gets a leading apostrophe.

    Numbers and dates pass unchanged, as does text that is itself a number (``"-3.5"``).

    Examples
    --------
    >>> inert_cell("=1+1"), inert_cell("-3.5"), inert_cell(-3.5), inert_cell("knee")
    ("'=1+1", '-3.5', -3.5, 'knee')
    """
    if not isinstance(value, str):
        return value
    value = _CONTROL.sub("", value)
    if not value.lstrip(" ").startswith(STARTS):
        return value
    try:
        float(value)
    except ValueError:
        return f"'{value}"
    return value


def inert_frame(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a copy of `frame` with every text cell, column name and index entry made inert."""
    safe = frame.rename(columns=inert_cell, index=inert_cell)
    for place, dtype in enumerate(frame.dtypes):
        if not pd.api.types.is_numeric_dtype(dtype) and not pd.api.types.is_datetime64_any_dtype(dtype):
            safe.isetitem(place, frame.iloc[:, place].map(inert_cell, na_action="ignore").array)
    return safe


ROWS = 1048576  # drop-downs reach this far: the last row of a sheet
READ_ME = "read me"
VISITS = "visits"
TEMPLATE = DECLARED["template"]


def write_template(to: str | Path, *, visits: bool = False) -> Path:
    """Write the empty workbook.

    Parameters
    ----------
    to : str or Path
        A new ``.xlsx`` file.
    visits : bool
        One sheet with a row a person and visit and a column a test, in place of four with a row a record.

    Returns
    -------
    Path

    Raises
    ------
    ChoiceError
        The file exists, or its name does not end in ``.xlsx``.
    """
    from openpyxl import Workbook

    place = Path(to)
    if place.suffix.lower() != ".xlsx":
        raise ChoiceError(f"{place.name}: the template is a workbook; give a name that ends in .xlsx.")
    if place.exists():
        raise ChoiceError(f"{place.name} exists already; give another name, nothing is overwritten.")
    book = Workbook()
    _read_me(book.active, TEMPLATE["visits" if visits else "records"] + TEMPLATE["how"])
    tables = {VISITS: _visit_columns()} if visits else COLUMNS
    for table, columns in tables.items():
        _table(book.create_sheet(table), columns, TEMPLATE["example"][table])
    book.active = 1 if visits else 2
    book.save(place)
    return place


def _visit_columns() -> dict[str, Column]:
    """Return the columns of a sheet with one row a visit, by heading."""
    tests = {key: limits_of(key) for key in catalogue() if key != "rating_of_change"}
    facts = dict.fromkeys(fact for key in tests for fact in catalogue()[key].protocol if fact != "course_m")
    walks = [key for key in tests if "course_m" in catalogue()[key].protocol]
    people, visits = COLUMNS["people"], COLUMNS["assessments"]
    start = {"person": people["person"], "visit": visits["occasion"], "date": visits["date"]}
    about = {name: people[name] for name in ("programme", "site", "sex", "age", "start_date", "outcome")}
    beside = {name: visits[name] for name in (*facts, "assessor")}
    end = {"rating": replace(COLUMNS["ratings"]["rating"], required=False), "note": people["note"]}
    return start | about | tests | beside | {f"{key} course_m": visits["course_m"] for key in walks} | end


def _read_me(sheet: Any, how: list[str]) -> None:
    sheet.title = READ_ME
    for line in [*([line] for line in how), []]:
        sheet.append(line)
    _headed(sheet, {"test": 26, "name": 34, "unit": 10, "better": 9, "what must be the same before and after": 60})
    for test in catalogue().values():
        sheet.append([test.key, test.name, test.unit, test.better, ", ".join(test.protocol)])
    sheet.protection.sheet = True


def _headed(sheet: Any, widths: dict[str, int]) -> None:
    """Add a row of bold headings, and make the columns as wide as they are to be."""
    from openpyxl.styles import Font

    sheet.append(list(widths))
    for cell, width in zip(sheet[sheet.max_row], widths.values(), strict=True):
        cell.font = Font(bold=True)
        sheet.column_dimensions[cell.column_letter].width = width


def _table(sheet: Any, columns: dict[str, Column], row: dict[str, Any]) -> None:
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side
    from openpyxl.utils import get_column_letter

    for place, (heading, column) in enumerate(columns.items(), 1):
        letter = get_column_letter(place)
        dimension = sheet.column_dimensions[letter]
        dimension.width = max(13, len(heading) + 3)
        dimension.protection = Protection(locked=False)
        if column.kind == "date":
            dimension.number_format = "yyyy-mm-dd"
        head = sheet.cell(1, place, heading)
        head.font = Font(bold=column.required, color="22303C")
        head.fill = PatternFill("solid", start_color="E9EEF1")
        head.border = Border(bottom=Side("thin", color="5B6B77"))
        head.alignment = Alignment(vertical="center")
        must = "Must be filled. " if column.required else ""
        unit = f" Unit: {column.unit}." if column.unit else ""
        about = f"{must}{column.help.removesuffix('.')}.{unit}"
        head.comment = Comment(about, "truechange", width=260, height=90)
        example = sheet.cell(2, place, "EXAMPLE" if heading == "person" else row.get(heading))
        example.font = Font(italic=True, color="5B6B77")
        example.protection = Protection(locked=False)
        if rule := _drop_down(column):
            rule.add(f"{letter}2:{letter}{ROWS}")
            sheet.add_data_validation(rule)
    sheet.row_dimensions[1].height = 22
    sheet.freeze_panes = "B2"
    sheet.protection.sheet = True
    for allowed in ("formatCells", "formatColumns", "formatRows", "insertRows", "deleteRows", "sort", "autoFilter"):
        setattr(sheet.protection, allowed, False)  # False: not forbidden


def _drop_down(column: Column) -> Any:
    """Return what may stand in a column: words of a list, a test, a date, or a number within hard bounds."""
    from openpyxl.worksheet.datavalidation import DataValidation

    def rule(kind: str, first: Any, second: Any = None, *, strict: bool = True, **more: Any) -> Any:
        made = DataValidation(type=kind, formula1=first, formula2=second, allow_blank=True, **more)
        made.errorStyle, made.showErrorMessage = ("stop" if strict else "warning"), True
        made.errorTitle, made.error = column.name, column.help
        return made

    if column.kind in ("word", "yes_no"):
        words = dict.fromkeys(word_list("yes_no" if column.kind == "yes_no" else column.name).values())
        return rule("list", f'"{",".join(words)}"', strict=not column.open) if words else None
    if column.kind == "measure":
        first = len(TEMPLATE["records"] + TEMPLATE["how"]) + 3
        return rule("list", f"'{READ_ME}'!$A${first}:$A${first + len(catalogue()) - 1}")
    if column.kind == "value" and column.unit:  # a score: any number, or one of the words
        made = rule("list", '"unable,refused,not_done"')
        made.showErrorMessage = False
        return made
    if column.kind == "number":
        kind = "whole" if column.whole else "decimal"
        return rule(kind, f"{column.hard[0]:g}", f"{column.hard[1]:g}", operator="between")
    if column.kind == "unit":
        units = ",".join(dict.fromkeys(test.unit for test in catalogue().values()))
        return rule("list", f'"{units}"', strict=False)
    if column.kind == "date":
        return rule("date", "36526", operator="greaterThanOrEqual")  # from 2000-01-01
    return None


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
    book = _copy(Path(path), Path(to))
    asked = records.problems[records.problems["severity"] != "note"]
    fills = {severity: PatternFill("solid", start_color=colour) for severity, colour in COLOURS.items()}
    for sheet in book.worksheets:
        headings = _headings(sheet, own_columns(records.columns))
        _withhold(sheet, headings, key)
        said: dict[Any, list[tuple[str, str]]] = {}
        for row in asked[asked["sheet"] == sheet.title].itertuples():
            cell = sheet.cell(max(1, row.row), headings["places"].get(row.column, 1))
            said.setdefault(cell.coordinate, []).append((row.severity, f"{row.problem}. To do: {row.remedy}."))
        for coordinate, remarks in said.items():
            cell = _top_left(sheet, coordinate)
            cell.fill = fills["error" if "error" in dict(remarks) else "warning"]
            words = "\n".join(text for _, text in remarks)
            cell.comment = Comment(words, "truechange", width=320, height=60 + 45 * len(remarks))
    _list_findings(book, records.problems, fills)
    return _saved(book, Path(to))


def _copy(path: Path, to: Path) -> Any:
    """Return an openpyxl workbook with the cells as they stand in the file, to be saved under another name."""
    from openpyxl import Workbook

    kind = "" if path.is_dir() else checked_kind(path)
    if kind == ".parquet":
        raise ChoiceError(f"{path.name}: copies are made of workbooks and text files.")
    if to.resolve() == path.resolve():
        raise ChoiceError(f"{to.name} is the original; give the copy another name.")
    if kind and kind not in TEXTS:
        return load(path)
    book = Workbook()
    book.remove(book.active)
    beside = [] if kind else sorted(path.iterdir())
    for file in [path] if kind else [one for one in beside if one.name.lower().endswith((*TEXTS, ".csv.gz"))]:
        checked_kind(file)
        sheet = book.create_sheet(stem(file)[:31])
        for row in open_text(file).rows():
            sheet.append([inert_cell(cell) or None for cell in row])
    return book


def _headings(sheet: Any, own: Own = NONE) -> dict[str, Any]:
    """Return the row of the header, the table, and the place of each heading (1 is the first column)."""
    top = sheet.iter_rows(max_row=min(30, sheet.max_row), values_only=True)
    rows = [[plain_text(value) for value in row] for row in top]
    header = find_header(rows, own)
    places = {heading: place for place, heading in enumerate(header.headings, 1) if heading}
    table = table_of(sheet.title, header.headings, own)
    return {"row": header.at + 1, "table": "people" if table == WIDE else table, "places": places}


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


def _list_findings(book: Any, problems: pd.DataFrame, fills: dict[str, Any]) -> None:
    widths = {"severity": 10, "sheet": 14, "row": 7, "column": 18, "value": 18, "problem": 70, "remedy": 70}
    sheet, shown = book.create_sheet(FINDINGS), inert_frame(problems[list(widths)])
    _headed(sheet, widths)
    for at, row in enumerate(shown.itertuples(index=False), 2):  # sheet.max_row would look at every cell
        sheet.append(list(row))
        sheet.cell(at, 1).fill = fills[row[0]]
    sheet.freeze_panes = "A2"


def _saved(book: Any, place: Path) -> Path:
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
    book = _copy(source, Path(to))
    made = list(_repairs(book, records.problems, own_columns(records.columns)))
    if source.suffix.lower() in TEXTS:
        with Path(to).open("w", encoding="utf-8", newline="") as stream:
            rows = book.worksheets[0].iter_rows(values_only=True)
            csv.writer(stream).writerows([plain_text(value) for value in row] for row in rows)
    else:
        _saved(book, Path(to))
    return pd.DataFrame(made, columns=["sheet", "row", "column", "value", "repair"])


def _repairs(book: Any, problems: pd.DataFrame, own: Own) -> Iterator[tuple[str, int, str, str, str]]:
    for sheet in book.worksheets:
        places = _headings(sheet, own)["places"]
        result = next((place for name, place in places.items() if match_column(name, "assessments")[0] == "result"), 0)
        for row in problems[(problems["sheet"] == sheet.title) & (problems["repair"] != "")].itertuples():
            cell = sheet.cell(row.row, places[row.column])
            if plain_text(cell.value) != row.value:
                continue  # read with the unit of its heading: what was read would not be true under it
            if row.kind == "status_in_value":
                beside = sheet.cell(row.row, result) if result else None
                if beside is None or plain_text(beside.value):
                    continue
                cell.value, beside.value = None, row.repair
            elif row.kind == "date_converted":
                cell.value, cell.number_format = date.fromisoformat(row.repair), "yyyy-mm-dd"
            elif row.kind == "word_read":
                cell.value = row.repair
            else:
                number = float(row.repair)
                cell.value = int(number) if number.is_integer() else number
            yield sheet.title, row.row, row.column, row.value, row.repair
