"""Comparison with people who did not take part: adjusted difference, shares, subgroups, and individual response."""

from collections.abc import Mapping, Sequence
from functools import partial
from math import copysign, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri, stdtr

from truechange.foundation.errors import DataError, listed
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import p_value
from truechange.foundation.result import Part, gathered, told
from truechange.numerics.resampling import block_size, draw_people, in_blocks, percentile_limits
from truechange.numerics.small_cells import few, masked
from truechange.programme.assumptions import ancova_checks
from truechange.programme.parts import (
    QUANTITIES,
    Floats,
    Refused,
    coefficient,
    hc3,
    quantities,
    sources_of,
    welch_difference,
)
from truechange.responders import compare_responders
from truechange.responders.counting import how_many

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FEWEST = 10  # people of a group, and of one kind in a group
BY_LOT = "The groups were not necessarily formed by lot: adjusted for the score before only."
SLOPES = "The effect of the score before differs between the groups; one adjusted difference is a summary."


def adjusted_difference(
    before: Floats, improvement: Floats, group: Floats, confidence: float, unit: str = ""
) -> tuple[Estimate, float, float, float]:
    """Return the difference adjusted for the score before (ANCOVA), its p, the slope, and p for unequal slopes.

    ``improvement ~ before + group`` by least squares with HC3 standard errors; the group's coefficient is that of
    ``after ~ before + group``, turned so that positive = better.
    """
    centred, group = before - before.mean(), group.astype(float)
    fit, wider = hc3(improvement, centred, group), hc3(improvement, centred, group, centred * group)
    t = float(wider.params[3] / wider.bse[3])
    difference = coefficient(fit, 2, confidence, "analysis of covariance, HC3", unit)
    return difference, float(fit.pvalues[2]), float(fit.params[1]), 2 * float(stdtr(wider.df_resid, -abs(t)))


def adjusted_share_difference(
    before: Floats, improvement: Floats, group: Floats, threshold: float, *, resolution: float = 0.0,
    n_boot: int = 1000, seed: int = 0, confidence: float = 0.95,
) -> Estimate:  # fmt: skip
    """Return the difference of shares at equal score before, from normal tail areas around the adjusted means.

    Each group has its own line ``improvement ~ before`` and its own residual spread; everyone's chance of reaching the
    threshold (less half a step of the test) is averaged over all scores before, in both groups. More efficient than
    cutting first (Peacock and others 2012, from memory). Bootstrap over people within groups.
    """
    cut = threshold - resolution / 2
    parts = [(before[group == at], improvement[group == at]) for at in (1, 0)]

    def share(x: Floats, y: Floats) -> Floats:
        mx, my = x.mean(axis=1, keepdims=True), y.mean(axis=1, keepdims=True)
        ssx = ((x - mx) ** 2).sum(axis=1, keepdims=True)
        slope = ((x - mx) * (y - my)).sum(axis=1, keepdims=True) / np.where(ssx > 0, ssx, 1)
        spread = np.sqrt(((y - my - slope * (x - mx)) ** 2).sum(axis=1, keepdims=True) / (x.shape[1] - 2))
        return ndtr((my + slope * (before[None, :] - mx) - cut) / np.maximum(spread, 1e-12)).mean(axis=1)

    def resample(rng: np.random.Generator, size: int) -> Floats:
        drawn = [(x[pick], y[pick]) for x, y in parts for pick in (draw_people(rng, size, x.size),)]
        return (share(*drawn[0]) - share(*drawn[1]))[:, None]

    draws = in_blocks(resample, n_boot, seed=seed, block=block_size(before.size, n_boot))[:, 0]
    low, high = percentile_limits(draws, confidence)
    whole = [float(share(x[None, :], y[None, :])[0]) for x, y in parts]
    return Estimate(
        value=whole[0] - whole[1], low=float(low), high=float(high), confidence=confidence, n=before.size,
        method="normal tail areas at equal score before; bootstrap over people",
    )  # fmt: skip


def subgroup_differences(people: pd.DataFrame, facts: Sequence[str], confidence: float = 0.95) -> pd.DataFrame:
    """Return how much the difference between the groups differs by each fact, one row a level beside the first.

    Interaction in ``improvement ~ before + group × fact`` with HC3 standard errors, on the continuous improvement. A
    number is taken per unit, a kind level by level; a cell with fewer than 10 people gives no row. Columns: fact,
    estimate, low, high, p, people.

    Parameters
    ----------
    people : DataFrame
        before, improvement, group (1 programme, 0 comparison) and the facts.
    facts : sequence of str
        Named beforehand.
    confidence : float, optional
        Level of the intervals.
    """
    rows = []
    for fact in facts:
        known = people.dropna(subset=["before", "improvement", fact])
        number = pd.api.types.is_numeric_dtype(known[fact])
        first, *levels = [None, None] if number else sorted(known[fact].astype(str).unique())
        for level in levels:
            two = known if number else known[known[fact].astype(str).isin([first, level])]
            x = two[fact].to_numpy(float) if number else (two[fact].astype(str) == level).to_numpy(float)
            group = two["group"].to_numpy(float)
            if not number and min(((x == a) & (group == b)).sum() for a in (0, 1) for b in (0, 1)) < FEWEST:
                continue
            x = x - x.mean()
            fit = hc3(two["improvement"].to_numpy(float), two["before"].to_numpy(float), group, x, group * x)
            found = coefficient(fit, 4, confidence, "interaction, HC3")
            name, p = fact if number else f"{fact}: {level} less {first}", float(fit.pvalues[4])
            rows.append((name, found.value, found.low, found.high, p, len(two)))
    return pd.DataFrame(rows, columns=["fact", "estimate", "low", "high", "p", "people"])


def signed_root(value: float) -> float:
    """Return the square root with the sign kept."""
    return copysign(sqrt(abs(value)), value)


def individual_response(programme: Floats, comparison: Floats, confidence: float = 0.95, unit: str = "") -> Part:
    """Compare the spread of change with that of people who did not take part (individual response).

    Parameters
    ----------
    programme, comparison : ndarray
        Improvements, no missing values.
    confidence : float, optional
        Level of the interval.
    unit : str, optional
        Unit of the test.

    Returns
    -------
    Part
        ``value`` (Estimate of the SD of the response itself, signed), ``variance`` (its square, with the interval the
        root is taken from), ``sd_programme``, ``sd_comparison``, ``shown`` (whether the interval leaves out 0).

    Notes
    -----
    ``SD_IR² = SD_T² − SD_C²`` with standard error ``√(2 SD_T⁴/df_T + 2 SD_C⁴/df_C)`` (Hopkins 2015; from memory).
    """
    v1, v2 = float(np.var(programme, ddof=1)), float(np.var(comparison, ddof=1))
    se = sqrt(2 * v1**2 / (programme.size - 1) + 2 * v2**2 / (comparison.size - 1))
    half, gap = float(ndtri((1 + confidence) / 2)) * se, v1 - v2
    shared: dict[str, Any] = {"confidence": confidence, "n": programme.size + comparison.size}
    variance = Estimate(value=gap, low=gap - half, high=gap + half, method="difference of variances, normal", **shared)
    value = Estimate(
        value=signed_root(gap), low=signed_root(gap - half), high=signed_root(gap + half), unit=unit,
        method="signed root of the difference of variances", **shared,
    )  # fmt: skip
    shown = value.low > 0
    facts = {"value": value, "variance": variance, "sd_programme": sqrt(v1), "sd_comparison": sqrt(v2), "shown": shown}
    frame = quantities({"SD of individual response": value, "its variance": variance},
                       {"SD of change, programme": sqrt(v1), "SD of change, comparison": sqrt(v2)})  # fmt: skip
    says = told({
        f"People differ in their response: its SD is {value}.": shown,
        f"No evidence that people differ in their response (SD of individual response {value}): everyone improving by "
        "about the same amount fits the data, so searching for responder types is off.": not shown,
    })  # fmt: skip
    return Part(facts, frame, says, sources=("hopkins2015", "atkinson2015"))


def compare_programmes(
    programme: pd.DataFrame, comparison: pd.DataFrame, threshold: float | None, *, names: tuple[str, str],
    why_no_threshold: str = "", subgroups: Sequence[str] = (), resolution: float = 0.0, unit: str = "",
    n_boot: int = 1000, seed: int = 0, confidence: float = 0.95,
) -> Part:  # fmt: skip
    """Compare two groups of people whose follow-up was due, on one test.

    Parameters
    ----------
    programme, comparison : DataFrame
        One row a person due: before, improvement (NaN without a usable follow-up).
    threshold : float or None
        Smallest change that counts; None leaves the shares out.
    names : tuple of str
        Names of the groups.
    why_no_threshold : str, optional
        Reason shown in place of the shares.
    subgroups : sequence of str, optional
        Facts named beforehand by which the difference may differ; columns of both frames.
    resolution, unit : float and str, optional
        Step and unit of the test.
    n_boot, seed, confidence
        Of the intervals.

    Returns
    -------
    Part
        ``unadjusted`` (Welch), ``adjusted`` (at equal score before; ANCOVA, HC3) with ``p_value``, ``slope`` and
        ``parallel_p`` (whether it differs between the groups), ``responders`` (shares of those due, or refused),
        ``adjusted_shares``, ``response`` (individual response), ``subgroups`` (DataFrame), ``refused`` (parts),
        ``checks`` (what the adjustment rests on), ``flow`` (of those compared with, where known).

    Raises
    ------
    DataError
        Fewer than 10 people with a usable follow-up in a group.
    """
    groups = [frame.dropna(subset=["before", "improvement"]) for frame in (programme, comparison)]
    for frame, name in zip(groups, names, strict=True):
        if len(frame) < FEWEST:
            raise DataError(
                f"{name} has {len(frame)} people with a usable follow-up; a comparison needs at least {FEWEST}."
            )
    first, second = (frame["improvement"].to_numpy(float) for frame in groups)
    group = np.repeat([1.0, 0.0], [first.size, second.size])
    before, gained = (
        np.concatenate([frame["before"].to_numpy(float) for frame in groups]),
        np.concatenate([first, second]),
    )
    adjusted, p, slope, parallel = adjusted_difference(before, gained, group, confidence, unit)
    shares: Any = Refused("Responder comparison", why_no_threshold)
    equal, drawn = None, {"n_boot": n_boot, "seed": seed, "confidence": confidence}
    if threshold is not None:
        counts = [(how_many(f["improvement"], threshold), len(f)) for f in (programme, comparison)]
        shares = compare_responders(*counts[0], *counts[1], confidence=confidence, whom="due")
        equal = adjusted_share_difference(before, gained, group, threshold, resolution=resolution, **drawn)  # type: ignore[arg-type]
    both = pd.concat([frame.assign(group=at) for frame, at in zip(groups, (1, 0), strict=True)])
    looked = subgroup_differences(both, subgroups, confidence)
    unseen = listed([fact for fact in subgroups if not looked["fact"].str.startswith(fact).any()] or [""])
    response = individual_response(first, second, confidence, unit)
    notes = told({
        BY_LOT: True, SLOPES: parallel < 0.05,
        f"Not compared by {unseen}: a group has fewer than {FEWEST} people of each kind.": unseen,
        f"{len(looked)} subgroup comparisons were looked at; a difference in one is a question for later.": len(looked),
    })  # fmt: skip
    facts = {
        "flow": None, "checks": ancova_checks(before, gained, group, names, confidence, unit),
        "programme": names[0], "compare": names[1], "unadjusted": welch_difference(first, second, confidence, unit),
        "adjusted": adjusted, "p_value": p, "slope": slope, "parallel_p": parallel, "responders": shares,
        "adjusted_shares": equal, "response": response, "subgroups": looked,
        "refused": (shares,) if isinstance(shares, Refused) else (),
    }  # fmt: skip
    return _told(facts, gathered(notes, shares, response))


def _told(facts: Mapping[str, Any], cautions: tuple[str, ...]) -> Part:
    """Return the comparison with its table, words and picture, from the numbers that may be told."""
    adjusted, shares, response, looked = (facts[name] for name in ("adjusted", "responders", "response", "subgroups"))
    pieces = [
        quantities({"difference of mean improvements": facts["unadjusted"],
                    "the same, adjusted for score before": adjusted},
                   {"p (adjusted)": facts["p_value"], "p (slopes differ)": facts["parallel_p"]}),
        *([] if facts["refused"] else [shares.table()]),
        quantities({"difference of shares, adjusted": facts["adjusted_shares"]}),
        response.table(), looked.assign(quantity="differs by " + looked["fact"], method="interaction, HC3"),
    ]  # fmt: skip
    frame = pd.concat([piece for piece in pieces if len(piece)], ignore_index=True)[list(QUANTITIES)]
    first = (
        f"Compared with {facts['compare']}, people in {facts['programme']} improved by {adjusted} more at equal score "
        f"before ({p_value(facts['p_value'])})."
    )
    sources = tuple(dict.fromkeys(("vickers2001", "long2000", *sources_of(shares, response))))
    return Part(
        facts, frame, (first, shares.sentence(), *response.sentences()), cautions, sources, draw=partial(_draw, facts),
        seen="Difference of mean improvement, plain and adjusted, with intervals.",
        hide=partial(_hidden, facts, cautions), height=1.58,
    )  # fmt: skip


def with_flow(comparison: Part, flow: Part) -> Part:
    """Return the comparison with the flow of those compared with, said ahead of its cautions where somebody is lost."""
    lost = told({f"{comparison.compare}: {flow.sentence()}": flow.compared < flow.started})
    return _told({**comparison.facts, "flow": flow}, (*lost, *comparison.cautions))


def _hidden(facts: Mapping[str, Any], cautions: tuple[str, ...]) -> Part:
    """Return the comparison without the sizes of subgroups that leave few people over."""
    looked, whole = facts["subgroups"], facts["unadjusted"].n or 0
    named = looked["fact"].str.split(":").str[0]
    safe = masked(looked, named.isin(named[few(whole - looked["people"])]), ["people"])
    flow = facts["flow"] and facts["flow"].public()
    return _told({**facts, "subgroups": safe, "flow": flow}, cautions)


def _draw(facts: Mapping[str, Any], ax: "Axes") -> "Axes":
    """Draw the difference with and without adjustment."""
    from truechange.foundation import drawing

    adjusted = facts["adjusted"]
    ax = drawing.interval_rows(
        ["as measured", "at equal score before"], [facts["unadjusted"], adjusted], ax=ax, strong=(1,),
        unit=f"improvement, {facts['programme']} less {facts['compare']} ({adjusted.unit})",
    )  # fmt: skip
    ax.axvline(0, color=drawing.QUIET, lw=1)
    return ax
