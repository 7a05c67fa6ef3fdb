"""Leg power from scores already typed: sit-to-stand power and stair-climb power, in W and W/kg, beside cut-offs."""

from collections.abc import Mapping
from math import isnan, nan

from truechange.foundation.errors import RefusedError
from truechange.foundation.numbers import fixed
from truechange.individual.typed import typed_fact
from truechange.measures.catalogue import Measure, sit_to_stand_power, stair_power

STANDS, FIVE, STAIRS = "chair_stand_30s", "sit_to_stand_5", "stair_climb"
NO_NEWS = "Power is worked out from the same score and the person's size: read one of the two, never both as evidence."


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
    from truechange.individual.elsewhere import place  # what is published is read only here

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
