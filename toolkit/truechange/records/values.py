"""One number from one text: units, decimal comma, minutes and seconds; what cannot be read says why."""

import re
from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Any, NamedTuple

from truechange.records.rules import UNITS, factor, squeezed, unit_named, word_list

_DIGITS = r"[+\-]?(?:\d+(?:[.,]\d+)?|[.,]\d+)"
PLAIN = re.compile(r"-?\d+(?:\.\d+)?")
_NUMBER = re.compile(_DIGITS)
_ONE = re.compile(rf"({_DIGITS})\s*(.*)")
_PARTS = re.compile(rf"({_DIGITS})\s*([^\d\s.,+\-][^\d+\-]*?)\s*(?=\d|$)")
_CLOCK = re.compile(r"(?:(\d{1,3}):)?(\d{1,2}):(\d{2}(?:[.,]\d+)?)")
_LIMIT = re.compile(rf"(?:[<>≤≥]=?|under|over|less than|more than|at least|at most|up to)\s*{_DIGITS}.*|{_DIGITS}\s*\+")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}(?:[T ].*)?")
_COMMA = re.compile(r"[+\-]?(?:\d+,(?:\d{1,2}|\d{4,})|0,\d+)(?:\s*\D*)?")
_NOTHING: Mapping[str, Any] = MappingProxyType({})


class Answer(NamedTuple):
    """What one text was read as: the value, and the kind of trouble or note with its facts (empty: nothing to say)."""

    value: Any
    kind: str = ""
    facts: Mapping[str, Any] = _NOTHING


def comma_is_decimal(texts: Iterable[str]) -> bool:
    """Say whether a column writes decimals with a comma: some entry can mean nothing else, and none has a point.

    Examples
    --------
    >>> comma_is_decimal(["12,5", "1,234"]), comma_is_decimal(["1,234"])
    (True, False)
    """
    held = list(texts)
    return any(_COMMA.fullmatch(text) for text in held) and not any(re.fullmatch(r"-?\d+\.\d+", text) for text in held)


def read_number(text: str, unit: str = "", given: str = "", *, comma: bool = False) -> Answer:
    """Read one number in `unit`; `given` is the unit stated beside it, `comma` says that commas are decimal.

    Examples
    --------
    >>> read_number("17 in", "cm").value, read_number("1:05", "s").value, read_number("<5", "stands").kind
    (43.18, 65.0, 'censored')
    >>> read_number("12/14", "stands").kind, read_number("1,234", "m").kind, read_number("12 reps", "stands").value
    ('two_values', 'comma_unclear', 12.0)
    """
    if PLAIN.fullmatch(text):
        return _scaled(float(text), text, unit, given)
    plain = text.replace("−", "-").replace("\u00a0", " ").strip()
    if plain.startswith("#"):
        return Answer(None, "spreadsheet_error")
    if _DATE.fullmatch(plain):
        return Answer(None, "date_as_number")
    if clock := _CLOCK.fullmatch(plain):
        return _clock(clock, unit)
    if _LIMIT.fullmatch(plain.lower()):
        return Answer(None, "censored")
    found = _NUMBER.findall(plain)
    if len(found) > 1:
        return _several(plain, unit)
    one = _ONE.fullmatch(plain)
    if not one:
        return Answer(None, "not_a_number")
    if re.fullmatch(r"[+\-]?[1-9]\d{0,2},\d{3}", one[1]) and not comma:
        return Answer(None, "comma_unclear", {"point": one[1].replace(",", "."), "whole": one[1].replace(",", "")})
    number, written = float(one[1].replace(",", ".")), unit_named(one[2], unit) if one[2] else ""
    if one[2] and not written:
        return Answer(None, "not_a_number")
    if written and given and written != given:
        return Answer(None, "unit_conflict", {"cell_unit": written, "given": given})
    answer = _scaled(number, text, unit, written or given)
    if answer.kind:
        return answer
    shown = {"shown": f"{answer.value:g} {unit}".strip()}
    return Answer(answer.value, "decimal_comma" if "," in one[1] else "words_dropped", shown)


def _scaled(number: float, text: str, unit: str, given: str) -> Answer:
    if not given or given == unit:
        return Answer(number)
    times = factor(given, unit)
    if times is None:
        return Answer(None, "unit_mismatch", {"given": given, "unit": unit})
    value = round(number * times, 10)
    said = "" if given in text else f" {given}"
    return Answer(value, "unit_converted", {"given": said, "shown": f"{value:g} {unit}"})


def _clock(clock: re.Match[str], unit: str) -> Answer:
    if unit not in UNITS or UNITS[unit]["of"] != "time":
        return Answer(None, "not_a_number")
    hours, minutes, seconds = int(clock[1] or 0), int(clock[2]), float(clock[3].replace(",", "."))
    if seconds >= 60:
        return Answer(None, "not_a_number")
    if hours:
        return Answer(None, "clock_time", {"seconds": 60 * hours + minutes})
    value = (60 * minutes + seconds) / UNITS[unit]["size"]
    return Answer(value, "minutes_seconds", {"shown": f"{value:g} {unit}"})


def _several(plain: str, unit: str) -> Answer:
    """Read ``1 min 5 s`` or ``5 ft 7 in`` as one value; anything else with several numbers holds several values."""
    parts = _PARTS.findall(plain)
    units = [unit_named(name, unit) for _, name in parts]
    sizes = [factor(name, unit) for name in units]
    together = "".join(number + name for number, name in parts)
    whole = squeezed(together) == squeezed(plain) and len(parts) == 2
    if whole and all(sizes) and sizes[0] > sizes[1]:  # type: ignore[operator]
        value = round(
            sum(float(number.replace(",", ".")) * size for (number, _), size in zip(parts, sizes, strict=True)), 10
        )  # type: ignore[operator]
        kind = "minutes_seconds" if UNITS[unit]["of"] == "time" else "unit_converted"
        return Answer(value, kind, {"given": "", "shown": f"{value:g} {unit}"})
    return Answer(None, "two_values")


def status_word(text: str) -> str:
    """Return the result a word under the score stands for (``"unable"`` ...), empty if it is none.

    Examples
    --------
    >>> status_word("Could not"), status_word("n/a"), status_word("12")
    ('unable', 'not_done', '')
    """
    words = word_list("result")
    return words.get(squeezed(text) or text.strip(), "")


def likely_slip(value: float, unit: str, low: float, high: float) -> str:
    """Name what may have happened to a value outside `low` to `high`: another unit, swapped digits, a lost point.

    Examples
    --------
    >>> likely_slip(0.2, "s", 5, 60), likely_slip(1.72, "cm", 120, 210), likely_slip(81, "stands", 1, 30)
    ('; minutes instead of s?', '; m instead of cm?', '; digits swapped (18)?')
    """
    names = {"min": "minutes", "ms": "milliseconds"}
    for other in UNITS:
        times = factor(other, unit)
        if other != unit and times and low <= value * times <= high:
            return f"; {names.get(other, other)} instead of {unit}?"
    if unit == "m/s":
        for metres in (4, 10, 40):
            if value > 0 and low <= metres / value <= high:
                return f"; seconds for {metres} m instead of m/s?"
    if low <= -value <= high:
        return "; a minus sign too many?"
    turned = f"{value:g}"[::-1]
    if turned.isdigit() and len(turned) > 1 and low <= int(turned) <= high:
        return f"; digits swapped ({int(turned)})?"
    for times in (0.1, 10, 0.01, 100):
        if low <= value * times <= high:
            return f"; decimal point misplaced ({value * times:g})?"
    return ""
