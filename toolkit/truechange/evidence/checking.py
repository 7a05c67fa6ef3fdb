"""Hold what the library computes against what is printed elsewhere or found by another route."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from math import floor, isfinite, log10, nan
from pathlib import Path
from typing import Any

from truechange.evidence.cases import Case, case_ids, load_case
from truechange.foundation.errors import MissingPartError

AGREES, DISAGREES, NOT_RUN, LEFT_OUT = "agrees", "disagrees", "not run", "left out"
Numbers = Mapping[str, float]
Pairs = dict[str, tuple[float, float, float]]  # name: other number, ours, tolerance


@dataclass(frozen=True, slots=True)
class Check:
    """One number held against another.

    Parameters
    ----------
    topic, case, name : str
        What it is about, the case or route it belongs to, the number's name in it.
    source, doi, came : str
        Where the other number is from and how it came to us.
    printed : str
        The other number, as printed.
    other, ours, tolerance : float
        The two numbers and the difference that still agrees.
    by : str
        Public function that computed ours.
    verdict : {"agrees", "disagrees", "not run", "left out"}
        Not run: a library is missing on this machine. Left out: this library does not compute it.
    reason : str
        Why it was not run or left out, or what went wrong.
    """

    topic: str
    case: str
    name: str
    source: str
    doi: str
    came: str
    printed: str
    other: float
    ours: float
    tolerance: float
    by: str
    verdict: str
    reason: str = ""

    @property
    def digits(self) -> int | None:
        """Significant digits in which the two agree, at most those printed; None if not run."""
        if self.verdict in (NOT_RUN, LEFT_OUT):
            return None
        return digits_agreed(self.printed, self.ours) if self.printed else 0


def digits_agreed(printed: str, ours: float) -> int:
    """Count the significant digits of `printed` that `ours` reproduces when rounded to them.

    Examples
    --------
    >>> digits_agreed("0.29", 0.28976), digits_agreed("4.74", 4.75), digits_agreed("0.0000", 0.0)
    (2, 2, 4)
    """
    theirs = float(printed)
    mantissa = printed.lower().split("e")[0].lstrip("+-").replace(".", "")
    shown = len(mantissa.lstrip("0")) or len(mantissa.split(".")[-1]) - 1 or 1
    if not isfinite(ours):
        return 0
    gap = abs(ours - theirs)
    top = floor(log10(abs(theirs))) if theirs else 0
    return max((d for d in range(1, shown + 1) if gap <= 0.5 * 10.0 ** (top - d + 1) * (1 + 1e-6)), default=0)


@dataclass(frozen=True, slots=True)
class Route:
    """A check without a printed number: another library or an independent way to the same number.

    Parameters
    ----------
    id, topic, source, came, by : str
        As in :class:`Check`.
    compute : callable
        Returns ``{name: (other, ours, tolerance)}``.
    """

    id: str
    topic: str
    source: str
    came: str
    by: str
    compute: Callable[[], Pairs]


COMPUTED: dict[str, tuple[str, Callable[[Case], Numbers]]] = {}
ROUTES: dict[str, Route] = {}


def computes(*cases: str, by: str) -> Callable[[Callable[[Case], Numbers]], Callable[[Case], Numbers]]:
    """Register a function that recomputes `cases` through the public functions named in `by`."""

    def keep(function: Callable[[Case], Numbers]) -> Callable[[Case], Numbers]:
        COMPUTED.update(dict.fromkeys(cases, (by, function)))
        return function

    return keep


def route(topic: str, source: str, *, by: str, came: str = "independent route") -> Callable[[Any], Any]:
    """Register a function that returns ``{name: (other, ours, tolerance)}`` by an independent route."""

    def keep(function: Callable[[], Pairs]) -> Any:
        name = function.__name__.strip("_")
        ROUTES[name] = Route(name, topic, source, came, by, function)
        return function

    return keep


def load_registry() -> None:
    """Import the modules of this room that register how cases are recomputed."""
    for name in sorted(path.stem for path in Path(__file__).parent.glob("*.py")):
        import_module(f"truechange.evidence.{name}")


def run_case(name: str) -> list[Check]:
    """Recompute one case and compare every number it promises."""
    case = load_case(name)
    by, function = COMPUTED.get(name, ("", None))
    ours: Numbers = {}
    if function is None:
        return [_missing(case, key, by, case.left_out) for key in case.expected]
    try:
        ours = function(case)
    except (MissingPartError, ImportError) as missing:
        return [_check(case, key, nan, by, NOT_RUN, f"not installed: {missing}") for key in case.expected]
    except Exception as broken:  # a check that breaks is a disagreement, with its reason
        return [_check(case, key, nan, by, DISAGREES, f"{type(broken).__name__}: {broken}") for key in case.expected]
    checks = []
    for key, item in case.expected.items():
        if key in ours:
            verdict = AGREES if item.agrees(float(ours[key])) else DISAGREES
            checks.append(_check(case, key, float(ours[key]), by, verdict))
        else:
            checks.append(_missing(case, key, by, item.left_out))
    return checks


def _missing(case: Case, key: str, by: str, reason: str) -> Check:
    """Demand a reason for a number that is not computed; without one it counts as a disagreement."""
    if reason:
        return _check(case, key, nan, by, LEFT_OUT, reason)
    return _check(case, key, nan, by, DISAGREES, "neither computed nor left out with a reason")


def _check(case: Case, key: str, ours: float, by: str, verdict: str, reason: str = "") -> Check:
    item = case.expected[key]
    where = (case.topic, case.id, key, case.citation, case.doi, item.came, item.printed)
    return Check(*where, item.value, ours, item.tolerance, by, verdict, reason)


def run_route(name: str) -> list[Check]:
    """Run one independent route; a library that is missing is said, never passed over."""
    one = ROUTES[name]
    where = (one.topic, one.id)
    try:
        found = one.compute()
    except ImportError as missing:
        reason = f"not installed: {missing.name}"
        return [Check(*where, "all", one.source, "", one.came, "", nan, nan, nan, one.by, NOT_RUN, reason)]
    except Exception as broken:
        reason = f"{type(broken).__name__}: {broken}"
        return [Check(*where, "all", one.source, "", one.came, "", nan, nan, nan, one.by, DISAGREES, reason)]
    checks = []
    for key, (other, ours, tolerance) in found.items():
        verdict = AGREES if abs(ours - other) <= tolerance else DISAGREES
        printed = f"{other:.10g}"
        checks.append(Check(*where, key, one.source, "", one.came, printed, other, ours, tolerance, one.by, verdict))
    return checks


def all_checks(word: str = "") -> Iterator[tuple[str, Callable[[], list[Check]]]]:
    """Yield every case and route whose name or topic contains `word`, with a function that runs it."""
    load_registry()
    for name in case_ids():
        if word in name.lower() or word in load_case(name).topic.lower():
            yield name, partial(run_case, name)
    for name, one in ROUTES.items():
        if word in name.lower() or word in one.topic.lower():
            yield name, partial(run_route, name)


def tally(checks: Iterable[Check]) -> dict[str, int]:
    """Count the verdicts."""
    counts = dict.fromkeys((AGREES, DISAGREES, NOT_RUN, LEFT_OUT), 0)
    for check in checks:
        counts[check.verdict] += 1
    return counts
