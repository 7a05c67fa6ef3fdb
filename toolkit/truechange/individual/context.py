"""What is known from elsewhere: where a score stands among others, and thresholds that were published."""

from dataclasses import replace
from math import sqrt

from truechange.foundation.distributions import t_below, two_sided
from truechange.foundation.errors import ChoiceError
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.origin import Origin
from truechange.individual.typed import within
from truechange.measures.catalogue import facts
from truechange.measures.published import published_rows, published_threshold, references

_SHORT = ("same session", "same day", "one session", "minute", " min", "hour", " h")
SOME_DAYS = 7


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
    found = sorted(references(measure, age=age, sex=sex), key=lambda one: one.origin.status == "from memory")
    return tuple(one.sentence(score) for one in found)


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


def published_sem(measure: str, citation: str | None = None) -> Estimate:
    """Return the SEM behind a published MDC of one person, with its origin; degrees of freedom n − 1 (two tests each).

    Raises
    ------
    ChoiceError
        Nothing fits, or several values do: choose with part of the citation.
    RefusedError
        The value is implausible, from memory, or not in the unit of the test.
    """
    words = (citation or "").casefold()
    fits = [
        row
        for row in published_rows()
        if row["measure"] == measure and row["quantity"] in ("mdc95", "mdc90") and words in row["citation"].casefold()
    ]
    if len({row["citation"] for row in fits}) > 1:
        listed = "; ".join(f"{row['quantity']} {row['value']} {row['unit']} ({row['citation']})" for row in fits)
        raise ChoiceError(
            f"{len(fits)} published values fit {measure!r}: {listed}. Choose one by its citation (--sem-from)."
        )
    at90 = bool(fits) and all(row["quantity"] == "mdc90" for row in fits)
    mdc = published_threshold(measure, "mdc90" if at90 else "mdc95", citation=citation)
    factor = two_sided(0.90 if at90 else 0.95) * sqrt(2)
    facts = {"value": mdc.value / factor, "unit": mdc.unit, "n": mdc.n, "df": mdc.n - 1.0 if mdc.n else None}
    method = f"MDC{90 if at90 else 95} / {factor:.3f}"
    return Estimate(**facts, method=method, origin=mdc.origin)  # type: ignore[arg-type]


def published_mcid(measure: str, citation: str | None = None) -> Threshold:
    """Return a published within-person MCID with its origin.

    Raises
    ------
    ChoiceError
        Nothing fits, or several values do: choose with part of the citation.
    RefusedError
        The value is implausible, from memory, or not in the unit of the test.
    """
    return published_threshold(measure, "mcid", citation=citation)


def with_gap(origin: Origin, days: float | None) -> Origin:
    """Return `origin` with a note when its tests lay hours apart and these lie weeks apart: error grows with time."""
    words = f" {origin.interval.casefold()}"
    if days is None or days <= SOME_DAYS or not any(short in words for short in _SHORT):
        return origin
    note = f"its tests lay minutes to hours apart, these {days:g} days, so expect more error here"
    return replace(origin, note="; ".join(filter(None, (note, origin.note))))
