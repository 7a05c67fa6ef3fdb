"""The rules of the door, read from ``rules.toml``: tables, columns, words, units, limits and kinds of trouble."""

import re
import tomllib
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache, lru_cache
from math import inf
from pathlib import Path
from typing import Any
from unicodedata import normalize

from truechange.measures.catalogue import facts as known_facts

DECLARED = tomllib.loads((Path(__file__).parent / "rules.toml").read_text(encoding="utf-8"))
FACTS = known_facts()  # how tests are done: limits and words shared with what is typed about one person
DECLARED["words"] |= {"yes_no" if name == "arms_used" else name: one.words for name, one in FACTS.items() if one.words}
LIMITS: dict[str, int] = DECLARED["limits"]
TOO_LARGE = "Split it by site or by year; tc.responder_registry counts responders in files of any size, unchecked."
TABLES = ("people", "assessments", "ratings", "sessions")


_ACCENTS, _MARKS = re.compile("[\u0300-\u036f]+"), re.compile(r"[\W_]+")


@lru_cache(maxsize=4096)
def squeezed(text: str) -> str:
    """Return `text` as it is compared: lower case, no accents, no spaces, no punctuation.

    Examples
    --------
    >>> squeezed("Seat height (cm)") == squeezed("seat_height_CM")
    True
    """
    plain = text.lower() if text.isascii() else _ACCENTS.sub("", normalize("NFKD", text.lower()))
    return _MARKS.sub("", plain)


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One declared column: what it is called, what may stand in it, what is possible and what is unusual."""

    name: str
    kind: str
    required: bool = False
    open: bool = False
    whole: bool = False
    unit: str = ""
    hard: tuple[float, float] = (-inf, inf)
    soft: tuple[float, float] = (-inf, inf)
    also: tuple[str, ...] = ()
    help: str = ""

    @property
    def words(self) -> tuple[str, ...]:
        """The words usual in this column, first the ones the library writes."""
        return tuple(DECLARED["words"].get("yes_no" if self.kind == "yes_no" else self.name, ()))


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of trouble: how serious, why the row is set aside (empty: it is used), its wording and its remedy."""

    severity: str
    reason: str
    says: str
    remedy: str


KINDS = {name: Kind(*parts) for name, parts in DECLARED["problems"].items()}


def _column(name: str, facts: dict[str, Any]) -> Column:
    if "same" in facts:
        facts = DECLARED["tables"][facts["same"]][name] | {key: facts[key] for key in facts if key != "same"}
    if name in FACTS:
        facts = {"unit": FACTS[name].unit, "hard": FACTS[name].hard, "soft": FACTS[name].soft} | facts
    tidy: dict[str, Any] = {key: tuple(value) if isinstance(value, list) else value for key, value in facts.items()}
    return Column(name=name, **tidy)


COLUMNS: dict[str, dict[str, Column]] = {
    table: {name: _column(name, facts) for name, facts in DECLARED["tables"][table].items()} for table in TABLES
}


@cache
def word_list(column: str) -> dict[str, str]:
    """Return every word understood in `column`, squeezed, with the word it is read as."""
    return {
        squeezed(other) or other: word
        for word, also in DECLARED["words"].get(column, {}).items()
        for other in (word, *also)
    }


def nearest(text: str, choices: "list[str] | tuple[str, ...]", likeness: float = 0.8) -> str:
    """Return the one of `choices` most like `text`, or empty text."""
    return next(iter(get_close_matches(text, choices, 1, likeness)), "")


# ---- units -----------------------------------------------------------------------------------------------------------
UNITS: dict[str, dict] = DECLARED["units"]


def _unit_key(text: str) -> str:
    return text.lower().strip(" .()[]").replace(" ", "").replace("²", "2")


@cache
def unit_named(text: str, like: str = "") -> str:
    """Return the declared unit that `text` names, empty if none; `like` settles names two dimensions share (m, ')."""
    found = [
        unit for unit, facts in UNITS.items() if _unit_key(text) in {_unit_key(name) for name in (unit, *facts["also"])}
    ]
    same = [unit for unit in found if like in UNITS and UNITS[unit]["of"] == UNITS[like]["of"]]
    return next(iter(same or found), "")


def factor(unit: str, to: str) -> float | None:
    """Return what a number in `unit` is multiplied by to be in `to`; None when they measure different things.

    Examples
    --------
    >>> factor("in", "cm"), factor("min", "s"), factor("kg", "s")
    (2.54, 60.0, None)
    """
    if unit == to:
        return 1.0
    if unit not in UNITS or to not in UNITS or UNITS[unit]["of"] != UNITS[to]["of"]:
        return None
    return round(UNITS[unit]["size"] / UNITS[to]["size"], 12)


# ---- identifiers -----------------------------------------------------------------------------------------------------
IDENTIFYING_HEADERS = {squeezed(name) for name in DECLARED["identifiers"]["headers"]}
IDENTIFYING = {what: re.compile(pattern) for what, pattern in DECLARED["identifiers"]["patterns"].items()}
_ALWAYS = ("an e-mail address", "a telephone number", "a street address")
NAME = "a person's name"
_TRADE = frozenset(DECLARED["identifiers"]["trade"].split())
_ANYWHERE = re.compile(rf"(?<![\w-])(?=({IDENTIFYING[NAME].pattern}))")
WITHHELD = "(withheld)"


@lru_cache(maxsize=4096)
def names_someone(text: str) -> bool:
    """Say whether a text holds what reads like a person's name: two capitalised words, neither a word of the trade.

    Examples
    --------
    >>> names_someone("seen by Ada Lovelace"), names_someone("ADA LOVELACE"), names_someone("Leg Power")
    (True, True, False)
    """
    plain = text.title() if text.isupper() else text
    return any(_TRADE.isdisjoint(re.findall(r"\w+", found[1].lower())) for found in _ANYWHERE.finditer(plain))


def reads_on(text: str) -> bool:
    """Say whether a label reads like a sentence: four words or more, none of the trade."""
    words = re.findall(r"\w+", text.lower())
    return len(words) > 3 and _TRADE.isdisjoint(words)


def fit_to_show(text: str) -> str:
    """Return `text`, or ``(withheld)`` when it is an address or a telephone number, or names someone."""
    return WITHHELD if names_someone(text) or any(IDENTIFYING[what].fullmatch(text) for what in _ALWAYS) else text


def known_word(column: str, text: str, other: str = "another one") -> str:
    """Return a typed word if it is one that `column` is known to hold, else `other`: no free text leaves the clinic."""
    return text if text in word_list(column).values() else other


# ---- names of columns and sheets -------------------------------------------------------------------------------------
@cache
def column_names(table: str) -> dict[str, str]:
    """Return every name a column of `table` goes by, squeezed, with the column it means."""
    names: dict[str, str] = {}
    for column in COLUMNS[table].values():
        for name in (column.name, column.name.replace(f"_{column.unit}", ""), *column.also):
            names.setdefault(squeezed(name), column.name)
    return names


def match_column(header: str, table: str) -> tuple[str, str, str]:
    """Return the column a header means, the unit it states, and how sure (``"same", "known", "guess"`` or empty).

    Examples
    --------
    >>> match_column("Seat height (in)", "assessments"), match_column("Valeu", "assessments")
    (('seat_height_cm', 'in', 'known'), ('value', '', 'guess'))
    """
    names, whole = column_names(table), squeezed(header)
    if whole in names:
        return names[whole], "", "same" if header.strip() == names[whole] else "known"
    parts = re.match(r"(.+?)[\s_]*[\s_(\[]([^\s_()\[\]]+)[)\]]?\s*$", header.strip())
    if parts and squeezed(parts[1]) in names:
        column = COLUMNS[table][names[squeezed(parts[1])]]
        unit = unit_named(parts[2], column.unit)
        if unit and (column.kind == "value" or factor(unit, column.unit) is not None):
            return column.name, unit, "known"
    close = nearest(whole, list(names), 0.79) if len(whole) >= 4 else ""
    return (names[close], "", "guess") if close else ("", "", "")


@cache
def sheet_names() -> dict[str, str]:
    """Return every name a table goes by as a sheet or file, squeezed."""
    return {squeezed(name): table for table in TABLES for name in (table, *DECLARED["sheets"][table])}
