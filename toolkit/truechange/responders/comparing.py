"""Two groups' shares compared: difference, risk and odds ratio, number needed to treat, Fisher's exact test."""

from dataclasses import dataclass
from functools import partial
from math import copysign, exp, inf, isfinite, log, nan, sqrt
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import chdtrc, gammaln, ndtri

from truechange.foundation.errors import check_confidence
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed, p_value, percent
from truechange.foundation.result import Part, told
from truechange.numerics.intervals import FEW
from truechange.responders.counting import check_count, proportion


@dataclass(frozen=True)
class NumberNeeded:
    """People who must take part for one more to change enough; its interval runs through infinity when it must.

    Parameters
    ----------
    value : float
        ``1 / difference``; negative means one fewer (harm), infinite means no difference.
    low : float
        Inverse of the upper limit of the difference.
    high : float
        Inverse of the lower limit of the difference; below 0 when the interval runs through infinity to harm.
    confidence : float
        Level of the interval.
    """

    value: float
    low: float
    high: float
    confidence: float

    @property
    def through_infinity(self) -> bool:
        """Whether both benefit and harm are compatible with the data."""
        return self.low > 0 > self.high or not (isfinite(self.low) and isfinite(self.high))

    @property
    def benefit_limit(self) -> float:
        """Smallest number needed to benefit inside the interval; infinite if benefit is excluded."""
        return self.low if self.low > 0 else inf

    @property
    def harm_limit(self) -> float:
        """Smallest number needed to harm inside the interval; infinite if harm is excluded."""
        return -self.high if self.high < 0 else inf

    def __str__(self) -> str:
        side = "" if not isfinite(self.value) else " to benefit" if self.value > 0 else " to harm"
        interval = " to ".join(fixed(edge, 1) for edge in sorted((abs(self.low), abs(self.high))))
        if self.through_infinity:
            interval = f"{fixed(self.benefit_limit, 1)} to benefit → ∞ → {fixed(self.harm_limit, 1)} to harm"
        return f"{fixed(abs(self.value), 1)}{side} ({100 * self.confidence:g}% CI {interval})"


def number_needed(difference: Estimate) -> NumberNeeded:
    """Turn a difference of shares into a number needed to treat (Altman 1998, BMJ 317:1309-1312).

    Examples
    --------
    >>> print(number_needed(Estimate(value=0.10, low=-0.05, high=0.25)))
    10.0 to benefit (95% CI 4.0 to benefit → ∞ → 20.0 to harm)
    """
    value, low, high = (1 / share if share else inf for share in (difference.value, difference.high, difference.low))
    return NumberNeeded(value, low, high, difference.confidence)


class ResponderComparison(Part):
    """Two shares compared.

    Its facts: ``first`` and ``second`` (the two shares of those who started), ``difference`` (first minus second),
    ``risk_ratio`` and ``odds_ratio`` (first over second; NaN where they do not exist), ``number_needed_to_treat`` (from
    the difference and its limits), ``p_value`` (Fisher's exact two-sided p), ``p_score`` (chi-square without continuity
    correction, of the same comparison), ``counts`` (the four numbers given), ``whom`` (which people the shares are of).
    """


def _draw(facts: dict[str, Any], ax: Any) -> Any:
    """Draw both shares and their difference on one axis."""
    from truechange.foundation import drawing

    shown = {name: facts[name] for name in ("first", "second", "difference")}
    drawing.interval_rows(list(shown), list(shown.values()), ax=ax, strong=(2,))
    ax.axvline(0, color=drawing.QUIET, lw=1)
    drawing.percent_axis(ax)
    ax.set_xlabel(f"share of those {facts['whom']}, and difference")
    return ax


def exact_p(k1: int, n1: int, k2: int, n2: int) -> float:
    """Return Fisher's two-sided p: the chance, over all ways to deal the labels, of a table no likelier than this one.

    This is the permutation test of two shares in closed form.
    """
    # not scipy.stats.fisher_exact: the same p at 25 times the time, and half a second to import
    k = np.arange(max(0, k1 + k2 - n2), min(n1, k1 + k2) + 1)
    ways = -(gammaln(k + 1) + gammaln(n1 - k + 1) + gammaln(k1 + k2 - k + 1) + gammaln(n2 - k1 - k2 + k + 1))
    chance = np.exp(ways - ways.max())
    return min(1.0, float(chance[chance <= chance[k == k1] * (1 + 1e-7)].sum() / chance.sum()))


def compare_responders(
    k1: int, n1: int, k2: int, n2: int, confidence: float = 0.95, *, whom: str = "who started"
) -> ResponderComparison:
    """Compare the shares of two independent groups.

    Parameters
    ----------
    k1, n1 : int
        People who changed enough, and people who started, in the first group (the programme).
    k2, n2 : int
        The same in the second (the comparison).
    confidence : float, optional
        Level of the intervals.
    whom : str, optional
        Which people they are of, for the words: "who started", "due".

    Returns
    -------
    ResponderComparison

    Raises
    ------
    DataError
        Counts are not whole numbers with 0 ≤ k ≤ n, or a group is empty.

    Notes
    -----
    Difference: Newcombe's hybrid of Wilson limits. Ratios: logarithmic intervals when no cell is zero, otherwise
    score intervals by inverting the score test at its restricted maximum likelihood (nothing is added to a cell).
    p: Fisher's exact test.

    References
    ----------
    Newcombe RG (1998). Stat Med 17:873-890, method 10. Altman DG (1998). BMJ 317:1309-1312.

    Examples
    --------
    >>> both = compare_responders(18, 30, 9, 28)
    >>> print(both.difference)
    0.28 (95% CI 0.02 to 0.49)
    >>> print(both.number_needed_to_treat)
    3.6 to benefit (95% CI 2.0 to 44.4)
    """
    check_confidence(confidence)
    k1, n1 = check_count(k1, n1, k_name="k1", n_name="n1")
    k2, n2 = check_count(k2, n2, k_name="k2", n_name="n2")
    first, second = proportion(k1, n1, confidence), proportion(k2, n2, confidence)
    gap, pooled = first.value - second.value, (k1 + k2) / (n1 + n2)
    difference = Estimate(
        value=gap, confidence=confidence, n=n1 + n2, method="Newcombe hybrid score",
        low=gap - sqrt((first.value - first.low) ** 2 + (second.high - second.value) ** 2),
        high=gap + sqrt((first.high - first.value) ** 2 + (second.value - second.low) ** 2),
    )  # fmt: skip
    variance = pooled * (1 - pooled) * (1 / n1 + 1 / n2)
    ratios = {name: _ratio(name, k1, n1, k2, n2, confidence) for name in ("risk", "odds")}
    need, exact = number_needed(difference), exact_p(k1, n1, k2, n2)
    named = {"first share": first, "second share": second, "difference": difference,
             "risk ratio": ratios["risk"], "odds ratio": ratios["odds"]}  # fmt: skip
    rows = [{"quantity": name, **one.row()} for name, one in named.items()]
    rows += [
        {"quantity": "number needed to treat", "estimate": need.value, "low": need.low, "high": need.high,
         "method": "inverse of the difference and its limits; negative is harm"},
        {"quantity": "p (exact)", "estimate": exact},
    ]  # fmt: skip
    points, one, other = difference.scaled(100), percent(first.value), percent(second.value)
    apart = f"{fixed(points.value, 0)} percentage points ({points.interval_text(0)}; exact {p_value(exact)})"
    changed = f"{one} of the {n1} {whom} against {other} of the {n2} changed enough: a difference of {apart}."
    says = (changed, f"Number needed to treat: {need}.")
    facts = {
        "first": first, "second": second, "difference": difference, "risk_ratio": ratios["risk"],
        "odds_ratio": ratios["odds"], "number_needed_to_treat": need, "p_value": exact, "counts": (k1, n1, k2, n2),
        "p_score": float(chdtrc(1, gap * gap / variance)) if variance > 0 else 1.0, "whom": whom,
    }  # fmt: skip
    cautions = told(
        {
            "Two groups that were not formed by lot may differ in more than their programme.": True,
            f"Fewer than {FEW} people in a group: read the counts, not the percentages.": min(n1, n2) < FEW,
        }
    )
    return ResponderComparison(
        facts, pd.DataFrame(rows)[["quantity", "estimate", "low", "high", "method"]], says, cautions,
        ("newcombe1998a", "newcombe1998b", "altman1998"), "Two shares and their difference with intervals.",
        partial(_draw, facts), height=1.92,
    )  # fmt: skip


def _ratio(kind: str, k1: int, n1: int, k2: int, n2: int, confidence: float) -> Estimate:
    """Return the ratio of two shares ("risk") or of their odds; NaN where it does not exist.

    Logarithmic limits, or score limits where a cell is zero.
    """
    z, cells = float(ndtri((1 + confidence) / 2)), (k1, n1 - k1, k2, n2 - k2)
    if kind == "risk":
        top, bottom, parts = k1 * n2, k2 * n1, (k1, -n1, k2, -n2)
        exists, why = k1 + k2 > 0, "nobody changed enough in either group"
    else:
        top, bottom, parts = k1 * (n2 - k2), (n1 - k1) * k2, cells
        exists, why = 0 < k1 + k2 < n1 + n2, "all or none changed enough in both groups"
    value = top / bottom if bottom else (inf if top else nan)
    low, high, how = nan, nan, f"not defined: {why}"
    if all(cells):
        half, how = z * sqrt(sum(1 / part for part in parts)), "logarithmic"
        low, high = value * exp(-half), value * exp(half)
    elif exists:
        middle, how = log(value) if 0 < value < inf else 0.0, "score, because a cell is zero"
        low, high = (_score_limit(kind, (k1, n1, k2, n2), middle, target) for target in (z, -z))
    return Estimate(value=value, low=low, high=high, confidence=confidence, n=n1 + n2, method=how)


def _score_limit(kind: str, counts: tuple[int, int, int, int], middle: float, target: float) -> float:
    """Find where the signed score statistic, falling in log ratio, passes `target`."""
    from scipy.optimize import brentq

    wide = 20.0  # a limit beyond e^20 is no limit, and further out the restricted share loses its digits

    def gap(at: float) -> float:
        return _score(kind, exp(at), *counts) - target

    if gap(middle - wide) < 0:
        return 0.0
    return inf if gap(middle + wide) > 0 else exp(float(brentq(gap, middle - wide, middle + wide, xtol=1e-12)))


def _score(kind: str, ratio: float, k1: int, n1: int, k2: int, n2: int) -> float:
    """Return the signed score statistic of a ratio: ``± √Σ (k − np)²/np(1 − p)`` at the restricted maximum likelihood.

    There ``p1 = ratio · p2`` (Koopman 1984; from memory) or ``odds1 = ratio · odds2``; both lead to a quadratic in p2.
    """
    k = k1 + k2
    if kind == "risk":
        a, b = (n1 + n2) * ratio, ratio * (n1 + k2) + k1 + n2
        p2 = 2 * k / (b + sqrt(max(0.0, b * b - 4 * a * k)))  # the smaller root, without cancellation
        p1, above = ratio * p2, k1 * n2 - ratio * k2 * n1
    else:
        a, b = n2 * (ratio - 1), n1 * ratio + n2 - k * (ratio - 1)
        root = sqrt(max(0.0, b * b + 4 * a * k))
        p2 = min(2 * k / (b + root) if b >= 0 else (root - b) / (2 * a), 1.0)
        p1, above = p2 * ratio / (1 - p2 + p2 * ratio), k1 * (n2 - k2) - ratio * (n1 - k1) * k2
    groups = ((k1, n1, p1), (k2, n2, p2))
    return copysign(sqrt(sum((k - n * p) ** 2 / (n * p * (1 - p)) for k, n, p in groups if 0 < p < 1)), above)
