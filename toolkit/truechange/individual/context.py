"""Norms and cut-offs: where one score stands among others."""

from math import sqrt

from truechange.foundation.distributions import t_below
from truechange.individual.typed import within
from truechange.measures.catalogue import facts
from truechange.measures.published import references


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
