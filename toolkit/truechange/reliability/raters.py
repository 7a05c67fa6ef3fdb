"""More than two raters: agreement beyond chance (Fleiss, Conger, Gwet) and limits of agreement with the mean."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from math import exp, nan, sqrt
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from truechange.foundation import errors
from truechange.foundation.errors import DataError
from truechange.foundation.result import Part, told
from truechange.numerics.mean_squares import mean_squares
from truechange.numerics.resampling import Floats
from truechange.reliability.error import Z95, sems_from_squares
from truechange.reliability.kappa import coded, distances
from truechange.reliability.scores import Sample, count_cautions, estimates_table, float_array

COEFFICIENTS = ("Gwet AC", "Fleiss kappa", "Conger kappa")


def rater_agreement(
    ratings: ArrayLike | pd.DataFrame, weights: str | ArrayLike = "none", categories: Sequence[object] | None = None,
    confidence: float = 0.95,
) -> Part:  # fmt: skip
    """Estimate agreement of several raters on categories beyond chance: Gwet's AC, Fleiss' and Conger's kappa.

    Parameters
    ----------
    ratings : table, shape (n, raters)
        One row a person, one column a rater; empty where a rater did not rate a person.
    weights : {"none", "linear", "quadratic"} or array, shape (c, c), optional
        Disagreement weights, as for :func:`weighted_kappa`; for categories in order.
    categories : sequence, optional
        All categories in order, where some were never used or they are words in order.
    confidence : float, optional
        Level of the intervals.

    Returns
    -------
    Part
        Estimates ``gwet``, ``fleiss``, ``conger`` (raters differ in how often they use a category) and ``observed``
        (share of agreeing pairs of raters).

    Raises
    ------
    DataError
        Fewer than 2 raters, fewer than 2 people rated twice, or a rating that is not among the categories.
    RefusedError
        As :func:`weighted_kappa`.
    ChoiceError
        `weights` or `confidence` is not available.

    Notes
    -----
    (observed − chance) / (1 − chance), observed over the pairs of raters of each person rated at least twice. Chance,
    with shares p of the categories: Σ p² [1]_; the mean over pairs of raters [2]_; Σ p(1 − p)/(c − 1) [3]_. Weighted
    forms and missing ratings after [3]_ and its author's handbook. Standard error: jackknife over people;
    t interval of log(1 − coefficient).

    References
    ----------
    .. [1] Fleiss JL (1971). Psychological Bulletin 76(5):378-382.
    .. [2] Conger AJ (1980). Psychological Bulletin 88(2):322-328.
    .. [3] Gwet KL (2008). Br J Math Stat Psychol 61(1):29-48.

    Examples
    --------
    >>> found = rater_agreement([[1, 1, 1], [2, 2, 3], [3, 3, 3], [1, 2, 1], [2, 2, 2], [3, 3, 3]])
    >>> [round(e.value, 3) for e in (found.gwet, found.fleiss, found.conger)]
    [0.668, 0.664, 0.671]
    """
    errors.check_confidence(confidence)
    table = _table(ratings, 2)
    n, r = table.shape
    label = weights if isinstance(weights, str) else "own"
    names, codes = coded(table.to_numpy()[table.notna()], categories, ordered=label != "none")
    distance = distances(weights, len(names))
    agree = 1 - distance / (distance.max() or 1.0)
    rows, columns = np.nonzero(table.notna().to_numpy())
    chosen = np.zeros((n, r, len(names)))
    chosen[rows, columns, codes] = 1.0
    values = _coefficients(chosen, agree)
    without = np.array([_coefficients(np.delete(chosen, one, axis=0), agree) for one in range(n)])
    ses = sqrt(n - 1) * without.std(axis=0)
    sample = Sample(n, confidence)
    how = f"{label} weights, jackknife over people, t interval of log(1 − coefficient)"
    found = {
        name: sample.estimate(value, *_limits(value, se, sample), f"{name}, {how}", n - 1)
        for name, value, se in zip((*COEFFICIENTS, "observed agreement"), values, ses, strict=True)
    }
    gwet, fleiss, conger, observed = found.values()
    shares = chosen.sum(axis=1).sum(axis=0) / chosen.sum()
    notes = {
        "Only one category was used: kappa is not defined (0/0). Report the observed agreement.": len(names) == 1,
        f"One category holds {100 * shares.max():.0f}% of the ratings: kappa is low there even where raters agree; "
        "read it beside AC and the observed agreement.": 0.8 < shares.max() < 1,
        "All raters agree on everybody: agreement has no interval here; were the ratings made apart?": observed.value
        == 1,
        "No two raters agree on anybody: is each column a rater, with the same categories?": observed.value == 0,
        "Not everybody was rated by every rater; that is taken to be by chance.": len(rows) < n * r,
    }
    says = (
        f"{r} raters, {n} people: Gwet's AC {gwet.text(2)}, Fleiss' kappa {fleiss.text(2)}, Conger's {conger.text(2)}.",
        f"Of the pairs of raters, {100 * observed.value:.0f}% agree (with the weights given).",
    )
    facts = {"gwet": gwet, "fleiss": fleiss, "conger": conger, "observed": observed}
    return Part(
        facts, estimates_table(found, "coefficient"), says, (*count_cautions(n), *told(notes)),
        ("gwet2008", "fleiss1971", "conger1980"), "Agreement coefficients with their intervals.",
        draw=partial(_draw_rows, found, "Agreement"),
    )  # fmt: skip


def _table(ratings: Any, least: int) -> pd.DataFrame:
    """Return one row a person, one column a rater, or refuse it."""
    errors.check_kind(
        "ratings", ratings, (pd.DataFrame, np.ndarray, list, tuple), "one row a person, one column a rater"
    )
    table = pd.DataFrame(ratings)
    if not isinstance(ratings, pd.DataFrame):
        table.columns = pd.RangeIndex(1, table.shape[1] + 1)
    if "person" in table:
        raise DataError(
            "ratings has a column person: give one row a person and nothing but a column a rater (pivot it)."
        )
    if table.shape[1] < least or (table.notna().sum(axis=1) >= 2).sum() < 2:
        two = "" if least == 2 else " (limits_of_agreement takes two)"
        raise DataError(
            f"ratings has {len(table)} rows and {table.shape[1]} columns; at least {least} raters (columns){two} of 2 "
            "people are needed."
        )
    return table


def _limits(value: float, se: float, sample: Sample) -> tuple[float, float]:
    """Return limits symmetric for log(1 - value), never above 1; NaN where all agree, which has no standard error."""
    if not (se > 0 and value < 1):
        return nan, nan
    times = exp(float(stdtrit(sample.n - 1, sample.tails[1])) * se / (1 - value))
    return 1 - (1 - value) * times, 1 - (1 - value) / times


def _coefficients(chosen: Floats, agree: Floats) -> Floats:
    """Return the COEFFICIENTS and the observed agreement; `chosen` is people x raters x categories."""
    counts = chosen.sum(axis=1)
    ratings = counts.sum(axis=1)
    twice = ratings >= 2
    pairs = np.sum(counts * (counts @ agree - 1), axis=1)[twice] / (ratings * (ratings - 1))[twice]
    observed = pairs.mean()
    shares = np.mean(counts[ratings > 0] / ratings[ratings > 0, None], axis=0)
    of_raters = chosen.sum(axis=0) / np.maximum(chosen.sum(axis=(0, 2)), 1)[:, None]
    c, (r, mean) = len(agree), (len(of_raters), of_raters.mean(axis=0))
    apart = (of_raters - mean).T @ (of_raters - mean) / (r - 1)
    gwet = agree.sum() * np.sum(shares * (1 - shares)) / (c * (c - 1)) if c > 1 else 1.0
    chance = np.array([gwet, shares @ agree @ shares, np.sum(agree * (np.outer(mean, mean) - apart / r))])
    with np.errstate(all="ignore"):
        return np.append(np.where(chance < 1, (observed - chance) / (1 - chance), np.nan), observed)


def rater_limits(ratings: ArrayLike | pd.DataFrame, confidence: float = 0.95, *, unit: str = "") -> Part:
    """Estimate limits of agreement with the mean of several raters, and between any two of them.

    Parameters
    ----------
    ratings : table, shape (n, raters)
        Measurements, one row a person, one column a rater; complete.
    confidence : float, optional
        Level of the intervals.
    unit : str, optional
        Unit of the measurements.

    Returns
    -------
    Part
        Estimates ``with_mean`` (how far one rater lies from the mean of all, 95% of the time), ``between_two`` (how far
        two raters lie apart), ``sem`` (agreement) and ``biases``, one a rater.

    Raises
    ------
    DataError
        A measurement is missing, fewer than 2 people, or fewer than 3 raters.

    Notes
    -----
    Random raters: with s² = rater + residual variance (mean squares), the limits are ± 1.96 s √(1 − 1/r) with the mean
    [1]_, ± 1.96 s √2 between two; their intervals those of s (Graybill & Wang 1980). Biases: paired t against the mean.

    References
    ----------
    .. [1] Christensen HS, Borgbjerg J, Børty L, Bøgsted M (2020). BMC Med Res Methodol 20:304.

    Examples
    --------
    >>> found = rater_limits([[9, 10, 9], [12, 12, 11], [7, 8, 8], [14, 13, 13], [10, 11, 9]], unit="stands")
    >>> round(found.with_mean.value, 2), round(found.between_two.value, 2)
    (1.09, 1.89)
    """
    errors.check_confidence(confidence)
    held = _table(ratings, 3)
    table, names = float_array(held, "ratings"), list(held.columns)
    if not np.isfinite(table).all():
        row, rater = np.argwhere(~np.isfinite(table))[0]
        raise DataError(f"ratings: {held.index[row]!r} lacks a score of rater {names[rater]!r}. Leave the row out.")
    n, r = table.shape
    sample = Sample(n, confidence, unit)
    sem = sems_from_squares(mean_squares(table), sample)["agreement"]
    how = "{} × √(rater + residual variance); Graybill-Wang interval"
    with_mean = sem.scaled(Z95 * sqrt(1 - 1 / r), method=how.format("1.960 √(1 − 1/r)"))
    between = sem.scaled(Z95 * sqrt(2), method=how.format("1.960 √2"))
    apart = table - table.mean(axis=1, keepdims=True)
    ses = apart.std(axis=0, ddof=1) / sqrt(n)
    by_rater = zip(names, apart.mean(axis=0), ses, strict=True)
    what = "rater minus mean of all"
    biases = {name: sample.around(float(mean), float(se), n - 1, what) for name, mean, se in by_rater}
    frame = estimates_table({"± limit with the mean": with_mean, "± limit between two": between, "SEM (agreement)": sem}
                            | {f"bias of {name}": bias for name, bias in biases.items()})  # fmt: skip
    says = (
        f"One of {r} raters lies within ± {with_mean} of the mean of all for 95% of people ({n} people).",
        f"Two raters lie within ± {between} of each other.",
    )
    facts = {"with_mean": with_mean, "between_two": between, "sem": sem, "biases": biases}
    few = (f"{r} raters stand for all raters: how far raters differ is known from {r - 1} degrees of freedom.",)
    rows: dict[str, Any] = {f"rater {name}": bias for name, bias in biases.items()}
    return Part(
        facts, frame, says, (*count_cautions(n), *few), ("christensen2020", "graybill1980"),
        "Each rater's bias against the mean of all.", draw=partial(_draw_rows, rows, f"Rater minus mean ({unit})"),
    )  # fmt: skip


def _draw_rows(found: dict[str, Any], words: str, ax: Any) -> Any:
    from truechange.foundation.drawing import interval_rows

    return interval_rows(list(found), list(found.values()), ax=ax, strong=(0,), unit=words)
