"""Cut-points and area under the ROC curve of many resamples at once, from counts over the distinct scores."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from truechange.numerics.resampling import Floats

RULES = ("youden", "corner", "spec80")
SPECIFICITY = 0.80


class Cuts(NamedTuple):
    """The cuts one rule chose in R resamples: `value` is the mean of tied cuts, `low` and `high` the outermost."""

    value: Floats
    low: Floats
    high: Floats


def roc_cuts(x: Floats, hits: Floats, misses: Floats, rules: tuple[str, ...] = RULES) -> dict[str, Cuts]:
    """Return the cut each rule chooses in every row of counts.

    Cuts lie midway between neighbouring scores that occur in the row; a score above the cut counts as a hit.
    All cuts that tie for the best are kept: their mean, the lowest and the highest.

    Parameters
    ----------
    x : ndarray, shape (K,)
        Distinct scores, ascending.
    hits, misses : ndarray, shape (R, K)
        Counts of either class at each score.
    rules : tuple of str
        ``"youden"`` (largest sensitivity + specificity), ``"corner"`` (closest to the corner of the unit square),
        ``"spec80"`` (lowest cut with specificity of at least 0.80).

    Returns
    -------
    dict of str to Cuts
        NaN where a class is empty or no cut qualifies.
    """
    seen = hits + misses > 0
    below_hit, below_miss = np.cumsum(hits, axis=1), np.cumsum(misses, axis=1)
    n_hit, n_miss = below_hit[:, -1:], below_miss[:, -1:]
    usable = seen.copy()
    usable[:, -1] = False
    usable &= below_hit + below_miss < n_hit + n_miss
    usable &= (n_hit > 0) & (n_miss > 0)
    found = {}
    for rule in rules:
        if rule == "youden":
            merit = below_miss * n_hit - below_hit * n_miss
        elif rule == "corner":
            merit = -((below_hit * n_miss) ** 2 + ((n_miss - below_miss) * n_hit) ** 2)
        else:
            enough = usable & (below_miss >= SPECIFICITY * n_miss - 1e-9)
            merit = np.where(enough, -np.arange(x.size, dtype=float), -np.inf)
        merit = np.where(usable, merit, -np.inf)
        best = merit.max(axis=1, keepdims=True)
        slack = 1e-9 * np.maximum(1.0, np.abs(np.where(np.isfinite(best), best, 0.0)))
        found[rule] = _tied(x, seen, (merit >= best - slack) & np.isfinite(best))
    return found


def _tied(x: Floats, seen: NDArray[np.bool_], chosen: NDArray[np.bool_]) -> Cuts:
    rows, at = np.nonzero(chosen)
    after = at + 1
    while (gap := np.flatnonzero(~seen[rows, after])).size:
        after[gap] += 1
    cut = (x[at] + x[after]) / 2
    n = len(seen)
    number = np.bincount(rows, minlength=n)
    low, high = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(low, rows, cut)
    np.maximum.at(high, rows, cut)
    missing = number == 0
    mean = np.bincount(rows, weights=cut, minlength=n) / np.maximum(number, 1)
    return Cuts(*(np.where(missing, np.nan, part) for part in (mean, low, high)))


def auc(hits: Floats, misses: Floats) -> Floats:
    """Return the area under the ROC curve of each row: the chance that a hit scores above a miss, ties half."""
    below = np.cumsum(misses, axis=1) - misses / 2
    pairs = hits.sum(axis=1) * misses.sum(axis=1)
    return np.where(pairs > 0, np.sum(hits * below, axis=1) / np.maximum(pairs, 1e-300), np.nan)


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
