"""Rules of the door, read from ``rules.toml``, and the findings they make: place, value, problem, remedy."""

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import cache, lru_cache
from math import inf
from pathlib import Path
from typing import Any, NamedTuple
from unicodedata import normalize

import numpy as np
import pandas as pd

from truechange.foundation.errors import DataError, OutcomeError
from truechange.foundation.result import Result
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


class Kind(NamedTuple):
    """One kind of trouble: how serious, why the row is set aside (empty: it is used), its wording and its remedy."""

    severity: str
    reason: str
    says: str
    remedy: str


KINDS = {name: Kind(*parts) for name, parts in DECLARED["problems"].items()}


def refused(why: str, error: type[OutcomeError] = DataError, **facts: Any) -> OutcomeError:
    """Return the error that refuses a whole file or question, in the wording declared for it."""
    return error(DECLARED["refusals"][why].format(**LIMITS, split=TOO_LARGE, **facts))


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
    words = DECLARED["words"].get(column, {})
    return {squeezed(other) or other: word for word, also in words.items() for other in (word, *also)}


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
    key = _unit_key(text)
    found = [unit for unit, facts in UNITS.items() if key in map(_unit_key, (unit, *facts["also"]))]
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


SHOWN = ("sheet", "row", "column", "value", "problem", "remedy", "severity", "kind", "repair")

_RANK = {"error": 0, "warning": 1, "note": 2}
Place = tuple[str, int, Mapping[str, str]]  # where a row was taken from: sheet, row, our column and its heading there


@dataclass
class Findings:
    """Collects problems sheet by sheet, and which rows are set aside for which reason."""

    _rows: list[tuple[Any, ...]] = field(default_factory=list)
    _aside: dict[str, dict[str, list[Any]]] = field(default_factory=dict)
    _derived: dict[str, tuple[str, Sequence[Place]]] = field(default_factory=dict)

    def add(
        self,
        kind: str,
        sheet: str,
        rows: Any,
        column: str = "",
        *,
        values: Sequence[str] | None = None,
        facts: Mapping[str, Any] | Sequence[Mapping[str, Any]] | None = None,
        repairs: Sequence[str] = (),
        aside: bool = True,
    ) -> None:
        """Note `kind` at `rows` of `sheet`.

        Parameters
        ----------
        kind : str
            One of the declared kinds.
        sheet, column : str
            Where; `column` as the file calls it.
        rows : int or array of int
            Row numbers.
        values : sequence of str, optional
            What stands there, one a row.
        facts : mapping or sequence of mapping, optional
            What the wording needs, for all rows or one a row.
        repairs : sequence of str, optional
            What the cell was read as, where that loses nothing.
        aside : bool
            False keeps the rows in use although the kind would set them aside (a cell that is not needed).
        """
        rule, places = KINDS[kind], np.atleast_1d(np.asarray(rows, dtype=np.int64))
        if not len(places):
            return
        nothing = [""] * len(places)
        shown = nothing if values is None else map(fit_to_show, values)
        each = facts if isinstance(facts, Sequence) else [facts or {}] * len(places)
        for row, value, more, repair in zip(places.tolist(), shown, each, repairs or nothing, strict=True):
            filled = {"column": column, "value": value, **more}
            wording = rule.says.format_map(filled), rule.remedy.format_map(filled)
            self._rows.append((sheet, row, column, value, *wording, rule.severity, kind, repair))
        if rule.reason and aside:
            self._aside.setdefault(sheet, {}).setdefault(rule.reason, []).append(places)

    def derived(self, sheet: str, table: str, places: Sequence[Place] = ()) -> str:
        """Return a name for a table taken out of `sheet`: rows set aside are its own, findings stand where they were.

        `places` says from where its header (row 0) and its rows 1, 2 ... were taken; without it rows keep their number.
        """
        name = f"{sheet} ({table})"
        self._derived[name] = sheet, places
        return name

    def is_derived(self, sheet: str) -> bool:
        """Whether the rows of `sheet` were taken out of another, where they are counted already."""
        return sheet in self._derived and not self._derived[sheet][1]

    def place(self, sheet: str, row: int, column: str = "") -> tuple[str, int, str]:
        """Return sheet, row and heading as the file has them."""
        while sheet in self._derived:
            sheet, places = self._derived[sheet]
            if places:
                sheet, row, headings = places[row]
                column = headings.get(column, column)
        return sheet, row, column

    def other_row(self, sheet: str, row: int, here: int) -> str:
        """Return how a row is named beside another one."""
        (there, number, _), (mine, _, _) = self.place(sheet, row), self.place(sheet, here)
        return str(number) if there == mine else f"{number} of {there}"

    def aside(self, sheet: str) -> "pd.Series[str]":
        """Return why each row of `sheet` was set aside so far, by its number: the reason found first."""
        parts = [(reason, np.concatenate(rows)) for reason, rows in self._aside.get(sheet, {}).items()]
        rows = np.concatenate([np.empty(0, dtype=np.int64), *(places for _, places in parts)])
        reasons = pd.Series([reason for reason, places in parts for _ in places], index=rows, dtype="str")
        return reasons[~reasons.index.duplicated()]

    def frame(self) -> pd.DataFrame:
        """Return all findings, errors first, then by sheet and row."""
        rows = [(*self.place(*row[:3]), *row[3:]) for row in self._rows]
        rows.sort(key=lambda row: (_RANK[row[SHOWN.index("severity")]], *row[:2]))
        kinds = {name: "int64" if name == "row" else "str" for name in SHOWN}
        return pd.DataFrame(rows, columns=list(SHOWN)).astype(kinds).drop_duplicates(ignore_index=True)


@dataclass(frozen=True)
class Ledger(Result):
    """Where the rows went.

    Parameters
    ----------
    rows_read : int
        Records found.
    rows_used : int
        Records that went on.
    set_aside : DataFrame
        One row a reason: ``reason``, ``count``.
    by_table : DataFrame or None
        The same by table (``table, rows_read, rows_used, rows_set_aside``), when several were read.

    Raises
    ------
    OutcomeError
        The rows do not add up: a fault of the library, never of the data.

    Examples
    --------
    >>> print(Ledger.of(10, {"not a number": 2}))
    10 rows read = 8 used + 2 set aside (2 not a number).
    """

    rows_read: int
    rows_used: int
    set_aside: pd.DataFrame
    by_table: pd.DataFrame | None = None
    cautions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.adds_up:
            raise OutcomeError(f"The ledger does not add up, please report this fault: {self.sentence()}")

    @classmethod
    def of(cls, rows_read: int, reasons: Mapping[str, int], by_table: pd.DataFrame | None = None) -> "Ledger":
        """Return the ledger of `rows_read` rows of which those counted under `reasons` were set aside."""
        some = [(reason, int(count)) for reason, count in reasons.items() if count]
        frame = pd.DataFrame(some, columns=["reason", "count"]).astype({"reason": "str", "count": "int64"})
        return cls(rows_read, rows_read - sum(count for _, count in some), frame, by_table)

    @property
    def adds_up(self) -> bool:
        """Whether rows read = rows used + rows set aside."""
        return self.rows_used >= 0 and self.rows_read == self.rows_used + int(self.set_aside["count"].sum())

    def table(self) -> pd.DataFrame:
        """Return one row a line of the account: ``what``, ``rows``."""
        lines = [("read", self.rows_read), ("used", self.rows_used)]
        lines += [(f"set aside: {reason}", count) for reason, count in self.set_aside.itertuples(index=False)]
        return pd.DataFrame(lines, columns=["what", "rows"])

    def sentences(self) -> tuple[str, ...]:
        """Return the account in one sentence."""
        count = int(self.set_aside["count"].sum())
        why = ", ".join(f"{n} {reason}" for reason, n in self.set_aside.itertuples(index=False))
        return (f"{self.rows_read} rows read = {self.rows_used} used + {count} set aside{f' ({why})' if why else ''}.",)
