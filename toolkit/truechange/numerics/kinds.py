"""A sample as counts over the distinct kinds of people in it: a resample is one row of counts."""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from truechange.numerics.resampling import Floats
from truechange.numerics.workspace import scratch

CELLS = 1 << 16
Counts = NDArray[Any]  # whole in a sample, fractions in an assumed population


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


def draw_counts(rng: np.random.Generator, size: int, kinds: Kinds) -> NDArray[np.int64]:
    """Return `size` resamples of people as whole counts over their kinds, shape (size, K).

    Few kinds: one multinomial a resample, whose cost does not depend on n.
    Many kinds: people are drawn by index and counted.
    """
    n, k = kinds.member.size, kinds.counts.size
    if 8 * k < n:
        return rng.multinomial(n, kinds.counts / n, size=size)
    drawn = rng.integers(0, n, size=(size, n), dtype=np.uint16 if n < 4_096 else np.uint32)
    offset = np.arange(0, size * k, k)[:, None]
    kind = drawn if k == n else kinds.member[drawn]
    flat = np.add(kind, offset, out=scratch("flat", (size, n), np.intp))
    return np.bincount(flat.ravel(), minlength=size * k).reshape(size, k)


def rows_at_once(k: int) -> int:
    """Return how many resamples of `k` kinds to draw at once: few calls, yet work that stays near the processor."""
    return max(1, CELLS // k)


def split_counts(counts: Counts, flag: NDArray[np.bool_]) -> tuple[Counts, Counts]:
    """Split counts (R, K) into the kinds with and without `flag`; the two arrays live until the next call."""
    held = scratch("split", (2, *counts.shape), counts.dtype)
    np.multiply(counts, flag, out=held[0])
    np.subtract(counts, held[0], out=held[1])
    return held[0], held[1]


def gathered(counts: Counts, groups: NDArray[np.intp], size: int) -> Counts:
    """Add up counts (R, K) over coarser kinds: column k goes to column ``groups[k]`` of `size`; whole stay whole."""
    if groups.size == size and np.array_equal(groups, np.arange(size)):
        return counts
    indicator = np.zeros((groups.size, size))
    indicator[np.arange(groups.size), groups] = 1.0
    return (counts @ indicator).astype(counts.dtype)
