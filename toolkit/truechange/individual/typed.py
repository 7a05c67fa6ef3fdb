"""Scores, numbers and protocol facts as people type them; whether two tests were done the same way, or a bridge."""

import re
from collections.abc import Iterator, Mapping, Sequence
from math import sqrt
from typing import NamedTuple

from truechange.foundation.errors import ChoiceError, DataError, RefusedError
from truechange.measures.catalogue import Fact, Measure, facts

_TIDY = r"[+-]?\d+(?:\.\d+)?"
_STAGE = r"\s*;\s*|\s*/\s*(?=[\d.,])|(?<=\d)\s+(?=\d)"  # between several tests at one stage
STAGE = "9/10 for two tests at one stage"
_SAYS = {  # a file's reader speaks of cells and notes; nobody typed those here
    "not_a_number": "“{value}” is not a number; give one number, such as 12.5 or 12,5{instead}",
    "two_values": "“{value}” holds two values; give one number{instead}",
    "censored": "“{value}” is a limit; give the number that was read{instead}",
}
Typed = float | tuple[float, ...] | str
Facts = Mapping[str, object]  # how a test was done, by the name of the fact
Said = tuple[str, str]  # a fact as it is compared (empty: not stated), and what is unusual about it


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
    if isinstance(text, int | float) or re.fullmatch(_TIDY, plain):
        return float(plain)
    from truechange.records.rules import KINDS
    from truechange.records.values import read_number

    answer = read_number(plain, unit)
    if answer.value is not None:
        return float(answer.value)
    filled = {"value": plain, "unit": unit, "measure": name, "instead": instead, **answer.facts}
    says = _SAYS.get(answer.kind) or f"{KINDS[answer.kind].says}; {KINDS[answer.kind].remedy}"
    raise DataError(f"{name}: {says.format(**filled)}.")


def converted(name: str, text: object, unit: str) -> str:
    """Say what a number typed in another unit was read as; empty where nothing was converted.

    Examples
    --------
    >>> converted("seat height (cm)", "17 in", "cm"), converted("mass", "68 kg", "kg"), converted("mass", 150, "kg")
    ('seat height (cm): “17 in” was read as 43.18 cm.', '', '')
    """
    plain = "" if text is None else str(text).strip()
    if re.fullmatch(_TIDY, plain) or re.search(_STAGE, plain):
        return ""
    numbers = re.findall(r"\d+(?:[.,]\d+)?", plain)
    if not numbers:
        return ""
    from truechange.records.values import read_number

    value = read_number(plain, unit).value
    if value is None or (len(numbers) == 1 and float(numbers[0].replace(",", ".")) == float(value)):
        return ""
    return f"{name}: “{plain}” was read as {float(value):.4g} {unit}."


def typed_score(text: object, name: str, test: Measure) -> Typed:
    """Return a typed score of `test`: a number, several tests of one stage ("9/10"), or ``"unable"``.

    Raises
    ------
    DataError
        It is none of these, or a fraction where the test counts in whole ones.
    """
    plain = str(text).strip()
    parts = [plain]
    if not re.fullmatch(_TIDY, plain):
        parts = [part for part in re.split(_STAGE, plain) if part]
        from truechange.records.values import status_word

        if word := status_word(plain):
            if word == "unable":
                return word
            raise DataError(f"{name}: {plain!r} is no score and not the same as unable; leave that visit out.")
        if test.unit == "points" and len(parts) == 2 and "/" in plain and parts[1] == "10":
            remedy = f"write {parts[0]} alone, or {parts[0]};10 for two tests at one stage."
            raise DataError(f"{name}: {plain!r} could be {parts[0]} out of 10 or two tests; {remedy}")
    numbers = tuple(typed_number(part, name, test.unit, ", or unable") for part in parts or [plain])
    if test.whole and (odd := next((number for number in numbers if number % 1), None)):
        why = f"{test.name} counts in whole ones. A comma is a decimal sign; write {STAGE}."
        raise DataError(f"{name}: {plain!r} reads as {odd:g} {test.unit}, but {why}")
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


MINOR = ("assessor", "tester")  # a change of these is a caution, not another test
FEWEST_PAIRS = 30


def compare_protocols(
    before: Facts | None,
    after: Facts | None,
    expected: Sequence[str] = (),
    tolerances: Mapping[str, float] | None = None,
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Compare how two tests were done, fact by fact.

    Parameters
    ----------
    before, after : mapping of str to object, or None
        Protocol facts, such as ``{"seat_height_cm": 43, "arms_used": "no"}``; None or an absent or empty fact means
        unknown.
    expected : sequence of str, optional
        Facts that decide whether this test is the same test; one of them unknown is a caution.
    tolerances : mapping of str to float, optional
        How far apart a numeric fact may be and still agree, in that fact's unit.

    Returns
    -------
    changed, cautions : tuple of str
        What makes the two scores incomparable, and what is merely unknown or minor, in words.

    Examples
    --------
    >>> compare_protocols({"seat_height_cm": 43}, {"seat_height_cm": 50})
    (('seat height (cm) 43 before, 50 after',), ())
    """
    changed, minor, unknown, notes = (list[str]() for _ in range(4))
    for fact, (one, odd), (two, odder) in _both(before, after, expected):
        notes += filter(None, dict.fromkeys((odd, odder)))
        if one and two and not _agree(one, two, (tolerances or {}).get(fact, 0.0)):
            (minor if fact in MINOR else changed).append(f"{named(fact)} {one} before, {two} after")
        elif not (one and two) and (fact in expected or one or two):
            unknown.append(named(fact))
    notes += [f"Changed between the tests: {words}; kept, because the score need not follow." for words in minor]
    if unknown:
        notes.append(f"Not stated for both tests, so not known to be the same: {', '.join(unknown)}.")
    return tuple(changed), tuple(notes)


def refuse_changed(changed: Sequence[str], before: str, after: str, unit: str) -> None:
    """Raise unless nothing in `changed` makes the two scores two different tests.

    Raises
    ------
    RefusedError
        Says what changed, both scores, and the two ways on: retest the old way, or measure a bridge.
    """
    if changed:
        raise RefusedError(
            f"The test was done in two ways ({'; '.join(changed)}), so {before} and {f'{after} {unit}'.strip()} are "
            "scores of two tests: their difference means nothing. Repeat the test as it was done the first time; or "
            f"bridge the two protocols with at least {FEWEST_PAIRS} people measured both ways (bridge_from_pairs)."
        )


def way_of(
    before: Facts | None, after: Facts | None, harder: Mapping[str, str], tolerances: Mapping[str, float]
) -> int:
    """Return 1 where every changed fact made the second test harder, -1 where easier, 0 where that is not known.

    Parameters
    ----------
    before, after : mapping of str to object, or None
        Protocol facts of the two tests.
    harder : mapping of str to str
        ``"lower"``, ``"higher"`` or the hardest word of each fact (:attr:`Measure.harder`).
    tolerances : mapping of str to float
        How far apart a numeric fact may be and still agree.

    Examples
    --------
    >>> way_of({"seat_height_cm": 43}, {"seat_height_cm": 40}, {"seat_height_cm": "lower"}, {})
    1
    """
    ways = set()
    for fact, (one, _), (two, _) in _both(before, after):
        if not one or not two or fact in MINOR or _agree(one, two, tolerances.get(fact, 0.0)):
            continue
        hardest = harder.get(fact, "")
        if hardest in ("lower", "higher"):
            ways.add(1 if (float(two) < float(one)) == (hardest == "lower") else -1)
        else:
            ways.add(1 if hardest == two else -1 if hardest == one else 0)
    return ways.pop() if len(ways) == 1 else 0


def _both(before: Facts | None, after: Facts | None, expected: Sequence[str] = ()) -> Iterator[tuple[str, Said, Said]]:
    """Yield each fact of two tests with what was typed of it at each: its word, and what is unusual about it."""
    first, second = before or {}, after or {}
    for fact in dict.fromkeys((*expected, *first, *second)):
        yield fact, typed_fact(fact, first.get(fact)), typed_fact(fact, second.get(fact))


def _agree(one: str, two: str, tolerance: float) -> bool:
    try:
        return abs(float(one) - float(two)) <= tolerance + 1e-9
    except ValueError:
        return one.casefold() == two.casefold()


class Bridge(NamedTuple):
    """A line that turns scores of an old protocol into scores of a new one.

    Parameters
    ----------
    intercept, slope : float
        New score = intercept + slope × old score; units of the new score, and new per old.
    residual_sd : float
        Spread of new scores about the line (it holds the errors of both tests), unit of the new score.
    mean_old, squares_old : float
        Mean of the old scores, and the sum of squares about it.
    n : int
        People measured both ways.
    """

    intercept: float
    slope: float
    residual_sd: float
    mean_old: float
    squares_old: float
    n: int

    def carry(self, old: float) -> float:
        """Return what an old-protocol score would have been under the new one."""
        return self.intercept + self.slope * old

    def difference_se(self, old: float, sem_old: float, sem_new: float) -> float:
        """Return the standard error of (new score − carried old score) when nothing has changed.

        The line's residual variance already holds both tests' errors; it is never taken smaller than they are.
        """
        about = max(self.residual_sd**2, (self.slope * sem_old) ** 2 + sem_new**2)
        return sqrt(about + self.residual_sd**2 * (1 / self.n + (old - self.mean_old) ** 2 / self.squares_old))


def bridge_from_pairs(old: Sequence[float], new: Sequence[float]) -> Bridge:
    """Fit the line from people measured under both protocols close together.

    Parameters
    ----------
    old, new : sequence of float, shape (n,)
        Scores of the same people, in the same order, under the old and the new protocol.

    Returns
    -------
    Bridge
        The least-squares line with its residual spread.

    Raises
    ------
    DataError
        The lengths differ, fewer than 30 people, or all old scores alike.

    Examples
    --------
    >>> old = [float(x) for x in range(8, 38)]
    >>> line = bridge_from_pairs(old, [0.9 * x + 1 + (-1) ** i * 0.5 for i, x in enumerate(old)])
    >>> round(line.carry(10), 1)
    10.0
    """
    n = len(old)
    if n != len(new) or n < FEWEST_PAIRS:
        got = f"got {n} and {len(new)} scores."
        raise DataError(f"A bridge needs {FEWEST_PAIRS} people or more, each measured both ways; {got}")
    mean_old, mean_new = sum(old) / n, sum(new) / n
    squares = sum((x - mean_old) ** 2 for x in old)
    if not squares > 0:
        raise DataError("All old scores are alike: a line through one point cannot carry other scores.")
    slope = sum((x - mean_old) * (y - mean_new) for x, y in zip(old, new, strict=True)) / squares
    residual = sum((y - mean_new - slope * (x - mean_old)) ** 2 for x, y in zip(old, new, strict=True))
    return Bridge(mean_new - slope * mean_old, slope, sqrt(residual / (n - 2)), mean_old, squares, n)
