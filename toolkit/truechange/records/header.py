"""Which row is the header, which table a sheet is, and which column each header means."""

from collections.abc import Sequence

from truechange.records.rules import COLUMNS, TABLES, match_column, sheet_names, squeezed
from truechange.records.rules import column_names as names_of

LOOKED_AT = 25


def header_score(cells: Sequence[str], table: str) -> int:
    """Count the different columns of `table` that `cells` name outright, with or without a unit behind the name."""
    names = names_of(table)
    found = {names[squeezed(cell)] for cell in cells if cell and squeezed(cell) in names}
    rest = [cell for cell in cells if cell and squeezed(cell) not in names and cell[-1:] in ")]"]
    return len(found | {match[0] for cell in rest if (match := match_column(cell, table))[2] == "known"})


def find_header(rows: Sequence[Sequence[str]]) -> tuple[int, int]:
    """Return the place of the header among the first rows and its score; the first filled row when none looks like one.

    Examples
    --------
    >>> find_header([["Test results 2025", ""], ["Patient", "Score"], ["P001", "12"]])
    (1, 2)
    """
    scores = [max(header_score(row, table) for table in TABLES) for row in rows[:LOOKED_AT]]
    best = max(scores, default=0)
    if best >= 2:
        return scores.index(best), best
    return next((place for place, row in enumerate(rows) if any(row)), 0), best


def table_of(name: str, header: Sequence[str]) -> str:
    """Return the table a sheet is, by its name or by its columns; empty when it is none of the four."""
    known = sheet_names().get(squeezed(name), "")
    if known and header_score(header, known) >= 2:
        return known
    required = {table: [column.name for column in COLUMNS[table].values() if column.required] for table in TABLES}
    fits = {
        table: header_score(header, table)
        for table in TABLES
        if set(required[table]) <= {names_of(table).get(squeezed(cell)) for cell in header} and len(required[table]) > 1
    }
    return max(fits, key=lambda table: fits[table]) if fits else known
