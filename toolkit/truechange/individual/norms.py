"""Norms, cut-offs and leg power beside one score; published errors and important changes, the best match first."""

import re
from collections.abc import Mapping
from dataclasses import replace
from math import isnan, nan, sqrt
from typing import Any, NamedTuple

from truechange.foundation.distributions import t_below
from truechange.foundation.errors import ChoiceError, RefusedError
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.numbers import fixed
from truechange.individual.typed import typed_fact, within
from truechange.measures import literature
from truechange.measures.catalogue import Measure, facts, sit_to_stand_power, stair_power
from truechange.measures.catalogue import measure as find_measure
from truechange.measures.literature import ERRORS, FAR_SHORTER, LENGTHS, PERSON, references

SOME_WEEKS = 42.0  # days between two tests where nobody said: a programme's length, in the cautious direction
OSTEOARTHRITIS = re.compile(r"\b(OA|osteoarthritis)\b")
OPERATED = re.compile(r"\b(TKA|THA|arthroplasty|replacement|surgery)\b")
ROUNDED = 0.05  # two figures printed from one SEM, each rounded, lie within this of each other
STANDS, FIVE, STAIRS = "chair_stand_30s", "sit_to_stand_5", "stair_climb"
NO_NEWS = "Power is worked out from the same score and the person's size: read one of the two, never both as evidence."


def place(measure: str, score: float, *, age: float | None = None, sex: str | None = None) -> tuple[str, ...]:
    """Say where one score stands among published norms and cut-offs; each sentence carries its source.

    Parameters
    ----------
    measure : str
        Key of a test of the catalogue.
    score : float
        In the unit of the test.
    age : float, optional
        Years; without it only values for all ages are used.
    sex : {"female", "male"}, optional
        Without it only values for all people are used.

    Returns
    -------
    tuple of str
        Norms first, then cut-offs; values from memory last. It compares; it does not diagnose.

    Raises
    ------
    DataError
        Nobody is of this age.

    Examples
    --------
    >>> print(place("chair_stand_30s", 9, age=72, sex="female")[0][:54])
    9 is below the lower end of the usual range of 10 stan
    """
    if age is not None:
        within("age", age, facts()["age"])
    values = sorted(references(measure, age=age, sex=sex), key=lambda one: one.origin.status == "from memory")
    return tuple(one.sentence(score) for one in values)


def norm_position(score: float, mean: float, sd: float, n: int) -> tuple[float, float]:
    """Return t and the share of a small norm sample's population that scores below `score`.

    The sample's own doubt is in it: t = (score − mean)/(sd·√(1 + 1/n)), n − 1 degrees of freedom (Crawford & Howell
    1998).

    Examples
    --------
    >>> [round(number, 3) for number in norm_position(33, 50, 10, 15)]
    [-1.646, 0.061]
    """
    t = (score - mean) / (sd * sqrt(1 + 1 / n))
    return t, t_below(t, n - 1)


class Offer(NamedTuple):
    """One published value that a person's change may be held against.

    Parameters
    ----------
    value : Estimate
        The SEM of one score, or the MCID as a Threshold, with its origin.
    gap : float
        Days between the tests it comes from; NaN where that is not stated.
    key : str
        Names this offer and no other of the test.
    """

    value: Estimate
    gap: float
    key: str

    def repeats(self, other: "Offer") -> bool:
        """Whether `other` is the same study's number, given once as an SEM and once as an MDC (rounded)."""
        mine, theirs = self.value.origin, other.value.origin
        same = (mine.citation, mine.population, mine.interval) == (theirs.citation, theirs.population, theirs.interval)
        return same and abs(self.value.value / other.value.value - 1) < ROUNDED

    @property
    def words(self) -> str:
        """Value, people, interval between tests and source on one line."""
        origin = self.value.origin
        number = f"{self.value.value:.2f}".rstrip("0").rstrip(".")
        people = f"{origin.population}, n = {origin.n}" if origin.n else origin.population
        between = origin.interval or "interval between tests not stated"
        return " · ".join((f"{number} {self.value.unit}".rstrip(), people, between, origin.citation))


def offers(measure: str, what: str, days: float | None = None) -> tuple[Offer, ...]:
    """Return what was published about a test and may be used for one person, the best match first.

    Left out: those on another scale, and those whose ``use`` in :func:`published` is not one person (from memory,
    implausible, of a group, not minimal, adopted, another test's, an interval through zero). Order (own rule):
    people with osteoarthritis who were not operated on, then osteoarthritis, then others; for an error, tests not far
    closer together than these; then the larger study.

    Parameters
    ----------
    measure : str
        Key of a test.
    what : {"sem", "mcid"}
        The error of one score, or the smallest change that matters.
    days : float, optional
        Days between the person's tests; taken as six weeks where not known.
    """
    test, distinct = find_measure(measure), list[Offer]()
    for row in _rows(test.key, what):
        if row["use"] == PERSON and row["unit"] in (test.unit, *LENGTHS):
            one = _offer(row, test.unit, what)
            distinct += [] if any(other.repeats(one) for other in distinct) else [one]
    between = SOME_WEEKS if days is None else days

    def rank(offer: Offer) -> tuple[int, bool, int]:
        people = offer.value.origin.population
        sick, cut = bool(OSTEOARTHRITIS.search(people)), bool(OPERATED.search(people))
        near = what == "mcid" or offer.gap * FAR_SHORTER >= between
        return (0 if sick and not cut else 1 if sick else 2, not near, -(offer.value.origin.n or 0))

    return tuple(sorted(distinct, key=rank))


def _rows(key: str, what: str) -> list[dict[str, str]]:
    """Return the published rows of a test's error or MCID, SEMs before MDCs."""
    wanted = tuple(ERRORS) if what == "sem" else ("mic",)
    rows = [row for row in literature.published_rows() if row["measure"] == key and row["quantity"] in wanted]
    return sorted(rows, key=lambda row: wanted.index(row["quantity"]))


def _offer(row: dict[str, str], unit: str, what: str) -> Offer:
    scale = LENGTHS.get(row["unit"], 1.0) / (ERRORS[row["quantity"]] if what == "sem" else 1.0)
    n = int(row["n"]) if row["n"] else None
    low, high = (float(row[end]) * scale if row[end] else nan for end in ("ci_low", "ci_high"))
    facts: dict[str, Any] = {"value": float(row["value"]) * scale, "low": low, "high": high, "unit": unit, "n": n}
    facts |= {"origin": literature.origin_of(row, row["interval"])}
    value: Estimate
    if what == "sem":
        method = row["method"] if row["quantity"] == "sem" else f"{row['quantity'].upper()} / {1 / scale:.3f}"
        value = Estimate(**facts, df=n - 1.0 if n else None, method=method)
    else:
        value = Threshold(**facts, kind="mcid", level=row["level"], method=f"MCID: {row['method']}")
    return Offer(value, literature.days_between(row["interval"]), f"{row['citation']} | {row['value']} {row['unit']}")


def chosen(measure: str, what: str, words: str = "", days: float | None = None) -> Estimate:
    """Return the published SEM or MCID that `words` choose, the best match for empty words.

    Parameters
    ----------
    words : str
        An offer's key, or part of one citation.

    Raises
    ------
    ChoiceError
        Nothing fits, or several values do.
    RefusedError
        Nothing published about this test may be used for one person.
    """
    known = offers(measure, what, days)
    option = f"--{what}-from"
    if not known:
        raise RefusedError(
            f"No published {what.upper()} of {measure} may be used for one person; type your own (--{what}). "
            f"truechange measures {measure} --published shows what there is and why not."
        )
    exact = [one for one in known if one.key == words]
    fits = exact or [one for one in known if words.casefold() in one.key.casefold()]
    listed = "; ".join(one.words for one in fits or known)
    if not fits:
        rows = _rows(find_measure(measure).key, what)
        asked = [row for row in rows if row["why_not"] and words.casefold() in row["citation"].casefold()]
        if refused := [f"{row['value']} {row['unit']}: {row['why_not']}" for row in asked]:
            raise RefusedError(f"{words} may not be used for one person ({'; '.join(refused)}). There are: {listed}.")
        raise ChoiceError(f"No published {what.upper()} has {words!r} in its citation ({option}). There are: {listed}.")
    if words and len({one.value.value for one in fits}) > 1:
        raise ChoiceError(f"{len(fits)} published values fit {words!r} ({option}): {listed}. Say more of the citation.")
    best = fits[0]
    if days is not None and best.gap * FAR_SHORTER < days:
        note = f"its tests lay {best.gap:g} days apart, these {days:g}: expect more error here"
        note = "; ".join(filter(None, (note, best.value.origin.note)))
        return replace(best.value, origin=replace(best.value.origin, note=note))
    return best.value


def power(test: Measure, score: float, facts: Mapping[str, object], mass: float, height: float = nan) -> float:
    """Return the leg power behind one score, in watts; NaN where the test gives none or a fact is missing.

    Parameters
    ----------
    test : Measure
        The 30-second chair stand, the five times sit-to-stand, or the stair climb (time of the ascent).
    score : float
        In the unit of the test.
    facts : mapping
        ``seat_height_cm``, or ``steps`` and ``step_height_cm``.
    mass : float
        Body mass, kg.
    height : float, optional
        Body height, cm; not needed for stairs.

    Raises
    ------
    RefusedError
        The seat is too high for the person: the equation does not hold.
    DataError
        A fact is no number.

    Notes
    -----
    :func:`truechange.sit_to_stand_power` and :func:`truechange.stair_power`, which hold formula and source.

    Examples
    --------
    >>> from truechange import measure
    >>> round(power(measure("chair_stand_30s"), 12, {"seat_height_cm": 43}, 70, 165), 1)
    195.3
    """
    known = {fact: float(text) for fact in ("seat_height_cm", "steps", "step_height_cm")
             if (text := typed_fact(fact, facts.get(fact))[0])}  # fmt: skip
    if isnan(score) or score <= 0:
        return nan
    if test.key in (STANDS, FIVE) and "seat_height_cm" in known and height == height:
        stands, seconds = (score, 30.0) if test.key == STANDS else (5.0, score)
        return sit_to_stand_power(mass, height / 100, known["seat_height_cm"] / 100, stands, seconds)
    if test.key == STAIRS and len(known.keys() & {"steps", "step_height_cm"}) == 2:
        return stair_power(mass, known["steps"] * known["step_height_cm"] / 100, score)
    return nan


def power_sentences(
    test: Measure, scores: tuple[float, float], done: tuple[Mapping[str, object], Mapping[str, object]],
    body: tuple[float, float], *, age: float | None = None, sex: str | None = None,
) -> tuple[str, ...]:  # fmt: skip
    """Say the leg power at the first and the last visit, and where the last stands among published cut-offs.

    Parameters
    ----------
    test : Measure
        The test.
    scores : (float, float)
        First and last.
    done : (mapping, mapping)
        How each test was done.
    body : (float, float)
        Mass in kg and height in cm; NaN where not known.
    age, sex : optional
        For norms and cut-offs.

    Returns
    -------
    tuple of str
        Empty where the mass is not known or the test gives no power.
    """
    mass, height = body
    if mass != mass or test.key not in (STANDS, FIVE, STAIRS):
        return ()
    try:
        watts = [power(test, score, facts, mass, height) for score, facts in zip(scores, done, strict=True)]
    except RefusedError as why:
        return (f"No power: {why}",)
    if any(isnan(one) for one in watts):
        lacking = "steps and step height" if test.key == STAIRS else "seat height and body height"
        return (f"Power needs {lacking} of both tests, and a score at each.",)
    key, what = ("stair_power", "Stair-climb") if test.key == STAIRS else ("sit_to_stand_power", "Sit-to-stand")
    each = [f"{one:.0f} W ({fixed(one / mass, 2)} W/kg)" for one in watts]
    way = " (of the way up alone: a time up and down gives none)" if test.key == STAIRS else ""
    last = watts[1] if test.key == STAIRS else watts[1] / mass
    way_of = "5-repetition" if test.key == FIVE else "30"
    others = [text for text in place(key, round(last, 2), age=age, sex=sex) if test.key == STAIRS or way_of in text]
    return (f"{what} power{way}: {each[0]} first, {each[1]} last. {NO_NEWS}", *others[:1])
