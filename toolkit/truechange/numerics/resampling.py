"""Bootstrap resampling, seeded by block: any number of workers gives the same bits; people as counts; ROC curves."""

import threading
import warnings
from collections.abc import Callable, Iterable
from functools import cache
from math import prod
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, DTypeLike, NDArray
from scipy.special import ndtr, ndtri

Floats = NDArray[np.float64]
BLOCK_CELLS = 32_768  # about 256 KB of doubles: larger temporaries are given back to the kernel and re-faulted
TABLE_ROWS = 16_384  # rows of a table of drawn groups that still lies in a core's cache
STREAM = 2_500  # resamples drawn from one stream: few enough streams to be cheap, enough of them to share out


def block_size(n: int, n_boot: int) -> int:
    """Return how many resamples of `n` people fit one block."""
    return max(1, min(n_boot, BLOCK_CELLS // max(1, n)))


def each(work: Callable[..., Any], *arguments: Iterable[Any]) -> list[Any]:
    """Return `work` of each set of arguments, in their order (a parallel map).

    One after another, or by the joblib back end in force (``with joblib.parallel_config(...)``: processes,
    threads, a cluster). Random numbers belong among the arguments, drawn or as a seed: then no worker moves a number.
    """
    from joblib import Parallel, delayed

    return list(Parallel()(delayed(work)(*one) for one in zip(*arguments, strict=True)))


def in_blocks(work: Callable[[np.random.Generator, int], Floats], n_boot: int, *, seed: int, block: int) -> Floats:
    """Run `work(rng, size)` over blocks of resamples and stack the rows in order.

    Parameters
    ----------
    work : callable
        Takes a generator and the number of resamples, returns an array with one row each.
    n_boot, block : int
        Resamples in all and in one block.
    seed : int
        Each block gets its own stream spawned from it.

    Returns
    -------
    ndarray, shape (n_boot, ...)
    """
    sizes = [min(block, n_boot - start) for start in range(0, n_boot, block)]
    streams = [np.random.Generator(np.random.PCG64(child)) for child in np.random.SeedSequence(seed).spawn(len(sizes))]
    with _linear_algebra().limit(limits=1, user_api="blas"):  # blocks are small: threads would wait for each other
        return np.concatenate([work(rng, size) for rng, size in zip(streams, sizes, strict=True)])


@cache
def _linear_algebra() -> Any:
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


def draw_people(rng: np.random.Generator, size: int, n: int) -> NDArray[np.unsignedinteger]:
    """Return `size` resamples of `n` people as an index array, shape (size, n), in the smallest index type."""
    return rng.integers(0, n, size=(size, n), dtype=np.uint16 if n <= 65_536 else np.uint32)


def _draw_rows(rng: np.random.Generator, rows: int, shape: tuple[int, int]) -> NDArray[np.integer]:
    if not 1_024 < rows <= TABLE_ROWS:
        return rng.integers(0, rows, size=shape, dtype=np.uint16 if rows <= 65_536 else np.uint32)
    # Here 16 bits would throw many draws away to stay fair. The high half of 32 bits times `rows` throws
    # none away, and no row is likelier than another by more than 4 parts in a million.
    drawn = rng.bit_generator.random_raw(-(-shape[0] * shape[1] // 2)).view(np.uint32)[: shape[0] * shape[1]]
    high = np.multiply(drawn, np.uint64(rows), dtype=np.uint64)
    high >>= np.uint64(32)
    return high.view(np.int64).reshape(shape)


def resampled_sums(features: Floats, *, n_boot: int, seed: int) -> Floats:
    """Return the sums over people of `n_boot` resamples of people.

    Parameters
    ----------
    features : ndarray, shape (n, width)
        What one person adds to each sum.
    n_boot, seed : int
        As in :func:`in_blocks`.

    Returns
    -------
    ndarray, shape (n_boot, width)

    Notes
    -----
    Two people drawn independently are one draw from the table of all pairs, three from that of all triples: while
    such a table stays small, each draw, look-up and addition serves the whole group.
    """
    n, width = features.shape
    table, people = features, 1
    while people < n and len(table) * n <= TABLE_ROWS:
        table = (table[:, np.newaxis] + features).reshape(-1, width)
        people += 1
    draws, single = divmod(n, people)
    cells = BLOCK_CELLS if people == 1 else BLOCK_CELLS // 2  # a table of groups needs its part of the cache
    block = max(1, min(n_boot, STREAM, cells // draws))

    def sums(rng: np.random.Generator, size: int) -> Floats:
        found = np.empty((size, width))
        scratch = np.empty(draws * block * width)  # kept: fresh pages each time cost more than the sums
        for start in range(0, size, block):
            part = found[start : start + block]
            m = len(part)
            rows = scratch[: draws * m * width].reshape(draws, m, width)
            np.take(table, _draw_rows(rng, len(table), (draws, m)), axis=0, out=rows, mode="clip")
            np.add.reduce(rows, axis=0, out=part)
            if single:
                part += features[_draw_rows(rng, n, (single, m))].sum(axis=0)
        return found

    return in_blocks(sums, n_boot, seed=seed, block=STREAM)


def percentile_limits(draws: Floats, confidence: float) -> tuple[Floats, Floats]:
    """Return the percentile limits of `draws` (resamples on axis 0), failed draws (NaN) left out."""
    tail = 100 * (1 - confidence) / 2
    if not np.isnan(draws).any():
        low, high = np.percentile(draws, [tail, 100 - tail], axis=0)
        return low, high
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a column in which every draw failed: its limits are NaN
        low, high = np.nanpercentile(draws, [tail, 100 - tail], axis=0)
    return low, high


def quantiles(draws: Floats, levels: ArrayLike) -> Floats:
    """Return quantiles of one row of draws without NaN, linear between neighbours, by one sort for all levels."""
    return np.interp(np.multiply(levels, draws.size - 1), np.arange(draws.size), np.sort(draws))


def bca_levels(draws: Floats, estimate: float, jackknife: Floats, confidence: float) -> Floats:
    """Return which quantiles of `draws` are the bias-corrected and accelerated limits; NaN when all lie on one side.

    Parameters
    ----------
    draws : ndarray, shape (n_boot,)
        Resampled estimates.
    estimate : float
        Full-sample estimate.
    jackknife : ndarray, shape (n,)
        Leave-one-person-out estimates.
    confidence : float
        Level, as a fraction.

    Returns
    -------
    ndarray, shape (2,)

    Notes
    -----
    Efron 1987, J Am Stat Assoc 82:171-185 (from memory).
    """
    below = (np.count_nonzero(draws < estimate) + 0.5 * np.count_nonzero(draws == estimate)) / draws.size
    if below in (0.0, 1.0):
        return np.full(2, np.nan)
    shift = ndtri(below)
    spread = jackknife.mean() - jackknife
    scale = np.sum(spread**2) ** 1.5
    acceleration = 0.0 if scale == 0 else float(np.sum(spread**3) / (6 * scale))
    z = ndtri(np.array([(1 - confidence) / 2, (1 + confidence) / 2]))
    return ndtr(shift + (shift + z) / (1 - acceleration * (shift + z)))


def bca_limits(draws: Floats, estimate: float, jackknife: Floats, confidence: float) -> tuple[float, float]:
    """Return bias-corrected and accelerated limits; the parameters are those of :func:`bca_levels`."""
    levels = bca_levels(draws, estimate, jackknife, confidence)
    if np.isnan(levels).any():
        return float("nan"), float("nan")
    low, high = quantiles(draws, levels)
    return float(low), float(high)


MOST_KEPT = 1 << 20  # cells; larger work gets fresh arrays


class _Kept(threading.local):
    def __init__(self) -> None:
        self.arrays: dict[tuple[str, str], NDArray[Any]] = {}


_KEPT = _Kept()


def scratch(name: str, shape: tuple[int, ...], dtype: DTypeLike = float) -> NDArray[Any]:
    """Return an uninitialised array that lives until the next request of the same `name` in this thread."""
    size = prod(shape)
    if size > MOST_KEPT:
        return np.empty(shape, dtype=dtype)
    key = (name, np.dtype(dtype).str)
    array = _KEPT.arrays.get(key)
    if array is None or array.size < size:
        array = _KEPT.arrays[key] = np.empty(size, dtype=dtype)
    return array[:size].reshape(shape)


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


def at_once(k: int) -> int:
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
    mean, low, high = np.full((3, n), np.nan)
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
