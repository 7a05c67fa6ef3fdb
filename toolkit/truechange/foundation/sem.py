"""Standard error of measurement (SEM): the one reader of whatever a caller knows of it."""

from dataclasses import dataclass, replace
from math import inf

from truechange.foundation.distributions import bisect, sd_factors
from truechange.foundation.errors import ChoiceError, RefusedError, check_numbers, stated
from truechange.foundation.estimate import Estimate, Origin, Threshold, plain_number
from truechange.foundation.numbers import fixed

SWAPPED = "The SEM is not below the MCID: were sem= and mcid= swapped, or an SD or MDC given for the SEM?"


@dataclass(frozen=True, slots=True)
class Sem:
    """The error of one score, and how well it is known.

    Parameters
    ----------
    estimate : Estimate
        Value in the unit of the test, degrees of freedom (None: taken as known exactly), limits and origin.
    cautions : tuple of str
        What a result that uses it must say.
    """

    estimate: Estimate
    cautions: tuple[str, ...] = ()

    @property
    def value(self) -> float:
        """The SEM, in the unit of the test."""
        return self.estimate.value

    @property
    def df(self) -> float | None:
        """Degrees of freedom; None where it is taken as known exactly."""
        return self.estimate.df

    def limits(self, confidence: float) -> tuple[float, float]:
        """Return its own limits at their level, else ``SEM √(df/χ²)``; NaN where it is taken as known exactly."""
        if self.estimate.has_interval and self.estimate.confidence == confidence:
            return self.estimate.low, self.estimate.high
        low, high = sd_factors(self.df, confidence)
        return self.value * low, self.value * high


def read_sem(given: object, df: float | None = None, *, unit: str = "", name: str = "sem") -> Sem:
    """Return the SEM a caller gave, a number or an Estimate, or refuse it.

    Parameters
    ----------
    given : float or Estimate
        A bare number is taken as stated by the user. An Estimate brings degrees of freedom, limits, unit and origin.
    df : float, optional
        Degrees of freedom; goes before what the Estimate carries.
    unit : str, optional
        Unit of the scores, held against the Estimate's own.
    name : str, optional
        Name of the argument, for the errors.

    Raises
    ------
    RefusedError
        A threshold was given (an MDC or MCID is no SEM), or an SEM in another unit.
    ChoiceError
        It is missing, negative, no number, or a whole result whose kind of SEM was not chosen; the degrees of freedom
        are not positive, or cannot be read from the interval that was given without them.

    Notes
    -----
    An interval without degrees of freedom speaks of those for which the limits of an SD,
    ``SEM √(df/χ²(1-α/2)) to SEM √(df/χ²(α/2))``, lie in the ratio of its own limits; solved for ``df`` between 1 and
    2000. They are used as if stated, and that is said.

    Examples
    --------
    >>> read_sem(Estimate(value=1.0, low=0.796, high=1.344)).cautions[0]
    'The SEM came with an interval but no degrees of freedom: 29 were read from the interval.'
    """
    if isinstance(given, Threshold):
        raise RefusedError(
            f"{name} got a threshold, an {given.kind.upper()} ({given}). Give the standard error of measurement; "
            "from an MDC95 for one person it is MDC95 / 2.772."
        )
    if isinstance(given, Estimate) and given.method.startswith(("one-way random", "two-way")):
        raise RefusedError(
            f"{name} got an ICC ({given}), which has no unit; give measurement_error(...).sem_agreement."
        )
    if hasattr(given, "sem_agreement"):
        raise ChoiceError(
            f"Say which error is meant: pass {name}=result.sem_agreement or {name}=result.sem_consistency."
        )
    value = plain_number(given, name)
    if not (0 <= value < inf):
        raise ChoiceError(f"{name}={value!r} must be a number of at least 0, in the unit of the test.")
    known = (
        given
        if isinstance(given, Estimate)
        else Estimate(value=value, unit=unit, method="stated", origin=Origin.stated())
    )
    if unit and known.unit and known.unit != unit:
        raise RefusedError(f"{name} is in {known.unit} ({known}), the scores are in {unit}. Give both in one unit.")
    check_numbers(**stated(sem_df=df))
    said = []
    df = known.df if df is None else df
    if df is None and known.has_interval and value > 0:
        df = _df_of_limits(known, name)
        said.append(
            "The SEM came with an interval but no degrees of freedom: "
            f"{fixed(df, 0 if df >= 10 else 1)} were read from the interval."
        )
    if df is not None and not df > 0:
        raise ChoiceError(f"sem_df={df!r} must be positive; it is people × (tests a person − 1), about.")
    if score := known.origin.score:
        larger = " Single trials have a larger error." if score.startswith("mean") else ""
        said.append(f"The SEM is that of the {score}: every score here must be made so.{larger}")
    return Sem(replace(known, df=None if df == inf else df), tuple(said))


def _df_of_limits(sem: Estimate, name: str) -> float:
    """Return the degrees of freedom that an SEM's interval speaks of."""
    if not 0 < sem.low <= sem.value <= sem.high < inf or sem.low == sem.high:
        raise ChoiceError(
            f"{name}={sem}: how well it is known cannot be read from this interval (its limits must be positive, "
            "finite and on either side of the value). Give sem_df, or leave the interval out."
        )

    def narrowness(df: float) -> float:
        low, high = sd_factors(df, sem.confidence)
        return low / high

    return bisect(narrowness, sem.low / sem.high, 1.0, 2000.0)
