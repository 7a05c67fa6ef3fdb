"""Scores at or near the end of a scale: became able, no room left, at least so much."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import isnan, nan
from typing import Any

from truechange.foundation.errors import DataError

UNABLE = "unable"


@dataclass(frozen=True, slots=True)
class Ends:
    """Lowest and highest score the test can give, in its unit; NaN where the scale has no such end.

    Examples
    --------
    >>> ends = Ends(0, nan)
    >>> ends.side(0), ends.side(7)
    (-1, 0)
    """

    low: float = nan
    high: float = nan

    def side(self, score: float) -> int:
        """Return -1 at the low end, 1 at the high end, 0 between."""
        return -1 if score <= self.low else 1 if score >= self.high else 0

    def check(self, *scores: float) -> None:
        """Raise when a score lies beyond an end.

        Raises
        ------
        DataError
            Names the score and the range.
        """
        for score in scores:
            if score < self.low or score > self.high:
                raise DataError(
                    f"A score of {score:g} lies outside this test's scale ({self.low:g} to {self.high:g}). "
                    "Correct the score, or the ends given for the scale."
                )

    def cautions(self, before: float, after: float, sign: int, mcid: float) -> tuple[str, ...]:
        """Say what an end of the scale hides in these two scores (`mcid` in the test's unit)."""
        said = []
        if (side := self.side(before)) == -sign:
            said.append(
                "The first score is the lowest the test can give: the true improvement may be larger than it looks."
            )
        elif side == sign:
            said.append("The first score is the best the test can give: there was no room to show improvement.")
        if (side := self.side(after)) == sign:
            said.append(
                "The second score is the best the test can give: the person may be better than the test can show."
            )
        elif side == -sign:
            said.append(
                "The second score is the lowest the test can give: the person may be worse than the test can show."
            )
        best = self.high if sign > 0 else self.low
        room = sign * (best - before)
        if not isnan(room) and 0 < room < mcid:
            said.append(
                "The first score left less room on the scale than the MCID: an important improvement could not show."
            )
        return tuple(said)


def mean_of_visits(scores: object, which: str) -> tuple[float, int]:
    """Return the mean of one score or of several visits' scores, and how many; NaN and 0 for ``"unable"``.

    Raises
    ------
    DataError
        A score is missing, not a number or not finite.
    """
    if isinstance(scores, str):
        if scores.strip().casefold() == UNABLE:
            return nan, 0
        raise DataError(f"{which}={scores!r} is not a score: give a number, a list of numbers, or 'unable'.")
    values: list[Any] = list(scores) if isinstance(scores, Iterable) else [scores]
    try:
        numbers = [float(value) for value in values]
    except (TypeError, ValueError):
        raise DataError(f"{which}={scores!r} is not a score: give a number, a list of numbers, or 'unable'.") from None
    if not numbers or not all(abs(number) < 1e300 for number in numbers):
        raise DataError(f"{which}={scores!r} holds a missing or endless value; give measured scores only.")
    return sum(numbers) / len(numbers), len(numbers)
