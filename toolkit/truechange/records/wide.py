"""Wide sheets, one row a person: what each column holds is proposed, agreed in a small file, then made long."""

import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from json import dumps
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from truechange.foundation.errors import ChoiceError, DataError, RefusedError, listed
from truechange.records.cells import test_names
from truechange.records.formats import LOOKED_AT, Sheet, raw_rows
from truechange.records.identifiers import guard, labels_of, read_key
from truechange.records.reading import Records, read_sheets
from truechange.records.rules import DECLARED, IDENTIFYING_HEADERS, Findings, column_names, squeezed, unit_named
from truechange.records.values import Coded
from truechange.records.words import NUMBERED, WEEK, as_visit, open_map

KINDS = ("person", "people", "score", "fact", "rating", "leave_out")
HEAD = """\
# How the columns of {file} are read. Check every line, then set confirmed = true.
#   score: a test at a visit     fact: something of the visit, such as date, seat_height_cm (test = "..." for one test)
#   people: something of the person     rating: the global rating of change     leave_out = true: the column is not read
#   at: the visit (baseline, midway, discharge ...)     unit: the unit of its numbers
confirmed = false
sheet = {sheet}

[columns]
"""
_KNOWN = [
    (name, word) for word, also in DECLARED["words"]["occasion"].items() for name in (word.replace("_", " "), *also)
]
_OCCASIONS = [(re.escape(name), word) for name, word in sorted(_KNOWN, key=lambda pair: -len(pair[0]))]
_OCCASIONS += [(WEEK.pattern, ""), (NUMBERED.pattern, "")]


class Grid(NamedTuple):
    """A wide sheet: name, one heading a column, the rows below with their numbers, the row of the header."""

    name: str
    headings: list[str]
    rows: list[list[str]]
    numbers: list[int]
    header_row: int


def meaning(heading: str) -> dict[str, Any]:
    """Propose what a column of a wide sheet holds.

    Examples
    --------
    >>> meaning("TUG (s) pre")
    {'score': 'timed_up_and_go', 'at': 'baseline', 'unit': 's'}
    >>> meaning("Baseline seat height (in)")
    {'fact': 'seat_height_cm', 'at': 'baseline', 'unit': 'in'}
    >>> meaning("TUG pre (s)") == meaning("TUG (s) pre"), meaning("30s STS wk 12")
    (True, {'score': 'chair_stand_30s', 'at': 'week 12'})
    >>> meaning("Age"), meaning("Shoe size")
    ({'people': 'age'}, {'leave_out': True})
    """
    plain = " ".join(re.sub(r"[^\w%/()'\"°.+]+|_", " ", heading.lower()).split())
    at, rest = "", plain
    for name, word in _OCCASIONS:
        ahead, behind = (
            rf"(?P<first>{name})\b(?P<after>.*)",
            rf"(?P<before>.*)\b(?P<last>{name})(?P<unit>\)|\s*\(.*\))?",
        )
        if found := re.match(rf"(?:{ahead}|{behind})$", plain):
            at = word or as_visit(found["first"] or found["last"])
            rest = (found["after"] if found["first"] else found["before"] + (found["unit"] or "")).strip(" ()")
            break
    unit = re.search(r"[\s(]([^\s()]+)\)?$", rest)
    tries = [(rest, "")] + ([(rest[: unit.start()].strip(), unit[1])] if unit and unit_named(unit[1]) else [])
    people, ratings, facts = (column_names(table) for table in ("people", "ratings", "assessments"))
    for words, stated in tries:
        key, more = squeezed(words), {"at": at} | ({"unit": unit_named(stated)} if stated else {})
        if not at and people.get(key, "note") != "note":
            return {"person": True} if people[key] == "person" else {"people": people[key]}
        if ratings.get(key) == "rating" or test_names().get(key) == "rating_of_change":
            return {"rating": True, "at": at or "discharge"}
        if key in test_names():
            return {"score": test_names()[key], **more}
        if at and facts.get(key, "note") not in ("person", "measure", "value", "occasion", "note"):
            return {"fact": facts[key], **more}
    return {"leave_out": True}


def wide_grid(path: str | Path) -> Grid:
    """Return the sheet whose header names the most; a row of visits above the header is joined to it.

    Raises
    ------
    DataError
        No row names people and tests.
    """
    best, score = None, 1
    for name, rows in raw_rows(path):
        for place, row in enumerate(rows[:LOOKED_AT]):
            for headings in (row, _joined(rows[place - 1], row)) if place else (row,):
                said = [meaning(heading) for heading in headings if heading]
                known = sum(("leave_out" not in facts) + bool(facts.get("at")) for facts in said)
                if known > score:
                    best, score = (name, rows, place, headings), known
    if best is None:
        raise DataError(
            f"{Path(path).name}: no row names people and tests by visit. "
            "The long form is easier to keep: truechange template FILE.xlsx."
        )
    name, rows, place, found = best
    headings = [
        f"{heading} ({found[:at].count(heading) + 1})" if heading and heading in found[:at] else heading
        for at, heading in enumerate(found)
    ]
    held = [number for number in range(place + 1, len(rows)) if any(rows[number])]
    filled = [[*rows[number], *[""] * len(headings)][: len(headings)] for number in held]
    return Grid(name, headings, filled, [number + 1 for number in held], place + 1)


def _joined(upper: Sequence[str], lower: Sequence[str]) -> list[str]:
    """Join a row of visits (each standing once, above the first of its columns) with the row of tests below."""
    joined, current = [], ""
    for place, heading in enumerate(lower):
        current = (upper[place] if place < len(upper) else "") or current
        fits = heading and current and "at" in meaning(f"{current} {heading}")
        joined.append(f"{current} {heading}" if fits else heading)
    return joined


def proposal(grid: Grid, file: str) -> str:
    """Return the proposed mapping as the text of a small TOML file."""
    lines = []
    for heading in filter(None, grid.headings):
        facts = {"leave_out": True} if squeezed(heading) in IDENTIFYING_HEADERS else meaning(heading)
        body = ", ".join(f"{name} = {_toml(value)}" for name, value in facts.items())
        lines.append(f"{_toml(heading)} = {{ {body} }}{'  # at which visit?' if facts.get('at') == '' else ''}\n")
    return HEAD.format(file=file, sheet=_toml(grid.name)) + "".join(lines)


def _toml(value: Any) -> str:
    return dumps(value, ensure_ascii=False)


def agreed_columns(place: Path, grid: Grid) -> dict[str, dict[str, Any]]:
    """Return the confirmed mapping, each column with its facts.

    Raises
    ------
    RefusedError
        It is not confirmed.
    ChoiceError
        It is not TOML, names a column that is not there, or a line says nothing that can be read.
    """
    try:
        said = tomllib.loads(place.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as trouble:
        raise ChoiceError(
            f"{place.name}: {trouble}. Mend the line, or delete the file for a new proposal."
        ) from trouble
    if said.get("confirmed") is not True:
        raise RefusedError(f"{place.name} is not confirmed. Check every line and set confirmed = true.")
    columns = said.get("columns")
    if not isinstance(columns, dict) or not all(isinstance(facts, dict) for facts in columns.values()):
        raise ChoiceError(
            f'{place.name}: [columns] needs lines like "TUG pre" = {{ score = "timed_up_and_go", at = "baseline" }}.'
        )
    if strange := [heading for heading in columns if heading not in grid.headings]:
        raise ChoiceError(f"{place.name}: no such column in sheet {grid.name}: {listed(strange)}.")
    for heading, facts in columns.items():
        kinds = [kind for kind in KINDS if kind in facts]
        if len(kinds) != 1:
            raise ChoiceError(f"{place.name}: column {heading!r} needs exactly one of {', '.join(KINDS)}.")
        if kinds[0] in ("score", "fact", "rating") and not facts.get("at"):
            raise ChoiceError(f'{place.name}: column {heading!r} does not say at which visit, such as at = "baseline".')
    if sum("person" in facts for facts in columns.values()) != 1:
        raise ChoiceError(f"{place.name}: exactly one column must be the person: {{ person = true }}.")
    if not any("score" in facts for facts in columns.values()):
        raise ChoiceError(f"{place.name}: no column is a score.")
    return columns


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
