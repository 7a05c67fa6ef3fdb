"""What is known of the group a person belongs to."""

from dataclasses import dataclass, field
from math import sqrt

from truechange.foundation.errors import ChoiceError, check_finite, check_kind
from truechange.foundation.origin import Origin


@dataclass(frozen=True, slots=True)
class Programme:
    """Means, spread and correlation of the observed scores of a group measured twice.

    Parameters
    ----------
    mean_before, mean_after : float
        Mean observed scores, in the test's unit (not improvements).
    sd_before, sd_after : float
        Their standard deviations, same unit.
    correlation : float
        Correlation of before with after.
    n : int
        People measured both times.
    name : str, optional
        What to call the group in a sentence, such as ``"our leg-power programme"``.
    origin : Origin, optional
        Where the numbers come from; by default stated by the user.

    Raises
    ------
    ChoiceError
        A number is missing, a spread is not positive, the correlation lies outside −1 to 1 or leaves no
        spread of change, or `n` is below 2.

    Examples
    --------
    >>> group = Programme(11, 13, 3.2, 3.4, 0.8, n=160)
    >>> round(group.sd_change, 4)
    2.0957
    """

    mean_before: float
    mean_after: float
    sd_before: float
    sd_after: float
    correlation: float
    n: int
    name: str = "the programme"
    origin: Origin = field(default_factory=Origin.stated)

    def __post_init__(self) -> None:
        check_finite(mean_before=self.mean_before, mean_after=self.mean_after, correlation=self.correlation, n=self.n)
        check_finite(sd_before=self.sd_before, sd_after=self.sd_after)
        if self.sd_before <= 0 or self.sd_after <= 0:
            raise ChoiceError(f"Standard deviations must be positive, got {self.sd_before} and {self.sd_after}.")
        if not -1 <= self.correlation <= 1:
            raise ChoiceError(f"correlation={self.correlation} must lie between -1 and 1.")
        if self.var_change <= 1e-12 * (self.sd_before**2 + self.sd_after**2):
            raise ChoiceError(
                "These spreads and this correlation say that everybody changed by exactly the same, error included. "
                "Look at the correlation: between two tests of real people it stays below 1."
            )
        if self.n < 2:
            raise ChoiceError(f"n={self.n}: a group of at least 2 people is needed.")

    @property
    def mean_change(self) -> float:
        """Mean of after minus before, in the test's unit."""
        return self.mean_after - self.mean_before

    @property
    def covariance(self) -> float:
        """Covariance of the observed scores, unit squared."""
        return self.correlation * self.sd_before * self.sd_after

    @property
    def var_change(self) -> float:
        """Variance of the observed change, unit squared."""
        return self.sd_before**2 + self.sd_after**2 - 2 * self.covariance

    @property
    def sd_change(self) -> float:
        """Standard deviation of the observed change, in the test's unit."""
        return sqrt(self.var_change)


def check_group(name: str, given: object) -> None:
    """Raise a ChoiceError unless `given` is a :class:`Programme`, or None for no group at all."""
    check_kind(name, given, (Programme, type(None)), "a group made with tc.Programme(mean_before, mean_after, ...)")
