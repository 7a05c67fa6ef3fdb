"""Were the two tests done the same way? If not there is no difference to take, unless a bridge was measured."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt

from truechange.foundation.errors import DataError, RefusedError
from truechange.individual.typed import named, typed_fact

MINOR = ("assessor", "tester")  # a change of these is a caution, not another test
FEWEST_PAIRS = 30


def compare_protocols(
    before: Mapping[str, object] | None,
    after: Mapping[str, object] | None,
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
    first, second = before or {}, after or {}
    changed: list[str] = []
    minor: list[str] = []
    unknown: list[str] = []
    said: list[str] = []
    for fact in dict.fromkeys((*expected, *first, *second)):
        (one, odd), (two, odder) = (typed_fact(fact, facts.get(fact)) for facts in (first, second))
        said += filter(None, dict.fromkeys((odd, odder)))
        if one and two:
            if not _agree(one, two, (tolerances or {}).get(fact, 0.0)):
                (minor if fact in MINOR else changed).append(f"{named(fact)} {one} before, {two} after")
        elif fact in expected or one or two:
            unknown.append(named(fact))
    said += [f"Changed between the tests: {words}; kept, because the score need not follow." for words in minor]
    if unknown:
        said.append(f"Not stated for both tests, so not known to be the same: {', '.join(unknown)}.")
    return tuple(changed), tuple(said)


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
    before: Mapping[str, object] | None,
    after: Mapping[str, object] | None,
    harder: Mapping[str, str],
    tolerances: Mapping[str, float],
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
    for fact in {**(before or {}), **(after or {})}:
        one, two = (typed_fact(fact, (facts or {}).get(fact))[0] for facts in (before, after))
        if not one or not two or fact in MINOR or _agree(one, two, tolerances.get(fact, 0.0)):
            continue
        hardest = harder.get(fact, "")
        if hardest in ("lower", "higher"):
            ways.add(1 if (float(two) < float(one)) == (hardest == "lower") else -1)
        else:
            ways.add(1 if hardest == two else -1 if hardest == one else 0)
    return ways.pop() if len(ways) == 1 else 0


def _agree(one: str, two: str, tolerance: float) -> bool:
    try:
        return abs(float(one) - float(two)) <= tolerance + 1e-9
    except ValueError:
        return one.casefold() == two.casefold()


@dataclass(frozen=True, slots=True)
class Bridge:
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
        raise DataError(
            f"A bridge needs {FEWEST_PAIRS} people or more, each measured both ways; got {n} and {len(new)} scores."
        )
    mean_old, mean_new = sum(old) / n, sum(new) / n
    squares = sum((x - mean_old) ** 2 for x in old)
    if not squares > 0:
        raise DataError("All old scores are alike: a line through one point cannot carry other scores.")
    slope = sum((x - mean_old) * (y - mean_new) for x, y in zip(old, new, strict=True)) / squares
    residual = sum((y - mean_new - slope * (x - mean_old)) ** 2 for x, y in zip(old, new, strict=True))
    return Bridge(mean_new - slope * mean_old, slope, sqrt(residual / (n - 2)), mean_old, squares, n)
