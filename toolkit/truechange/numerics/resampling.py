"""Bootstrap resampling in blocks: seeded streams per block, so any number of workers gives the same bits."""

import threading
import warnings
from collections.abc import Callable, Iterable
from functools import cache
from math import prod
from typing import Any

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


def in_blocks(
    work: Callable[[np.random.Generator, int], Floats], n_boot: int, *, seed: int, block: int, jobs: int = 1,
) -> Floats:  # fmt: skip
    """Run `work(rng, size)` over blocks of resamples and stack the rows in order.

    Parameters
    ----------
    work : callable
        Takes a generator and the number of resamples, returns an array with one row each.
    n_boot, block : int
        Resamples in all and in one block.
    seed : int
        Each block gets its own stream spawned from it.
    jobs : int, optional
        joblib workers; 1 stays in this process. The result does not depend on it.

    Returns
    -------
    ndarray, shape (n_boot, ...)
    """
    sizes = [min(block, n_boot - start) for start in range(0, n_boot, block)]
    streams = [np.random.Generator(np.random.PCG64(child)) for child in np.random.SeedSequence(seed).spawn(len(sizes))]
    if jobs == 1:
        with _linear_algebra().limit(limits=1, user_api="blas"):  # blocks are small: threads would wait for each other
            parts = [work(rng, size) for rng, size in zip(streams, sizes, strict=True)]
    else:
        from joblib import Parallel, delayed

        parts = Parallel(n_jobs=jobs)(delayed(work)(rng, size) for rng, size in zip(streams, sizes, strict=True))
    return np.concatenate(parts)


@cache
def _linear_algebra() -> Any:
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


def draw_people(rng: np.random.Generator, size: int, n: int) -> NDArray[np.unsignedinteger]:
    """Return `size` resamples of `n` people as an index array, shape (size, n), in the smallest index type."""
    return _draw(rng, n, (size, n))


def _draw(rng: np.random.Generator, n: int, shape: tuple[int, int]) -> NDArray[np.unsignedinteger]:
    return rng.integers(0, n, size=shape, dtype=np.uint16 if n <= 65_536 else np.uint32)


def _draw_rows(rng: np.random.Generator, rows: int, shape: tuple[int, int]) -> NDArray[np.integer]:
    if not 1_024 < rows <= TABLE_ROWS:
        return _draw(rng, rows, shape)
    # Here 16 bits would throw many draws away to stay fair. The high half of 32 bits times `rows` throws
    # none away, and no row is likelier than another by more than 4 parts in a million.
    drawn = rng.bit_generator.random_raw(-(-shape[0] * shape[1] // 2)).view(np.uint32)[: shape[0] * shape[1]]
    high = np.multiply(drawn, np.uint64(rows), dtype=np.uint64)
    high >>= np.uint64(32)
    return high.view(np.int64).reshape(shape)


def resampled_sums(features: Floats, *, n_boot: int, seed: int, jobs: int = 1) -> Floats:
    """Return the sums over people of `n_boot` resamples of people.

    Parameters
    ----------
    features : ndarray, shape (n, width)
        What one person adds to each sum.
    n_boot, seed, jobs : int
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

    return in_blocks(sums, n_boot, seed=seed, block=STREAM, jobs=jobs)


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
    place = np.arange(draws.size)
    return np.interp(np.multiply(levels, draws.size - 1), place, np.sort(draws))


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
