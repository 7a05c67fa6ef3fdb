"""Headings: which row names the columns, which table a sheet is; wide sheets: what each column holds, made long."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np

from truechange.measures.catalogue import OWN, catalogue, kept
from truechange.records import rules
from truechange.records.rules import COLUMNS, TABLES, Findings, column_names, match_column, squeezed
from truechange.records.synonyms import NUMBERED, WEEK, WordMap, as_visit
from truechange.records.values import Coded, Sheet, status_word

LOOKED_AT, LONGEST = 25, 60
WIDE = "wide"
Own = Mapping[str, Mapping[str, Any]]  # what a clinic itself says its columns hold, by squeezed heading
NONE: Own = MappingProxyType({})
_VISITS = {
    name: word for word, also in rules.DECLARED["words"]["occasion"].items() for name in (word.replace("_", " "), *also)
}
_VISIT = "|".join([*map(re.escape, sorted(_VISITS, key=len, reverse=True)), WEEK.pattern, NUMBERED.pattern])
_VISIT_FIRST = re.compile(rf"(?P<visit>{_VISIT})\b(?P<rest>.*)")
_VISIT_LAST = re.compile(rf"(?P<rest>.*?)\b(?P<visit>{_VISIT})(?P<unit>\)|\s*\(.*\))?")
_TRIAL = re.compile(r"\b(?:trial|attempt|try)\W*(\d)\b")
_NO_RATING = ("score", "value", "change")  # names of the column in a table of ratings, too little beside scores
NOT_OF_A_VISIT = ("person", "measure", "value", "occasion", "note")


@kept
def test_names() -> Mapping[str, str]:
    """Return every name of every test, squeezed, with its key; one's own units are no words of ours beside it."""
    own = {squeezed(f"{name}{test.unit}"): test.key for test in OWN.values() for name in test.names}
    return own | {squeezed(name): test.key for test in catalogue().values() for name in test.names}


def visit_of(text: str) -> str:
    """Return the visit that a text names with nothing beside it, empty if none."""
    found = re.fullmatch(_VISIT, plain := " ".join(text.lower().split()))
    return _VISITS.get(plain) or as_visit(plain) if found else ""


@kept
def meaning(heading: str) -> Mapping[str, Any]:
    """Propose what a column of a wide sheet holds; ``ask`` holds the guess where a person must say.

    Examples
    --------
    >>> meaning("TUG (s) pre")
    {'score': 'timed_up_and_go', 'at': 'baseline', 'unit': 's'}
    >>> meaning("Baseline seat height (in)")
    {'fact': 'seat_height_cm', 'at': 'baseline', 'unit': 'in'}
    >>> meaning("TUG pre (s)") == meaning("TUG (s) pre"), meaning("30s STS wk 12")
    (True, {'score': 'chair_stand_30s', 'at': 'week 12'})
    >>> meaning("Age"), meaning("Shoe size"), meaning("TUG cognitive")
    ({'people': 'age'}, {'leave_out': True}, {'ask': {'leave_out': True}})
    """
    if len(heading) > LONGEST or not re.search("[^\\W\\d_]", heading) or squeezed(heading) in rules.IDENTIFYING_HEADERS:
        return {"leave_out": True}
    people, ratings, facts = (column_names(table) for table in ("people", "ratings", "assessments"))
    plain = re.sub(r"\(\d\)$", "", heading.lower())  # the second column of a name
    plain = " ".join(re.sub(r"[^\w%/()'\"°.+]+|_", " ", plain).split())
    trial = _TRIAL.search(plain)
    named = _TRIAL.sub("", plain).strip() if trial else plain
    found = None if squeezed(plain) in people else _VISIT_FIRST.fullmatch(named) or _VISIT_LAST.fullmatch(named)
    at = _VISITS.get(found["visit"]) or as_visit(found["visit"]) if found else ""
    rest = (found["rest"] + (found.groupdict().get("unit") or "")).strip(" ()") if found else named
    unit = re.search(r"[\s(]([^\s()]+)\)?$", rest)
    tries = [(rest, "")] + ([(rest[: unit.start()].strip(), unit[1])] if unit and rules.unit_named(unit[1]) else [])
    for words, stated in tries:
        key = squeezed(words)
        if not at and people.get(key, "note") != "note":
            column = COLUMNS["people"][people[key]]
            about = {"people": column.name, **_unit(stated, column.unit)}
            return {"person": True} if column.kind == "id" else about
        if (ratings.get(key) == "rating" and key not in _NO_RATING) or test_names().get(key) == "rating_of_change":
            return {"rating": True, "at": at} if at else {"rating": True}
        if test := test_names().get(key):
            numbered = {"trial": int(trial[1])} if trial else {}
            return {"score": test, "at": at, **numbered, **_unit(stated, catalogue()[test].unit)}
        if fact := _fact(words):
            return {**fact, "at": at, **_unit(stated, COLUMNS["assessments"][fact["fact"]].unit)}
    if facts.get(squeezed(plain)) == "occasion":
        return {"visit": True}
    guess = _guess(rest, at)
    asked = (at and facts.get(squeezed(rest)) != "note") or "score" in guess or _names_a_test(rest)
    return {"ask": guess} if asked else {"leave_out": True}


def _unit(stated: str, like: str) -> dict[str, str]:
    return {"unit": unit} if stated and like and (unit := rules.unit_named(stated, like)) else {}


def _fact(words: str) -> dict[str, Any]:
    """Return the fact of a visit that words name, and the one test it belongs to where that stands before it."""
    parts, facts = words.split(), column_names("assessments")
    for place in range(len(parts)):
        fact, test = facts.get(squeezed(" ".join(parts[place:])), "note"), squeezed(" ".join(parts[:place]))
        if fact not in NOT_OF_A_VISIT and (not place or test in test_names()):
            return {"fact": fact} | ({"test": test_names()[test]} if place else {})
    return {}


def _names_a_test(words: str) -> bool:
    parts = words.split()
    runs = (parts[first:last] for first in range(len(parts)) for last in range(first + 1, len(parts) + 1))
    return any(squeezed(" ".join(run)) in test_names() for run in runs)


def _guess(rest: str, at: str) -> dict[str, Any]:
    close = rules.nearest(squeezed(rest), list(test_names())) if len(rest) > 3 else ""
    about = column_names("people").get(squeezed(rest), "person")
    if close and at:
        return {"score": test_names()[close], "at": at}
    return {"people": about} if at == "baseline" and about not in NOT_OF_A_VISIT else {"leave_out": True}


def said(headings: Sequence[str], own: Own = NONE) -> list[Mapping[str, Any]]:
    """Return what each heading holds, the clinic's own word first."""
    return [own.get(squeezed(heading)) or meaning(heading) for heading in headings if heading]


def looks_wide(headings: Sequence[str], own: Own = NONE, *, by_visit: bool = True) -> bool:
    """Whether headings name scores by visit (in the heading, or in a column of the row) and no column of tests."""
    readings = said(headings, own)
    visit = not by_visit or any("visit" in facts for facts in readings)
    scores = [facts for facts in readings if "score" in facts and (visit or facts.get("at"))]
    people = sum("person" in facts for facts in readings)
    long = {column_names("assessments").get(squeezed(heading)) for heading in headings} >= {"measure", "value"}
    return bool(scores) and len(scores) + people > 1 and not long


def header_score(cells: Sequence[str], table: str) -> int:
    """Count the different columns of `table` that `cells` name outright, with or without a unit behind the name."""
    names = column_names(table)
    keys = [(squeezed(cell), cell) for cell in cells if cell and len(cell) < LONGEST]
    found = {names[key] for key, _ in keys if key in names}
    rest = [cell for key, cell in keys if key not in names and cell[-1] in ")]"]
    return len(found | {match[0] for cell in rest if (match := match_column(cell, table))[2] == "known"})


def _wide_score(headings: Sequence[str], own: Own) -> int:
    if not looks_wide(headings, own, by_visit=False):
        return 0
    readings = [facts for facts in said(headings, own) if {"leave_out", "ask"}.isdisjoint(facts)]
    return len(readings) + sum(bool(facts.get("at")) for facts in readings)


class Header(NamedTuple):
    """The row that names the columns: its place, how many it names, and the headings, joined with the row above."""

    at: int
    score: int
    headings: list[str]
    joined: bool = False


def find_header(rows: Sequence[Sequence[str]], own: Own = NONE) -> Header:
    """Return the header among the first rows; the first filled row when none looks like one.

    A row of visits above a row of tests is joined to it.

    Examples
    --------
    >>> find_header([["Test results 2025", ""], ["Patient", "Score"], ["P001", "12"]])
    Header(at=1, score=2, headings=['Patient', 'Score'], joined=False)
    >>> find_header([["", "Pre", ""], ["Patient", "TUG", "30CST"], ["P001", "12", "9"]]).headings
    ['Patient', 'Pre TUG', 'Pre 30CST']
    """
    first = next((place for place, row in enumerate(rows) if any(row)), 0)
    best = Header(first, 1, list(rows[first]) if rows else [])
    for place, row in enumerate(rows[:LOOKED_AT]):
        ways = [Header(place, max(header_score(row, table) for table in TABLES), list(row))]
        above = _joined(rows[place - 1], row) if place else list(row)
        ways += [Header(place, _wide_score(row, own), list(row)), Header(place, _wide_score(above, own), above, True)]
        here = max(ways, key=lambda way: way.score)
        best = here if here.score > best.score else best
        if 2 * best.score > sum(map(bool, row)) and best.score >= 4:
            break  # most of the row names columns: no need to look on
    if looks_wide(best.headings, own, by_visit=False):  # two columns of one name are told apart by their order
        for at, name in reversed(list(enumerate(best.headings))):
            if name and (before := best.headings[:at].count(name)):
                best.headings[at] = f"{name} ({before + 1})"
    return best


def _joined(upper: Sequence[str], lower: Sequence[str]) -> list[str]:
    """Join a row of visits (each standing once, above the first of its columns) with the row of tests below."""
    joined, current = [], ""
    for place, heading in enumerate(lower):
        above = upper[place] if place < len(upper) else ""
        current = above or current
        fits = heading and current and ("at" in meaning(f"{current} {heading}") or list(lower).count(heading) > 1)
        joined.append(f"{current} {heading}" if fits else heading or above)
    return joined


def table_of(name: str, header: Sequence[str], own: Own = NONE, *, wide: bool = True) -> str:
    """Return the table a sheet is, by its name or its columns: one of the four, ``wide``, or empty for none."""
    known = rules.sheet_names().get(squeezed(name), "")
    known = known if known and header_score(header, known) >= 2 else ""
    fits = {}
    for table in TABLES:
        required = {column.name for column in COLUMNS[table].values() if column.required}
        named = {column_names(table).get(squeezed(cell)) for cell in header}
        if len(required) > 1 and required <= named:
            fits[table] = header_score(header, table)
    if wide and known not in ("ratings", "sessions") and "sessions" not in fits and looks_wide(header, own):
        return WIDE
    return known or (max(fits, key=lambda table: fits[table]) if fits else rules.sheet_names().get(squeezed(name), ""))


# ---- wide sheets -----------------------------------------------------------------------------------------------------
HOW = "by test and visit, such as “TUG pre”; or say what it holds in clinic.toml (truechange inspect FILE --map)"
_SCORE = re.compile(r"-?\d+(?:[.,:]\d+)?(?:\s*[A-Za-z]+)?")
NEEDED = ("occasion", "measure", "value")
# Columns left out without a word: notes, and what says who someone is.
_UNSAID = {*rules.IDENTIFYING_HEADERS, *(name for name, column in column_names("people").items() if column == "note")}
Facts = Mapping[str, Any]


class Block(NamedTuple):
    """Rows of one sheet under our names of columns, and what each is called there."""

    sheet: Sheet
    headings: Mapping[str, str]


def lengthened(sheet: Sheet, words: WordMap, findings: Findings) -> dict[str, list[Block]]:
    """Return the people, assessments and ratings of a wide sheet; a column that nobody can be sure of is asked.

    Parameters
    ----------
    sheet : Sheet
        One row a person, or one a person and visit.
    words : WordMap
        Says what its columns hold; takes note of what they were taken for and what is asked.
    findings : Findings
        Takes note of columns that are not read.

    Raises
    ------
    DataError
        No column holds the person, and none could be meant.
    """
    columns = _agreed(sheet, words, findings)
    person = next((at for at, facts in columns.items() if "person" in facts), None)
    nothing = _block(sheet, person or 0, np.zeros(len(sheet.rows), dtype=bool), dict.fromkeys(NEEDED, ""))
    if person is None:
        if any("person" in row["guess"] for row in words.unknown):
            return {"assessments": [nothing]}
        raise rules.refused("no_person", sheet=sheet.name)
    visit = next((at for at, facts in columns.items() if "visit" in facts), None)
    about = {facts["people"]: (at, facts.get("unit", "")) for at, facts in columns.items() if "people" in facts}
    found = {"people": [_block(sheet, person, slice(None), about)], "assessments": [nothing], "ratings": []}
    beside = sorted(((at, facts) for at, facts in columns.items() if "fact" in facts), key=lambda one: "test" in one[1])
    for at, facts in columns.items():
        if "score" not in facts and "rating" not in facts:
            continue
        when, table = facts.get("at") or ("" if visit is not None else "discharge"), "ratings"
        cells: dict[str, Any] = {"occasion": when or (visit, ""), "rating": (at, "")}
        if "score" in facts:
            table = "assessments"
            cells = {"occasion": cells["occasion"], "measure": facts["score"], "value": (at, "")}
            cells |= {name: str(facts[name]) for name in ("unit", "trial") if name in facts}
            for where, fact in beside:
                if fact.get("at") in (None, "", when) and fact.get("test", facts["score"]) == facts["score"]:
                    cells[fact["fact"]] = (where, fact.get("unit", ""))
        found[table].append(_block(sheet, person, ~sheet.columns[at].empty, cells, sheet.header[at]))
    return found


def _block(sheet: Sheet, person: int, keep: Any, cells: Mapping[str, Any], heading: str = "") -> Block:
    """Return the rows to keep; a cell is a text for all of them, or a column of the sheet and its unit."""
    columns, headings = [sheet.columns[person].where(keep)], {"person": sheet.header[person]}
    for name, cell in cells.items():
        if isinstance(cell, str):
            columns.append(Coded.of(np.zeros(len(columns[0]), dtype=np.int64), [cell]))
            headings[name] = heading
        else:
            column, headings[name] = sheet.columns[cell[0]].where(keep), sheet.header[cell[0]]
            texts = [f"{word} {cell[1]}" if word[-1].isdigit() else word for word in column.words]
            columns.append(column.renamed(texts))
    return Block(replace(sheet, header=["person", *cells], columns=columns, rows=sheet.rows[keep]), headings)


def _agreed(sheet: Sheet, words: WordMap, findings: Findings) -> dict[int, Facts]:
    """Return what the columns hold that are read, and note every one: taken, left out, or asked."""
    told = [words.columns.get(squeezed(heading)) for heading in sheet.header]
    taken: list[Facts] = [own or meaning(heading) for own, heading in zip(told, sheet.header, strict=True)]
    by_row = visit_of(sheet.name) or any("visit" in facts for facts in taken)
    nobody = not any("person" in facts for facts in taken)
    agreed: dict[int, Facts] = {}
    seen: list[Facts] = []
    for at, (heading, own) in enumerate(zip(sheet.header, told, strict=True)):
        column, facts = sheet.columns[at], taken[at]
        ask: Facts | None = None
        without = {key: value for key, value in facts.items() if key not in ("at", "unit")}
        if not heading and not column.words:
            continue
        if nobody and own is None and facts.keys() & {"leave_out", "ask"} and len(column.words) == len(column) > 0:
            ask, nobody = {"person": True}, False
        elif "ask" in facts:
            scores = [text for text in column.words if _SCORE.fullmatch(text) or status_word(text)]
            ask = facts["ask"] if 2 * len(scores) > len(column.words) else None
            facts = {"leave_out": True}
        elif not by_row and not facts.get("at") and ("score" in facts or ("fact" in facts and own is None)):
            ask = {**without, "at": "discharge" if {**without, "at": "baseline"} in seen else "baseline"}
        elif own is None and "leave_out" not in facts and {**without, "at": facts.get("at")} in seen:
            ask = {"leave_out": True}
        elif isinstance(by_row, str) and "at" in facts and not facts["at"]:
            facts = {**facts, "at": by_row}
        seen.append(ask or {**without, "at": facts.get("at")})
        if heading:
            words.take(sheet.name, heading, ask or facts, int((~column.empty).sum()), sure=ask is None)
        if ask is None and "leave_out" not in facts:
            agreed[at] = facts
        elif ask is None and own is None and squeezed(heading) not in _UNSAID:
            where, facts = heading or f"(column {at + 1}, no heading)", {"known": HOW}
            findings.add("column_unknown", sheet.name, sheet.header_row, where, facts=facts)
    return agreed


def as_block(sheet: Sheet, table: str) -> Block:
    """Return a sheet of one of the four tables under our names of columns, where no unit stands beside the name."""
    matched = [match_column(header, table) for header in sheet.header]
    header = [name if name and not unit else text for (name, unit, _), text in zip(matched, sheet.header, strict=True)]
    return Block(replace(sheet, header=header), dict(zip(header, sheet.header, strict=True)))


def with_site(blocks: list[Block], table: str, findings: Findings) -> list[Block]:
    """Return the rows of several sheets with the name of the sheet as their site, unless a site or a visit is named."""
    names = list(dict.fromkeys(block.sheet.name for block in blocks))
    if len(names) == 1:
        return blocks
    sited = table not in ("assessments", "people") or any(map(visit_of, names))
    sited = sited or any("site" in block.sheet.header for block in blocks)
    found = []
    for sheet, headings in blocks:
        others = ", ".join(name for name in names if name != sheet.name)
        facts = {"others": others, "site": "" if sited else ", and the name of each as its site"}
        findings.add("sheets_joined", sheet.name, sheet.header_row, facts=facts)
        site = Coded.of(np.zeros(len(sheet.rows), dtype=np.int64), [sheet.name])
        more = ([], []) if sited else (["site"], [site])
        found.append(Block(replace(sheet, header=sheet.header + more[0], columns=sheet.columns + more[1]), headings))
    return found


def stacked(blocks: Sequence[Block], table: str, findings: Findings) -> Sheet:
    """Return one sheet of all rows; what is found there is told in the rows and headings they came from."""
    texts: dict[str, list[str]] = {name: [] for block in blocks for name in block.sheet.header}
    sheets = {block.sheet.name: block.sheet for block in blocks}
    first = blocks[0].sheet
    places: list[rules.Place] = [(first.name, first.header_row, {})]
    for sheet, headings in blocks:
        here = dict(zip(sheet.header, sheet.columns, strict=True))
        for name, column in texts.items():
            column += here[name].cells() if name in here else [""] * len(sheet.rows)
        places += [(sheet.name, row, headings) for row in sheet.rows.tolist()]
    where: dict[tuple[str, int], list[int]] = {}
    for number, (name, row, _) in enumerate(places):
        where.setdefault((name, row), []).append(number)
    notes = [
        note._replace(row=number) for sheet in sheets.values() for note in sheet.notes
        for number in where.get((sheet.name, note.row), [0])
    ]  # fmt: skip
    rows, columns = np.arange(1, len(places), dtype=np.int64), [Coded.read(column) for column in texts.values()]
    name = findings.derived(first.name, table, places)
    return Sheet(name, list(texts), columns, rows, 0, [] if table == "people" else notes)
