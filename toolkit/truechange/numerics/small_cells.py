"""Disclosure control: counts of one to four people are hidden, and so is whatever would give them away."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    import pandas as pd

LEAST = 5  # smallest count of people that may leave the house; common practice, no source
HIDDEN = "hidden"
FEW = f"fewer than {LEAST}"
POOLED = "other reasons, with too few people to be told apart"
SAID = (
    "Counts of one to four people in a breakdown are hidden, and with them whatever would give them away; totals of "
    "the whole programme are shown."
)
SHOWN = "Counts of one to four people are shown: this report is for use inside the house."


def few(count: ArrayLike) -> Any:
    """Say whether a count is one to four; zero and larger counts may be shown, and so may what is hidden already.

    Examples
    --------
    >>> few(0), few(3), few([4, 5]).tolist()
    (False, True, [True, False])
    """
    people = np.asarray(count, dtype=float)
    small = (people > 0) & (people < LEAST)
    return small if people.ndim else bool(small)


def given_away(cells: NDArray[np.float64], hide: NDArray[np.bool_]) -> bool:
    """Say whether hidden parts of a known total can be worked out, by a reader who knows this rule as well.

    So it is with one alone; with as many as their sum (all are 1); and with two, where the one that was added, being no
    larger than any that is shown, leaves four for the other.
    """
    shown, total = cells[~hide & (cells > 0)], cells[hide].sum()
    at_most = shown.min() if shown.size else np.inf
    hidden = hide.sum()
    return bool(hidden and (hidden == 1 or total == hidden or (hidden == 2 and total - at_most >= LEAST - 1)))


def protect(counts: ArrayLike, small: ArrayLike | None = None) -> NDArray[np.bool_]:
    """Return which parts of a known total are hidden: the small ones, and the smallest others until none is solved.

    Parameters
    ----------
    counts : array-like, shape (k,)
        Parts whose sum the reader knows; NaN for one that is hidden already.
    small : array-like of bool, shape (k,), optional
        Which of them must be hidden; those of one to four by default.

    Examples
    --------
    >>> protect([2, 9, 14, 0]).tolist()
    [True, True, False, False]
    """
    cells = np.asarray(counts, dtype=float)
    hide = (few(cells) if small is None else np.asarray(small, dtype=bool)) & (cells > 0)
    while given_away(cells, hide) and (left := ~hide & (cells > 0)).any():
        hide = hide.copy()
        hide[np.flatnonzero(left)[np.argmin(cells[left])]] = True
    return hide


def protect_groups(
    due: ArrayLike, changed: ArrayLike, measured: ArrayLike, unknown: tuple[int, int] = (0, 0)
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
    """Return what is hidden of groups of people (sites, periods): their sizes, who changed enough, their means.

    Groups and the people of no known group are parts of those due; those who changed enough are parts of all who did;
    and the width of a mean's interval tells how many people of a group are behind it.

    Parameters
    ----------
    due, changed, measured : array-like of int, shape (k,)
        People of each group due, changed enough, and measured twice.
    unknown : tuple of int
        People due without a known group, and how many of them changed enough.

    Returns
    -------
    tuple of ndarray of bool
        Sizes, shape (k + 1,), the people of no known group last; counts and means, shape (k,).
    """
    due, changed = np.asarray(due, dtype=float), np.asarray(changed, dtype=float)
    sizes = protect([*due, unknown[0]])
    small = few([*changed, unknown[1]]) | few([*(due - changed), 0]) | [*sizes[:-1], False]
    counts = protect([*changed, unknown[1]], small)[:-1] | sizes[:-1]
    return sizes, counts, protect([*(due - np.asarray(measured, dtype=float)), 0])[:-1] | few(measured) | sizes[:-1]


def masked(frame: "pd.DataFrame", hide: ArrayLike, columns: Sequence[str]) -> "pd.DataFrame":
    """Return the table with ``"hidden"`` in `columns` of the rows to hide, where something stands there."""
    rows = np.asarray(hide, dtype=bool)
    if not rows.any():
        return frame
    here = [name for name in columns if name in frame]
    return frame.assign(**{name: frame[name].astype(object).mask(rows & frame[name].notna(), HIDDEN) for name in here})


def pooled(reasons: dict[str, int]) -> dict[str, int]:
    """Return counts by reason with the small ones together, none where that is still small: nothing can be solved.

    Examples
    --------
    >>> pooled({"stopped": 9, "unable": 2, "moved": 1, "untested": 20})
    {'untested': 20, 'other reasons, with too few people to be told apart': 12}
    """
    hide = {reason for reason, count in reasons.items() if few(count)}
    while hide and sum(reasons[reason] for reason in hide) < LEAST and len(hide) < len(reasons):
        hide.add(min(reasons.keys() - hide, key=lambda reason: reasons[reason]))
    together = sum(reasons[reason] for reason in hide)
    kept = {reason: count for reason, count in reasons.items() if reason not in hide}
    return kept | ({POOLED: together} if together >= LEAST else {})
