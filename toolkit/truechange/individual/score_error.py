"""Standard error of one person's two scores (SEM at each), the person's group, and the reliable-change indices.

The indices side by side: (observed − expected) / standard error, six ways.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import hypot, inf, isfinite, nan, sqrt
from typing import TYPE_CHECKING, Any, NamedTuple

from truechange.foundation.distributions import normal_below, sd_factors, t_below, t_quantile, two_sided
from truechange.foundation.errors import (
    ChoiceError,
    DataError,
    RefusedError,
    check_confidence,
    check_finite,
    check_kind,
)
from truechange.foundation.estimate import Estimate, Origin, Threshold, plain_number, read_sem
from truechange.foundation.result import told
from truechange.measures.catalogue import HIGHER, direction

if TYPE_CHECKING:
    import pandas as pd

    from truechange.foundation.entry import Entry

SMALL, FEWEST = 150, 15  # people of a group whose own doubt is no longer carried, and that it is used from
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
    entry: "Entry | None" = None
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
        score, deconvolved (:func:`truechange.numerics.true_change.deconvolved`) with the error they hold,
        ``(1 + γ)² SEM² (1 − λ) + SEM²``, λ = SEM²/s₁², γ = (slope + λ)/(1 − λ) (own derivation).

        Examples
        --------
        >>> group = Programme.of([9, 11, 14, 8], [12, 11, 17, 10], sem=1.0)
        >>> group.n, group.shape
        (4, ())
        """
        import numpy as np

        from truechange.numerics.true_change import ENOUGH, deconvolved, likely_noise

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
        numbers = ("mean_before", "mean_after", "correlation", "n", "sd_before", "sd_after")
        check_finite(**{name: getattr(self, name) for name in numbers})
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
        if self.entry is not None:
            self._everyone_before()

    def _everyone_before(self) -> tuple[float, float]:
        """Return mean and variance of everyone's scores before, or refuse numbers that do not fit the rule."""
        from truechange.foundation.entry import Entry, cut_normal

        rule: Any = self.entry
        check_kind("entry", rule, Entry, "an entry rule made with tc.Entry(cut, ...)")
        if self.shape:
            raise ChoiceError("shape and entry cannot go together: the shape is of people who were not cut off.")
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


class ScoreError(NamedTuple):
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
        return Threshold(
            value=value, low=value * low, high=value * high, confidence=confidence, unit=unit, df=self.df, kind="mdc",
            method=f"{z:.3f} × √(SEM before² + SEM after²)", origin=self.origin,
        )  # fmt: skip


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
        reliable = [max(0.0, 1 - (error / sd) ** 2) for error, sd in zip(group, spreads, strict=True)]
        own = tuple(float(sem(m + r * (x - m))) for x, m, r in zip(scores, middle, reliable, strict=True))
        read = [read_sem(value, df) for value in (*own, *group)]
    else:
        pair = sem if isinstance(sem, tuple) and len(sem) == 2 else (sem, sem)
        read = [read_sem(one, df, unit=unit) for one in pair] * 2
    before, after, group_before, group_after = (one.value for one in read)
    own_error, group_error = hypot(before, after), hypot(group_before, group_after)
    if not own_error:
        return None
    joint_df = read[0].df  # of the two SEMs together: those of one, or Satterthwaite's for two different
    if read[0].estimate != read[1].estimate:
        doubts = [one.value**4 / one.df for one in read[:2] if one.df]
        joint_df = (before**2 + after**2) ** 2 / sum(doubts) if sum(doubts) else None
    return ScoreError(
        before / sqrt(visits[0]), after / sqrt(visits[1]), group_before, group_after, df=joint_df,
        origin=read[0].estimate.origin, varies=own_error / group_error if group_error else 1.0,
        cautions=tuple(dict.fromkeys(text for one in read for text in one.cautions)),
    )  # fmt: skip


FEWEST_RETESTS = 30
ASSUMES = {
    "jacobson_truax": "no practice, equal and normal errors, nothing known of the group",
    "unequal_error": "as the first, with its own error at each test",
    "practice_adjusted": "the same practice gain for everybody, a similar gap between the tests",
    "retest_differences": "error as in untreated retests, natural ups and downs included",
    "regression_based": "a person like those of an untreated retest sample, expected by the first score",
    "hageman_arrindell": "a person like those of the programme; the change is drawn towards its mean",
}
Index = tuple[float, float, float, float, str]  # observed, expected, standard error, df (NaN: normal), note
UNKNOWN = (nan, nan, nan, nan)


def reliable_change(
    before: float, after: float, *, sem: Estimate | float, better: str = HIGHER, sem_after: float | None = None,
    practice: float = 0.0, practice_se: float = 0.0, retest: Programme | None = None,
    programme: Programme | None = None, confidence: float = 0.95,
) -> "pd.DataFrame":  # fmt: skip
    r"""Return every reliable-change index for one person, with what each takes for granted.

    Parameters
    ----------
    before, after : float
        The two scores, in the test's unit.
    sem : Estimate or float
        Standard error of measurement before, in the test's unit.
    better : {"higher", "lower"}, optional
        Which direction is an improvement; by default ``"higher"``, but it must be said where the SEM's unit is a time.
    sem_after : float, optional
        SEM after; by default the same.
    practice, practice_se : float, optional
        Mean improvement from repeating the test, from untreated retests, and its standard error.
    retest : Programme, optional
        Means, spread and correlation of an *untreated* retest sample; never a treated one.
    programme : Programme, optional
        The person's own group, for the index that draws the change towards the group's.
    confidence : float, optional
        Level at which a change counts as beyond error.

    Returns
    -------
    DataFrame
        Indexed by ``jacobson_truax, unequal_error, practice_adjusted, retest_differences, regression_based,
        hageman_arrindell``; columns statistic (positive = better), observed, expected, standard_error (unit of the
        test), df (NaN for normal), p_value (two-sided), limit, beyond_error, assumes, note. An index that cannot be
        computed is there with NaN, and the note says why.

    Raises
    ------
    DataError
        A score or the SEM is not a usable number.
    ChoiceError
        `better` or `confidence` is not understood, or something is not a number.
    RefusedError
        An MDC or MCID was given as SEM.

    Notes
    -----
    With improvement d: Jacobson–Truax :math:`d/\sqrt{2 SEM^2}` [1]_; unequal error
    :math:`d/\sqrt{SEM_1^2+SEM_2^2}`; practice-adjusted :math:`(d-g)/\sqrt{2 SEM^2 + SE(g)^2}` (from memory: Chelune
    1993, Iverson 2001); retest differences :math:`(d-g)/(s_d\sqrt{1+1/n})`, t with n−1; regression-based
    :math:`(y-\hat y)/(s_{yx}\sqrt{1+1/n+(x-\bar x)^2/[(n-1)s_x^2]})`, t with n−2 (from memory: Crawford and Garthwaite
    2006); Hageman–Arrindell :math:`[rd+(1-r)m]/(\sqrt{r}\sqrt{SEM_1^2+SEM_2^2})` with r the reliability of the change
    score (from memory: 1999), which is the mean over the SD of the change-only posterior.

    References
    ----------
    .. [1] Jacobson NS, Truax P (1991). J Consult Clin Psychol 59(1):12-19.

    Examples
    --------
    >>> family = reliable_change(32.5, 47.5, sem=3.354)
    >>> float(family.loc["jacobson_truax", "statistic"].round(2))
    3.16
    """
    import pandas as pd

    sign = 1 if direction(better, unit=getattr(sem, "unit", "")) == "higher" else -1
    check_confidence(confidence)
    sem = read_sem(sem).value
    later = sem if sem_after is None else read_sem(sem_after, name="sem_after").value
    given = {"before": before, "after": after, "practice": practice, "practice_se": practice_se}
    for name, number in given.items():
        given[name] = plain_number(number, name)
        if not isfinite(given[name]):
            raise DataError(f"{name}={given[name]}: scores and practice must be finite numbers.")
    before, after, practice, practice_se = given.values()
    check_group("retest", retest)
    check_group("programme", programme)
    d, both = sign * (after - before), hypot(sem, later)
    from_retests: Index = (*UNKNOWN, "needs an untreated retest sample")
    if retest is not None:
        from_retests = (d, sign * retest.mean_change, retest.sd_change * sqrt(1 + 1 / retest.n), retest.n - 1.0, "")
    indices: dict[str, Index] = {
        "jacobson_truax": (d, 0.0, sqrt(2) * sem, nan, ""),
        "unequal_error": (d, 0.0, both, nan, ""),
        "practice_adjusted": (d, practice, hypot(both, practice_se), nan, ""),
        "retest_differences": from_retests,
        "regression_based": _regression_based(before, after, sign, retest),
        "hageman_arrindell": _hageman_arrindell(d, sign, both, programme),
    }
    rows = [{"index": name, **_tested(index, confidence), "assumes": ASSUMES[name]} for name, index in indices.items()]
    return pd.DataFrame(rows).set_index("index")


def _tested(index: Index, confidence: float) -> dict[str, object]:
    observed, expected, se, df, note = index
    z = p = limit = nan
    if se > 0:
        z = (observed - expected) / se
        p = 2 * (t_below(-abs(z), df) if df == df else normal_below(-abs(z)))
        limit = t_quantile(0.5 + confidence / 2, df) if df == df else two_sided(confidence)
    return {
        "statistic": z, "observed": observed, "expected": expected, "standard_error": se, "df": df, "p_value": p,
        "limit": limit, "beyond_error": abs(z) >= limit if z == z else None,
        "note": "the standard error is 0" if se == 0 else note,
    }  # fmt: skip


def _regression_based(before: float, after: float, sign: int, retest: Programme | None) -> Index:
    if retest is None or retest.n < 3:
        return *UNKNOWN, "needs an untreated retest sample of at least 3 people"
    predicted, se = predict_retest(before, retest)
    notes = told({
        f"from {retest.n} people; at least {FEWEST_RETESTS} are advised": retest.n < FEWEST_RETESTS,
        "the first score lies far from the retest sample": abs(before - retest.mean_before) > 2 * retest.sd_before,
    })  # fmt: skip
    return sign * (after - before), sign * (predicted - before), se, retest.n - 2.0, "; ".join(notes)


def predict_retest(before: float, retest: Programme) -> tuple[float, float]:
    """Return the retest score expected without change after `before`, and its standard error for a new person.

    Examples
    --------
    >>> sample = Programme(11, 11.3, 3.2, 3.2, 0.9, n=30)
    >>> [round(number, 3) for number in predict_retest(9, sample)]
    [9.5, 1.452]
    """
    n, slope = retest.n, retest.covariance / retest.sd_before**2
    about = retest.sd_after * sqrt((1 - retest.correlation**2) * (n - 1) / (n - 2))
    away = (before - retest.mean_before) ** 2 / ((n - 1) * retest.sd_before**2)
    return retest.mean_after + slope * (before - retest.mean_before), about * sqrt(1 + 1 / n + away)


def _hageman_arrindell(d: float, sign: int, both: float, group: Programme | None) -> Index:
    if group is None:
        return *UNKNOWN, "needs the programme's means and spread"
    if group.entry is not None:
        return *UNKNOWN, "the programme's people were taken in for a poor first score"
    reliability = 1 - both**2 / group.var_change if group.var_change > 0 else 0.0
    if reliability <= 0:
        return *UNKNOWN, "the programme's changes vary no more than measurement error"
    return reliability * d + (1 - reliability) * sign * group.mean_change, 0.0, sqrt(reliability) * both, nan, ""


def recovery_cutoffs(mean_before: float, sd_before: float, mean_well: float, sd_well: float) -> dict[str, float]:
    """Return the three cut-offs for having reached the range of people who are well (Jacobson & Truax 1991).

    Parameters
    ----------
    mean_before, sd_before : float
        The people who come for treatment, in the test's unit.
    mean_well, sd_well : float
        People who are well.

    Returns
    -------
    dict
        ``a``: two SDs beyond the treated group's mean; ``b``: within two SDs of the well group's mean; ``c``: where a
        score is as near to one mean as to the other, counted in SDs. Same unit.

    Examples
    --------
    >>> recovery_cutoffs(40, 7.5, 60, 7.5)
    {'a': 55.0, 'b': 45.0, 'c': 50.0}
    """
    sign = 1 if mean_well >= mean_before else -1
    between = (sd_well * mean_before + sd_before * mean_well) / (sd_well + sd_before)
    return {"a": mean_before + sign * 2 * sd_before, "b": mean_well - sign * 2 * sd_well, "c": between}
