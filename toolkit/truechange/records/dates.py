"""One date from one text; where day and month could be swapped the column decides, or the user, never a guess."""

import re
from collections.abc import Iterable
from datetime import date, timedelta

from truechange.records.rules import LIMITS
from truechange.records.values import Answer

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
        return _in_time(_FIRST_SERIAL + timedelta(days=int(text[:5])))
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
        return _in_time(date(year, month, day), said=said)
    except ValueError:
        return Answer(None, "date_unreadable")


def _in_time(when: date, *, said: bool = True) -> Answer:
    if not LIMITS["earliest_year"] <= when.year or when > date.today():
        return Answer(None, "date_impossible", {"date": when.isoformat(), "year": LIMITS["earliest_year"]})
    iso = when.isoformat()
    return Answer(when, "date_converted", {"date": iso}, iso) if said else Answer(when)
