"""The family of reliable-change indices side by side: (observed − expected) / standard error, six ways."""

from __future__ import annotations

from math import hypot, isfinite, nan, sqrt
from typing import TYPE_CHECKING

from truechange.foundation.distributions import normal_below, t_below, t_quantile, two_sided
from truechange.foundation.errors import DataError, check_confidence
from truechange.foundation.estimate import Estimate, plain_number
from truechange.foundation.sem import read_sem
from truechange.individual.score_error import Programme, check_group
from truechange.measures.catalogue import HIGHER, direction

if TYPE_CHECKING:
    import pandas as pd

FEWEST_RETESTS = 30
ASSUMES = {
    "jacobson_truax": "no practice, equal and normal errors, nothing known of the group",
    "unequal_error": "as the first, with its own error at each test",
    "practice_adjusted": "the same practice gain for everybody, a similar gap between the tests",
    "retest_differences": "error as in untreated retests, natural ups and downs included",
    "regression_based": "a person like those of an untreated retest sample, expected by the first score",
    "hageman_arrindell": "a person like those of the programme; the change is drawn towards its mean",
}
Row = tuple[float, float, float, float]  # observed, expected, standard error, degrees of freedom (NaN: normal)


def reliable_change(
    before: float, after: float, *, sem: Estimate | float, better: str = HIGHER, sem_after: float | None = None,
    practice: float = 0.0, practice_se: float = 0.0, retest: Programme | None = None,
    programme: Programme | None = None, confidence: float = 0.95,
) -> pd.DataFrame:  # fmt: skip
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

    better = direction(better, unit=getattr(sem, "unit", ""))
    check_confidence(confidence)
    sem = read_sem(sem).value
    later = sem if sem_after is None else read_sem(sem_after, name="sem_after").value
    given = {"before": before, "after": after, "practice": practice, "practice_se": practice_se}
    numbers = {name: plain_number(number, name) for name, number in given.items()}
    for name, number in numbers.items():
        if not isfinite(number):
            raise DataError(f"{name}={number}: scores and practice must be finite numbers.")
    before, after, practice, practice_se = numbers.values()
    check_group("retest", retest)
    check_group("programme", programme)
    sign = 1 if better == "higher" else -1
    d, both = sign * (after - before), hypot(sem, later)
    found: dict[str, tuple[Row | None, str]] = {
        "jacobson_truax": ((d, 0.0, sqrt(2) * sem, nan), ""),
        "unequal_error": ((d, 0.0, both, nan), ""),
        "practice_adjusted": ((d, practice, hypot(both, practice_se), nan), ""),
        "retest_differences": _retest_differences(d, sign, retest),
        "regression_based": _regression_based(before, after, sign, retest),
        "hageman_arrindell": _hageman_arrindell(d, sign, both, programme),
    }
    rows = [
        {"index": name, **_tested(row, why, confidence), "assumes": ASSUMES[name]} for name, (row, why) in found.items()
    ]
    return pd.DataFrame(rows).set_index("index")


def _tested(row: Row | None, note: str, confidence: float) -> dict[str, object]:
    observed, expected, se, df = row or (nan, nan, nan, nan)
    z = p = limit = nan
    if se > 0:
        z = (observed - expected) / se
        p = 2 * (t_below(-abs(z), df) if df == df else normal_below(-abs(z)))
        limit = t_quantile(0.5 + confidence / 2, df) if df == df else two_sided(confidence)
    elif row:
        note = "the standard error is 0"
    found = {"statistic": z, "observed": observed, "expected": expected, "standard_error": se, "df": df, "p_value": p}
    return found | {"limit": limit, "beyond_error": abs(z) >= limit if z == z else None, "note": note}


def _retest_differences(d: float, sign: int, retest: Programme | None) -> tuple[Row | None, str]:
    if retest is None:
        return None, "needs an untreated retest sample"
    return (d, sign * retest.mean_change, retest.sd_change * sqrt(1 + 1 / retest.n), retest.n - 1.0), ""


def _regression_based(before: float, after: float, sign: int, retest: Programme | None) -> tuple[Row | None, str]:
    if retest is None or retest.n < 3:
        return None, "needs an untreated retest sample of at least 3 people"
    predicted, se = predict_retest(before, retest)
    notes = [f"from {retest.n} people; at least {FEWEST_RETESTS} are advised"] if retest.n < FEWEST_RETESTS else []
    if abs(before - retest.mean_before) > 2 * retest.sd_before:
        notes.append("the first score lies far from the retest sample")
    return (sign * (after - before), sign * (predicted - before), se, retest.n - 2.0), "; ".join(notes)


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


def _hageman_arrindell(d: float, sign: int, both: float, group: Programme | None) -> tuple[Row | None, str]:
    if group is None:
        return None, "needs the programme's means and spread"
    if group.entry is not None:
        return None, "the programme's people were taken in for a poor first score"
    kept = 1 - both**2 / group.var_change if group.var_change > 0 else 0.0
    if kept <= 0:
        return None, "the programme's changes vary no more than measurement error"
    return (kept * d + (1 - kept) * sign * group.mean_change, 0.0, sqrt(kept) * both, nan), ""


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
