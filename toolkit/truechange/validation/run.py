"""Hold what the library computes against what is printed elsewhere or found by another route."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from math import floor, isfinite, log10, nan

from truechange.foundation.errors import MissingPartError
from truechange.validation.calls import compute
from truechange.validation.cases import case_ids, load_case

AGREES, DISAGREES, NOT_RUN, LEFT_OUT = "agrees", "disagrees", "not run", "left out"


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


def run_case(name: str) -> list[Check]:
    """Recompute one case and compare every number it promises."""
    case = load_case(name)
    ours: dict[str, float] = {}
    trouble = "", ""
    try:
        ours = compute(case)
    except (MissingPartError, ImportError) as missing:
        trouble = NOT_RUN, f"not installed: {missing}"
    except Exception as broken:  # a check that breaks is a disagreement, with its reason
        trouble = DISAGREES, f"{type(broken).__name__}: {broken}"
    checks = []
    for key, item in case.expected.items():
        verdict, reason = trouble
        if key in ours:
            verdict = AGREES if item.agrees(ours[key]) else DISAGREES
        elif not verdict:  # a number that is not computed needs a reason
            reason = item.left_out or (case.left_out if not case.ours else "")
            verdict = LEFT_OUT if reason else DISAGREES
            reason = reason or "neither computed nor left out with a reason"
        where = (case.topic, case.id, key, case.citation, case.doi, item.came, item.printed)
        other = (item.value, ours.get(key, nan), item.tolerance)
        checks.append(Check(*where, *other, case.by, verdict, reason))
    return checks


def all_checks(word: str = "") -> Iterator[tuple[str, Callable[[], list[Check]]]]:
    """Yield every case whose name or topic contains `word`, with a function that runs it."""
    for name in case_ids():
        if word in name.lower() or word in load_case(name).topic.lower():
            yield name, partial(run_case, name)


def tally(checks: Iterable[Check]) -> dict[str, int]:
    """Count the verdicts."""
    counts = dict.fromkeys((AGREES, DISAGREES, NOT_RUN, LEFT_OUT), 0)
    for check in checks:
        counts[check.verdict] += 1
    return counts
