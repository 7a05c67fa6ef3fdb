"""Regression to the mean: what choosing people by a low score gives for free, and how change depends on the start."""

from collections.abc import Mapping
from math import exp, pi, sqrt
from typing import Any

import numpy as np
from scipy.special import ndtr

from truechange.foundation.errors import DataError, RefusedError, check_choice, check_confidence
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed
from truechange.foundation.result import Part, told
from truechange.foundation.sem import read_sem
from truechange.numerics.resampling import block_size, draw_people, in_blocks, percentile_limits
from truechange.programme.parts import quantities


def gain_from_selection(cut: float, mean: float, sd: float, reliability: float, *, taken: str = "below") -> float:
    """Return the mean gain that appears without any change when only people beyond a cut are taken in.

    Parameters
    ----------
    cut : float
        Entry rule on the first score, in the test's unit.
    mean, sd : float
        Of the scores of everyone who could have been taken in, before selection.
    reliability : float
        Correlation of two scores of unchanged people, 0 to 1.
    taken : {"below", "above"}, optional
        Who is taken in: those with a score below the cut, or above it.

    Returns
    -------
    float
        In the test's unit, positive towards the mean.

    Raises
    ------
    DataError
        The SD is not positive or the reliability not between 0 and 1.

    Notes
    -----
    ``(1 − ρ) σ φ(z) / Φ(z)`` with ``z = (cut − mean)/σ`` (Barnett, van der Pols and Dobson 2005, Int J Epidemiol
    34:215-220, eq. 1). Do not use it when people were taken in by another test's score.

    Examples
    --------
    >>> round(gain_from_selection(40, mean=60, sd=15, reliability=0.5), 3)
    13.486
    """
    check_choice("taken", taken, ("below", "above"))
    if not (sd > 0 and 0 <= reliability <= 1):
        raise DataError(f"sd={sd!r} must be positive and reliability={reliability!r} between 0 and 1.")
    z = (cut - mean) / sd * (1 if taken == "below" else -1)
    return (1 - reliability) * sd * exp(-z * z / 2) / sqrt(2 * pi) / float(ndtr(z))


def start_dependence(
    before: Any, after: Any, sem: "Estimate | float", *, entry: Mapping[str, float] | None = None, sign: int = 1,
    unit: str = "", n_boot: int = 2000, seed: int = 0, confidence: float = 0.95,
) -> Part:  # fmt: skip
    """Estimate how the true change depends on the true score before.

    Parameters
    ----------
    before, after : array-like of float, shape (n,)
        Scores turned so that up is better; pairs with a gap are left out.
    sem : Estimate or float
        Standard error of measurement of one score; redrawn in each resample when its degrees of freedom are known.
    entry : mapping, optional
        ``cut``, ``mean``, ``sd`` of the entry rule on this test, in its own direction.
    sign : int, optional
        1 where more is better, -1 where less is: people were taken in beyond the worse side of the cut.
    unit : str, optional
        Unit of the test.
    n_boot, seed, confidence
        Of the bootstrap interval over people.

    Returns
    -------
    Part
        ``slope`` (Estimate, measurement error removed from the score before), ``plain`` (as measured: negative even
        when nothing depends on anything), ``from_selection`` (mean gain of the entry rule alone, or None), ``unit``.

    Raises
    ------
    DataError
        Fewer than 20 pairs.
    RefusedError
        The scores before vary no more than measurement error.

    Notes
    -----
    ``(s₁₂ − (s₁₁ − SEM²)) / (s₁₁ − SEM²)`` (Blomqvist 1977, J Am Stat Assoc 72:746-749; from memory). The correlation
    of change with the score before is never given: it is negative by construction.
    """
    check_confidence(confidence)
    scores = np.column_stack([np.asarray(before, dtype=float), np.asarray(after, dtype=float)])
    scores = scores[np.isfinite(scores).all(axis=1)]
    n = len(scores)
    known = read_sem(sem, unit=unit)
    error, df = known.value, known.df
    if n < 20:
        raise DataError(f"{n} pairs are too few to tell dependence on the start from error; at least 20 are needed.")
    s11, s12 = float(scores[:, 0].var(ddof=1)), float(np.cov(scores.T)[0, 1])
    if s11 <= error**2:
        raise RefusedError("The scores before vary no more than measurement error: nothing can depend on them.")

    def resample(rng: np.random.Generator, size: int) -> np.ndarray:
        drawn = scores[draw_people(rng, size, n)]
        centred = drawn - drawn.mean(axis=1, keepdims=True)
        v11, v12 = ((centred[:, :, 0] * centred[:, :, at]).sum(axis=1) / (n - 1) for at in (0, 1))
        squared = error**2 * (df / rng.chisquare(df, size) if df is not None else np.ones(size))
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(v11 > squared, v12 / (v11 - squared) - 1, np.nan)[:, None]

    draws = in_blocks(resample, n_boot, seed=seed, block=block_size(2 * n, n_boot))[:, 0]
    low, high = percentile_limits(draws, confidence)
    slope = Estimate(
        value=s12 / (s11 - error**2) - 1, low=float(low), high=float(high), confidence=confidence, n=n,
        method="slope without the error of the first score; bootstrap over people",
    )  # fmt: skip
    selected = None
    if entry is not None:
        reliability = max(0.0, 1 - error**2 / entry["sd"] ** 2)
        selected = gain_from_selection(
            entry["cut"], entry["mean"], entry["sd"], reliability, taken="below" if sign > 0 else "above"
        )
    plain, failed = s12 / s11 - 1, float(np.isnan(draws).mean())
    frame = quantities(
        {"slope on score before, error removed": slope},
        {"slope on score before, as measured": plain}
        | ({} if selected is None else {"mean gain expected from the entry rule alone": selected}),
    )
    gain = "" if selected is None else f"{fixed(selected, 2)} {unit}".strip()
    says = told({
        f"Taking people in for a poor score alone makes the mean improve by about {gain} without any change.": gain,
        f"For each unit of a better score before, the true improvement differs by {slope}; as measured it looks like "
        f"{fixed(plain, 2)}, because both share the error of the first test.": True,
    })  # fmt: skip
    room = "People near the best possible score have no room: that alone makes the slope negative."
    lost = f"{fixed(100 * failed, 1)}% of the resamples failed, because error was larger than the spread."
    facts = {"plain": plain, "slope": slope, "from_selection": selected, "unit": unit}
    cautions = (room, *known.cautions, *told({lost: failed}))
    return Part(facts, frame, says, cautions, ("blomqvist1977", "barnett2005"))
