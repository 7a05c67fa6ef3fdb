"""How far one person's two scores may be out: the SEM at each, with what is known of it."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import hypot, inf, isfinite, sqrt

from truechange.foundation.errors import ChoiceError, RefusedError, check_numbers, stated
from truechange.foundation.estimate import Estimate, Threshold, plain_number
from truechange.foundation.origin import Origin
from truechange.individual.distributions import bisect, chi2_quantile, two_sided
from truechange.individual.group import Programme

SemLike = float | Estimate | tuple[float, float] | Callable[[float], float]


@dataclass(frozen=True, slots=True)
class ScoreError:
    """Standard errors of measurement for one comparison, in the test's unit.

    Parameters
    ----------
    before, after : float
        SEM of this person's score (or mean of several visits) before and after.
    group_before, group_after : float
        SEM of one score near the group's means.
    df : float or None
        Degrees of freedom of the SEM; None when unknown.
    origin : Origin
        Where the SEM comes from.
    varies : float
        This person's SEM over the one near the group's means; 1 where the SEM is one number.
    """

    before: float
    after: float
    group_before: float
    group_after: float
    df: float | None
    origin: Origin
    varies: float = 1.0

    @property
    def difference(self) -> float:
        """Standard error of the difference between the two scores when nothing has changed."""
        return hypot(self.before, self.after)

    def mdc(self, confidence: float, unit: str, practice_se: float = 0.0) -> Threshold:
        """Return the smallest change beyond error at `confidence`, its interval from the SEM's degrees of freedom."""
        z, (low, high) = two_sided(confidence), sem_limits(self.df, confidence)
        value = z * hypot(self.difference, practice_se)
        facts = {"low": value * low, "high": value * high, "confidence": confidence, "unit": unit, "df": self.df}
        words = f"{z:.3f} × √(SEM before² + SEM after²)"
        return Threshold(value=value, kind="mdc", method=words, origin=self.origin, **facts)  # type: ignore[arg-type]

    def with_bridge(self, difference_se: float) -> "ScoreError":
        """Return the errors with `difference_se` for the difference, what the two SEMs leave put before."""
        return replace(self, before=sqrt(max(difference_se**2 - self.after**2, 0.0)))


def score_error(
    sem: SemLike | None,
    df: float | None,
    scores: tuple[float, float],
    visits: tuple[int, int] = (1, 1),
    programme: Programme | None = None,
) -> ScoreError | None:
    """Return the errors of two scores from whatever the user knows of the SEM; None when there is no SEM (or it is 0).

    Parameters
    ----------
    sem : float, Estimate, pair of float, callable or None
        One SEM; one with its degrees of freedom; one before and one after; or a function of the score.
    df : float or None
        Degrees of freedom, where `sem` does not carry them.
    scores : (float, float)
        Before and after (means of `visits` visits), in the test's unit.
    visits : (int, int), optional
        How many separate visits each mean is of.
    programme : Programme, optional
        Group whose means say where its SEM is read, and towards which scores are drawn before a function of the
        score is asked: a chance extreme must not choose its own error.

    Raises
    ------
    ChoiceError
        The SEM is negative or not a number, or its degrees of freedom are not positive.
    RefusedError
        An MDC or MCID was given as SEM.
    """
    origin = sem.origin if isinstance(sem, Estimate) else Origin.stated()
    if sem is None:
        return None
    if isinstance(sem, Threshold):
        raise RefusedError(
            f"sem got an {sem.kind.upper()} ({sem}). Give the standard error of measurement; "
            "from an MDC95 for one person it is MDC95 / 2.772."
        )
    if callable(sem):
        middle = (programme.mean_before, programme.mean_after) if programme else scores
        group = (float(sem(middle[0])), float(sem(middle[1])))
        spreads = (programme.sd_before, programme.sd_after) if programme else (inf, inf)
        kept = [max(0.0, 1 - (error / sd) ** 2) for error, sd in zip(group, spreads, strict=True)]
        own = tuple(float(sem(m + k * (x - m))) for x, m, k in zip(scores, middle, kept, strict=True))
    elif isinstance(sem, Estimate):
        df = df or sem.df or df_of_limits(sem)
        own = group = (sem.value, sem.value)
    else:
        own = group = tuple(plain_number(part, "sem") for part in (sem if isinstance(sem, tuple) else (sem, sem)))  # type: ignore[assignment]
    if not all(isfinite(value) and value >= 0 for value in (*own, *group)):
        raise ChoiceError(f"sem={sem!r} must be a number of at least 0, in the test's unit.")
    check_numbers(**stated(sem_df=df))
    if df is not None and not df > 0:
        raise ChoiceError(f"sem_df={df!r} must be positive; it is people × (tests a person − 1), about.")
    if not hypot(*own):
        return None
    varies = hypot(*own) / hypot(*group) if hypot(*group) else 1.0
    known = df if df != inf else None
    return ScoreError(own[0] / sqrt(visits[0]), own[1] / sqrt(visits[1]), *group, known, origin, varies)


def sem_limits(df: float | None, confidence: float) -> tuple[float, float]:
    """Return the multipliers √(df/χ²) that turn an SEM into its limits; NaN without degrees of freedom.

    Examples
    --------
    >>> [round(limit, 3) for limit in sem_limits(29, 0.95)]
    [0.796, 1.344]
    """
    if df is None:
        return float("nan"), float("nan")
    tail = (1 - confidence) / 2
    return sqrt(df / chi2_quantile(1 - tail, df)), sqrt(df / chi2_quantile(tail, df))


def df_of_limits(sem: Estimate) -> float | None:
    """Return the degrees of freedom that an SEM's interval speaks of; None when it has no usable interval."""
    if not sem.has_interval or not 0 < sem.low < sem.high < inf:
        return None

    def narrowness(df: float) -> float:
        low, high = sem_limits(df, sem.confidence)
        return low / high

    return bisect(narrowness, sem.low / sem.high, 1.0, 2000.0)
