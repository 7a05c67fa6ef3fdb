"""Agreement on an ordinal scale: weighted kappa, and agreement category by category."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import nan, sqrt
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from truechange.foundation import errors
from truechange.foundation.errors import DataError, RefusedError, listed, stated
from truechange.foundation.estimate import Estimate
from truechange.foundation.html import frame_table, paragraphs
from truechange.foundation.numbers import fixed
from truechange.foundation.result import told
from truechange.numerics.resampling import Floats, percentile_limits

Codes = NDArray[np.int64]
WEIGHTS = ("quadratic", "linear", "none")
FEWEST_FOR_FORMULA = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightedKappa(Estimate):
    """Weighted kappa with what it hides.

    Parameters
    ----------
    agreement : Series
        Specific agreement of each category: of the ratings given, the share the other side shares.
    observed : float
        Share of identical ratings.
    greatest : float
        Largest kappa the two sides' totals allow; NaN for own weights.
    z : float
        Kappa over its standard error when there is no agreement beyond chance.
    counts : DataFrame
        First in rows, second in columns.
    cautions : tuple of str
    """

    agreement: pd.Series = field(compare=False)
    observed: float
    greatest: float
    z: float
    counts: pd.DataFrame = field(compare=False)
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ("cohen1968", "fleiss1969", "fleiss1973")

    def table(self) -> pd.DataFrame:
        """Return one row a category: specific agreement and both sides' totals."""
        totals = {"first": self.counts.sum(axis=1), "second": self.counts.sum(axis=0)}
        return pd.DataFrame({"specific agreement": self.agreement, **totals}).rename_axis("category")

    def _repr_html_(self) -> str:
        return paragraphs(*self.sentences(), *self.cautions) + frame_table(self.table())

    def sentences(self) -> tuple[str, ...]:
        """Say kappa, then plain agreement."""
        return (
            f"Weighted kappa {self.text(2)}, {self.n} pairs.",
            f"{100 * self.observed:.0f}% of ratings are identical; these totals allow {fixed(self.greatest, 2)}.",
        )


def weighted_kappa(
    first: ArrayLike, second: ArrayLike, weights: str | ArrayLike = "quadratic",
    categories: Sequence[object] | None = None, confidence: float = 0.95, *, n_boot: int = 2000, seed: int = 0,
) -> WeightedKappa:  # fmt: skip
    """Estimate agreement of two ordinal ratings of the same people beyond chance.

    Parameters
    ----------
    first, second : array, shape (n,)
        Ratings, same people in the same order (Series must have the same index; arrays pair by position).
    weights : {"quadratic", "linear", "none"} or array, shape (c, c), optional
        Disagreement weights: squared or plain distance, 0/1, or your own (0 on the diagonal).
    categories : sequence, optional
        All categories in order. By default the whole numbers seen, sorted; an ordered categorical keeps its own.
        Words have no order by themselves and need them, except under ``weights="none"``. Give them when a category
        was never used: distances count.
    confidence : float, optional
        Level of the interval.
    n_boot, seed : int, optional
        Resamples of people, for fewer than 50 pairs; from 50 the large-sample standard error serves.

    Returns
    -------
    WeightedKappa
        An :class:`Estimate` with `.agreement` a category. NaN, with a caution, when only one category was used.

    Raises
    ------
    DataError
        Lengths or indexes differ, a rating is missing or not among the categories, or fewer than 2 pairs.
    RefusedError
        Words without an order, or numbers that are not whole (a measurement, not a category).
    ChoiceError
        `weights` is unknown or of the wrong shape.

    Notes
    -----
    κ = 1 − Σ w p_ij / Σ w p_i. p_.j [1]_; standard errors after [2]_ (from
    memory). With quadratic weights close to ICC(A,1) in large samples [3]_.
    Specific agreement of a category: 2 n_cc / (n_c. + n_.c). Not for sums of many items.

    References
    ----------
    .. [1] Cohen J (1968). Psychological Bulletin 70(4):213-220.
    .. [2] Fleiss JL, Cohen J, Everitt BS (1969). Psychological Bulletin 72(5):323-327.
    .. [3] Fleiss JL, Cohen J (1973). Educ Psychol Meas 33(3):613-619.

    Examples
    --------
    >>> found = weighted_kappa([1, 1, 2, 2, 3, 3, 3, 2], [1, 2, 2, 2, 3, 3, 2, 2], seed=1)
    >>> round(found.value, 3), found.agreement.round(2).tolist()
    (0.742, [0.67, 0.75, 0.8])
    """
    errors.check_confidence(confidence)
    errors.check_whole(n_boot=n_boot, **stated(seed=seed))
    label = weights if isinstance(weights, str) else "own"
    names, rows, columns = _coded(first, second, categories, ordered=label != "none")
    c, n = len(names), rows.size
    distance = distances(weights, c)
    whole = categories is None and all(isinstance(name, Real) for name in names)
    gap = whole and names[-1] - names[0] >= len(names)  # type: ignore[operator]
    counts = np.zeros((c, c), dtype=int)
    np.add.at(counts, (rows, columns), 1)
    table, given, received = counts / n, counts.sum(axis=1), counts.sum(axis=0)
    value, (se, null) = float(kappa_of(table, distance)), _errors(table, distance, n)
    low, high, how, failed = nan, nan, "large-sample standard error", 0.0
    if n >= FEWEST_FOR_FORMULA:
        half = float(ndtri((1 + confidence) / 2)) * se
        low, high = value - half, value + half
    else:
        drawn = np.random.default_rng(seed).multinomial(n, table.ravel(), size=n_boot)
        draws = kappa_of(drawn.reshape(-1, c, c) / n, distance)
        failed, how = float(np.isnan(draws).mean()), f"percentile bootstrap over people (B = {n_boot})"
        if failed < 1:
            low, high = map(float, percentile_limits(draws, confidence))
    notes = {
        "Only one category was used: kappa is not defined (0/0). Report the agreement.": np.isnan(value),
        f"In {100 * failed:.0f}% of resamples one category was left; they are not in the interval.": 0.01 < failed < 1,
        f"Not every whole number from {names[0]} to {names[-1]} was used, so those beside a gap count as neighbours: "
        "give categories= if the scale has the others.": gap and label in ("quadratic", "linear"),
        "The two sides use the categories unequally often: look at the table for a shift.": (
            np.abs(given - received).max() > n / 10
        ),
    }
    with np.errstate(all="ignore"):
        specific = 2 * np.diag(counts) / (given + received)
    return WeightedKappa(
        value=value, low=low, high=high, confidence=confidence, n=n, method=f"kappa, {label} weights; {how}",
        agreement=pd.Series(specific, index=names, name="specific agreement"), observed=float(np.trace(table)),
        greatest=_greatest(table, distance, label), z=value / null if null > 0 else nan,
        counts=pd.DataFrame(counts, index=names, columns=names),
        cautions=told(notes),
    )  # fmt: skip


def kappa_of(table: Floats, distance: Floats) -> Floats:
    """Return kappa of tables of shares, shape (..., c, c); NaN where chance disagreement is 0."""
    seen = np.sum(table * distance, axis=(-2, -1))
    expected = np.sum(table.sum(axis=-1)[..., :, None] * table.sum(axis=-2)[..., None, :] * distance, axis=(-2, -1))
    with np.errstate(all="ignore"):
        return np.where(expected > 0, 1 - seen / expected, np.nan)


def _coded(
    first: ArrayLike, second: ArrayLike, categories: Sequence[object] | None, ordered: bool
) -> tuple[list[object], Codes, Codes]:
    for name, ratings in (("first", first), ("second", second)):
        if np.ndim(ratings) > 1:
            raise DataError(f"{name} must be one column of ratings, got shape {np.shape(ratings)}.")
    errors.check_same_index(first=first, second=second)
    a, b = (pd.Series(ratings).reset_index(drop=True) for ratings in (first, second))
    if len(a) != len(b) or len(a) < 2:
        raise DataError(f"first and second must hold the same people, at least 2; got {len(a)} and {len(b)} ratings.")
    if a.isna().any() or b.isna().any():
        where = int(np.flatnonzero(a.isna().to_numpy() | b.isna().to_numpy())[0])
        raise DataError(f"A rating is missing at position {where}. Leave that pair out.")
    names, codes = coded([*a, *b], _own_order(a, b) or None if categories is None else categories, ordered)
    return names, codes[: len(a)], codes[len(a) :]


def coded(ratings: Iterable[Any], categories: Sequence[object] | None, ordered: bool) -> tuple[list[object], Codes]:
    """Return the categories in order, and the place of each rating among them."""
    seen = list(ratings)
    names = list(_sorted(set(seen), ordered) if categories is None else categories)
    place = {name: i for i, name in enumerate(names)}
    if strange := [name for name in seen if name not in place]:
        raise DataError(f"Rating {strange[0]!r} is not among the categories {names}.")
    return names, np.asarray([place[name] for name in seen], np.int64)


def _own_order(a: pd.Series, b: pd.Series) -> list[object]:
    """Return the order that ordered categoricals bring; empty where there is none."""
    kinds = [side.dtype for side in (a, b) if isinstance(side.dtype, pd.CategoricalDtype) and side.dtype.ordered]
    orders = [kind.categories.tolist() for kind in kinds]
    if len(orders) == 2 and orders[0] != orders[1]:
        raise RefusedError(f"The two sides order their categories differently: {orders[0]} and {orders[1]}.")
    return orders[0] if orders else []


def _sorted(seen: set[object], ordered: bool) -> list[object]:
    """Return what was seen in order: whole numbers by size; words only where no order is needed."""
    if all(isinstance(rating, Real) for rating in seen):
        if broken := [rating for rating in seen if rating % 1]:  # type: ignore[operator]
            raise RefusedError(
                f"Rating {broken[0]} is not a whole number: kappa is for categories. Use icc() for a measurement, or "
                "give categories= in order."
            )
        return sorted(seen)  # type: ignore[type-var]
    if ordered:
        raise RefusedError(
            f"The ratings are words ({listed(sorted(map(str, seen)))}), which have no order by themselves. Give "
            "categories= in order, or weights='none' if they have none."
        )
    return sorted(seen, key=str)


def distances(weights: str | ArrayLike, c: int) -> Floats:
    """Return the disagreement weights of c categories by name, or the caller's own."""
    if isinstance(weights, str):
        errors.check_choice("weights", weights, WEIGHTS)
        apart = np.abs(np.subtract.outer(np.arange(c), np.arange(c))).astype(float)
        return {"quadratic": apart**2, "linear": apart, "none": (apart > 0).astype(float)}[weights]
    own = np.asarray(weights, dtype=float)
    if own.shape != (c, c) or (own < 0).any() or np.diag(own).any():
        raise DataError(
            f"Own weights must be a {c} x {c} table of disagreements, 0 on the diagonal; got shape {own.shape}."
        )
    return own


def _errors(table: Floats, distance: Floats, n: int) -> tuple[float, float]:
    """Return the standard error of kappa, and that under chance agreement, in agreement weights."""
    top = distance.max()
    if top == 0 or np.isnan(kappa_of(table, distance)):
        return nan, 0.0
    agree = 1 - distance / top
    row, column = table.sum(axis=1), table.sum(axis=0)
    seen, chance = float(np.sum(agree * table)), float(row @ agree @ column)
    by_row, by_column = agree @ column, row @ agree
    apart = by_row[:, None] + by_column[None, :]
    spread = np.sum(table * (agree * (1 - chance) - apart * (1 - seen)) ** 2)
    full = spread - (seen * chance - 2 * chance + seen) ** 2
    null = np.sum(np.outer(row, column) * (agree - apart) ** 2) - chance**2
    return sqrt(max(full, 0.0) / n) / (1 - chance) ** 2, sqrt(max(null, 0.0) / n) / (1 - chance)


def _greatest(table: Floats, distance: Floats, label: str) -> float:
    """Return the largest kappa these totals allow: NaN for own weights, which may reward odd tables."""
    row, column = table.sum(axis=1), table.sum(axis=0)
    if label == "none":
        chance = float(row @ column)
        return (float(np.minimum(row, column).sum()) - chance) / (1 - chance) if chance < 1 else nan
    if label == "own":
        return nan
    # distances that grow with the gap are least when both sides are matched rank by rank
    row, column = (np.concatenate([[0.0], np.cumsum(total)]) for total in (row, column))
    ends = np.minimum(row[1:, None], column[None, 1:]) - np.maximum(row[:-1, None], column[None, :-1])
    return float(kappa_of(np.maximum(ends, 0.0), distance))
