"""Agreement of raters: weighted kappa of two, Fleiss, Conger and Gwet of several, limits of agreement with the mean."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from math import exp, nan, sqrt
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri, stdtrit

from truechange.foundation import errors
from truechange.foundation.drawing import frame_table, interval_rows, paragraphs
from truechange.foundation.errors import DataError, RefusedError, listed, stated
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed, people
from truechange.foundation.result import Part, told
from truechange.numerics.resampling import Floats, percentile_limits
from truechange.numerics.variances import mean_squares
from truechange.reliability.agreement import Z95
from truechange.reliability.scores import Sample, count_cautions, estimates_table, float_array, sems_from_squares

Codes = NDArray[np.int64]
WEIGHTS = ("quadratic", "linear", "none")
FEWEST_FOR_FORMULA = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightedKappa(Estimate):
    """Weighted kappa with what it hides.

    Parameters
    ----------
    agreement : Series
        Specific agreement of each category: of the ratings given, the share the other side shares.
    observed : float
        Share of identical ratings.
    greatest : float
        Largest kappa the two sides' totals allow; NaN for own weights.
    z : float
        Kappa over its standard error when there is no agreement beyond chance.
    counts : DataFrame
        First in rows, second in columns.
    cautions : tuple of str
    """

    agreement: pd.Series = field(compare=False)
    observed: float
    greatest: float
    z: float
    counts: pd.DataFrame = field(compare=False)
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ("cohen1968", "fleiss1969", "fleiss1973")

    def table(self) -> pd.DataFrame:
        """Return one row a category: specific agreement and both sides' totals."""
        totals = {"first": self.counts.sum(axis=1), "second": self.counts.sum(axis=0)}
        return pd.DataFrame({"specific agreement": self.agreement, **totals}).rename_axis("category")

    def _repr_html_(self) -> str:
        return paragraphs(*self.sentences(), *self.cautions) + frame_table(self.table())

    def sentences(self) -> tuple[str, ...]:
        """Say kappa, then plain agreement."""
        return (
            f"Weighted kappa {self.text(2)}, {self.n} pairs.",
            f"{100 * self.observed:.0f}% of ratings are identical; these totals allow {fixed(self.greatest, 2)}.",
        )


def weighted_kappa(
    first: ArrayLike, second: ArrayLike, weights: str | ArrayLike = "quadratic",
    categories: Sequence[object] | None = None, confidence: float = 0.95, *, n_boot: int = 2000, seed: int = 0,
) -> WeightedKappa:  # fmt: skip
    """Estimate agreement of two ordinal ratings of the same people beyond chance.

    Parameters
    ----------
    first, second : array, shape (n,)
        Ratings, same people in the same order (Series must have the same index; arrays pair by position).
    weights : {"quadratic", "linear", "none"} or array, shape (c, c), optional
        Disagreement weights: squared or plain distance, 0/1, or your own (0 on the diagonal).
    categories : sequence, optional
        All categories in order. By default the whole numbers seen, sorted; an ordered categorical keeps its own.
        Words have no order by themselves and need them, except under ``weights="none"``. Give them when a category
        was never used: distances count.
    confidence : float, optional
        Level of the interval.
    n_boot, seed : int, optional
        Resamples of people, for fewer than 50 pairs; from 50 the large-sample standard error serves.

    Returns
    -------
    WeightedKappa
        An :class:`Estimate` with `.agreement` a category. NaN, with a caution, when only one category was used.

    Raises
    ------
    DataError
        Lengths or indexes differ, a rating is missing or not among the categories, or fewer than 2 pairs.
    RefusedError
        Words without an order, or numbers that are not whole (a measurement, not a category).
    ChoiceError
        `weights` is unknown or of the wrong shape.

    Notes
    -----
    κ = 1 − Σ w p_ij / Σ w p_i. p_.j [1]_; standard errors after [2]_ (from
    memory). With quadratic weights close to ICC(A,1) in large samples [3]_.
    Specific agreement of a category: 2 n_cc / (n_c. + n_.c). Not for sums of many items.

    References
    ----------
    .. [1] Cohen J (1968). Psychological Bulletin 70(4):213-220.
    .. [2] Fleiss JL, Cohen J, Everitt BS (1969). Psychological Bulletin 72(5):323-327.
    .. [3] Fleiss JL, Cohen J (1973). Educ Psychol Meas 33(3):613-619.

    Examples
    --------
    >>> found = weighted_kappa([1, 1, 2, 2, 3, 3, 3, 2], [1, 2, 2, 2, 3, 3, 2, 2], seed=1)
    >>> round(found.value, 3), found.agreement.round(2).tolist()
    (0.742, [0.67, 0.75, 0.8])
    """
    errors.check_confidence(confidence)
    errors.check_whole(n_boot=n_boot, **stated(seed=seed))
    label = weights if isinstance(weights, str) else "own"
    names, rows, columns = _coded(first, second, categories, ordered=label != "none")
    c, n = len(names), rows.size
    distance = distances(weights, c)
    whole = categories is None and all(isinstance(name, Real) for name in names)
    gap = whole and names[-1] - names[0] >= len(names)  # type: ignore[operator]
    counts = np.bincount(rows * c + columns, minlength=c * c).reshape(c, c)
    table, given, received = counts / n, counts.sum(axis=1), counts.sum(axis=0)
    value, (se, null) = float(kappa_of(table, distance)), _errors(table, distance, n)
    low, high, how, failed = nan, nan, "large-sample standard error", 0.0
    if n >= FEWEST_FOR_FORMULA:
        half = float(ndtri((1 + confidence) / 2)) * se
        low, high = value - half, value + half
    else:
        drawn = np.random.default_rng(seed).multinomial(n, table.ravel(), size=n_boot)
        draws = kappa_of(drawn.reshape(-1, c, c) / n, distance)
        failed, how = float(np.isnan(draws).mean()), f"percentile bootstrap over people (B = {n_boot})"
        if failed < 1:
            low, high = map(float, percentile_limits(draws, confidence))
    notes = {
        "Only one category was used: kappa is not defined (0/0). Report the agreement.": np.isnan(value),
        f"In {100 * failed:.0f}% of resamples one category was left; they are not in the interval.": 0.01 < failed < 1,
        f"Not every whole number from {names[0]} to {names[-1]} was used, so those beside a gap count as neighbours: "
        "give categories= if the scale has the others.": gap and label in ("quadratic", "linear"),
        "The two sides use the categories unequally often: look at the table for a shift.":
            np.abs(given - received).max() > n / 10,
    }  # fmt: skip
    with np.errstate(all="ignore"):
        specific = 2 * np.diag(counts) / (given + received)
    return WeightedKappa(
        value=value, low=low, high=high, confidence=confidence, n=n, method=f"kappa, {label} weights; {how}",
        agreement=pd.Series(specific, index=names, name="specific agreement"), observed=float(np.trace(table)),
        greatest=_greatest(table, distance, label), z=value / null if null > 0 else nan,
        counts=pd.DataFrame(counts, index=names, columns=names),
        cautions=told(notes),
    )  # fmt: skip


def kappa_of(table: Floats, distance: Floats) -> Floats:
    """Return kappa of tables of shares, shape (..., c, c); NaN where chance disagreement is 0."""
    seen = np.sum(table * distance, axis=(-2, -1))
    expected = np.sum(table.sum(axis=-1)[..., :, None] * table.sum(axis=-2)[..., None, :] * distance, axis=(-2, -1))
    with np.errstate(all="ignore"):
        return np.where(expected > 0, 1 - seen / expected, np.nan)


def _coded(
    first: ArrayLike, second: ArrayLike, categories: Sequence[object] | None, ordered: bool
) -> tuple[list[object], Codes, Codes]:
    for name, ratings in {"first": first, "second": second}.items():
        if np.ndim(ratings) > 1:
            raise DataError(f"{name} must be one column of ratings, got shape {np.shape(ratings)}.")
    errors.check_same_index(first=first, second=second)
    a, b = (pd.Series(ratings).reset_index(drop=True) for ratings in (first, second))
    if len(a) != len(b) or len(a) < 2:
        raise DataError(f"first and second must hold the same people, at least 2; got {len(a)} and {len(b)} ratings.")
    if a.isna().any() or b.isna().any():
        where = int(np.flatnonzero(a.isna().to_numpy() | b.isna().to_numpy())[0])
        raise DataError(f"A rating is missing at position {where}. Leave that pair out.")
    names, codes = coded([*a, *b], _own_order(a, b) or None if categories is None else categories, ordered)
    return names, codes[: len(a)], codes[len(a) :]


def coded(ratings: Iterable[Any], categories: Sequence[object] | None, ordered: bool) -> tuple[list[object], Codes]:
    """Return the categories in order, and the place of each rating among them."""
    seen = list(ratings)
    names = list(_sorted(set(seen), ordered) if categories is None else categories)
    place = {name: i for i, name in enumerate(names)}
    if strange := [name for name in seen if name not in place]:
        raise DataError(f"Rating {strange[0]!r} is not among the categories {names}.")
    return names, np.asarray([place[name] for name in seen], np.int64)


def _own_order(a: pd.Series, b: pd.Series) -> list[object]:
    """Return the order that ordered categoricals bring; empty where there is none."""
    kinds = [side.dtype for side in (a, b) if isinstance(side.dtype, pd.CategoricalDtype) and side.dtype.ordered]
    orders = [kind.categories.tolist() for kind in kinds]
    if len(orders) == 2 and orders[0] != orders[1]:
        raise RefusedError(f"The two sides order their categories differently: {orders[0]} and {orders[1]}.")
    return orders[0] if orders else []


def _sorted(seen: set[object], ordered: bool) -> list[object]:
    """Return what was seen in order: whole numbers by size; words only where no order is needed."""
    if all(isinstance(rating, Real) for rating in seen):
        if broken := [rating for rating in seen if rating % 1]:  # type: ignore[operator]
            raise RefusedError(
                f"Rating {broken[0]} is not a whole number: kappa is for categories. Use icc() for a measurement, or "
                "give categories= in order."
            )
        return sorted(seen)  # type: ignore[type-var]
    if ordered:
        raise RefusedError(
            f"The ratings are words ({listed(sorted(map(str, seen)))}), which have no order by themselves. Give "
            "categories= in order, or weights='none' if they have none."
        )
    return sorted(seen, key=str)


def distances(weights: str | ArrayLike, c: int) -> Floats:
    """Return the disagreement weights of c categories by name, or the caller's own."""
    if isinstance(weights, str):
        errors.check_choice("weights", weights, WEIGHTS)
        apart = np.abs(np.subtract.outer(np.arange(c), np.arange(c))).astype(float)
        return {"quadratic": apart**2, "linear": apart, "none": (apart > 0).astype(float)}[weights]
    own = np.asarray(weights, dtype=float)
    if own.shape != (c, c) or (own < 0).any() or np.diag(own).any():
        raise DataError(
            f"Own weights must be a {c} x {c} table of disagreements, 0 on the diagonal; got shape {own.shape}."
        )
    return own


def _errors(table: Floats, distance: Floats, n: int) -> tuple[float, float]:
    """Return the standard error of kappa, and that under chance agreement, in agreement weights."""
    top = distance.max()
    if top == 0 or np.isnan(kappa_of(table, distance)):
        return nan, 0.0
    agree = 1 - distance / top
    row, column = table.sum(axis=1), table.sum(axis=0)
    seen, chance = float(np.sum(agree * table)), float(row @ agree @ column)
    by_row, by_column = agree @ column, row @ agree
    apart = by_row[:, None] + by_column[None, :]
    spread = np.sum(table * (agree * (1 - chance) - apart * (1 - seen)) ** 2)
    full = spread - (seen * chance - 2 * chance + seen) ** 2
    null = np.sum(np.outer(row, column) * (agree - apart) ** 2) - chance**2
    return sqrt(max(full, 0.0) / n) / (1 - chance) ** 2, sqrt(max(null, 0.0) / n) / (1 - chance)


def _greatest(table: Floats, distance: Floats, label: str) -> float:
    """Return the largest kappa these totals allow: NaN for own weights, which may reward odd tables."""
    row, column = table.sum(axis=1), table.sum(axis=0)
    if label == "none":
        chance = float(row @ column)
        return (float(np.minimum(row, column).sum()) - chance) / (1 - chance) if chance < 1 else nan
    if label == "own":
        return nan
    # distances that grow with the gap are least when both sides are matched rank by rank
    row, column = (np.concatenate([[0.0], np.cumsum(total)]) for total in (row, column))
    ends = np.minimum(row[1:, None], column[None, 1:]) - np.maximum(row[:-1, None], column[None, :-1])
    return float(kappa_of(np.maximum(ends, 0.0), distance))


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
    rated = {
        name: sample.estimate(value, *_limits(value, se, sample), f"{name}, {how}", n - 1)
        for name, value, se in zip((*COEFFICIENTS, "observed agreement"), values, ses, strict=True)
    }
    gwet, fleiss, conger, observed = rated.values()
    shares = chosen.sum(axis=1).sum(axis=0) / chosen.sum()
    notes = {
        "Only one category was used: kappa is not defined (0/0). Report the observed agreement.": len(names) == 1,
        f"One category holds {100 * shares.max():.0f}% of the ratings: kappa is low there even where raters agree; "
        "read it beside AC and the observed agreement.": 0.8 < shares.max() < 1,
        "All raters agree on everybody: agreement has no interval here; were the ratings made apart?":
            observed.value == 1,
        "No two raters agree on anybody: is each column a rater, with the same categories?": observed.value == 0,
        "Not everybody was rated by every rater; that is taken to be by chance.": len(rows) < n * r,
    }  # fmt: skip
    says = (
        f"{r} raters, {n} people: Gwet's AC {gwet.text(2)}, Fleiss' kappa {fleiss.text(2)}, Conger's {conger.text(2)}.",
        f"Of the pairs of raters, {100 * observed.value:.0f}% agree (with the weights given).",
    )
    facts = {"gwet": gwet, "fleiss": fleiss, "conger": conger, "observed": observed}
    return Part(
        facts, estimates_table(rated, "coefficient"), says, (*count_cautions(n), *told(notes)),
        ("gwet2008", "fleiss1971", "conger1980"), "Agreement coefficients with their intervals.",
        draw=partial(_draw_rows, rated, "Agreement"),
    )  # fmt: skip


def _table(ratings: Any, least: int) -> pd.DataFrame:
    """Return one row a person, one column a rater, or refuse it."""
    kinds = (pd.DataFrame, np.ndarray, list, tuple)
    errors.check_kind("ratings", ratings, kinds, "one row a person, one column a rater")
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
            f"ratings has {people(len(table), 'rows', 'row')} and {people(table.shape[1], 'columns', 'column')}; at "
            f"least {least} raters (columns){two} of 2 people are needed."
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
    of_raters = chosen.sum(axis=0)[chosen.any(axis=(0, 2))]  # a rater of nobody is no partner of a pair
    of_raters /= of_raters.sum(axis=1, keepdims=True)
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
    frame = _table(ratings, 3)
    table, names = float_array(frame, "ratings"), list(frame.columns)
    if not np.isfinite(table).all():
        row, rater = np.argwhere(~np.isfinite(table))[0]
        raise DataError(f"ratings: {frame.index[row]!r} lacks a score of rater {names[rater]!r}. Leave the row out.")
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
    rows = {"± limit with the mean": with_mean, "± limit between two": between, "SEM (agreement)": sem}
    rows |= {f"bias of {name}": bias for name, bias in biases.items()}
    says = (
        f"One of {r} raters lies within ± {with_mean} of the mean of all for 95% of people ({n} people).",
        f"Two raters lie within ± {between} of each other.",
    )
    facts = {"with_mean": with_mean, "between_two": between, "sem": sem, "biases": biases}
    few = (f"{r} raters stand for all raters: how far raters differ is known from {r - 1} degrees of freedom.",)
    drawn = {f"rater {name}": bias for name, bias in biases.items()}
    return Part(
        facts, estimates_table(rows), says, (*count_cautions(n), *few), ("christensen2020", "graybill1980"),
        "Each rater's bias against the mean of all.", draw=partial(_draw_rows, drawn, f"Rater minus mean ({unit})"),
    )  # fmt: skip


def _draw_rows(rows: dict[str, Estimate], words: str, ax: Any) -> Any:
    return interval_rows(list(rows), list(rows.values()), ax=ax, strong=(0,), unit=words)
