"""Resampling in blocks: seeded streams per block, so any number of workers gives the same bits."""

import warnings
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

Floats = NDArray[np.float64]
BLOCK_CELLS = 32_768  # about 256 KB of doubles: larger temporaries are given back to the kernel and re-faulted


def block_size(n: int, n_boot: int) -> int:
    """Return how many resamples of `n` people fit one block."""
    return max(1, min(n_boot, BLOCK_CELLS // max(1, n)))


def in_blocks(
    work: Callable[[np.random.Generator, int], Floats],
    n_boot: int,
    *,
    seed: int,
    block: int,
    jobs: int = 1,
) -> Floats:
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
        parts = [work(rng, size) for rng, size in zip(streams, sizes, strict=True)]
    else:
        from joblib import Parallel, delayed

        parts = Parallel(n_jobs=jobs)(delayed(work)(rng, size) for rng, size in zip(streams, sizes, strict=True))
    return np.concatenate(parts)


def draw_people(rng: np.random.Generator, size: int, n: int) -> NDArray[np.unsignedinteger]:
    """Return `size` resamples of `n` people as an index array, shape (size, n), in the smallest index type."""
    return rng.integers(0, n, size=(size, n), dtype=np.uint16 if n <= 65_536 else np.uint32)


def percentile_limits(draws: Floats, confidence: float) -> tuple[Floats, Floats]:
    """Return the percentile limits of `draws` (resamples on axis 0), failed draws (NaN) left out."""
    tail = 100 * (1 - confidence) / 2
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a column in which every draw failed: its limits are NaN
        low, high = np.nanpercentile(draws, [tail, 100 - tail], axis=0)
    return low, high


def bca_limits(draws: Floats, estimate: float, jackknife: Floats, confidence: float) -> tuple[float, float]:
    """Return bias-corrected and accelerated limits (Efron 1987, J Am Stat Assoc 82:171-185; from memory).

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
    """
    below = (np.sum(draws < estimate) + 0.5 * np.sum(draws == estimate)) / draws.size
    if below in (0.0, 1.0):
        return float("nan"), float("nan")
    shift = ndtri(below)
    spread = jackknife.mean() - jackknife
    scale = np.sum(spread**2) ** 1.5
    acceleration = 0.0 if scale == 0 else float(np.sum(spread**3) / (6 * scale))
    z = ndtri(np.array([(1 - confidence) / 2, (1 + confidence) / 2]))
    levels = ndtr(shift + (shift + z) / (1 - acceleration * (shift + z)))
    low, high = np.quantile(draws, levels)
    return float(low), float(high)
