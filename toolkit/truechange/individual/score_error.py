"""Standard error of one person's two scores (SEM at each), and what is known of the group the person belongs to."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import hypot, inf, sqrt
from typing import Any

from truechange.foundation.distributions import sd_factors, two_sided
from truechange.foundation.entry import Entry, cut_normal
from truechange.foundation.errors import ChoiceError, DataError, RefusedError, check_finite, check_kind
from truechange.foundation.estimate import Estimate, Origin, Threshold
from truechange.foundation.sem import Sem, read_sem

SemLike = float | Estimate | tuple[float | Estimate, float | Estimate] | Callable[[float], float]


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
    entry : Entry, optional
        The rule by which these people were taken in for a poor first score; the numbers above are theirs, not
        everyone's.
    shape : tuple of (float, float), optional
        True changes of people with the mean first score and how likely each is, in equal steps (:meth:`of`); without
        it true change counts as normal.

    Raises
    ------
    RefusedError
        The scores before do not fit the entry rule.
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
    entry: Entry | None = None
    shape: tuple[tuple[float, float], ...] = field(default=(), repr=False)

    @classmethod
    def of(
        cls, before: Any, after: Any, *, sem: "float | Estimate", sem_df: float | None = None,
        name: str = "the programme",
    ) -> "Programme":  # fmt: skip
        """Return the group of these scores; from 50 people on with the shape of its true change.

        Parameters
        ----------
        before, after : array-like of float, shape (n,)
            Both scores of each person, in the test's unit; a person without one of them is left out.
        sem : float or Estimate
            Standard error of measurement of one score.
        sem_df : float, optional
            Degrees of freedom of the SEM; taken from an Estimate.
        name : str, optional
            What to call the group in a sentence.

        Raises
        ------
        ChoiceError
            The scores have no spread.
        DataError
            Fewer than 3 people with both scores, or not two scores a person.

        Notes
        -----
        The shape is that of true change given the true first score: the changes less their regression on the first
        score, deconvolved (:func:`truechange.numerics.density.deconvolved`) with the error they hold,
        ``(1 + γ)² SEM² (1 − λ) + SEM²``, λ = SEM²/s₁², γ = (slope + λ)/(1 − λ) (own derivation).

        Examples
        --------
        >>> group = Programme.of([9, 11, 14, 8], [12, 11, 17, 10], sem=1.0)
        >>> group.n, group.shape
        (4, ())
        """
        import numpy as np

        from truechange.numerics.density import ENOUGH, deconvolved, likely_noise

        scores = np.array([np.asarray(before, float), np.asarray(after, float)])
        x, y = scores[:, ~np.isnan(scores).any(0)]
        if x.size < 3:
            raise DataError(f"{x.size} people with both scores; at least 3 are needed.")
        error, correlation = read_sem(sem, sem_df), float(np.corrcoef(x, y)[0, 1])
        moments = float(x.mean()), float(y.mean()), float(x.std(ddof=1)), float(y.std(ddof=1))
        group = cls(*moments, correlation, n=x.size, name=name, origin=Origin.own())
        if x.size < ENOUGH or not error.value:
            return group
        noise = np.array([_unexplained(group, one) for one in likely_noise(error.value, error.df)])
        fit = deconvolved(y - x - group.slope * (x - x.mean()), noise)
        return replace(group, shape=tuple(zip(fit.grid.tolist(), fit.mean.tolist(), strict=True)))

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
        check_kind("entry", self.entry, (Entry, type(None)), "an entry rule made with tc.Entry(cut, ...)")
        if self.entry is not None and self.shape:
            raise ChoiceError("shape and entry cannot go together: the shape is of people who were not cut off.")
        if self.entry is not None:
            self._everyone_before()

    def _everyone_before(self) -> tuple[float, float]:
        """Return mean and variance of everyone's scores before, or refuse numbers that do not fit the rule."""
        rule = self.entry
        if rule is None:
            return self.mean_before, self.sd_before**2
        if self.n < 3 or rule.second is not None:
            raise ChoiceError("entry: give mean and sd (tc.settle_entry finds them from a second test), and n above 2.")
        if rule.mean is not None and rule.sd is not None:
            return rule.mean, rule.sd**2
        mean, var = cut_normal(rule, rule.sign * self.mean_before, self.sd_before**2 * (self.n - 1) / self.n)
        if not var > 0:
            raise RefusedError(
                f"Scores before with mean {self.mean_before:g} and SD {self.sd_before:g} are not those of people "
                f"{rule.words}: give mean and sd of everyone screened."
            )
        return rule.sign * mean, var

    @property
    def everyone(self) -> "Programme":
        """The group as it would be without its entry rule (Pearson-Lawley); itself where there is none.

        A cut on the score before leaves the line of after on before, and the spread around it, as they are.
        """
        if self.entry is None:
            return self
        mean, var = self._everyone_before()
        slope = self.covariance / self.sd_before**2
        around = self.sd_after**2 * (1 - self.correlation**2) * (self.n - 1) / (self.n - 2)
        before, after = sqrt(var), sqrt(slope**2 * var + around)
        return replace(
            self, mean_before=mean, mean_after=self.mean_after + slope * (mean - self.mean_before), sd_before=before,
            sd_after=after, correlation=slope * before / after, entry=None,
        )  # fmt: skip

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

    @property
    def slope(self) -> float:
        """Slope of the observed change on the observed first score."""
        return self.covariance / self.sd_before**2 - 1

    def true_slope(self, sem: float) -> tuple[float, float]:
        """Return the variance of the true first score and the slope of true change on it, the SEM before taken out."""
        kept = max(1 - (sem / self.sd_before) ** 2, 0.05)
        return kept * self.sd_before**2, (self.slope + 1 - kept) / kept


def _unexplained(group: Programme, sem: float) -> float:
    """Return the SD that error leaves in a change once the first score is known."""
    variance, slope = group.true_slope(sem)
    return hypot(sem, (1 + slope) * sem * sqrt(variance / (variance + sem * sem)))


def check_group(name: str, given: object) -> None:
    """Raise a ChoiceError unless `given` is a :class:`Programme`, or None for no group at all."""
    check_kind(name, given, (Programme, type(None)), "a group made with tc.Programme(mean_before, mean_after, ...)")


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
    cautions : tuple of str
        What was read from the SEM that was given.
    """

    before: float
    after: float
    group_before: float
    group_after: float
    df: float | None
    origin: Origin
    varies: float = 1.0
    cautions: tuple[str, ...] = ()

    @property
    def difference(self) -> float:
        """Standard error of the difference between the two scores when nothing has changed."""
        return hypot(self.before, self.after)

    def mdc(self, confidence: float, unit: str, practice_se: float = 0.0) -> Threshold:
        """Return the smallest change beyond error at `confidence`, its interval from the SEM's degrees of freedom."""
        z, (low, high) = two_sided(confidence), sd_factors(self.df, confidence)
        value = z * hypot(self.difference, practice_se)
        facts = {"low": value * low, "high": value * high, "confidence": confidence, "unit": unit, "df": self.df}
        words = f"{z:.3f} × √(SEM before² + SEM after²)"
        return Threshold(value=value, kind="mdc", method=words, origin=self.origin, **facts)  # type: ignore[arg-type]

    def with_bridge(self, difference_se: float) -> "ScoreError":
        """Return the errors with `difference_se` for the difference, what the two SEMs leave put before."""
        return replace(self, before=sqrt(max(difference_se**2 - self.after**2, 0.0)))


def score_error(
    sem: SemLike | None, df: float | None, scores: tuple[float, float], visits: tuple[int, int] = (1, 1),
    programme: Programme | None = None, unit: str = "",
) -> ScoreError | None:  # fmt: skip
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
    unit : str, optional
        Unit of the scores, held against the SEM's own.

    Raises
    ------
    ChoiceError
        The SEM is negative or not a number, or its degrees of freedom are not positive.
    RefusedError
        An MDC or MCID was given as SEM, or it is in another unit.
    """
    if sem is None:
        return None
    if callable(sem):
        middle = (programme.mean_before, programme.mean_after) if programme else scores
        group = (float(sem(middle[0])), float(sem(middle[1])))
        spreads = (programme.sd_before, programme.sd_after) if programme else (inf, inf)
        kept = [max(0.0, 1 - (error / sd) ** 2) for error, sd in zip(group, spreads, strict=True)]
        own = tuple(float(sem(m + k * (x - m))) for x, m, k in zip(scores, middle, kept, strict=True))
        read = [read_sem(value, df) for value in (*own, *group)]
    else:
        pair = sem if isinstance(sem, tuple) and len(sem) == 2 else (sem, sem)
        read = [read_sem(part, df, unit=unit) for part in pair] * 2
    errors = tuple(part.value for part in read)
    if not hypot(*errors[:2]):
        return None
    varies = hypot(*errors[:2]) / hypot(*errors[2:]) if hypot(*errors[2:]) else 1.0
    return ScoreError(
        errors[0] / sqrt(visits[0]), errors[1] / sqrt(visits[1]), errors[2], errors[3], df=_joint_df(read[0], read[1]),
        origin=read[0].estimate.origin, varies=varies,
        cautions=tuple(dict.fromkeys(said for part in read for said in part.cautions)),
    )  # fmt: skip


def _joint_df(before: Sem, after: Sem) -> float | None:
    """Return the degrees of freedom of the two SEMs together: those of one, or Satterthwaite's for two different."""
    if before.estimate == after.estimate:
        return before.df
    parts = [sem.value**4 / sem.df for sem in (before, after) if sem.df]
    return (before.value**2 + after.value**2) ** 2 / sum(parts) if sum(parts) else None
