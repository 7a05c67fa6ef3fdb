"""What a test is: its unit, its direction, its limits, and what must match before two scores are subtracted."""

from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, TypeVar

from truechange.foundation.errors import check_choice

if TYPE_CHECKING:
    from collections.abc import Mapping

Scores = TypeVar("Scores")

DIRECTIONS = ("higher", "lower")


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
    safety, reading : tuple of str
        Usual cautions when testing, and when reading the score. Local rules and the clinician's judgement go first.
    also : tuple of str
        Other names in use.

    Raises
    ------
    ChoiceError
        `better` is neither ``"higher"`` nor ``"lower"``.

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
    safety: tuple[str, ...] = ()
    reading: tuple[str, ...] = ()
    also: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        check_choice("better", self.better, DIRECTIONS)

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
            ``sign * (after - before)``, in the test's unit.
        """
        return self.sign * (after - before)  # type: ignore[operator]
