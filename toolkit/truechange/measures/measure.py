"""What a test is: its unit, its direction, its limits, and what must match before two scores are subtracted."""

from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, TypeVar

from truechange.foundation.errors import ChoiceError, check_choice, check_finite

if TYPE_CHECKING:
    from collections.abc import Mapping

Scores = TypeVar("Scores")

DIRECTIONS = ("higher", "lower")
NOISE_FREE = 9  # decimals: far finer than any test is read, far coarser than binary noise
_FACTORS = {("mm", "cm"): 0.1, ("m", "cm"): 100.0, ("min", "s"): 60.0, ("km/h", "m/s"): 1 / 3.6, ("km", "m"): 1000.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One functional test.

    Parameters
    ----------
    key : str
        Name in tables and calls, such as ``"chair_stand_30s"``.
    name : str
        Name in sentences.
    unit : str
        Unit of a score.
    better : {"higher", "lower"}
        Which direction is an improvement.
    hard_low, hard_high : float
        Limits beyond which a score is refused (inclusive range of possible scores; own choice).
    soft_low, soft_high : float
        Limits beyond which a score is kept but asked about (own choice).
    resolution : float
        Smallest step the test is read to, in `unit`.
    whole : bool
        Whether scores are whole numbers.
    protocol : tuple of str
        Columns of the assessments table that must agree before two scores may be subtracted.
    tolerances : mapping of str to float
        How far apart a numeric protocol fact may be and still agree, in that column's unit.
    harder : mapping of str to str
        What makes the test harder, fact by fact: ``"lower"`` or ``"higher"``, or the word that is the hardest.
    zero_unable : bool
        Whether a score of 0 means that the person was unable.
    safety, reading : tuple of str
        Usual cautions when testing, and when reading the score. Local rules and the clinician's judgement go first.
    also : tuple of str
        Other names in use.

    Raises
    ------
    ChoiceError
        `better` is neither ``"higher"`` nor ``"lower"``, or `resolution` is not a positive number.

    Examples
    --------
    >>> from truechange import measure
    >>> walk = measure("timed_up_and_go")
    >>> walk.better, walk.improvement(before=12.0, after=10.5)
    ('lower', 1.5)
    """

    key: str
    name: str
    unit: str
    better: str
    hard_low: float
    hard_high: float
    soft_low: float
    soft_high: float
    resolution: float
    whole: bool = False
    protocol: tuple[str, ...] = ()
    tolerances: "Mapping[str, float]" = field(default_factory=lambda: MappingProxyType({}), hash=False)
    harder: "Mapping[str, str]" = field(default_factory=lambda: MappingProxyType({}), hash=False)
    zero_unable: bool = False
    safety: tuple[str, ...] = ()
    reading: tuple[str, ...] = ()
    also: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        check_choice("better", self.better, DIRECTIONS)
        check_finite(resolution=self.resolution)
        if self.resolution <= 0:
            raise ChoiceError(f"resolution={self.resolution!r} must be above 0, the smallest step the test is read to.")

    @property
    def sign(self) -> int:
        """1 where more is better, -1 where less is better."""
        return 1 if self.better == "higher" else -1

    @property
    def cautions(self) -> tuple[str, ...]:
        """Safety cautions first, then those for reading the score."""
        return self.safety + self.reading

    def improvement(self, before: Scores, after: Scores) -> Scores:
        """Turn two scores into an improvement: positive = better, whatever the test's direction.

        Parameters
        ----------
        before, after : float, array or Series
            Scores in the test's unit.

        Returns
        -------
        float, array or Series
            ``sign * (after - before)``, in the test's unit, without binary noise: 10.5 - 9.8 is 0.7.
        """
        change = self.sign * (after - before)  # type: ignore[operator]
        return change.round(NOISE_FREE) if hasattr(change, "round") else round(change, NOISE_FREE)

    def from_unit(self, score: Scores, unit: str) -> Scores:
        """Turn a score noted in another unit into the unit of the test.

        Parameters
        ----------
        score : float, array or Series
            Score as it was noted.
        unit : str
            Its unit. Seconds are understood for the 40 m walk (speed = 40 m / seconds).

        Returns
        -------
        float, array or Series
            In the unit of the test.

        Raises
        ------
        ChoiceError
            There is no fixed way from one unit to the other.

        Examples
        --------
        >>> from truechange import measure
        >>> measure("walk_40m_fast").from_unit(25.0, "s"), measure("lowest_seat_height").from_unit(430.0, "mm")
        (1.6, 43.0)
        """
        if unit == self.unit:
            return score
        if (self.key, unit) == ("walk_40m_fast", "s"):
            return 40 / score  # type: ignore[operator,return-value]
        if (unit, self.unit) not in _FACTORS:
            known = [given for given, own in _FACTORS if own == self.unit]
            raise ChoiceError(
                f"unit={unit!r} cannot be turned into {self.unit} for {self.name}. "
                f"Give the scores in {' or '.join([self.unit, *known])}."
            )
        return score * _FACTORS[unit, self.unit]  # type: ignore[operator,return-value]
