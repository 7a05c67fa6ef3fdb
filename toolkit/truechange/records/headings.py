"""Headers: which row names the columns, which table a sheet is, what each column of a wide sheet holds."""

import re
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any, NamedTuple

from truechange.measures.catalogue import OWN, catalogue, kept
from truechange.records.rules import (
    COLUMNS,
    DECLARED,
    IDENTIFYING_HEADERS,
    TABLES,
    column_names,
    match_column,
    nearest,
    sheet_names,
    squeezed,
    unit_named,
)
from truechange.records.words import NUMBERED, WEEK, as_visit

LOOKED_AT, LONGEST = 25, 60
WIDE = "wide"
Own = Mapping[str, Mapping[str, Any]]  # what a clinic itself says its columns hold, by squeezed heading
NONE: Own = MappingProxyType({})
_VISITS = {
    name: word for word, also in DECLARED["words"]["occasion"].items() for name in (word.replace("_", " "), *also)
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
    names = {squeezed(name): test.key for test in catalogue().values() for name in (test.key, test.name, *test.also)}
    own = {squeezed(f"{name}{test.unit}"): test.key for test in OWN.values()
           for name in (test.key, test.name, *test.also)}  # fmt: skip
    return own | names


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
    if len(heading) > LONGEST or not re.search("[^\\W\\d_]", heading) or squeezed(heading) in IDENTIFYING_HEADERS:
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
    tries = [(rest, "")] + ([(rest[: unit.start()].strip(), unit[1])] if unit and unit_named(unit[1]) else [])
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
    return {"unit": unit} if stated and like and (unit := unit_named(stated, like)) else {}


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
    close = nearest(squeezed(rest), list(test_names())) if len(rest) > 3 else ""
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
        headings = best.headings
        told = [
            f"{name} ({headings[:at].count(name) + 1})" if name in headings[:at] else name
            for at, name in enumerate(headings)
        ]
        best = best._replace(headings=[name if headings[at] else "" for at, name in enumerate(told)])
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
    known = sheet_names().get(squeezed(name), "")
    known = known if known and header_score(header, known) >= 2 else ""
    fits = {}
    for table in TABLES:
        required = {column.name for column in COLUMNS[table].values() if column.required}
        named = {column_names(table).get(squeezed(cell)) for cell in header}
        if len(required) > 1 and required <= named:
            fits[table] = header_score(header, table)
    if wide and known not in ("ratings", "sessions") and "sessions" not in fits and looks_wide(header, own):
        return WIDE
    return known or (max(fits, key=lambda table: fits[table]) if fits else sheet_names().get(squeezed(name), ""))
