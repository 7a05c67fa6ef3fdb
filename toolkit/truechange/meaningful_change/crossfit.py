"""Internal validation of an MCID (cross-fitting): people are counted with a value that others gave."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from truechange.foundation.errors import DataError, check_choice, check_kind, check_resamples
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Part, told
from truechange.foundation.sem import Sem, read_sem
from truechange.meaningful_change.draws import LEAST
from truechange.meaningful_change.estimators import METHODS, Layout, Starts, estimate_rows, starts_of
from truechange.meaningful_change.ratings import numbers, rated_people, share_estimate
from truechange.numerics.resampling import Floats, block_size, draw_people, in_blocks, percentile_limits
from truechange.reliability.scores import check_columns

QUANTITIES = ("share", "sensitivity", "specificity")
MOST_FAILED = 0.01
LEVEL = 0.95


@dataclass(frozen=True)
class _People:
    """Everyone who is to be counted: `rated` are the places of those who give the value, in the order of `layout`."""

    layout: Layout
    change: Floats
    rated: NDArray[np.intp]
    improved: NDArray[np.bool_]
    method: str
    error: Sem | None

    def variance(self, size: int, rng: np.random.Generator | None = None) -> Floats | None:
        """Return the variance of the test's error for `size` samples, redrawn where it was estimated."""
        if self.error is None:
            return None
        df, whole = self.error.df, np.full(size, self.error.value**2)
        return whole if rng is None or df is None else whole * df / rng.chisquare(df, size)

    def values(self, counts: Floats, spread: Floats | None, starts: Starts | None = None) -> Floats:
        """Return the MCID of each sample of the rated."""
        found = estimate_rows(self.layout, counts, spread, starts=starts, needs=(METHODS[self.method].needs,))
        return found.get(self.method, np.full(len(counts), np.nan))

    def shares(self, counts: Floats, limits: Floats) -> Floats:
        """Return the three shares of each sample, `limits` holding the threshold each person is held against."""
        reached = counts * np.asarray(self.change >= limits - 1e-9)
        found = [reached.sum(axis=1) / counts.sum(axis=1)]
        for who in (self.rated[self.improved], self.rated[~self.improved]):
            found.append(reached[:, who].sum(axis=1) / counts[:, who].sum(axis=1))
        found[2] = 1 - found[2]
        return np.where(np.isnan(limits.sum(axis=1, keepdims=True)), np.nan, np.column_stack(found))

    def held_out(
        self, rng: np.random.Generator, counts: Floats, folds: int, spread: Floats | None, starts: Starts
    ) -> Floats:
        """Return the shares of each sample, everyone held against the value of the other groups."""
        n = self.change.size
        group = rng.permuted(np.tile(np.arange(n) % folds, (len(counts), 1)), axis=1)
        limits = np.empty(counts.shape)
        for fold in range(folds):
            train = counts[:, self.rated] * (group[:, self.rated] != fold)
            limits = np.where(group == fold, self.values(train, spread, starts)[:, None], limits)
        return self.shares(counts, limits)


def cross_fit_mcid(
    people: pd.DataFrame, method: str, *, cut: int = 1, sem: "float | Estimate | None" = None, folds: int = 10,
    repeats: int = 20, n_boot: int = 400, seed: int = 0,
) -> Part:  # fmt: skip
    """Count people with an MCID they had no part in (k-fold cross-fitting), beside the count on the same people.

    Parameters
    ----------
    people : DataFrame
        Everyone who is to be counted, one row each: improvement (positive = better), rating and, for methods that need
        them, before and after. Without a rating a person is counted and gives no value; without an improvement a
        person counts as not shown.
    method : str
        Row of the MCID table that is checked, such as ``"latent_threshold"``.
    cut, sem
        As in :func:`mcid`.
    folds, repeats : int, optional
        Everyone is left out once in `folds` random groups; the whole is repeated with other groups and averaged.
    n_boot, seed : int, optional
        Resamples of people for the intervals, each with groups of its own; a person drawn twice stays in one group.

    Returns
    -------
    Part
        ``share`` (of everyone given), ``sensitivity``, ``specificity`` (of those rated) on people held out, as
        Estimates, and ``naive``, the same on the people the value came from; ``optimism``, by how much sensitivity and
        specificity together are flattered. Table: quantity, same_people, low, high, held_out, held_out_low,
        held_out_high.

    Raises
    ------
    DataError
        Fewer than 10 rated people a group would be left, or the method gives no value.
    ChoiceError
        `method` or `n_boot` is not understood.

    Notes
    -----
    The interval on held-out people holds the sampling of people and of the value together; the one on the same people
    (Wilson) takes the value as known. The SEM is redrawn as in :func:`mcid`.

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> rng = np.random.default_rng(1)
    >>> true_change = rng.normal(2.3, 2, 120)
    >>> improvement = np.round(true_change + rng.normal(0, 1.2, 120))
    >>> rating = np.digitize(true_change + rng.normal(0, 1.5, 120), [-2, 2, 5]) - 1
    >>> people = pd.DataFrame({"improvement": improvement, "rating": rating})
    >>> found = cross_fit_mcid(people, "latent_threshold", sem=0.85, n_boot=100)
    >>> print(found.naive["share"], found.share, sep="; ")
    0.62 (95% CI 0.53 to 0.70); 0.62 (95% CI 0.43 to 0.69)
    """
    check_choice("method", method, tuple(METHODS))
    check_resamples(n_boot, seed)
    check_kind("people", people, pd.DataFrame, "a DataFrame with one row a person", DataError)
    check_columns(people, ("improvement", "rating"))
    rated = numbers("improvement", people["improvement"] * people["rating"])
    scores: dict[str, Any] = {name: people.get(name) for name in ("before", "after")}
    given = rated_people(people["improvement"], people["rating"], cut=cut, **scores)
    everyone = _People(
        Layout.of(given, collapse=False), numbers("improvement", people["improvement"]),
        np.flatnonzero(np.isfinite(rated)), given.improved, method, None if sem is None else read_sem(sem),
    )  # fmt: skip
    n = len(people)
    if not 2 <= folds <= given.n // LEAST:
        raise DataError(f"folds={folds} of {given.n} rated people: take 2 to {given.n // LEAST}, {LEAST} people each.")
    whole = estimate_rows(everyone.layout, everyone.layout.kinds.counts[None], everyone.variance(1))
    value, starts = whole.get(method, np.full(1, np.nan))[0], starts_of(everyone.layout, whole)
    if not np.isfinite(value):
        raise DataError(f"{METHODS[method].words} gives no value on these people, so there is nothing to check.")

    def work(rng: np.random.Generator, size: int) -> Floats:
        drawn = np.stack([np.bincount(row, minlength=n) for row in draw_people(rng, size, n)]).astype(float)
        return everyone.held_out(rng, drawn, folds, everyone.variance(size, rng), starts)

    once, first = np.ones((1, n)), np.random.default_rng(seed)
    same = everyone.shares(once, np.full((1, n), value))[0]
    out = everyone.held_out(first, np.repeat(once, repeats, axis=0), folds, everyone.variance(repeats), starts)
    draws = in_blocks(work, n_boot, seed=seed, block=block_size(n, n_boot))
    sizes, low, high = (n, int(given.improved.sum()), int((~given.improved).sum())), *percentile_limits(draws, LEVEL)
    how = f"{folds} groups left out in turn, {repeats} times; bootstrap over people"
    kept = {
        name: Estimate(value=float(v), low=float(a), high=float(b), n=size, method=how)
        for name, v, a, b, size in zip(QUANTITIES, np.nanmean(out, axis=0).round(12), low, high, sizes, strict=True)
    }
    naive = {
        name: share_estimate(round(v * size), size, LEVEL)
        for name, v, size in zip(QUANTITIES, same, sizes, strict=True)
    }
    return _told(kept, naive, float(np.isnan(draws[:, 0]).mean()), folds, repeats)


def _told(kept: dict[str, Estimate], naive: dict[str, Estimate], failed: float, folds: int, repeats: int) -> Part:
    """Return both counts beside each other, and how far the one on the same people flatters."""
    frame = pd.DataFrame([
        {"quantity": f"{name}, of {one.n}", "same_people": naive[name].value, "low": naive[name].low,
         "high": naive[name].high, "held_out": one.value, "held_out_low": one.low, "held_out_high": one.high}
        for name, one in kept.items()
    ])  # fmt: skip
    optimism = sum(naive[name].value - kept[name].value for name in QUANTITIES[1:])
    shares = [f"{percent(one.value)} (95% CI {percent(one.low)} to {percent(one.high)})"
              for one in (kept["share"], naive["share"])]  # fmt: skip
    sentence = (
        f"Held against an MCID that they had no part in ({folds} groups left out in turn, {repeats} times over), "
        f"{shares[0]} of the {kept['share'].n} people changed enough, the uncertainty of the MCID included; held "
        f"against the MCID that they gave themselves, {shares[1]}."
    )
    flattered = (
        f"Sensitivity and specificity together are flattered by {fixed(100 * optimism, 1)} percentage points where the "
        "same people give the MCID and are held against it."
    )
    lost = f"{percent(failed, 1)} of the resamples gave no value in some group."
    facts = {**kept, "naive": naive, "optimism": optimism, "folds": folds, "repeats": repeats}
    return Part(facts, frame, (sentence, flattered), told({lost: failed > MOST_FAILED}))
