"""Two programmes' shares side by side, unpaired or paired, with a number needed to treat that may pass infinity."""

from dataclasses import dataclass
from math import exp, inf, isfinite, log, nan, sqrt
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import bdtr, chdtrc, gammaln, ndtri

from truechange.foundation.errors import check_confidence
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed, p_value, percent
from truechange.foundation.result import Result
from truechange.numerics.shares import FEW, wilson_limits
from truechange.responders.ratios import odds_ratio, risk_ratio
from truechange.responders.shares import check_count, proportion

if TYPE_CHECKING:
    from matplotlib.axes import Axes

EVERYBODY = 10**12  # more people than there are: no upper limit for a single count


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
        sides = {1.0: "to benefit", -1.0: "to harm", 0.0: ""}
        side = sides[float(np.sign(self.value)) if isfinite(self.value) else 0.0]
        here = f"{fixed(abs(self.value), 1)} {side}".strip()
        level = f"{100 * self.confidence:g}% CI"
        if self.through_infinity:
            return (
                f"{here} ({level} {fixed(self.benefit_limit, 1)} to benefit → ∞ → {fixed(self.harm_limit, 1)} to harm)"
            )
        edges = sorted((abs(self.low), abs(self.high)))
        return f"{here} ({level} {fixed(edges[0], 1)} to {fixed(edges[1], 1)})"


def number_needed(difference: Estimate) -> NumberNeeded:
    """Turn a difference of shares into a number needed to treat (Altman 1998, BMJ 317:1309-1312).

    Examples
    --------
    >>> print(number_needed(Estimate(value=0.10, low=-0.05, high=0.25)))
    10.0 to benefit (95% CI 4.0 to benefit → ∞ → 20.0 to harm)
    """

    def inverse(share: float) -> float:
        return inf if share == 0 else 1 / share

    return NumberNeeded(
        inverse(difference.value), inverse(difference.high), inverse(difference.low), difference.confidence
    )


@dataclass(frozen=True)
class ResponderComparison(Result):
    """Two shares compared.

    Parameters
    ----------
    first, second : Estimate
        The two shares of those who started.
    difference : Estimate
        First minus second.
    risk_ratio, odds_ratio : Estimate
        Ratios, first over second; NaN where they do not exist. For a paired comparison the odds ratio is the
        one of the discordant pairs.
    number_needed_to_treat : NumberNeeded
        From the difference and its limits.
    p_value : float
        Exact two-sided p: Fisher's, or McNemar's for a paired comparison.
    p_score : float
        Chi-square without continuity correction, of the same comparison.
    paired : bool
        Whether the same people are in both.
    counts : tuple of int
        The four numbers given.
    cautions : tuple of str
        What a reader must know.
    """

    first: Estimate
    second: Estimate
    difference: Estimate
    risk_ratio: Estimate
    odds_ratio: Estimate
    number_needed_to_treat: NumberNeeded
    p_value: float
    p_score: float
    paired: bool
    counts: tuple[int, ...]
    cautions: tuple[str, ...]

    @property
    def sources(self) -> tuple[str, ...]:  # type: ignore[override]
        """Keys of the bibliography."""
        return ("newcombe1998a", "newcombe1998c" if self.paired else "newcombe1998b", "altman1998")

    def table(self) -> pd.DataFrame:
        """Return one row a quantity: quantity, estimate, low, high, method."""
        named = {
            "first share": self.first,
            "second share": self.second,
            "difference": self.difference,
            "risk ratio": self.risk_ratio,
            "odds ratio": self.odds_ratio,
        }
        rows = [{"quantity": name, **kept.row()} for name, kept in named.items()]
        need = self.number_needed_to_treat
        rows.append(
            {"quantity": "number needed to treat", "estimate": need.value, "low": need.low, "high": need.high}
            | {"method": "inverse of the difference and its limits; negative is harm"}
        )
        rows.append({"quantity": "p (exact)", "estimate": self.p_value, "low": nan, "high": nan})
        return pd.DataFrame(rows)[["quantity", "estimate", "low", "high", "method"]]

    def sentences(self) -> tuple[str, ...]:
        """State the difference in percentage points with its interval, the number needed, and the exact p."""
        gap = self.difference
        points = f"{fixed(100 * gap.value, 0)} percentage points"
        level = f"{100 * gap.confidence:g}% CI {fixed(100 * gap.low, 0)} to {fixed(100 * gap.high, 0)}"
        return (
            (
                f"{percent(self.first.value)} against {percent(self.second.value)} changed enough: "
                f"a difference of {points} ({level}; exact {p_value(self.p_value)})."
            ),
            f"Number needed to treat: {self.number_needed_to_treat}.",
        )

    @property
    def alt(self) -> str:
        """The picture in words."""
        return "Two shares and their difference with intervals. " + self.sentence()

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw both shares and their difference on one axis."""
        from truechange.foundation import drawing

        ax = drawing.interval_rows(
            ["first", "second", "difference"], [self.first, self.second, self.difference], ax=ax, strong=(2,)
        )
        ax.axvline(0, color=drawing.QUIET, lw=1)
        drawing.percent_axis(ax)
        ax.set_xlabel("share of those who started, and difference")
        return ax


def exact_p(k1: int, n1: int, k2: int, n2: int) -> float:
    """Return Fisher's two-sided p: the chance, over all ways to deal the labels, of a table no likelier than this one.

    This is the permutation test of two shares in closed form.
    """
    k = np.arange(max(0, k1 + k2 - n2), min(n1, k1 + k2) + 1)
    ways = -(gammaln(k + 1) + gammaln(n1 - k + 1) + gammaln(k1 + k2 - k + 1) + gammaln(n2 - k1 - k2 + k + 1))
    chance = np.exp(ways - ways.max())
    return min(1.0, float(chance[chance <= chance[k == k1] * (1 + 1e-7)].sum() / chance.sum()))


def _cautions(n1: int, n2: int) -> tuple[str, ...]:
    notes = ["Two groups that were not formed by lot may differ in more than their programme."]
    if min(n1, n2) < FEW:
        notes.append(f"Fewer than {FEW} people in a group: read the counts, not the percentages.")
    return tuple(notes)


def compare_responders(k1: int, n1: int, k2: int, n2: int, confidence: float = 0.95) -> ResponderComparison:
    """Compare the shares of two independent groups.

    Parameters
    ----------
    k1, n1 : int
        People who changed enough, and people who started, in the first group (the programme).
    k2, n2 : int
        The same in the second (the comparison).
    confidence : float, optional
        Level of the intervals.

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
    gap = first.value - second.value
    difference = Estimate(
        value=gap,
        low=gap - sqrt((first.value - first.low) ** 2 + (second.high - second.value) ** 2),
        high=gap + sqrt((first.high - first.value) ** 2 + (second.value - second.low) ** 2),
        confidence=confidence,
        n=n1 + n2,
        method="Newcombe hybrid score",
    )
    pooled = (k1 + k2) / (n1 + n2)
    spread = pooled * (1 - pooled) * (1 / n1 + 1 / n2)
    return ResponderComparison(
        first=first,
        second=second,
        difference=difference,
        risk_ratio=risk_ratio(k1, n1, k2, n2, confidence),
        odds_ratio=odds_ratio(k1, n1, k2, n2, confidence),
        number_needed_to_treat=number_needed(difference),
        p_value=exact_p(k1, n1, k2, n2),
        p_score=float(chdtrc(1, gap * gap / spread)) if spread > 0 else 1.0,
        paired=False,
        counts=(k1, n1, k2, n2),
        cautions=_cautions(n1, n2),
    )


def compare_paired(
    both: int, first_only: int, second_only: int, neither: int, confidence: float = 0.95
) -> ResponderComparison:
    """Compare two shares of the same people (two tests, two time points).

    Parameters
    ----------
    both, first_only, second_only, neither : int
        People who changed enough in both, only in the first, only in the second, in neither.
    confidence : float, optional
        Level of the intervals.

    Returns
    -------
    ResponderComparison
        ``difference`` by Newcombe's paired score method, ``p_value`` by the exact McNemar test, ``p_score`` by
        McNemar's chi-square without continuity correction.

    References
    ----------
    Newcombe RG (1998). Stat Med 17:2635-2650, method 10.

    Examples
    --------
    >>> print(compare_paired(20, 12, 2, 16).difference)
    0.20 (95% CI 0.06 to 0.33)
    """
    check_confidence(confidence)
    named = {"both": both, "first_only": first_only, "second_only": second_only, "neither": neither}
    n = sum(check_count(count, EVERYBODY, k_name=name)[0] for name, count in named.items())
    check_count(0, n)
    k1, k2 = both + first_only, both + second_only
    first, second = proportion(k1, n, confidence), proportion(k2, n, confidence)
    gap = (first_only - second_only) / n
    phi = _phi(both, first_only, second_only, neither)
    a, b = first.value - first.low, second.high - second.value
    c, d = first.high - first.value, second.value - second.low
    difference = Estimate(
        value=gap,
        low=gap - sqrt(max(0.0, a * a - 2 * phi * a * b + b * b)),
        high=gap + sqrt(max(0.0, c * c - 2 * phi * c * d + d * d)),
        confidence=confidence,
        n=n,
        method="Newcombe paired score",
    )
    discordant = first_only + second_only
    exact = 1.0
    if discordant:
        exact = min(1.0, 2 * float(bdtr(min(first_only, second_only), discordant, 0.5)))
    chi = (first_only - second_only) ** 2 / discordant if discordant else 0.0
    return ResponderComparison(
        first=first,
        second=second,
        difference=difference,
        risk_ratio=_paired_ratio(both, first_only, second_only, confidence, n),
        odds_ratio=_discordant_odds(first_only, second_only, confidence, n),
        number_needed_to_treat=number_needed(difference),
        p_value=exact,
        p_score=float(chdtrc(1, chi)),
        paired=True,
        counts=(both, first_only, second_only, neither),
        cautions=_cautions(n, n)[1:],
    )


def _phi(e: int, f: int, g: int, h: int) -> float:
    """Correlation of the two answers, a positive numerator reduced by n/2 (not below 0); 0 if a margin is empty."""
    margins = (e + f) * (g + h) * (e + g) * (f + h)
    if margins == 0:
        return 0.0
    top = e * h - f * g
    return (max(top - (e + f + g + h) / 2, 0.0) if top > 0 else top) / sqrt(margins)


def _paired_ratio(both: int, first_only: int, second_only: int, confidence: float, n: int) -> Estimate:
    k1, k2 = both + first_only, both + second_only
    low = high = nan
    if k1 and k2:
        half = float(ndtri((1 + confidence) / 2)) * sqrt((first_only + second_only) / (k1 * k2))
        low, high = exp(log(k1 / k2) - half), exp(log(k1 / k2) + half)
    value = k1 / k2 if k2 else (inf if k1 else nan)
    return Estimate(value=value, low=low, high=high, confidence=confidence, n=n, method="paired, logarithmic")


def _discordant_odds(first_only: int, second_only: int, confidence: float, n: int) -> Estimate:
    if first_only + second_only == 0:
        return Estimate(value=nan, confidence=confidence, n=n, method="no discordant pair")
    low, high = (float(edge) for edge in wilson_limits(first_only, first_only + second_only, confidence))
    value = first_only / second_only if second_only else inf
    return Estimate(
        value=value,
        low=low / (1 - low),
        high=high / (1 - high) if high < 1 else inf,
        confidence=confidence,
        n=n,
        method="discordant pairs, score",
    )
