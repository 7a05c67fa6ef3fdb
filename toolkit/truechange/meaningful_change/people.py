"""The people of an MCID study: change, rating and, if known, both scores; who is set aside and why."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from truechange.foundation.errors import ChoiceError, DataError, check_finite
from truechange.numerics.resampling import Floats


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
    """

    change: Floats
    rating: NDArray[np.int_]
    cut: int
    before: Floats | None = None
    after: Floats | None = None
    set_aside: tuple[tuple[str, int], ...] = ()

    @property
    def n(self) -> int:
        """People used."""
        return int(self.change.size)

    @property
    def improved(self) -> NDArray[np.bool_]:
        """Who rated the change at or above the cut."""
        return self.rating >= self.cut

    def cautions(self) -> list[str]:
        """Say who was set aside."""
        return [f"Set aside: {count} {reason}." for reason, count in self.set_aside]


def rated_people(
    improvement: ArrayLike,
    anchor: ArrayLike,
    *,
    cut: int = 1,
    before: ArrayLike | None = None,
    after: ArrayLike | None = None,
) -> RatedPeople:
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
    given = {"improvement": improvement, "anchor": anchor, "before": before, "after": after}
    known = {name: values for name, values in given.items() if values is not None}
    if absent := [name for name in ("improvement", "anchor") if name not in known]:
        raise DataError(f"No {' and no '.join(absent)} was given: both are needed, one value a person.")
    same_index(known)
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
    reasons = [
        ("without a change score", int(no_change.sum())),
        ("without a rating", int((no_rating & ~no_change).sum())),
    ]
    if not keep.any():
        raise DataError("Nobody has both a change score and a rating, so no MCID can be estimated.")
    scores = [columns[name][keep] if name in columns else None for name in ("before", "after")]
    return RatedPeople(
        change[keep],
        rating[keep].astype(int),
        int(cut),
        *_oriented(change[keep], *scores),
        tuple((reason, count) for reason, count in reasons if count),
    )


def same_index(given: dict[str, ArrayLike]) -> None:
    """Raise a DataError where two Series have different indexes: people could be mixed up."""
    series = {name: values for name, values in given.items() if isinstance(values, pd.Series)}
    first = next(iter(series), "")
    for name, values in series.items():
        if len(values) == len(series[first]) and not values.index.equals(series[first].index):
            raise DataError(
                f"{first} and {name} have different indexes, so people could be mixed up: align them first."
            )


def numbers(name: str, values: ArrayLike) -> Floats:
    """Return one column as floats, missing as NaN; text and infinity are errors that name the column."""
    try:
        column = pd.to_numeric(pd.Series(np.asarray(values, dtype=object).ravel()), errors="raise")
    except (ValueError, TypeError) as error:
        raise DataError(f"{name} must hold numbers only: {error}.") from None
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
