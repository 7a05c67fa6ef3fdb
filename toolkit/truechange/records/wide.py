"""Wide sheets, one row a person and one column a test and visit, made long by a mapping that a person confirmed."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from truechange.foundation.errors import DataError, RefusedError
from truechange.records.coded import Coded
from truechange.records.findings import Findings
from truechange.records.formats import Sheet
from truechange.records.identifiers import guard, labels_of, read_key
from truechange.records.mapping import Grid, agreed_columns, proposal, wide_grid
from truechange.records.reading import Records, read_sheets
from truechange.records.words import open_map

Record = tuple[int, dict[str, str], dict[str, str]]  # row of the wide sheet, our cells, our column to its heading


def from_wide(
    path: str | Path, *, mapping: str | Path, dates: str | None = None, pseudonyms: str | Path | None = None
) -> Records:
    """Read a wide sheet by a mapping of its columns that a person has confirmed.

    The first call writes a proposal to `mapping` and stops. Read it, correct it, set ``confirmed = true`` and call
    again. Blank cells are no records.

    Parameters
    ----------
    path : str or Path
        Workbook (.xlsx; the sheet that names the most is taken) or text file (.csv).
    mapping : str or Path
        Small TOML file: what each column holds.
    dates, pseudonyms
        As in :func:`truechange.read`.

    Returns
    -------
    Records
        As from :func:`truechange.read`; problems name rows and columns of the wide sheet.

    Raises
    ------
    RefusedError
        The mapping is new or not confirmed.
    ChoiceError
        The mapping names a column that is not there, or a line says nothing that can be read.
    DataError
        The file cannot be read, holds no score, or holds columns that say who someone is.
    """
    grid, place = wide_grid(path), Path(mapping)
    if not place.exists():
        place.write_text(proposal(grid, Path(path).name), encoding="utf-8")
        raise RefusedError(
            f"A proposal of how to read {Path(path).name} is now in {place.name}. "
            "Check every line, set confirmed = true, then call again."
        )
    columns = agreed_columns(place, grid)
    long = {table: list(_records(grid, columns, table)) for table in ("people", "assessments", "ratings")}
    if not long["assessments"]:
        raise DataError(f"Sheet {grid.name}: there is no score in the columns mapped as scores.")
    if not any("people" in facts for facts in columns.values()):
        long["people"] = []
    findings = Findings()
    sheets = {table: _sheet(table, records) for table, records in long.items() if records}
    sheets = guard(sheets, findings, read_key(pseudonyms) if pseudonyms else None, labels_of(None, path))
    undated = not any(facts.get("fact") == "date" for facts in columns.values())
    records = read_sheets(sheets, findings, Path(path).name, open_map(None, path), dates=dates or "", undated=undated)
    return _in_its_own_terms(records, grid, long)


def _records(grid: Grid, columns: dict[str, dict[str, Any]], table: str) -> Iterator[Record]:
    """Yield the long records of one table, row by row of the wide sheet."""
    place = {heading: grid.headings.index(heading) for heading in columns}
    person = next(heading for heading, facts in columns.items() if "person" in facts)
    visits = [(heading, facts) for heading, facts in columns.items() if "fact" in facts]
    about = {facts["people"]: heading for heading, facts in columns.items() if "people" in facts}
    kind = {"assessments": "score", "ratings": "rating"}.get(table, "")
    for number, row in zip(grid.numbers, grid.rows, strict=True):
        who = {"person": row[place[person]]}
        if not kind:
            yield (
                number,
                who | {name: row[place[heading]] for name, heading in about.items()},
                {"person": person, **about},
            )
        for heading, facts in columns.items():
            if not kind or kind not in facts or not row[place[heading]]:
                continue
            if kind == "rating":
                cells = {"occasion": facts["at"], "rating": row[place[heading]]}
            else:
                cells = {"occasion": facts["at"], "measure": facts["score"], "value": row[place[heading]]}
                cells["unit"] = facts.get("unit", "")
            source = dict.fromkeys(cells, heading)
            for where, fact in visits if kind == "score" else ():
                if fact["at"] == facts["at"] and fact.get("test", facts["score"]) == facts["score"]:
                    text, unit = row[place[where]], fact.get("unit", "")
                    cells[fact["fact"]], source[fact["fact"]] = f"{text} {unit}".strip() if text else "", where
            yield number, who | cells, {"person": person, **source}


def _sheet(name: str, records: list[Record]) -> Sheet:
    """Return a long sheet whose rows are numbered by record, since one row of the wide sheet holds several."""
    header = list(dict.fromkeys(column for _, cells, _ in records for column in cells))
    columns = [Coded.read([cells.get(column, "") for _, cells, _ in records]) for column in header]
    return Sheet(name, header, columns, np.arange(1, len(records) + 1, dtype=np.int64), 0, [])


def _in_its_own_terms(records: Records, grid: Grid, long: dict[str, list[Record]]) -> Records:
    """Return the records with rows and columns named as in the wide sheet."""
    places = []
    for table, number, column in records.problems[["sheet", "row", "column"]].itertuples(index=False):
        row, _, source = long[table][number - 1] if number else (grid.header_row, {}, {})
        places.append((grid.name, row, source.get(column, column)))
    problems = records.problems.copy()
    problems[["sheet", "row", "column"]] = places
    frames = {}
    for table in filter(long.get, long):
        frame = getattr(records, table)
        frames[table] = frame.assign(source_row=[long[table][number - 1][0] for number in frame["source_row"]])
    return replace(records, problems=problems.drop_duplicates(ignore_index=True), **frames)
