"""Can this rating serve as an anchor? The checks that come before any MCID."""

from dataclasses import dataclass, field
from math import atanh, nan, sqrt, tanh
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtri, stdtrit

from truechange.foundation.errors import DataError, check_choice, check_confidence
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Result
from truechange.meaningful_change.people import RatedPeople, numbers, rated_people, same_index
from truechange.numerics.resampling import Floats
from truechange.numerics.shares import wilson_limits

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NEEDED_IN_CATEGORY = 10
STRONG, WEAK = 0.50, 0.30
GOOD_SHARE, USABLE_SHARE = (0.2, 0.8), (0.1, 0.9)


@dataclass(frozen=True)
class AnchorCheck(Result):
    """Whether ratings of change can tell what change matters.

    Parameters
    ----------
    correlation : Estimate
        Spearman correlation of change and rating.
    with_before, with_after : Estimate
        Spearman correlation of the rating with the first and the second score, turned so that higher is better;
        NaN where the scores were not given.
    improved : Estimate
        Share rated at or above the cut.
    categories : DataFrame
        One row a rating: n, mean_change, low, high (t interval).
    checks : DataFrame
        One row a check: found, judged (good, weak, bad, unknown), what_to_do.
    usable : bool
        False when the rating cannot be called an anchor for this test.
    single_value : bool
        False when so few or so many improved that one threshold would be a guess.
    cut : int
        Lowest rating that counts as improved.
    """

    correlation: Estimate
    with_before: Estimate
    with_after: Estimate
    improved: Estimate
    categories: pd.DataFrame
    checks: pd.DataFrame
    usable: bool
    single_value: bool
    cut: int
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = field(default=("revicki2008", "guyatt2002"))

    def table(self) -> pd.DataFrame:
        """Return one row a check: found, judged, what_to_do."""
        return self.checks

    def sentences(self) -> tuple[str, ...]:
        """Say whether the rating can serve, and what is wrong if not."""
        n = self.correlation.n
        verdict = "can serve as an anchor" if self.usable else "cannot serve as an anchor for this test"
        first = f"The rating {verdict}: its correlation with the change is {self.correlation} in {n} people."
        share = f"{percent(self.improved.value)} of them rated themselves improved ({self.improved.interval_text(2)})."
        return (first, share)

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw the mean change of each rating with its interval."""
        from truechange.meaningful_change.pictures import category_means

        return category_means(self.categories, cut=self.cut, ax=ax)

    @property
    def alt(self) -> str:
        """Describe the picture in words."""
        said = "; ".join(
            f"rating {label}: {fixed(row['mean_change'], 1)} ({row['n']} people)"
            for label, row in zip(self.categories.index, self.categories.to_dict("records"), strict=True)
        )
        return f"Mean change for each rating of change, with intervals: {said}."


def anchor_check(
    before: ArrayLike,
    after: ArrayLike,
    anchor: ArrayLike,
    better: str = "higher",
    *,
    cut: int = 1,
    confidence: float = 0.95,
) -> AnchorCheck:
    """Check whether a rating of change can serve as the anchor of an MCID for this test.

    Parameters
    ----------
    before, after : array_like, shape (n,)
        Scores at the first and the second visit, in the unit of the test.
    anchor : array_like of int, shape (n,)
        Rating of change: 0 unchanged, 1 a little better, higher better still, negative worse.
    better : {"higher", "lower"}, optional
        Which direction of the score is the better one.
    cut : int, optional
        Lowest rating that counts as improved. Default 1.
    confidence : float, optional
        Level of all intervals, as a fraction.

    Returns
    -------
    AnchorCheck

    Raises
    ------
    ChoiceError
        `better` or `confidence` is not understood.
    DataError
        The columns do not line up, hold text, or nobody is complete.

    Notes
    -----
    The correlation is Spearman's; its interval uses Fisher's z with variance :math:`(1 + r^2/2)/(n - 3)`
    (Bonett & Wright 2000; from memory). Below 0.30 the rating is not called an anchor (Revicki et al. 2008; from
    memory), below 0.50 it is weak (Guyatt et al. 2002). An ideal rating of change correlates with the first and the
    second score equally and oppositely (Guyatt et al. 2002).

    Examples
    --------
    >>> before = [8, 9, 10, 11, 12, 7, 9, 10, 13, 8, 11, 12]
    >>> after = [11, 10, 14, 11, 14, 12, 10, 13, 12, 10, 15, 13]
    >>> rating = [1, 0, 2, -1, 1, 2, 0, 1, 0, 0, 2, 1]
    >>> check = anchor_check(before, after, rating)
    >>> check.usable, round(check.correlation.value, 2)
    (True, 0.88)
    """
    check_choice("better", better, ("higher", "lower"))
    same_index({"before": before, "after": after, "anchor": anchor})
    first, second = numbers("before", before), numbers("after", after)
    if first.size != second.size:
        raise DataError(f"before has {first.size} values and after has {second.size}: line them up by person first.")
    change = (second - first) * (1 if better == "higher" else -1)
    people = rated_people(change, anchor, cut=cut, before=first, after=second)
    return check_people(people, confidence=confidence)


def check_people(people: RatedPeople, *, confidence: float) -> AnchorCheck:
    """Run every check on people already lined up."""
    check_confidence(confidence)
    correlation = rank_correlation(people.change, people.rating, confidence)
    unknown = Estimate(value=nan, n=people.n, confidence=confidence)
    with_before = unknown if people.before is None else rank_correlation(people.before, people.rating, confidence)
    with_after = unknown if people.after is None else rank_correlation(people.after, people.rating, confidence)
    share = wilson(int(people.improved.sum()), people.n, confidence)
    categories = category_table(people, confidence)
    rows = [
        _judge_size(people),
        _judge_share(share),
        _judge_correlation(correlation),
        _judge_states(with_before, with_after),
        _judge_order(categories),
    ]
    checks = pd.DataFrame(rows, columns=["check", "found", "judged", "what_to_do"]).set_index("check")
    cautions = [*people.cautions(), *(row[3] for row in rows if row[2] in ("weak", "bad"))]
    return AnchorCheck(
        correlation=correlation,
        with_before=with_before,
        with_after=with_after,
        improved=share,
        categories=categories,
        checks=checks,
        usable=bool(correlation.value >= WEAK),
        single_value=bool(USABLE_SHARE[0] <= share.value <= USABLE_SHARE[1]),
        cut=people.cut,
        cautions=tuple(cautions),
    )


def rank_correlation(x: ArrayLike, y: ArrayLike, confidence: float) -> Estimate:
    """Return Spearman's correlation with a Fisher-z interval; NaN when either side does not vary."""
    rank_x, rank_y = (pd.Series(np.asarray(v)).rank().to_numpy() for v in (x, y))
    n = rank_x.size
    if n < 3 or np.ptp(rank_x) == 0 or np.ptp(rank_y) == 0:
        return Estimate(value=nan, n=n, confidence=confidence, method="Spearman")
    r = float(np.clip(np.corrcoef(rank_x, rank_y)[0, 1], -1, 1))
    low = high = nan
    if n > 3 and abs(r) < 1:
        reach = float(ndtri((1 + confidence) / 2)) * sqrt((1 + r * r / 2) / (n - 3))
        low, high = tanh(atanh(r) - reach), tanh(atanh(r) + reach)
    return Estimate(value=r, low=low, high=high, n=n, confidence=confidence, method="Spearman, Fisher z interval")


def wilson(k: int, n: int, confidence: float) -> Estimate:
    """Return a share with its Wilson interval (Newcombe 1998, method 3)."""
    low, high = wilson_limits(k, n, confidence)
    return Estimate(value=k / n, low=float(low), high=float(high), n=n, confidence=confidence, method="Wilson")


def mean_interval(values: Floats, confidence: float) -> tuple[float, float, float]:
    """Return mean and t limits; NaN limits for one value or no spread."""
    if values.size == 0:
        return nan, nan, nan
    centre = float(values.mean())
    if values.size < 2 or np.ptp(values) == 0:
        return centre, nan, nan
    reach = float(stdtrit(values.size - 1, (1 + confidence) / 2)) * float(values.std(ddof=1)) / sqrt(values.size)
    return centre, centre - reach, centre + reach


def category_table(people: RatedPeople, confidence: float) -> pd.DataFrame:
    """Return n, mean change and its t limits for each rating that occurs."""
    rows = []
    for rating in np.unique(people.rating):
        values = people.change[people.rating == rating]
        rows.append((int(rating), values.size, *mean_interval(values, confidence)))
    return pd.DataFrame(rows, columns=["rating", "n", "mean_change", "low", "high"]).set_index("rating")


def _judge_size(people: RatedPeople) -> tuple[str, str, str, str]:
    little, same = int(np.sum(people.rating == people.cut)), int(np.sum(people.rating == people.cut - 1))
    found = f"{little} at the cut, {same} just below it"
    if min(little, same) >= NEEDED_IN_CATEGORY:
        return ("people per category", found, "good", "")
    todo = (
        f"Only {little} people rated the smallest improvement and {same} rated no change; with fewer than "
        f"{NEEDED_IN_CATEGORY} in either, the mean-change methods are not to be used."
    )
    return ("people per category", found, "weak", todo)


def _judge_share(share: Estimate) -> tuple[str, str, str, str]:
    found = percent(share.value)
    low, high = USABLE_SHARE
    if not low <= share.value <= high:
        todo = (
            f"{found} rated themselves improved. Outside 10% to 90% no single MCID is given: "
            "wait for more people, or ask at a visit where opinions differ more."
        )
        return ("share improved", found, "bad", todo)
    if not GOOD_SHARE[0] <= share.value <= GOOD_SHARE[1]:
        todo = f"{found} rated themselves improved; outside 20% to 80% every estimate is fragile."
        return ("share improved", found, "weak", todo)
    return ("share improved", found, "good", "")


def _judge_correlation(r: Estimate) -> tuple[str, str, str, str]:
    found = r.text(2)
    name = "rating and change"
    if not r.value >= WEAK:
        why = "is undefined: change or rating does not vary" if r.value != r.value else f"is {fixed(r.value, 2)}"
        todo = (
            f"The correlation of rating and change {why}; below 0.30 the rating is not an anchor for this test. "
            "Ask about the very function that is tested, for example getting up from a chair."
        )
        if r.value < -WEAK:
            todo = (
                f"The rating runs against the change (correlation {fixed(r.value, 2)}): most likely one of the two is "
                "coded the other way round. Higher ratings must mean better."
            )
        return (name, found, "bad", todo)
    if r.value < STRONG:
        return (name, found, "weak", f"The anchor is weak (correlation {fixed(r.value, 2)}; 0.50 is wanted).")
    return (name, found, "good", "")


def _judge_states(before: Estimate, after: Estimate) -> tuple[str, str, str, str]:
    name = "rating and each score"
    if not (before.value == before.value and after.value == after.value):
        return (name, "scores not given or constant", "unknown", "")
    found = f"{fixed(before.value, 2)} before, {fixed(after.value, 2)} after"
    if before.value < 0 < after.value and abs(before.value + after.value) <= 0.3:
        return (name, found, "good", "")
    todo = (
        f"The rating correlates {fixed(before.value, 2)} with the first and {fixed(after.value, 2)} with the second "
        "score; equal and opposite is the ideal. People may have rated how they are now rather than how they changed: "
        "read the two-state estimate."
    )
    return (name, found, "weak", todo)


def _judge_order(categories: pd.DataFrame) -> tuple[str, str, str, str]:
    held = categories[categories["n"] >= 2]["mean_change"].to_numpy()
    if held.size < 2:
        return ("order of categories", "fewer than two ratings", "unknown", "")
    if np.all(np.diff(held) >= 0):
        return ("order of categories", "mean change rises with the rating", "good", "")
    todo = "The mean change does not rise from rating to rating: look at the picture before trusting a cut."
    return ("order of categories", "not monotone", "weak", todo)
