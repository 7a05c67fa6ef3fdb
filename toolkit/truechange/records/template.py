"""The empty workbook: four sheets with fixed headers, notes, units, drop-downs, and an example row that is not read."""

from pathlib import Path
from typing import Any

from truechange.foundation.errors import ChoiceError
from truechange.measures import catalogue
from truechange.records.rules import COLUMNS, TABLES, Column, word_list

ROWS = 2000  # drop-downs reach this far
READ_ME = "read me"
EXAMPLE: dict[str, dict[str, Any]] = {
    "people": {"sex": "female", "age": 68, "height_cm": 164, "mass_kg": 71, "joint": "knee", "side": "left",
               "programme": "leg power", "site": "North", "therapist": "T1", "start_date": "2025-01-13",
               "planned_sessions": 60, "outcome": "completed"},
    "assessments": {"date": "2025-01-08", "occasion": "baseline", "measure": "chair_stand_30s", "value": 11,
                    "unit": "stands", "trial": 1, "result": "measured", "seat_height_cm": 44, "arms_used": "no",
                    "walking_aid": "none", "assessor": "A1"},
    "ratings": {"occasion": "discharge", "rating": 2, "date": "2025-04-09", "question": "Compared with the start?",
                "scale_low": -5, "scale_high": 5, "blinded": "yes", "acceptable": "yes"},
    "sessions": {"date": "2025-01-13", "exercise": "sit to stand", "sets": 2, "reps": 10, "load_kg": 0,
                 "seat_height_cm": 48, "arms_used": "no", "fast_intent": "yes", "pain_before": 3, "pain_after": 3,
                 "soreness_next_day": 1},
}  # fmt: skip
HOW = (
    "One row a person (people), a test (assessments), a rating of change (ratings), an exercise of a day (sessions).",
    "Only assessments is needed. Bold columns must be filled; point at a header to see what belongs under it.",
    "Use codes (P001), never names, birth dates, telephone numbers or record numbers. Notes are never read on.",
    "Dates are year-month-day. The row EXAMPLE shows how; it is not read and may be deleted.",
    "Headers are locked so that they stay as they are; the cells below them are free.",
    "Check the file with: truechange inspect FILE.xlsx",
)


def write_template(to: str | Path) -> Path:
    """Write the empty workbook.

    Parameters
    ----------
    to : str or Path
        A new ``.xlsx`` file.

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
    _read_me(book.active)
    for table in TABLES:
        _table(book.create_sheet(table), table)
    book.active = 2
    book.save(place)
    return place


def _read_me(sheet: Any) -> None:
    from openpyxl.styles import Font

    sheet.title = READ_ME
    for line in HOW:
        sheet.append([line])
    sheet.append([])
    sheet.append(["test", "name", "unit", "better", "what must be the same before and after"])
    for cell in sheet[sheet.max_row]:
        cell.font = Font(bold=True)
    for test in catalogue().values():
        sheet.append([test.key, test.name, test.unit, test.better, ", ".join(test.protocol)])
    for letter, width in zip("ABCDE", (26, 34, 10, 9, 60), strict=True):
        sheet.column_dimensions[letter].width = width
    sheet.protection.sheet = True


def _table(sheet: Any, table: str) -> None:
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side
    from openpyxl.utils import get_column_letter

    for place, column in enumerate(COLUMNS[table].values(), 1):
        letter = get_column_letter(place)
        dimension = sheet.column_dimensions[letter]
        dimension.width = max(13, len(column.name) + 3)
        dimension.protection = Protection(locked=False)
        if column.kind == "date":
            dimension.number_format = "yyyy-mm-dd"
        head = sheet.cell(1, place, column.name)
        head.font = Font(bold=column.required, color="22303C")
        head.fill = PatternFill("solid", start_color="E9EEF1")
        head.border = Border(bottom=Side("thin", color="5B6B77"))
        head.alignment = Alignment(vertical="center")
        must = "Must be filled. " if column.required else ""
        unit = f" Unit: {column.unit}." if column.unit else ""
        stop = "" if column.help.endswith(".") else "."
        head.comment = Comment(f"{must}{column.help}{stop}{unit}", "truechange", width=260, height=90)
        example = sheet.cell(2, place, "EXAMPLE" if column.name == "person" else EXAMPLE[table].get(column.name))
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
        first = len(HOW) + 3
        return rule("list", f"'{READ_ME}'!$A${first}:$A${first + len(catalogue()) - 1}")
    if column.kind == "number":
        kind = "whole" if column.whole else "decimal"
        return rule(kind, f"{column.hard[0]:g}", f"{column.hard[1]:g}", operator="between")
    if column.kind == "unit":
        units = ",".join(dict.fromkeys(test.unit for test in catalogue().values()))
        return rule("list", f'"{units}"', strict=False)
    if column.kind == "date":
        return rule("date", "36526", operator="greaterThanOrEqual")  # from 2000-01-01
    return None
