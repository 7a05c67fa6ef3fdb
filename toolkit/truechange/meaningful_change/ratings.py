"""Ratings of change (the anchor): who is rated, and the checks that come before any MCID."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import atanh, nan, sqrt, tanh
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from truechange.foundation.entry import Entry
from truechange.foundation.errors import (
    ChoiceError,
    DataError,
    check_choice,
    check_confidence,
    check_finite,
    check_same_index,
)
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Result, told
from truechange.numerics.intervals import mean_limits, wilson_limits
from truechange.numerics.resampling import Floats
from truechange.numerics.small_cells import protect
from truechange.numerics.true_change import checked_entry

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NEEDED_IN_CATEGORY = 10
STRONG, WEAK = 0.50, 0.30
GOOD_SHARE, USABLE_SHARE = (0.2, 0.8), (0.1, 0.9)


@dataclass(frozen=True)
class RatedPeople:
    """People with a change and a rating of change.

    Parameters
    ----------
    change : ndarray, shape (n,)
        Improvement, positive = better, in the unit of the test.
    rating : ndarray of int, shape (n,)
        Anchor, ordered: 0 unchanged, higher is better.
    before, after : ndarray or None
        The two scores turned so that ``after - before`` is the improvement.
    cut : int
        Lowest rating that counts as improved.
    set_aside : tuple of (str, int)
        Reasons and how many people each left out.
    entry : Entry or None
        The rule by which they were taken in.
    second : ndarray or None
        Scores of a second test before the programme, turned alike.
    """

    change: Floats
    rating: NDArray[np.int_]
    cut: int
    before: Floats | None = None
    after: Floats | None = None
    set_aside: tuple[tuple[str, int], ...] = ()
    entry: Entry | None = None
    second: Floats | None = None

    @property
    def n(self) -> int:
        """People used."""
        return int(self.change.size)

    @property
    def improved(self) -> NDArray[np.bool_]:
        """Who rated the change at or above the cut."""
        return self.rating >= self.cut

    def cautions(self) -> list[str]:
        """Say who was set aside, and what looks like another column than the one asked for."""
        lowest, mean, sd = int(self.rating.min()), float(self.change.mean()), float(self.change.std())
        return [f"Set aside: {count} {reason}." for reason, count in self.set_aside] + list(told({
            f"The lowest rating is {lowest}: anchor= is 0 for unchanged and below 0 for worse; take the middle of the "
            "scale from every rating.": lowest > 0 and len(set(self.rating)) > 1,
            f"The changes lie far from 0 (mean {mean:.3g}, SD {sd:.2g}): improvement= is the second score minus the "
            "first, not a score.": abs(mean) > 3 * sd > 0,
        }))  # fmt: skip


def rated_people(
    improvement: ArrayLike, anchor: ArrayLike, *, cut: int = 1, before: Any = None, after: Any = None,
    entry: Entry | None = None,
) -> RatedPeople:  # fmt: skip
    """Line up changes and ratings, person by person; incomplete people are set aside and counted.

    Raises
    ------
    DataError
        Lengths differ, indexes do not match, a value is text or infinite, a rating is not a whole number, nobody is
        complete, or the improvement is neither ``after - before`` nor ``before - after``.
    ChoiceError
        `cut` is not a whole number.
    """
    check_finite(cut=cut)
    if isinstance(cut, bool) or int(cut) != cut:
        raise ChoiceError(f"cut={cut!r} must be a whole number: the lowest rating that counts as improved.")
    second = None if entry is None else entry.second
    given = {"improvement": improvement, "anchor": anchor, "before": before, "after": after, "second": second}
    known = {name: values for name, values in given.items() if values is not None}
    if absent := [name for name in ("improvement", "anchor") if name not in known]:
        raise DataError(f"No {' and no '.join(absent)} was given: both are needed, one value a person.")
    check_same_index(**known)
    columns = {name: numbers(name, values) for name, values in known.items()}
    lengths = {name: values.size for name, values in columns.items()}
    if len(set(lengths.values())) != 1:
        told = ", ".join(f"{name} has {length}" for name, length in lengths.items())
        raise DataError(f"One value a person is needed in each column, but {told}. Line them up by person first.")
    change, rating = columns["improvement"], columns["anchor"]
    odd = np.flatnonzero(np.isfinite(rating) & (rating != np.round(rating)))
    if odd.size:
        raise DataError(
            "The anchor must be a whole-number rating (0 unchanged, 1 a little better, ...); "
            f"person {odd[0] + 1} in the column has {rating[odd[0]]:g}."
        )
    no_change, no_rating = np.isnan(change), np.isnan(rating)
    keep = ~(no_change | no_rating)
    reasons = {"without a change score": no_change.sum(), "without a rating": (no_rating & ~no_change).sum()}
    if not keep.any():
        raise DataError("Nobody has both a change score and a rating, so no MCID can be estimated.")
    scores = [columns[name][keep] if name in columns else None for name in ("before", "after")]
    aside = tuple((reason, int(count)) for reason, count in reasons.items() if count)
    turned = _oriented(change[keep], *scores)
    people = RatedPeople(change[keep], rating[keep].astype(int), int(cut), *turned, aside)
    return people if entry is None else _taken_in(people, entry, scores[0], columns.get("second", change)[keep])


def _taken_in(people: RatedPeople, entry: Entry, before: Floats | None, second: Floats) -> RatedPeople:
    """Add the entry rule, in the direction of the scores."""
    if people.before is None or people.after is None or before is None:
        raise DataError("An entry rule speaks of the first score: give before= and after= with entry=.")
    if not np.array_equal(people.before, entry.sign * before):
        ways = {1: ("higher", "below"), -1: ("lower", "above")}[-entry.sign]
        raise ChoiceError(f"entry: taken={entry.taken!r}, but {ways[0]} scores are better here; taken={ways[1]!r}?")
    again = entry.sign * second if entry.source == "second" else None
    if again is not None and np.isnan(again).any():
        raise DataError(f"entry: second is missing for {int(np.isnan(again).sum())} people whose change is known.")
    return replace(people, entry=checked_entry(entry, people.before), second=again)


def numbers(name: str, values: ArrayLike) -> Floats:
    """Return one column as floats, missing as NaN; text and infinity are errors that name the column."""
    try:
        column = pd.to_numeric(pd.Series(np.asarray(values, dtype=object).ravel()), errors="raise")
    except (ValueError, TypeError) as error:
        how = "a decimal point, no comma" + "; ratings as -1, 0, 1 ..." * (name == "anchor")
        raise DataError(f"{name} must hold numbers only, one number a person ({how}): {error}.") from None
    if name != "anchor" and np.asarray(values).dtype == bool:
        raise DataError(f"{name} holds true and false (a mask); give the numbers themselves, in the unit of the test.")
    numbers = column.to_numpy(dtype=float, na_value=np.nan)
    if np.isinf(numbers).any():
        raise DataError(f"{name} holds an infinite value; find it and correct it.")
    return numbers


def _oriented(change: Floats, before: Floats | None, after: Floats | None) -> tuple[Floats | None, Floats | None]:
    """Turn both scores so that after - before is the improvement."""
    for name, scores in (("before", before), ("after", after)):
        if scores is not None and np.isnan(scores).any():
            raise DataError(f"{name} is missing for {int(np.isnan(scores).sum())} people whose change is known.")
    if before is None or after is None:
        return before, after
    slack = 1e-6 * max(1.0, float(np.abs(change).max()))
    for sign in (1.0, -1.0):
        if np.all(np.abs(sign * (after - before) - change) <= slack):
            return sign * before, sign * after
    raise DataError(
        "improvement is neither after - before (higher is better) nor before - after (lower is better); "
        "check that the three columns belong to the same test and people."
    )


def turned_scores(
    before: ArrayLike, after: ArrayLike, anchor: ArrayLike, better: str, cut: int
) -> tuple[Floats, Floats, RatedPeople]:
    """Return both scores as numbers, and the people rated, their change turned so that positive = better."""
    check_choice("better", better, ("higher", "lower"))
    check_same_index(before=before, after=after, anchor=anchor)
    first, second = numbers("before", before), numbers("after", after)
    if first.size != second.size:
        raise DataError(f"before has {first.size} values and after has {second.size}: line them up by person first.")
    change = (second - first) * (1 if better == "higher" else -1)
    return first, second, rated_people(change, anchor, cut=cut, before=first, after=second)


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
    sources: tuple[str, ...] = ("revicki2008", "guyatt2002")

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

    def public(self) -> AnchorCheck:
        """Return the check without the means of ratings that few people gave, and one more where that tells them."""
        return replace(self, categories=self.categories[~protect(self.categories["n"])])

    def plot(self, *, ax: Axes | None = None) -> Axes:
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
    before: ArrayLike, after: ArrayLike, anchor: ArrayLike, better: str = "higher", *, cut: int = 1,
    confidence: float = 0.95,
) -> AnchorCheck:  # fmt: skip
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
    return check_people(turned_scores(before, after, anchor, better, cut)[2], confidence=confidence)


def check_people(people: RatedPeople, *, confidence: float) -> AnchorCheck:
    """Run every check on people already lined up."""
    check_confidence(confidence)
    unknown = Estimate(value=nan, n=people.n, confidence=confidence)
    correlation, with_before, with_after = (
        unknown if values is None else rank_correlation(values, people.rating, confidence)
        for values in (people.change, people.before, people.after)
    )
    share = share_estimate(int(people.improved.sum()), people.n, confidence)
    categories = category_table(people, confidence)
    rows = _judgements(people, share.value, correlation, with_before.value, with_after.value, categories)
    return AnchorCheck(
        correlation=correlation, with_before=with_before, with_after=with_after, improved=share, categories=categories,
        checks=pd.DataFrame(rows, columns=["check", "found", "judged", "what_to_do"]).set_index("check"),
        usable=bool(correlation.value >= WEAK), cut=people.cut,
        single_value=bool(USABLE_SHARE[0] <= share.value <= USABLE_SHARE[1]),
        cautions=(*people.cautions(), *(todo for _, _, judged, todo in rows if judged in ("weak", "bad"))),
    )  # fmt: skip


def rank_correlation(x: ArrayLike, y: ArrayLike, confidence: float) -> Estimate:
    """Return Spearman's correlation with a Fisher-z interval; NaN when either side does not vary."""
    rank_x, rank_y = (pd.Series(np.asarray(v)).rank().to_numpy() for v in (x, y))
    n = rank_x.size
    if n < 3 or np.ptp(rank_x) == 0 or np.ptp(rank_y) == 0:
        return Estimate(value=nan, n=n, confidence=confidence, method="Spearman")
    r = round(float(np.corrcoef(rank_x, rank_y)[0, 1]), 12)  # ranks all in order are 1, not a hair less
    low = high = nan
    if n > 3 and abs(r) < 1:
        reach = float(ndtri((1 + confidence) / 2)) * sqrt((1 + r * r / 2) / (n - 3))
        low, high = tanh(atanh(r) - reach), tanh(atanh(r) + reach)
    return Estimate(value=r, low=low, high=high, n=n, confidence=confidence, method="Spearman, Fisher z interval")


def share_estimate(k: int, n: int, confidence: float) -> Estimate:
    """Return a share with its Wilson interval (Newcombe 1998, method 3)."""
    low, high = wilson_limits(k, n, confidence)
    return Estimate(value=k / n, low=float(low), high=float(high), n=n, confidence=confidence, method="Wilson")


def category_table(people: RatedPeople, confidence: float) -> pd.DataFrame:
    """Return n, mean change and its t limits for each rating that occurs."""
    by_rating = {int(rating): people.change[people.rating == rating] for rating in np.unique(people.rating)}
    rows = [(rating, values.size, *mean_limits(values, confidence)) for rating, values in by_rating.items()]
    return pd.DataFrame(rows, columns=["rating", "n", "mean_change", "low", "high"]).set_index("rating")


Judged = tuple[str, str, str, str]


def _judged(check: str, found: str, weak: Mapping[str, Any], bad: Mapping[str, Any] | None = None) -> Judged:
    """Return check, found, judged and what to do: the first text whose condition holds, `bad` before `weak`."""
    for judged, troubles in (("bad", bad or {}), ("weak", weak)):
        for todo in (text for text, holds in troubles.items() if holds):
            return check, found, judged, todo
    return check, found, "good", ""


def _judgements(
    people: RatedPeople, share: float, r: Estimate, before: float, after: float, categories: pd.DataFrame
) -> list[Judged]:
    """Return one row a check: its name, what was found, how it is judged and what to do."""
    little, same = int(np.sum(people.rating == people.cut)), int(np.sum(people.rating == people.cut - 1))
    usable, good = (low <= share <= high for low, high in (USABLE_SHARE, GOOD_SHARE))
    improved, (shown, first, second) = percent(share), (fixed(one, 2) for one in (r.value, before, after))
    why = "is undefined: change or rating does not vary" if r.value != r.value else f"is {shown}"
    known, ideal = before == before and after == after, before < 0 < after and abs(before + after) <= 0.3
    means = categories[categories["n"] >= 2]["mean_change"].to_numpy()
    rises = bool(np.all(np.diff(means) >= 0))
    states, order = "rating and each score", "order of categories"
    lowest, below = ("the smallest improvement", "no change") if people.cut == 1 else (fixed(people.cut, 0), "one less")
    return [
        _judged("people per category", f"{little} at the cut, {same} just below it", weak={
            f"Only {little} {'person' if little == 1 else 'people'} rated {lowest} and {same} rated {below}; with "
            f"fewer than {NEEDED_IN_CATEGORY} in either, the mean-change methods are not to be used.":
                min(little, same) < NEEDED_IN_CATEGORY}),
        _judged("share improved", improved, bad={
            f"{improved} rated themselves improved. Outside 10% to 90% no single MCID is given: wait for more people, "
            "or ask at a visit where opinions differ more.": not usable}, weak={
            f"{improved} rated themselves improved; outside 20% to 80% every estimate is fragile.": not good}),
        _judged("rating and change", r.text(2), bad={
            f"The rating runs against the change (correlation {shown}): most likely one of the two is coded the other "
            "way round. Higher ratings must mean better.": r.value < -WEAK,
            f"The correlation of rating and change {why}; below 0.30 the rating is not an anchor for this test. Ask "
            "about the very function that is tested, for example getting up from a chair.": not r.value >= WEAK}, weak={
            f"The anchor is weak (correlation {shown}; 0.50 is wanted).": r.value < STRONG}),
        _judged(states, f"{first} before, {second} after", weak={
            f"The rating correlates {first} with the first and {second} with the second score; equal and opposite is "
            "the ideal. People may have rated how they are now rather than how they changed: read the two-state "
            "estimate.": not ideal}) if known else (states, "scores not given or constant", "unknown", ""),
        _judged(order, "mean change rises with the rating" if rises else "not monotone", weak={
            "The mean change does not rise from rating to rating: look at the picture before trusting a cut.":
                not rises}) if means.size >= 2 else (order, "fewer than two ratings", "unknown", ""),
    ]  # fmt: skip
