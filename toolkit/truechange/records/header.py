"""Which row is the header, and which table a sheet is."""

from collections.abc import Sequence

from truechange.records.rules import COLUMNS, TABLES, column_names, match_column, sheet_names, squeezed

LOOKED_AT = 25


def header_score(cells: Sequence[str], table: str) -> int:
    """Count the different columns of `table` that `cells` name outright, with or without a unit behind the name."""
    names = column_names(table)
    keys = [(squeezed(cell), cell) for cell in cells if cell and len(cell) < 60]
    found = {names[key] for key, _ in keys if key in names}
    rest = [cell for key, cell in keys if key not in names and cell[-1] in ")]"]
    return len(found | {match[0] for cell in rest if (match := match_column(cell, table))[2] == "known"})


def find_header(rows: Sequence[Sequence[str]]) -> tuple[int, int]:
    """Return the place of the header among the first rows and its score; the first filled row when none looks like one.

    Examples
    --------
    >>> find_header([["Test results 2025", ""], ["Patient", "Score"], ["P001", "12"]])
    (1, 2)
    """
    at, best = next((place for place, row in enumerate(rows) if any(row)), 0), 1
    for place, row in enumerate(rows[:LOOKED_AT]):
        score = max(header_score(row, table) for table in TABLES)
        if score > best:
            at, best = place, score
        if 2 * score > sum(map(bool, row)) and score >= 4:
            break  # most of the row names columns: no need to look on
    return at, best


def table_of(name: str, header: Sequence[str]) -> str:
    """Return the table a sheet is, by its name or by its columns; empty when it is none of the four."""
    known = sheet_names().get(squeezed(name), "")
    if known and header_score(header, known) >= 2:
        return known
    fits = {}
    for table in TABLES:
        required = {column.name for column in COLUMNS[table].values() if column.required}
        named = {column_names(table).get(squeezed(cell)) for cell in header}
        if len(required) > 1 and required <= named:
            fits[table] = header_score(header, table)
    return max(fits, key=lambda table: fits[table]) if fits else known
