"""One sheet becomes one typed table: headers matched, rows that are no records put aside, columns read in order."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from truechange.foundation.errors import DataError, listed
from truechange.measures import catalogue
from truechange.records.cells import (
    Place,
    clean_labels,
    merged,
    read_dates,
    read_measures,
    read_numbers,
    read_scores,
    read_units,
    read_words,
)
from truechange.records.findings import Findings
from truechange.records.formats import Sheet
from truechange.records.rules import COLUMNS, Column, match_column, squeezed

TOTALS = {"total", "totals", "sum", "mean", "average", "sd", "median", "n", "count"}


@dataclass(frozen=True)
class Table:
    """One typed table with its name, its sheet, the header each column came from, and how many records it had."""

    name: str
    sheet: str
    headers: dict[str, str]
    rows_read: int
    frame: pd.DataFrame  # declared columns; ``source_row`` is the row in the sheet

    def used(self, findings: Findings) -> pd.DataFrame:
        """Return the rows not set aside."""
        return self.frame[~self.frame["source_row"].isin(findings.aside(self.sheet))].reset_index(drop=True)


def build(
    sheet: Sheet, table: str, findings: Findings, *, order: str = "", skip: frozenset[int] = frozenset()
) -> Table:
    """Read `sheet` as `table`; columns at the places in `skip` are left out.

    Raises
    ------
    DataError
        A required column is missing, or two columns mean the same.
    """
    for kind, row, column, facts in sheet.notes:
        if kind != "merged_cells" or facts["last_row"] >= sheet.header_row:
            findings.add(kind, sheet.name, row, column, "", facts)
    matched = _match(sheet, table, findings, skip)
    rows, keep = sheet.rows, _records(sheet, matched["person"][0], findings)
    texts = {name: sheet.columns[place][keep] for name, (place, _) in matched.items()}
    headers = {name: sheet.header[place] for name, (place, _) in matched.items()}
    units = {name: unit for name, (_, unit) in matched.items()}
    place = Place(sheet.name, rows[keep], findings)
    columns: dict[str, Any] = {}
    for column in COLUMNS[table].values():
        if column.kind == "text":
            continue
        if column.name not in texts:
            columns[column.name] = _absent(column, int(keep.sum()))
            continue
        if column.kind not in ("value", "unit"):
            columns[column.name] = _read(place, headers, texts, column, order, units)
        if column.required and column.kind != "value":
            empty = place.rows[texts[column.name].codes < 0]
            findings.add("missing_required", sheet.name, empty, headers[column.name], "", {})
    if table == "assessments":
        columns |= _scores(place, headers, texts, columns, units)
    frame = pd.DataFrame(
        {name: columns[name] for name in COLUMNS[table] if name in columns} | {"source_row": place.rows}
    )
    return Table(table, sheet.name, headers, len(rows), frame)


def _match(sheet: Sheet, table: str, findings: Findings, skip: frozenset[int]) -> dict[str, tuple[int, str]]:
    found: dict[str, tuple[int, str]] = {}
    sure: dict[str, str] = {}
    for place, header in enumerate(sheet.header):
        if place in skip or not header:
            continue
        name, unit, how = match_column(header, table)
        if name and name in found and (how == "guess" or sure[name] != "guess"):
            if how != "guess":
                first = sheet.header[found[name][0]]
                raise DataError(
                    f"Sheet {sheet.name}: the columns “{first}” and “{header}” both read as {name}. "
                    "Rename or delete one of them."
                )
            name = ""
        if not name:
            known = ", ".join(column for column in COLUMNS[table] if column not in found)
            findings.add("column_unknown", sheet.name, sheet.header_row, header, "", {"known": known})
            continue
        found[name], sure[name] = (place, unit), how
    for name, (place, _) in found.items():
        if sure[name] != "same":
            kind = "column_guess" if sure[name] == "guess" else "column_renamed"
            findings.add(kind, sheet.name, sheet.header_row, sheet.header[place], "", {"column": name})
    missing = [column.name for column in COLUMNS[table].values() if column.required and column.name not in found]
    if missing:
        raise DataError(
            f"Sheet {sheet.name}, header in row {sheet.header_row}: no column for {listed(missing)}. "
            f"It has: {listed([header for header in sheet.header if header], 12)}. Rename the columns, start from "
            "truechange template FILE.xlsx, or read a wide sheet (one column a test and visit) with records.from_wide."
        )
    return found


def _records(sheet: Sheet, person: int, findings: Findings) -> "np.ndarray":
    """Return which rows are records: not the template's example, not a repeated header, not a row of totals."""
    texts, header = sheet.columns[person], sheet.header[person]
    kinds = []
    for text in texts.categories:
        word = squeezed(text)
        is_header = text.lower() == header.lower()
        kinds.append(
            "header_again"
            if is_header
            else "example"
            if word.startswith("example")
            else "total_row"
            if word in TOTALS
            else ""
        )
    keep = np.ones(len(sheet.rows), dtype=bool)
    for kind in set(kinds) - {""}:
        which = np.array([one == kind for one in kinds] + [False])[texts.codes]
        findings.add(kind, sheet.name, sheet.rows[which], header, "", {})
        keep &= ~which
    return keep


def _absent(column: Column, n: int) -> Any:
    if column.kind == "date":
        return np.full(n, "NaT", dtype="datetime64[s]")
    if column.kind in ("number", "value"):
        return np.full(n, np.nan)
    return merged(np.full(n, -1), [])


def _read(
    place: Place,
    headers: dict[str, str],
    texts: dict[str, pd.Categorical],
    column: Column,
    order: str,
    units: dict[str, str],
) -> Any:
    header, cells = headers[column.name], texts[column.name]
    if column.kind in ("id", "label"):
        return clean_labels(cells)
    if column.kind == "date":
        return read_dates(place, header, cells, order, required=column.required)
    if column.kind == "measure":
        return read_measures(place, header, cells)
    if column.kind == "number":
        return read_numbers(place, header, cells, column, units[column.name])
    return read_words(place, header, cells, column)


def _scores(
    place: Place,
    headers: dict[str, str],
    texts: dict[str, pd.Categorical],
    columns: dict[str, Any],
    units: dict[str, str],
) -> dict[str, Any]:
    """Read scores with their units, and hold score and result against each other."""
    tests = columns["measure"]
    stated = read_units(place, headers["unit"], texts["unit"], tests) if "unit" in texts else columns["unit"]
    header, cells = headers["value"], texts["value"]
    values, written = read_scores(place, header, cells, tests, stated, units["value"])
    results = columns["result"]
    words = np.array([*results.categories, ""], dtype=object)[results.codes]
    under = np.array([*written.categories, ""], dtype=object)[written.codes]
    words = np.where(words == "", under, words)
    scored = ~np.isnan(values)
    zero = (values == 0) & (words == "unable")
    values[zero], scored[zero] = np.nan, False
    clash = scored & (words != "") & (words != "measured")
    shown = np.array([*cells.categories, ""], dtype=object)[cells.codes]
    said = [{"result": word} for word in words[clash]]
    place.findings.add("result_conflict", place.sheet, place.rows[clash], header, list(shown[clash]), said)
    nothing = ((cells.codes < 0) | (under == "measured")) & ((words == "") | (words == "measured"))
    place.findings.add("no_value", place.sheet, place.rows[nothing], header, "", {})
    words = np.where((words == "") & scored, "measured", words)
    codes, distinct = pd.factorize(words)
    return {
        "value": values,
        "result": merged(codes, [word or None for word in distinct]),
        "unit": merged(tests.codes.astype(np.int64), [catalogue()[key].unit for key in tests.categories]),
    }
