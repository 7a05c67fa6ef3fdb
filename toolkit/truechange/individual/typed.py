"""Scores, numbers and protocol facts as people type them: the one reader behind command, page and library.

Tidy text is read here; anything else goes to the reader of clinic files, which loads only then.
"""

import re

from truechange.foundation.errors import ChoiceError, DataError
from truechange.measures.catalogue import Fact, Measure, facts

_TIDY = re.compile(r"[+-]?\d+(?:\.\d+)?")
_STAGE = re.compile(r"\s*;\s*|\s*/\s*(?=[\d.,])|(?<=\d)\s+(?=\d)")  # between several tests at one stage
STAGE = "9/10 for two tests at one stage"
_SAYS = {  # a file's reader speaks of cells and notes; nobody typed those here
    "not_a_number": "“{value}” is not a number; give one number, such as 12.5 or 12,5{instead}",
    "two_values": "“{value}” holds two values; give one number{instead}",
    "censored": "“{value}” is a limit; give the number that was read{instead}",
}
Typed = float | tuple[float, ...] | str


def named(fact: str) -> str:
    """Say a protocol fact in words.

    Examples
    --------
    >>> named("seat_height_cm"), named("arms_used")
    ('seat height (cm)', 'arms used')
    """
    stem, _, unit = fact.rpartition("_")
    return f"{stem.replace('_', ' ')} ({unit})" if unit in ("cm", "kg", "m", "s") and stem else fact.replace("_", " ")


def typed_number(text: object, name: str, unit: str = "", instead: str = "") -> float:
    """Return a typed number in `unit`: ``14,6`` is 14.6, ``43cm`` and ``0.43 m`` are 43 where cm are asked for.

    Raises
    ------
    DataError
        It is no single number, or is in a unit of another kind; `name` says which entry, `instead` what else would do.

    Examples
    --------
    >>> typed_number("14,6", "score", "s"), typed_number("43cm", "seat", "cm")
    (14.6, 43.0)
    """
    plain = str(text).strip()
    if isinstance(text, int | float) or _TIDY.fullmatch(plain):
        return float(plain)
    from truechange.records.rules import KINDS
    from truechange.records.values import read_number

    answer = read_number(plain, unit)
    if answer.value is not None:
        return float(answer.value)
    held = {"value": plain, "unit": unit, "measure": name, "instead": instead, **answer.facts}
    says = _SAYS.get(answer.kind) or f"{KINDS[answer.kind].says}; {KINDS[answer.kind].remedy}"
    raise DataError(f"{name}: {says.format(**held)}.")


def converted(name: str, text: object, unit: str) -> str:
    """Say what a number typed in another unit was read as; empty where nothing was converted.

    Examples
    --------
    >>> converted("seat height (cm)", "17 in", "cm"), converted("mass", "68 kg", "kg"), converted("mass", 150, "kg")
    ('seat height (cm): “17 in” was read as 43.18 cm.', '', '')
    """
    plain = "" if text is None else str(text).strip()
    numbers = re.findall(r"\d+(?:[.,]\d+)?", plain)
    if _TIDY.fullmatch(plain) or not numbers or _STAGE.search(plain):
        return ""
    from truechange.records.values import read_number

    value = read_number(plain, unit).value
    if value is None or (len(numbers) == 1 and float(numbers[0].replace(",", ".")) == float(value)):
        return ""
    return f"{name}: “{plain}” was read as {float(value):.4g} {unit}."


def typed_score(text: object, name: str, test: Measure) -> Typed:
    """Return a typed score of `test`: a number, several tests of one stage (``9/10``), or ``"unable"``.

    Raises
    ------
    DataError
        It is none of these, or a fraction where the test counts in whole ones.
    """
    plain = str(text).strip()
    parts = [part for part in _STAGE.split(plain) if part]
    if not _TIDY.fullmatch(plain):
        from truechange.records.values import status_word

        if word := status_word(plain):
            if word == "unable":
                return word
            raise DataError(f"{name}: {plain!r} is no score and not the same as unable; leave that visit out.")
        if test.unit == "points" and len(parts) == 2 and "/" in plain and parts[1] == "10":
            raise DataError(f"{name}: {plain!r} could be {parts[0]} out of 10 or two tests; write {parts[0]} alone, "
                            f"or {parts[0]};10 for two tests at one stage.")  # fmt: skip
    numbers = tuple(typed_number(part, name, test.unit, ", or unable") for part in parts or [plain])
    if test.whole and (odd := next((number for number in numbers if number % 1), None)):
        raise DataError(
            f"{name}: {plain!r} reads as {odd:g} {test.unit}, but {test.name} counts in whole ones. "
            f"A comma is a decimal sign; write {STAGE}."
        )
    return numbers[0] if len(numbers) == 1 else numbers


def typed_fact(fact: str, value: object) -> tuple[str, str]:
    """Return a fact of how a test was done as it is compared (empty: not stated), and what is unusual about it.

    Raises
    ------
    ChoiceError
        Yes or no is needed and it is neither.
    DataError
        It is no number, or outside what is possible.

    Examples
    --------
    >>> typed_fact("seat_height_cm", "43,5 cm"), typed_fact("arms_used", "n"), typed_fact("walking_aid", "Cane")
    (('43.5', ''), ('no', ''), ('stick', ''))
    """
    text = "" if value is None else str(value).strip()
    known = facts().get(fact)
    if known is None or text.casefold() in ("", "nan", "<na>"):
        return {"true": "yes", "false": "no", "nan": "", "<na>": ""}.get(text.casefold(), text), ""
    if not known.words:
        number = typed_number(text, named(fact), known.unit)
        return f"{number:g}", within(named(fact), number, known)
    return typed_word(fact, text) if fact == "arms_used" else known.word(text) or text.casefold(), ""


def typed_word(fact: str, text: str) -> str:
    """Return the word a typed text is read as (``f`` is female); raise a ChoiceError where it is none of them."""
    if word := facts()[fact].word(text):
        return word
    raise ChoiceError(f"{named(fact)}: {text!r} is not understood; say {' or '.join(facts()[fact].words)}.")


def within(name: str, number: float, known: Fact) -> str:
    """Return what to say of an unusual `number`, nothing for a usual one.

    Raises
    ------
    DataError
        It is outside what is possible.
    """
    low, high = known.hard
    if not low <= number <= high:
        from truechange.records.values import likely_slip

        slip = likely_slip(number, known.unit, *known.soft)
        raise DataError(f"{name} {number:g} is outside what is possible ({low:g} to {high:g}){slip or '.'} Correct it.")
    low, high = known.soft
    return "" if low <= number <= high else f"{name} {number:g} is unusual (usually {low:g} to {high:g}): check it."
