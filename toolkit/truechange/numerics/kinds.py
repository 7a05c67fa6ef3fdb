"""A sample as counts over the distinct kinds of people in it: a resample is one row of counts."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from truechange.numerics.resampling import Floats, draw_people


class Kinds(NamedTuple):
    """The distinct rows of a table, in ascending order, and how often each was seen.

    `rows` (K, columns), `counts` (K,), `member` (n,): the kind of each person.
    """

    rows: Floats
    counts: Floats
    member: NDArray[np.intp]


def distinct(table: Floats) -> Kinds:
    """Return the distinct rows of an n x c table, sorted by the first column, then the second, and so on."""
    rows, member, counts = np.unique(table, axis=0, return_inverse=True, return_counts=True)
    return Kinds(rows, counts.astype(float), member.reshape(-1))


def draw_counts(rng: np.random.Generator, size: int, kinds: Kinds) -> Floats:
    """Return `size` resamples of people as counts over their kinds, shape (size, K).

    Few kinds: one multinomial a resample, whose cost does not depend on n.
    Many kinds: people are drawn by index and counted.
    """
    n, k = kinds.member.size, kinds.counts.size
    if 8 * k < n:
        return rng.multinomial(n, kinds.counts / n, size=size).astype(float)
    drawn = draw_people(rng, size, n)
    flat = kinds.member[drawn] if k < n else drawn.astype(np.intp)
    flat += np.arange(0, size * k, k)[:, None]
    return np.bincount(flat.ravel(), minlength=size * k).reshape(size, k).astype(float)


def gathered(counts: Floats, groups: NDArray[np.intp], size: int) -> Floats:
    """Add up counts (R, K) over coarser kinds: column k goes to column ``groups[k]`` of `size`."""
    indicator = np.zeros((groups.size, size))
    indicator[np.arange(groups.size), groups] = 1.0
    return counts @ indicator
