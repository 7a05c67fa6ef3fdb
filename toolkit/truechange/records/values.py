"""Cells read: texts kept once each (codes), one number or one date from one text; what cannot be read says why."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from truechange.records.rules import LIMITS, UNITS, factor, squeezed, unit_named, word_list


@dataclass(frozen=True, slots=True)
class Coded:
    """One column.

    Parameters
    ----------
    codes : array of int
        For each row the place of its text in `words`, -1 where it is empty.
    words : list of str
        The distinct texts.

    Examples
    --------
    >>> column = Coded.of([0, 1, 2, 0], [" a ", "", "a"])
    >>> column.words, column.codes.tolist()
    (['a'], [0, -1, 0, 0])
    """

    codes: Any
    words: list[str]

    @classmethod
    def of(cls, codes: Any, words: Sequence[str | None]) -> "Coded":
        """Return the column of `words` stripped, blank and None ones empty, equal ones merged."""
        tidy = [(word or "").strip() for word in words]
        if tidy == words and "" not in tidy and len(set(tidy)) == len(tidy):
            return cls(np.asarray(codes), tidy)
        places: dict[str, int] = {}
        new = [places.setdefault(word, len(places)) if word else -1 for word in tidy]
        return cls(np.array([*new, -1])[np.asarray(codes)], list(places))

    @classmethod
    def read(cls, texts: Sequence[str]) -> "Coded":
        """Return the column of one text a row."""
        codes, words = pd.factorize(np.asarray(texts, dtype=object))
        return cls.of(codes, list(words))

    def __len__(self) -> int:
        return len(self.codes)

    @property
    def empty(self) -> Any:
        """Which rows hold nothing."""
        return self.codes < 0

    def where(self, keep: Any) -> "Coded":
        """Return the rows where `keep` is true."""
        return Coded(self.codes[keep], self.words)

    def spread(self, values: Sequence[Any], missing: Any, dtype: Any = None) -> Any:
        """Return one value a row: the one of its text, `missing` where there is none."""
        return np.array([*values, missing], dtype=dtype)[self.codes]

    def renamed(self, words: Sequence[str | None]) -> "Coded":
        """Return the column with `words` in place of its own, None ones empty."""
        return Coded.of(self.codes, words)

    def counts(self) -> list[int]:
        """Return how many rows each text has."""
        return np.bincount(self.codes[~self.empty], minlength=len(self.words)).tolist()

    def cells(self) -> list[str]:
        """Return the text of every row, empty where there is none."""
        return ["" if code < 0 else self.words[code] for code in self.codes.tolist()]

    def texts(self) -> Any:
        """Return the column as a pandas array of texts."""
        return pd.array(self.words, dtype="str").take(self.codes, allow_fill=True)


def combined(first: Coded, second: Coded) -> tuple[Any, list[tuple[int, int]]]:
    """Return codes of the distinct pairs of two columns, and the pairs of their codes."""
    size = len(second.words) + 1
    codes, distinct = pd.factorize(first.codes.astype(np.int64) * size + second.codes + 1)
    return codes, [(int(pair) // size, int(pair) % size - 1) for pair in distinct]


class Note(NamedTuple):
    """Something to say of a sheet as a whole: kind, row, facts."""

    kind: str
    row: int
    facts: dict[str, Any]


@dataclass(frozen=True)
class Sheet:
    """One sheet as it is written: header texts, one column of texts each, the row number of each record."""

    name: str
    header: list[str]
    columns: list[Coded]
    rows: Any
    header_row: int
    notes: list[Note]

    def only(self, places: Sequence[int]) -> "Sheet":
        """Return the sheet with the columns at `places` alone."""
        return replace(self, header=[self.header[at] for at in places], columns=[self.columns[at] for at in places])

    def put(self, at: int, column: Coded, heading: str | None = None) -> "Sheet":
        """Return the sheet with another column at the place `at`, under another heading where one is given."""
        header = self.header if heading is None else [*self.header[:at], heading, *self.header[at + 1 :]]
        return replace(self, header=header, columns=[*self.columns[:at], column, *self.columns[at + 1 :]])


_DIGITS = r"[+\-]?(?:\d+(?:[.,]\d+)?|[.,]\d+)"
PLAIN = re.compile(r"-?\d+(?:\.\d+)?")
_NUMBER = re.compile(_DIGITS)
_ONE = re.compile(rf"({_DIGITS})\s*(.*)")
_PARTS = re.compile(rf"({_DIGITS})\s*([^\d\s.,+\-][^\d+\-]*?)\s*(?=\d|$)")
_CLOCK = re.compile(r"(?:(\d{1,3}):)?(\d{1,2}):(\d{2}(?:[.,]\d+)?)")
LONGEST = 5  # minutes; no timed test of the catalogue may take longer
_LIMIT = re.compile(
    rf"(?:[<>≤≥]=?|under|over|less than|more than|at least|at most|up to)\s*{_DIGITS}.*|{_DIGITS}\s*\+", re.I
)
_FAILED = re.compile(r"#.*")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}(?:[T ].*)?")
_NAMES = {"min": "minutes", "ms": "milliseconds"}
_COMMA = re.compile(r"[+\-]?(?:\d+,(?:\d{1,2}|\d{4,})|0,\d+)(?:\s*\D*)?")
_NOTHING: Mapping[str, Any] = MappingProxyType({})


class Answer(NamedTuple):
    """What one text was read as; kind of trouble or note (empty: none), its facts, what could stand there instead."""

    value: Any
    kind: str = ""
    facts: Mapping[str, Any] = _NOTHING
    repair: str = ""


def comma_is_decimal(texts: Iterable[str]) -> bool:
    """Say whether a column writes decimals with a comma: some entry can mean nothing else, and none has a point.

    Examples
    --------
    >>> comma_is_decimal(["12,5", "1,234"]), comma_is_decimal(["1,234"])
    (True, False)
    """
    entries = list(texts)
    return any(_COMMA.fullmatch(text) for text in entries) and not any(
        re.fullmatch(r"-?\d+\.\d+", text) for text in entries
    )


def minutes_typed(texts: Iterable[str]) -> bool:
    """Say whether a spreadsheet took minutes and seconds typed in a column for hours and minutes.

    None of its times of day has seconds, and one of them would be longer than any timed test.

    Examples
    --------
    >>> minutes_typed(["00:58:00", "01:05:00"]), minutes_typed(["00:00:58", "00:01:05"])
    (True, False)
    """
    clocks = [found for text in texts if (found := _CLOCK.fullmatch(text)) and found[1]]
    longest = max((60 * int(found[1]) + int(found[2]) for found in clocks), default=0)
    return longest > LONGEST and not any(map(_number, (found[3] for found in clocks)))


def read_number(text: str, unit: str = "", given: str = "", *, comma: bool = False, minutes: bool = False) -> Answer:
    """Read one number in `unit`; `given` is the unit beside it, `comma`: commas are decimal, `minutes`: minutes_typed.

    Examples
    --------
    >>> read_number("17 in", "cm").value, read_number("1:05", "s").value, read_number("<5", "stands").kind
    (43.18, 65.0, 'censored')
    >>> read_number("12/14", "stands").kind, read_number("1,234", "m").kind, read_number("12 reps", "stands").value
    ('two_values', 'comma_unclear', 12.0)
    """
    if PLAIN.fullmatch(text):
        return _scaled(float(text), "", unit, given)
    plain = text.replace("−", "-").replace("\u00a0", " ").strip()
    for pattern, kind in ((_FAILED, "spreadsheet_error"), (_DATE, "date_as_number"), (_LIMIT, "censored")):
        if pattern.fullmatch(plain):
            return Answer(None, kind)
    if clock := _CLOCK.fullmatch(plain):
        return _clock(clock, unit, given, minutes=minutes)
    if unit == "points" and (of_ten := re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*/\s*10", plain)):
        plain = of_ten[1]
    if re.fullmatch(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+\.\d+", plain):
        plain = plain.replace(",", "")
    if len(_NUMBER.findall(plain)) > 1:
        return _several(plain, unit, given)
    one = _ONE.fullmatch(plain)
    written = unit_named(one[2], unit) if one and one[2] else ""
    if not one or (one[2] and not written):
        return Answer(None, "not_a_number")
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", one[1]) and not comma:
        return Answer(None, "comma_unclear", {"point": one[1].replace(",", "."), "whole": one[1].replace(",", "")})
    if written and given and written != given:
        return Answer(None, "unit_conflict", {"cell_unit": written, "given": given})
    answer = _scaled(_number(one[1]), written, unit, given)
    kind = "decimal_comma" if "," in one[1] else "words_dropped"
    return answer if answer.kind else _read(answer.value, kind, unit, given)


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _scaled(number: float, written: str, unit: str, given: str) -> Answer:
    times = factor(written or given or unit, unit)
    if times is None:
        return Answer(None, "unit_mismatch", {"given": written or given, "unit": unit})
    if times == 1:
        return Answer(number)
    answer = _read(round(number * times, 10), "unit_converted", unit, given)
    return answer._replace(facts={**answer.facts, "given": "" if written else f" {given}", "raw": number})


def _read(value: float, kind: str, unit: str, given: str) -> Answer:
    """Return a value read otherwise than written; a repair only where no unit beside the cell would contradict it."""
    repair = f"{value:.15g}" if given in ("", unit) else ""
    return Answer(value, kind, {"given": "", "shown": f"{value:g} {unit}".strip()}, repair)


def _clock(clock: re.Match[str], unit: str, given: str, *, minutes: bool) -> Answer:
    seconds = _number(clock[3])
    if unit not in UNITS or UNITS[unit]["of"] != "time" or seconds >= 60:
        return Answer(None, "not_a_number")
    if clock[1] and minutes:
        seconds = 60 * int(clock[1]) + int(clock[2])
        return _read(seconds / UNITS[unit]["size"], "clock_read", unit, given)._replace(repair="")
    if int(clock[1] or 0):
        return Answer(None, "clock_time", {"seconds": 60 * int(clock[1]) + int(clock[2])})
    return _read((60 * int(clock[2]) + seconds) / UNITS[unit]["size"], "minutes_seconds", unit, given)


def _several(plain: str, unit: str, given: str) -> Answer:
    """Read ``1 min 5 s`` or ``5 ft 7 in`` as one value; anything else with several numbers holds several values."""
    parts = [(number, factor(unit_named(name, unit), unit)) for number, name in _PARTS.findall(plain)]
    covered = "".join(number + name for number, name in _PARTS.findall(plain))
    sizes = [size for _, size in parts if size]
    if len(parts) != 2 or len(sizes) != 2 or sizes[0] <= sizes[1] or squeezed(covered) != squeezed(plain):
        return Answer(None, "two_values")
    value = round(sum(_number(number) * size for (number, _), size in zip(parts, sizes, strict=True)), 10)
    return _read(value, "minutes_seconds" if UNITS[unit]["of"] == "time" else "unit_converted", unit, given)


def status_word(text: str) -> str:
    """Return the result a word under the score stands for (``"unable"`` ...), empty if it is none.

    Examples
    --------
    >>> status_word("Could not"), status_word("n/a"), status_word("12")
    ('unable', 'not_done', '')
    """
    return "" if text.startswith("#") else word_list("result").get(squeezed(text) or text.strip(), "")


def likely_slip(value: float, unit: str, low: float, high: float) -> str:
    """Name what may have happened to a value outside `low` to `high`: another unit, swapped digits, a lost point.

    Examples
    --------
    >>> likely_slip(0.2, "s", 5, 60), likely_slip(1.72, "cm", 120, 210), likely_slip(81, "stands", 1, 30)
    ('; minutes instead of s?', '; m instead of cm?', '; digits swapped (18)?')
    """
    near = low / 1.25 <= value <= 1.25 * high
    if not near:
        for other in UNITS:
            times = factor(other, unit)
            if other != unit and times and low <= value * times <= high:
                return f"; {_NAMES.get(other, other)} instead of {unit}?"
        for metres in (4, 10, 40) if unit == "m/s" else ():
            if value > 0 and low <= metres / value <= high:
                return f"; seconds for {metres} m instead of m/s?"
    if low <= -value <= high:
        return "; a minus sign too many?"
    turned = f"{value:g}"[::-1]
    if turned.isdigit() and turned[0] != "0" and len(turned) > 1 and low <= int(turned) <= high:
        return f"; digits swapped ({int(turned)})?"
    for times in () if near else (0.1, 10, 0.01, 100):
        if low <= value * times <= high:
            return f"; decimal point misplaced ({value * times:g})?"
    return ""


ORDERS = ("day first", "month first")
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[T ].*)?")
_LOCAL = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{4}|\d{2})(?:\s.*)?")
_WORDS = re.compile(r"(?:[A-Za-z]+,?\s+)?(\d{1,2})(?:st|nd|rd|th)?[-\s.]*([A-Za-z]{3,9})\.?,?[-\s]*(\d{4}|\d{2})")
_MONTH_AHEAD = re.compile(r"([A-Za-z]{3,9})\.?\s+(\d{1,2})(?:st|nd|rd|th)?,?\s+(\d{4})")
_SERIAL = re.compile(r"\d{5}(?:\.\d+)?")
_FIRST_SERIAL = date(1899, 12, 30)  # day 0 of a spreadsheet, its leap-year fault of 1900 included


def order_of(texts: Iterable[str]) -> str:
    """Say whether a column of dates is ``"day first"`` or ``"month first"``; empty if nothing settles it.

    Examples
    --------
    >>> order_of(["03/04/2025", "23/04/2025"]), order_of(["03/04/2025"])
    ('day first', '')
    """
    found = set()
    for text in texts:
        parts = _LOCAL.fullmatch(text)
        if parts and parts[2] != "." and (int(parts[1]) > 12) != (int(parts[3]) > 12):
            found.add(ORDERS[0] if int(parts[1]) > 12 else ORDERS[1])
    return found.pop() if len(found) == 1 else ""


def read_date(text: str, order: str = "") -> Answer:
    """Read one date; `order` settles 03/04, dots are day first, five digits are a spreadsheet's day number.

    Examples
    --------
    >>> read_date("2025-04-03").value, read_date("03/04/2025").kind, read_date("45750").value
    (datetime.date(2025, 4, 3), 'date_unclear', datetime.date(2025, 4, 3))
    """
    if parts := _ISO.fullmatch(text):
        return _checked(int(parts[1]), int(parts[2]), int(parts[3]), said=False)
    if parts := _LOCAL.fullmatch(text):
        first, second, year = int(parts[1]), int(parts[3]), int(parts[4]) + (2000 if len(parts[4]) == 2 else 0)
        if parts[2] == "." or order == ORDERS[0] or first == second:
            return _checked(year, second, first)
        if order == ORDERS[1]:
            return _checked(year, first, second)
        if first > 12 or second > 12:
            return _checked(year, min(first, second), max(first, second))
        facts = {"day_first": f"{first} {_month(second)} {year}", "month_first": f"{second} {_month(first)} {year}"}
        return Answer(None, "date_unclear", facts)
    if _SERIAL.fullmatch(text):
        when = _FIRST_SERIAL + timedelta(days=int(text[:5]))
        return _checked(when.year, when.month, when.day)
    if re.fullmatch(r"(?:19|20)\d{6}", text):
        return _checked(int(text[:4]), int(text[4:6]), int(text[6:]))
    for pattern, (day, month) in ((_WORDS, (1, 2)), (_MONTH_AHEAD, (2, 1))):
        parts = pattern.fullmatch(text)
        if parts and parts[month][:3].lower() in MONTHS:
            year = int(parts[3]) + (2000 if len(parts[3]) == 2 else 0)
            return _checked(year, MONTHS.index(parts[month][:3].lower()) + 1, int(parts[day]))
    return Answer(None, "date_unreadable")


def _month(number: int) -> str:
    return MONTHS[number - 1].capitalize()


def _checked(year: int, month: int, day: int, *, said: bool = True) -> Answer:
    try:
        when = date(year, month, day)
    except ValueError:
        return Answer(None, "date_unreadable")
    if not LIMITS["earliest_year"] <= when.year or when > date.today():
        return Answer(None, "date_impossible", {"date": when.isoformat(), "year": LIMITS["earliest_year"]})
    iso = when.isoformat()
    return Answer(when, "date_converted", {"date": iso}, iso) if said else Answer(when)
