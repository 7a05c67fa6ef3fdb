"""Were the two tests done the same way? If not there is no difference to take, unless a bridge was measured."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import fmean

from truechange.foundation.errors import DataError, RefusedError

# A change of these is a caution, not another test.
MINOR = ("assessor", "tester")
FEWEST_PAIRS = 30


def named(fact: str) -> str:
    """Say a protocol fact in words: ``seat_height_cm`` → ``seat height (cm)``."""
    for ending in ("cm", "kg", "m", "s"):
        if fact.endswith(f"_{ending}"):
            return f"{fact[: -len(ending) - 1].replace('_', ' ')} ({ending})"
    return fact.replace("_", " ")


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
    cautions: list[str] = []
    unknown: list[str] = []
    for fact in dict.fromkeys((*expected, *first, *second)):
        one, two = first.get(fact), second.get(fact)
        if _unknown(one) or _unknown(two):
            if fact in expected or not (_unknown(one) and _unknown(two)):
                unknown.append(named(fact))
        elif not _agree(one, two, (tolerances or {}).get(fact, 0.0)):
            words = f"{named(fact)} {_said(one)} before, {_said(two)} after"
            (cautions if fact in MINOR else changed).append(words)
    held = tuple(
        f"Changed between the tests: {words}. Kept, because it need not alter the score." for words in cautions
    )
    if unknown:
        held += (f"Not stated for both tests, so not known to be the same: {', '.join(unknown)}.",)
    return tuple(changed), held


def refuse_changed(changed: Sequence[str], before: float, after: float, unit: str) -> None:
    """Raise unless nothing in `changed` makes the two scores two different tests.

    Raises
    ------
    RefusedError
        Says what changed, both scores, and the two ways on: retest the old way, or measure a bridge.
    """
    if changed:
        unit = f" {unit}" if unit else ""
        raise RefusedError(
            f"The test was done in two ways ({'; '.join(changed)}), so {before:g} and {after:g}{unit} are "
            "scores of two tests and their difference means nothing. Repeat the test as it was done the first time; or "
            f"bridge the two protocols with at least {FEWEST_PAIRS} people measured both ways (bridge_from_pairs)."
        )


def _unknown(value: object) -> bool:
    return value is None or value == "" or value != value


def _said(value: object) -> str:
    return {True: "yes", False: "no"}.get(value, str(value)) if isinstance(value, bool) else str(value)


def _agree(one: object, two: object, tolerance: float) -> bool:
    first, second = _said(one).strip().casefold(), _said(two).strip().casefold()
    try:
        return abs(float(first) - float(second)) <= tolerance + 1e-9
    except ValueError:
        return first == second


@dataclass(frozen=True, slots=True)
class Bridge:
    """A line that turns scores of an old protocol into scores of a new one.

    Parameters
    ----------
    intercept, slope : float
        New score = intercept + slope × old score; units of the new score, and new per old.
    residual_sd : float
        Spread of new scores about the line (it holds the errors of both tests), unit of the new score.
    mean_old, spread_old : float
        Mean of the old scores, and the sum of squares about it.
    n : int
        People measured both ways.
    """

    intercept: float
    slope: float
    residual_sd: float
    mean_old: float
    spread_old: float
    n: int

    def carry(self, old: float) -> float:
        """Return what an old-protocol score would have been under the new one."""
        return self.intercept + self.slope * old

    def difference_se(self, old: float, sem_old: float, sem_new: float) -> float:
        """Return the standard error of (new score − carried old score) when nothing has changed.

        The line's residual variance already holds both tests' errors; it is never taken smaller than they are.
        """
        about = max(self.residual_sd**2, (self.slope * sem_old) ** 2 + sem_new**2)
        line = self.residual_sd**2 * (1 / self.n + (old - self.mean_old) ** 2 / self.spread_old)
        return sqrt(about + line)


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
    if len(old) != len(new):
        raise DataError(f"A bridge needs pairs: {len(old)} old scores against {len(new)} new ones.")
    if len(old) < FEWEST_PAIRS:
        raise DataError(
            f"A bridge from {len(old)} people is too weak to stand on; measure at least {FEWEST_PAIRS} both ways."
        )
    mean_old, mean_new = fmean(old), fmean(new)
    spread = sum((x - mean_old) ** 2 for x in old)
    if not spread > 0:
        raise DataError("All old scores are alike: a line through one point cannot carry other scores.")
    slope = sum((x - mean_old) * (y - mean_new) for x, y in zip(old, new, strict=True)) / spread
    intercept = mean_new - slope * mean_old
    residual = sum((y - intercept - slope * x) ** 2 for x, y in zip(old, new, strict=True))
    return Bridge(intercept, slope, sqrt(residual / (len(old) - 2)), mean_old, spread, len(old))
