"""Sites and therapists beside each other: exact limits for chance, shrunken shares, no ranks."""

from dataclasses import dataclass, field, replace
from math import sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import bdtr, stdtrit

from truechange.foundation.errors import DataError
from truechange.foundation.numbers import fixed, percent, reaches
from truechange.foundation.result import Result
from truechange.numerics.intervals import FEW, wilson_limits
from truechange.numerics.small_cells import HIDDEN, few, masked, protect

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]
FEWEST_UNITS = 5  # below this many units: a table, no limits
SPREAD_UNITS = 10  # from this many units on, limits are widened for over-dispersion
MANY = 0.3  # share without a usable follow-up from which a low share may be that alone; as for the whole programme
LEVELS = (0.95, 0.998)
LIMITS = ("limit95_low", "limit95_high", "limit998_low", "limit998_high")
MEANS = ("mean", "mean_low", "mean_high", "mean_shrunken")


def exact_limit(n: int, share: float, level: float) -> float:
    """Return the interpolated binomial limit for a share among `n` people at probability `level`.

    ``r = min{r: F(r) ≥ level}``, ``a = (F(r) − level) / (F(r) − F(r−1))``, limit ``(r − a)/n`` (Spiegelhalter 2005,
    Stat Med 24:1185-1202; formula from memory).
    """
    counts = np.arange(n + 1)
    below = bdtr(counts, n, share)
    r = int(np.argmax(below >= level))
    before = float(below[r - 1]) if r else 0.0
    return float(np.clip((r - (below[r] - level) / (below[r] - before)) / n, 0, 1))


def winsorised_dispersion(z: Floats, part: float = 0.1) -> float:
    """Return the mean squared z after pulling in the outer `part` at each end: 1 means chance alone."""
    low, high = np.quantile(z, [part, 1 - part])
    return float(np.mean(np.clip(z, low, high) ** 2))


def pull_together(values: Floats, variances: Floats) -> tuple[Floats, float]:
    """Return values pulled towards their common mean, and the variance between units (DerSimonian and Laird).

    With no more spread than chance that variance is 0 and every unit gets the common mean.
    """
    weight = 1 / variances
    common = float((weight * values).sum() / weight.sum())
    if values.size < 2:
        return np.full(values.size, common), 0.0
    q = float((weight * (values - common) ** 2).sum())
    between = max(0.0, (q - (values.size - 1)) / float(weight.sum() - (weight**2).sum() / weight.sum()))
    return common + between / (between + variances) * (values - common), between


def shrunken_shares(k: ArrayLike, n: ArrayLike) -> tuple[Floats, float]:
    """Return each unit's share pulled to the overall one, and the variance between units."""
    k, n = np.asarray(k, dtype=float), np.asarray(n, dtype=float)
    overall = float(k.sum() / n.sum())
    if overall in (0.0, 1.0):
        return np.full(k.size, overall), 0.0
    return pull_together(k / n, overall * (1 - overall) / n)


def unit_means(unit: Any, before: Any, improvement: Any, confidence: float = 0.95) -> pd.DataFrame:
    """Return each unit's mean improvement at equal score before, with its interval, and pulled towards the others.

    Residuals of ``improvement ~ before`` plus the overall mean, one spread for all units. Index: unit; columns:
    mean, mean_low, mean_high, mean_shrunken.
    """
    columns = {"unit": pd.Series(unit).astype("str").to_numpy(), "x": np.asarray(before, float)}
    held = pd.DataFrame(columns | {"y": np.asarray(improvement, float)}).dropna()
    slope = float(np.polyfit(held["x"], held["y"], 1)[0]) if held["x"].std() > 0 else 0.0
    flat = held["y"] - slope * (held["x"] - held["x"].mean())
    groups = flat.groupby(held["unit"])
    n, mean = groups.size(), groups.mean()
    df = max(1, len(flat) - len(n))
    se = np.sqrt(float(((flat - groups.transform("mean")) ** 2).sum()) / df) / n.to_numpy(float) ** 0.5
    half = float(stdtrit(df, (1 + confidence) / 2)) * se
    pulled, _ = pull_together(mean.to_numpy(float), se**2)
    return pd.DataFrame({"mean": mean, "mean_low": mean - half, "mean_high": mean + half, "mean_shrunken": pulled})


@dataclass(frozen=True)
class Funnel(Result):
    """Shares of units (sites or therapists) with the limits that chance alone would allow.

    Parameters
    ----------
    rows : DataFrame
        The columns of :meth:`table`.
    unit : str
        What the units are: ``"site"``, ``"therapist"``.
    overall : float
        Share of everyone together.
    labels : tuple of str
        What the numbered units are called in the records; empty where they are named. Never written.
    measured, unknown : tuple of int
        People of each unit measured twice; people due without a unit, and how many of them changed enough.
    dispersion : float
        Mean squared z of the units, winsorised; 1 means chance alone. NaN with fewer than 5 units.
    widened : bool
        Whether the limits were widened by its root.
    cautions : tuple of str
        What a reader must know.
    """

    rows: pd.DataFrame
    unit: str
    overall: float
    dispersion: float
    widened: bool
    cautions: tuple[str, ...]
    labels: tuple[str, ...] = field(default=(), repr=False)
    measured: tuple[int, ...] = ()
    unknown: tuple[int, int] = (0, 0)
    sources = ("spiegelhalter2005", "newcombe1998a")

    def table(self) -> pd.DataFrame:
        """Return one row a unit, in order of its label, never of its result.

        Columns: unit, due, changed_enough, share, low, high (Wilson), limit95_low, limit95_high, limit998_low,
        limit998_high (chance), shrunken, outside; and, when the scores before are known, mean, mean_low, mean_high,
        mean_shrunken (improvement at equal score before).
        """
        return self.rows.copy()

    def sentences(self) -> tuple[str, ...]:
        """Say how many units lie outside what chance allows."""
        units = len(self.rows)
        if units < FEWEST_UNITS:
            return (f"{units} {self.unit}s are too few to tell a difference from chance by limits; see the table.",)
        told = self.rows.loc[self.rows["outside"] != HIDDEN, "outside"]
        if told.empty:
            return (f"Too few people of each of the {units} {self.unit}s to show who changed enough.",)
        out, of = int(told.sum()), f"{units}" if len(told) == units else f"the {len(told)} shown of {units}"
        word = "lies" if out == 1 else "lie"
        spread = f" Units differ {fixed(self.dispersion, 1)} times as much as chance alone would make them."
        return (f"{out} of {of} {self.unit}s {word} outside the 99.8% limits around {percent(self.overall)}.{spread}",)

    def named(self) -> "Funnel":
        """Return the units under the names they have in the records."""
        return replace(self, rows=self.rows.assign(unit=self.labels)) if self.labels else self

    def public(self) -> "Funnel":
        """Return the units with small numbers hidden, and what would give them away.

        Units and the people of no known unit are parts of those due; those who changed enough are parts of all who
        did; and the width of a mean's interval tells how many people of a unit are behind it.
        """
        due, changed = (self.rows[name].to_numpy(float) for name in ("due", "changed_enough"))
        nobody, they_changed = self.unknown
        sizes = protect([*due, nobody])
        small = few([*changed, they_changed]) | few([*(due - changed), 0]) | [*sizes[:-1], False]
        counts = protect([*changed, they_changed], small)[:-1] | sizes[:-1]
        lost = due - np.asarray(self.measured, dtype=float)
        means = protect([*lost, 0])[:-1] | few(self.measured) | sizes[:-1]
        rows = self.rows
        if counts.any() or sizes.any():  # every limit is a fraction over all units' people
            rows = rows.assign(**{name: rows[name].round(2) for name in (*LIMITS, "shrunken") if name in rows})
        rows = masked(rows, counts, ["changed_enough", "share", "low", "high", "shrunken", "outside"])
        rows = masked(masked(rows, sizes[:-1], ["due", *LIMITS]), means, MEANS)
        cautions = _cautions(self.rows, self.unit, self.widened, "Some" if sizes[-1] else nobody, self.measured)
        return replace(self, rows=rows, cautions=cautions, labels=(), measured=())

    @property
    def alt(self) -> str:
        """The picture in words."""
        return (
            f"Funnel: share of each {self.unit} against its number of people, with limits for chance. "
            + self.sentence()
        )

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw each unit's share against its people with the limits for chance; units under 10 people unlabelled."""
        from truechange.foundation import drawing

        ax, rows = drawing.axes(ax), self.rows[(self.rows[["due", "share"]] != HIDDEN).all(axis="columns")]
        most = int(rows["due"].max())
        if len(self.rows) >= FEWEST_UNITS:
            sizes = np.unique(np.linspace(2, most * 1.1, 60).astype(int))
            factor = sqrt(self.dispersion) if self.widened else 1.0
            for level, dash in zip(LEVELS, ("--", ":"), strict=True):
                edges = np.array([chance_limits(int(n), self.overall, level, factor) for n in sizes])
                for edge in edges.T:
                    ax.plot(sizes, edge, color=drawing.QUIET, lw=1, ls=dash)
        drawing.mark_line(ax, self.overall, f"all, {percent(self.overall)}", dash="-")
        ax.plot(rows["due"], rows["share"], "o", color=drawing.ACCENT, ms=6)
        for row in rows.to_dict("records"):
            if row["due"] >= FEW:
                word, at = str(row["unit"]).removeprefix(f"{self.unit} "), (row["due"], row["share"])
                ax.annotate(word, at, xytext=(6, 4), textcoords="offset points", fontsize=8, color=drawing.INK)
        ax.set_ylim(0, 1)
        ax.set_xlim(0, most * 1.15)
        drawing.percent_axis(ax, "y")
        ax.set_xlabel(f"people due, by {self.unit}")
        ax.set_ylabel("changed by at least the threshold")
        return ax


def chance_limits(n: int, share: float, level: float, factor: float = 1.0) -> tuple[float, float]:
    """Return both limits at `level` around `share`, their distance from it stretched by `factor`."""
    edges = (exact_limit(n, share, (1 - level) / 2), exact_limit(n, share, (1 + level) / 2))
    low, high = (float(np.clip(share + factor * (edge - share), 0, 1)) for edge in edges)
    return low, high


def funnel(
    unit: Any,
    improvement: Any,
    threshold: float,
    *,
    before: Any = None,
    name: str = "site",
    numbered: bool = False,
    seed: int | None = None,
) -> Funnel:
    """Compare units by the share of those due that changed enough.

    Parameters
    ----------
    unit : array-like of str, shape (n,)
        Site or therapist of everyone due.
    improvement : array-like of float, shape (n,)
        Improvement, NaN without a usable follow-up (counts as not shown).
    threshold : float
        Smallest change that counts, in the test's unit.
    before : array-like of float, shape (n,), optional
        Scores before, for mean improvements at equal score before.
    name : str, optional
        What the units are.
    numbered : bool, optional
        Number the units, in random order, instead of naming them.
    seed : int, optional
        Of that order; by default it is another one each time, so that two reports cannot be linked.

    Returns
    -------
    Funnel

    Raises
    ------
    DataError
        Nobody's unit is known.

    Examples
    --------
    >>> found = funnel(["A"] * 12 + ["B"] * 15, [3] * 6 + [0] * 6 + [3] * 9 + [0] * 6, 2)
    >>> found.table()[["unit", "changed_enough", "due"]].values.tolist()
    [['A', 6, 12], ['B', 9, 15]]
    """
    units = pd.Series(unit).reset_index(drop=True)
    values = pd.Series(np.asarray(improvement, dtype=float))
    known = units.notna() & (units.astype(str) != "")
    if not known.any():
        raise DataError(f"Nobody's {name} is known.")
    grouped = pd.Series(reaches(values[known], threshold)).groupby(units[known].astype(str))
    k, n = grouped.sum().astype(int), grouped.size()
    if numbered:
        order = np.random.default_rng(seed).permutation(len(k))
        k, n = k.iloc[order], n.iloc[order]
    measured = values[known].notna().groupby(units[known].astype(str)).sum().reindex(k.index)
    overall = float(k.sum() / n.sum())
    low, high = wilson_limits(k, n)
    shrunken, _ = shrunken_shares(k, n)
    shown = [f"{name} {at + 1}" for at in range(len(k))] if numbered else list(k.index)
    rows = pd.DataFrame({"unit": shown, "due": n.to_numpy(), "changed_enough": k.to_numpy()})
    rows = rows.assign(share=k.to_numpy() / n.to_numpy(), low=low, high=high)
    dispersion, widened = float("nan"), False
    if len(k) >= FEWEST_UNITS and 0 < overall < 1:
        z = (rows["share"] - overall) / np.sqrt(overall * (1 - overall) / rows["due"])
        dispersion = winsorised_dispersion(z.to_numpy())
        widened = dispersion > 1 and len(k) >= SPREAD_UNITS
    factor = sqrt(dispersion) if widened else 1.0
    for level, word in zip(LEVELS, ("limit95", "limit998"), strict=True):
        edges = np.full((len(k), 2), np.nan)
        if len(k) >= FEWEST_UNITS:
            edges = np.array([chance_limits(int(size), overall, level, factor) for size in n])
        rows = rows.assign(**{f"{word}_low": edges[:, 0], f"{word}_high": edges[:, 1]})
    outside = (rows["share"] < rows["limit998_low"]) | (rows["share"] > rows["limit998_high"])
    rows = rows.assign(shrunken=shrunken, outside=outside)
    if before is not None and values[known].notna().sum() > len(k) + 1:
        means = unit_means(units[known], np.asarray(before, dtype=float)[known], values[known]).reindex(k.index)
        rows = pd.concat([rows, means.reset_index(drop=True)], axis="columns")
    unknown = int((~known).sum()), int(np.sum(reaches(values[~known], threshold)))
    return Funnel(
        rows, name, overall, dispersion, widened, _cautions(rows, name, widened, unknown[0], tuple(measured)),
        tuple(k.index) if numbered else (), tuple(measured), unknown,
    )  # fmt: skip


def _cautions(
    rows: pd.DataFrame, name: str, widened: bool, unknown: int | str, measured: tuple[int, ...]
) -> tuple[str, ...]:
    notes = [
        (
            f"People were not sent to a {name} by lot, and testers differ between {name}s: a difference is a question, "
            "not a verdict."
        )
    ]
    if widened:
        notes.append("Limits are widened, because units differ by more than chance within a unit explains.")
    if small := int((rows["due"] < FEW).sum()):
        notes.append(f"{small} {name}s with fewer than {FEW} people are drawn without a label.")
    if gaps := int((rows["due"].to_numpy() * (1 - MANY) >= np.asarray(measured)).sum()):
        notes.append(
            f"In {gaps} of {len(rows)} {name}s three in ten or more of those due have no usable follow-up: they count "
            "as not changed, so a low share there may be missing follow-up."
        )
    if unknown:
        notes.append(f"{unknown} people have no {name} recorded.")
    return tuple(notes)
