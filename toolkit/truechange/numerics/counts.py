"""ROC curves and resamples as counts over the distinct kinds of people: a resample is one row of counts."""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from truechange.numerics.resampling import Floats, scratch

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
    with_flag, without = scratch("split", (2, *counts.shape), counts.dtype)
    np.multiply(counts, flag, out=with_flag)
    np.subtract(counts, with_flag, out=without)
    return with_flag, without


def gathered(counts: Counts, groups: NDArray[np.intp], size: int) -> Counts:
    """Add up counts (R, K) over coarser kinds: column k goes to column ``groups[k]`` of `size`; whole stay whole."""
    if groups.size == size and np.array_equal(groups, np.arange(size)):
        return counts
    indicator = np.zeros((groups.size, size))
    indicator[np.arange(groups.size), groups] = 1.0
    return (counts @ indicator).astype(counts.dtype)


RULES = ("youden", "corner", "spec80")
SPECIFICITY = 0.80
SMALL = 40_000  # people; products of two counts then fit 32 bits


class Cuts(NamedTuple):
    """The cuts one rule chose in R resamples: `value` is the mean of tied cuts, `low` and `high` the outermost."""

    value: Floats
    low: Floats
    high: Floats


class RocRows(NamedTuple):
    """Area under the curve of each row (ties count half), and the cuts of each rule."""

    area: Floats
    cuts: dict[str, Cuts]


def roc_rows(x: Floats, hits: Counts, misses: Counts, rules: tuple[str, ...] = RULES) -> RocRows:
    """Return the area and the cut each rule chooses in every row of counts.

    Cuts lie midway between neighbouring scores that occur in the row; a score above the cut counts as a hit.
    All cuts that tie for the best are kept: their mean, the lowest and the highest.

    Parameters
    ----------
    x : ndarray, shape (K,)
        Distinct scores, ascending.
    hits, misses : ndarray, shape (R, K)
        Counts of either class at each score; whole-number types are fastest and make ties exact.
    rules : tuple of str
        ``"youden"`` (largest sensitivity + specificity), ``"corner"`` (closest to the corner of the unit square),
        ``"spec80"`` (lowest cut with specificity of at least 0.80).

    Returns
    -------
    RocRows
        NaN where a class is empty, no cut does better than chance, or none qualifies.
    """
    n = int(hits[:1].sum() + misses[:1].sum())
    whole = np.issubdtype(hits.dtype, np.integer)
    kind = (np.int32 if n < SMALL else np.int64) if whole else np.float64
    work = scratch("roc", (4, *hits.shape), kind)
    work[0], work[1] = hits, misses
    hits, misses, below_hit, below_miss = work
    np.cumsum(hits, axis=1, out=below_hit)
    np.cumsum(misses, axis=1, out=below_miss)
    n_hit, n_miss = below_hit[:, -1:].copy(), below_miss[:, -1:].copy()
    pairs = (n_hit * n_miss)[:, 0].astype(float)
    above = np.einsum("ij,ij->i", hits, below_miss) - 0.5 * np.einsum("ij,ij->i", hits, misses)
    area = np.where(pairs > 0, above / np.maximum(pairs, 1.0), np.nan)
    gain = np.multiply(below_miss, n_hit, out=scratch("gain", hits.shape, kind))
    lost = np.multiply(below_hit, n_miss, out=scratch("lost", hits.shape, kind))
    gain -= lost  # sensitivity + specificity - 1, times the number of pairs: exact in whole numbers
    top = gain.max(axis=1, keepdims=True)
    useful = top > 0
    cuts = {}
    for rule in rules:
        if rule == "youden":
            chosen = gain == top
        elif rule == "corner":
            away = lost.astype(float) ** 2 + ((n_miss - below_miss).astype(float) * n_hit) ** 2
            away[gain <= 0] = np.inf
            chosen = away == away.min(axis=1, keepdims=True)
        else:
            enough = (below_miss >= SPECIFICITY * n_miss - 1e-9) & (gain > 0)
            chosen = np.zeros(gain.shape, dtype=bool)
            chosen[np.arange(len(gain)), enough.argmax(axis=1)] = enough.any(axis=1)
        cuts[rule] = _tied(x, hits, misses, chosen if useful.all() else chosen & useful)
    return RocRows(area, cuts)


def _tied(x: Floats, hits: Counts, misses: Counts, chosen: NDArray[np.bool_]) -> Cuts:
    n, k = chosen.shape
    rows, at = np.divmod(np.flatnonzero(chosen), k)
    seen = (hits[rows, at] > 0) | (misses[rows, at] > 0)
    rows, at = rows[seen], at[seen]
    after = at + 1
    waiting = np.arange(rows.size)
    while waiting.size:
        here = rows[waiting], after[waiting]
        waiting = waiting[(hits[here] == 0) & (misses[here] == 0)]
        after[waiting] += 1
    cut = (x[at] + x[after]) / 2
    number = np.bincount(rows, minlength=n)
    first = np.concatenate([[0], np.cumsum(number)[:-1]])
    mean = np.full(n, np.nan)
    low, high = mean.copy(), mean.copy()
    some = number > 0
    mean[some] = np.bincount(rows, weights=cut, minlength=n)[some] / number[some]
    low[some], high[some] = cut[first[some]], cut[(first + number - 1)[some]]  # cuts ascend within a row
    return Cuts(mean, low, high)


def auc_interval(hits: Floats, misses: Floats, confidence: float) -> tuple[float, float, float]:
    """Return area, low and high of one sample (counts of shape (K,)).

    DeLong, DeLong & Clarke-Pearson 1988, Biometrics 44:837-845: variance from the placements of either class.
    """
    n_hit, n_miss = hits.sum(), misses.sum()
    place_hit = (np.cumsum(misses) - misses / 2) / n_miss
    place_miss = (n_hit - np.cumsum(hits) + hits / 2) / n_hit
    area = float(hits @ place_hit / n_hit)
    if min(n_hit, n_miss) < 2:
        return area, float("nan"), float("nan")
    variance = hits @ (place_hit - area) ** 2 / (n_hit - 1) / n_hit
    variance += misses @ (place_miss - area) ** 2 / (n_miss - 1) / n_miss
    reach = float(ndtri((1 + confidence) / 2) * np.sqrt(variance))
    return area, max(0.0, area - reach), min(1.0, area + reach)
