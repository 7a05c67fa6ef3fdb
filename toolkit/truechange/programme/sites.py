"""Funnel plot of sites and therapists: exact limits for chance, shrunken shares, no ranks."""

from collections.abc import Mapping
from functools import partial
from math import nan, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import bdtr, stdtrit

from truechange.foundation.errors import DataError
from truechange.foundation.numbers import fixed, percent, reaches
from truechange.foundation.result import Part, told
from truechange.numerics.intervals import FEW, wilson_limits
from truechange.numerics.resampling import Floats
from truechange.numerics.small_cells import HIDDEN, masked, protect_groups
from truechange.responders.comparing import compare_responders

if TYPE_CHECKING:
    from matplotlib.axes import Axes


FEWEST_UNITS = 5  # below this many units: a table, no limits
SPREAD_UNITS = 10  # from this many units on, limits are widened for over-dispersion
MANY = 0.3  # share without a usable follow-up from which a low share may be that alone; as for the whole programme
LIMITS = {0.95: ("limit95_low", "limit95_high"), 0.998: ("limit998_low", "limit998_high")}
MEANS = ("mean", "mean_low", "mean_high", "mean_shrunken")


def exact_limit(n: int, share: float, level: float) -> float:
    """Return the interpolated binomial limit for a share among `n` people at probability `level`.

    ``r = min{r: F(r) ≥ level}``, ``a = (F(r) − level) / (F(r) − F(r−1))``, limit ``(r − a)/n`` (Spiegelhalter 2005,
    Stat Med 24:1185-1202; formula from memory).
    """
    below = bdtr(np.arange(n + 1), n, share)
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
    if values.size < 2 or not variances.all():  # alone, or everybody's the same: nothing to pull by
        return values.copy(), 0.0
    weight = 1 / variances
    common = float((weight * values).sum() / weight.sum())
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
    frame = pd.DataFrame(columns | {"y": np.asarray(improvement, float)}).dropna()
    slope = float(np.polyfit(frame["x"], frame["y"], 1)[0]) if frame["x"].std() > 0 else 0.0
    flat = frame["y"] - slope * (frame["x"] - frame["x"].mean())
    groups = flat.groupby(frame["unit"])
    n, mean = groups.size(), groups.mean()
    df = max(1, len(flat) - len(n))
    se = np.sqrt(float(((flat - groups.transform("mean")) ** 2).sum()) / df) / n.to_numpy(float) ** 0.5
    half = float(stdtrit(df, (1 + confidence) / 2)) * se
    pulled, _ = pull_together(mean.to_numpy(float), se**2)
    return pd.DataFrame({"mean": mean, "mean_low": mean - half, "mean_high": mean + half, "mean_shrunken": pulled})


def chance_limits(n: int, share: float, level: float, factor: float = 1.0) -> tuple[float, float]:
    """Return both limits at `level` around `share`, their distance from it stretched by `factor`."""
    edges = (exact_limit(n, share, (1 - level) / 2), exact_limit(n, share, (1 + level) / 2))
    low, high = (float(np.clip(share + factor * (edge - share), 0, 1)) for edge in edges)
    return low, high


def funnel(
    unit: Any, improvement: Any, threshold: float, *, before: Any = None, name: str = "site", numbered: bool = False,
    seed: int | None = None,
) -> Part:  # fmt: skip
    """Compare units (sites or therapists) by the share of those due that changed enough.

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
    Part
        Table and ``rows``, one row a unit, in order of its label, never of its result: unit, due, changed_enough,
        share, low, high (Wilson), limit95_low, limit95_high, limit998_low, limit998_high (chance), shrunken, outside;
        and, when the scores before are known, mean, mean_low, mean_high, mean_shrunken (improvement at equal score
        before). ``unit``, ``overall`` (share of everyone), ``dispersion`` (mean squared z, winsorised; 1 means chance
        alone, NaN with fewer than 5 units), ``widened`` (limits widened by its root), ``measured`` (people of each
        unit measured twice), ``unknown`` (people due without a unit, and how many of them changed enough), ``labels``
        (what numbered units are called in the records; never written).

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
    units, values = pd.Series(unit).reset_index(drop=True), pd.Series(np.asarray(improvement, dtype=float))
    known = units.notna() & (units.astype(str) != "")
    if not known.any():
        raise DataError(f"Nobody's {name} is known.")
    whose = units[known].astype(str)
    people = pd.DataFrame({"changed": reaches(values[known], threshold), "measured": values[known].notna()})
    counts = people.groupby(whose).agg(k=("changed", "sum"), n=("changed", "size"), measured=("measured", "sum"))
    if numbered:
        counts = counts.iloc[np.random.default_rng(seed).permutation(len(counts))]
    k, n, measured = (counts[column].to_numpy(int) for column in ("k", "n", "measured"))
    overall, (low, high) = float(k.sum() / n.sum()), wilson_limits(k, n)
    shown = [f"{name} {at + 1}" for at in range(len(k))] if numbered else list(counts.index)
    rows = pd.DataFrame({"unit": shown, "due": n, "changed_enough": k, "share": k / n, "low": low, "high": high})
    dispersion, enough = nan, len(k) >= FEWEST_UNITS
    if enough and 0 < overall < 1:
        dispersion = winsorised_dispersion((k / n - overall) / np.sqrt(overall * (1 - overall) / n))
    widened = dispersion > 1 and len(k) >= SPREAD_UNITS
    for level, names in LIMITS.items():
        edges = (chance_limits(int(size), overall, level, sqrt(dispersion) if widened else 1.0) for size in n)
        rows[[*names]] = list(edges) if enough else nan
    rows["shrunken"], _ = shrunken_shares(k, n)
    rows["outside"] = (rows["share"] < rows["limit998_low"]) | (rows["share"] > rows["limit998_high"])
    if before is not None and values[known].notna().sum() > len(k) + 1:
        means = unit_means(units[known], np.asarray(before, dtype=float)[known], values[known]).reindex(counts.index)
        rows = pd.concat([rows, means.reset_index(drop=True)], axis="columns")
    unknown = int((~known).sum()), int(np.sum(reaches(values[~known], threshold)))
    return _told({
        "rows": rows, "unit": name, "overall": overall, "dispersion": dispersion, "widened": widened,
        "measured": tuple(measured.tolist()), "unknown": unknown, "labels": tuple(counts.index) if numbered else (),
    })  # fmt: skip


def named(units: Part) -> Part:
    """Return the units under the names they have in the records; those are never written otherwise."""
    return _told({**units.facts, "rows": units.rows.assign(unit=units.labels)}) if units.labels else units


def _told(facts: Mapping[str, Any], safe: tuple[str, ...] = ()) -> Part:
    """Return the units with their words and picture, from the numbers that may be told; `safe` cautions if hidden."""
    seen = f"Funnel: share of each {facts['unit']} against its number of people, with limits for chance."
    return Part(
        facts, facts["rows"], (_sentence(facts),), safe or _cautions(facts), ("spiegelhalter2005", "newcombe1998a"),
        seen, partial(_draw, facts), hide=None if safe else partial(_hidden, facts),
    )  # fmt: skip


def _sentence(facts: Mapping[str, Any]) -> str:
    """Say how many units lie outside what chance allows."""
    units, unit, outside = len(facts["rows"]), facts["unit"], facts["rows"]["outside"]
    told_of = facts["rows"][["unit", "changed_enough", "due"]]
    if units == 2 and not (told_of == HIDDEN).any(axis=None):
        (one, k1, n1), (other, k2, n2) = told_of.to_numpy().tolist()
        points = compare_responders(k1, n1, k2, n2).difference.scaled(100, unit="percentage points").text(0)
        return f"{one} less {other}: {points} in the share of those due that changed enough."
    if units < FEWEST_UNITS:
        return f"{units} {unit}s are too few to tell a difference from chance by limits; see the table."
    shown = outside[outside != HIDDEN]
    if shown.empty:
        return f"Too few people of each of the {units} {unit}s to show who changed enough."
    out, of = int(shown.sum()), f"{units}" if len(shown) == units else f"the {len(shown)} shown of {units}"
    word = "lies" if out == 1 else "lie"
    spread = f" Units differ {fixed(facts['dispersion'], 1)} times as much as chance alone would make them."
    return f"{out} of {of} {unit}s {word} outside the 99.8% limits around {percent(facts['overall'])}.{spread}"


def _hidden(facts: Mapping[str, Any]) -> Part:
    """Return the units with small numbers hidden, and what would give them away."""
    rows, unknown = facts["rows"], facts["unknown"]
    sizes, counts, means = protect_groups(rows["due"], rows["changed_enough"], facts["measured"], unknown)
    limits = [name for names in LIMITS.values() for name in names]
    safe = rows
    if counts.any() or sizes.any():  # every limit is a fraction over all units' people
        safe = rows.assign(**{name: rows[name].round(2) for name in (*limits, "shrunken") if name in rows})
    safe = masked(safe, counts, ["changed_enough", "share", "low", "high", "shrunken", "outside"])
    safe = masked(masked(safe, sizes[:-1], ["due", *limits]), means, MEANS)
    cautions = _cautions({**facts, "unknown": ("Some",) if sizes[-1] else unknown})
    return _told({**facts, "rows": safe, "measured": (), "labels": ()}, cautions)


def _draw(facts: Mapping[str, Any], ax: "Axes") -> "Axes":
    """Draw each unit's share against its people with the limits for chance; units under 10 people unlabelled."""
    from truechange.foundation import drawing

    every, unit, overall = facts["rows"], facts["unit"], facts["overall"]
    rows = every[(every[["due", "share"]] != HIDDEN).all(axis="columns")]
    most = int(rows["due"].max())
    if len(every) >= FEWEST_UNITS:
        sizes = np.unique(np.linspace(2, most * 1.1, 60).astype(int))
        stretch = sqrt(facts["dispersion"]) if facts["widened"] else 1.0
        for level, dash in zip(LIMITS, ("--", ":"), strict=True):
            edges = np.array([chance_limits(int(size), overall, level, stretch) for size in sizes])
            for edge in edges.T:
                ax.plot(sizes, edge, color=drawing.QUIET, lw=1, ls=dash)
    drawing.mark_line(ax, overall, f"all, {percent(overall)}", dash="-")
    ax.plot(rows["due"], rows["share"], "o", color=drawing.ACCENT, ms=6)
    for row in rows.to_dict("records"):
        if row["due"] >= FEW:
            word, at = str(row["unit"]).removeprefix(f"{unit} "), (row["due"], row["share"])
            ax.annotate(word, at, xytext=(6, 4), textcoords="offset points", fontsize=8, color=drawing.INK)
    ax.set(xlim=(0, most * 1.15), ylim=(0, 1), xlabel=f"people due, by {unit}")
    ax.set_ylabel("improved by at least the threshold")
    drawing.percent_axis(ax, "y")
    return ax


def _cautions(facts: Mapping[str, Any]) -> tuple[str, ...]:
    due, name, unknown = facts["rows"]["due"].to_numpy(), facts["unit"], facts["unknown"][0]
    small, gaps = int((due < FEW).sum()), int((due * (1 - MANY) >= np.asarray(facts["measured"])).sum())
    return told({
        f"People were not sent to a {name} by lot, and testers differ between {name}s: a difference is a question, not "
        "a verdict.": True,
        "Limits are widened, because units differ by more than chance within a unit explains.":
            facts["widened"],
        f"Drawn without a label: {small} {name}s with fewer than {FEW} people.": small,
        f"In {gaps} of {len(due)} {name}s three in ten or more of those due have no usable follow-up: they count as "
        "not changed, so a low share there may be missing follow-up.": gaps,
        f"{unknown} people have no {name} recorded.": unknown,
    })  # fmt: skip
