"""Comparison with people who did not take part: adjusted difference (ANCOVA, mixed model), shares, subgroups."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from math import copysign, sqrt
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri, stdtr

from truechange.foundation import drawing
from truechange.foundation.errors import ChoiceError, DataError, check_choice, check_kind, listed
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import p_value, percent
from truechange.foundation.result import Part, Refused, gathered, hideable, sources_of, told, worded, wordings
from truechange.meaningful_change.ratings import numbers
from truechange.measures.catalogue import Measure
from truechange.measures.catalogue import measure as measure_of
from truechange.numerics.resampling import Floats, block_size, draw_people, in_blocks, percentile_limits
from truechange.numerics.small_cells import few, masked
from truechange.numerics.variances import Design, fit_reml
from truechange.programme.assumptions import ancova_checks
from truechange.programme.change import QUANTITIES, coefficient, hc3, quantities, t_estimate, welch_difference
from truechange.responders.comparing import compare_responders
from truechange.responders.counting import how_many

FEWEST = 10  # people of a group, and of one kind in a group
WORDS = wordings(__file__)["comparison"]


def adjusted_difference(
    before: Floats, improvement: Floats, group: Floats, confidence: float, unit: str = ""
) -> tuple[Estimate, float, float, float]:
    """Return the difference adjusted for the score before (ANCOVA), its p, the slope, and p for unequal slopes.

    ``improvement ~ before + group`` by least squares with HC3 standard errors; the group's coefficient is that of
    ``after ~ before + group``, turned so that positive = better (textbook form).
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
    how = "normal tail areas at equal score before; bootstrap over people"
    return Estimate(value=whole[0] - whole[1], low=float(low), high=float(high), confidence=confidence, n=before.size,
                    method=how)  # fmt: skip


def subgroup_differences(people: pd.DataFrame, facts: Sequence[str], confidence: float = 0.95) -> pd.DataFrame:
    """Return how much the difference between the groups differs by each fact, one row a level beside the first.

    Interaction in ``improvement ~ before + group × fact`` with HC3 standard errors (textbook form), on the continuous
    improvement. A
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
    says = worded(WORDS, facts, differ=shown, alike=not shown)
    return Part(facts, frame, says, sources=("hopkins2015", "atkinson2015"))


def compare_programmes(
    programme: pd.DataFrame, comparison: pd.DataFrame, threshold: float | str, *, names: tuple[str, str],
    subgroups: Sequence[str] = (), resolution: float = 0.0, unit: str = "", **drawn: Any,
) -> Part:  # fmt: skip
    """Compare two groups of people whose follow-up was due, on one test.

    Parameters
    ----------
    programme, comparison : DataFrame
        One row a person due: before, improvement (NaN without a usable follow-up).
    threshold : float or str
        Smallest change that counts; a text says why there is none, and stands in place of the shares.
    names : tuple of str
        Names of the groups.
    subgroups : sequence of str, optional
        Facts named beforehand by which the difference may differ; columns of both frames.
    resolution, unit : float and str, optional
        Step and unit of the test.
    **drawn
        ``n_boot``, ``seed``, ``confidence`` of the intervals.

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
            need = f"a comparison needs at least {FEWEST}."
            raise DataError(f"{name} has {len(frame)} people with a usable follow-up; {need}")
    confidence = drawn.get("confidence", 0.95)
    both = pd.concat([frame.assign(group=at) for frame, at in zip(groups, (1, 0), strict=True)])
    group, before, gained = (both[name].to_numpy(float) for name in ("group", "before", "improvement"))
    first, second = gained[group == 1], gained[group == 0]
    adjusted, p, slope, parallel = adjusted_difference(before, gained, group, confidence, unit)
    shares: Any = Refused("Responder comparison", str(threshold))
    equal = None
    if not isinstance(threshold, str):
        counts = [(how_many(f["improvement"], threshold), len(f)) for f in (programme, comparison)]
        shares = compare_responders(*counts[0], *counts[1], confidence=confidence, whom="due")
        equal = adjusted_share_difference(before, gained, group, threshold, resolution=resolution, **drawn)
    looked = subgroup_differences(both, subgroups, confidence)
    unseen = listed([fact for fact in subgroups if not looked["fact"].str.startswith(fact).any()] or [""])
    response = individual_response(first, second, confidence, unit)
    about = {"unseen": unseen, "fewest": FEWEST, "looked": len(looked)}
    notes = worded(WORDS, about, by_lot=True, slopes=parallel < 0.05, unseen=unseen, looked=len(looked))
    facts = {
        "flow": None, "checks": ancova_checks(before, gained, group, names, confidence, unit),
        "programme": names[0], "compare": names[1], "unadjusted": welch_difference(first, second, confidence, unit),
        "adjusted": adjusted, "p_value": p, "slope": slope, "parallel_p": parallel, "responders": shares,
        "adjusted_shares": equal, "response": response, "subgroups": looked,
        "refused": (shares,) if isinstance(shares, Refused) else (),
    }  # fmt: skip
    return hideable(_told, _hidden, facts=facts, cautions=gathered(notes, shares, response))


def _hidden(facts: Mapping[str, Any], **_: Any) -> dict[str, Any]:
    """Hide the sizes of subgroups that leave few people over."""
    looked, whole, flow = facts["subgroups"], facts["unadjusted"].n or 0, facts["flow"]
    named = looked["fact"].str.split(":").str[0]
    safe = masked(looked, named.isin(named[few(whole - looked["people"])]), ["people"])
    return {"facts": {**facts, "subgroups": safe, "flow": flow and flow.public()}}


def _told(facts: dict[str, Any], cautions: tuple[str, ...]) -> Part:
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
    more = adjusted.worded("{} more", "{} less")
    first = WORDS["adjusted"].format_map(facts | {"more": more, "p": p_value(facts["p_value"])})
    sources = tuple(dict.fromkeys(("vickers2001", "long2000", *sources_of(shares, response))))
    seen = "Difference of mean improvement, plain and adjusted, with intervals."
    return Part(facts, frame, (first, shares.sentence(), *response.sentences()), cautions, sources, seen,
                partial(_draw, facts), height=1.58)  # fmt: skip


def with_flow(comparison: Part, flow: Part) -> Part:
    """Return the comparison with the flow of those compared with, said ahead of its cautions where somebody is lost."""
    lost = told({f"{comparison.compare}: {flow.sentence()}": flow.compared < flow.started})
    return hideable(_told, _hidden, facts={**comparison.facts, "flow": flow}, cautions=(*lost, *comparison.cautions))


def _draw(facts: Mapping[str, Any], ax: Any) -> Any:
    """Draw the difference with and without adjustment."""
    adjusted = facts["adjusted"]
    ax = drawing.interval_rows(
        ["as measured", "at equal score before"], [facts["unadjusted"], adjusted], ax=ax, strong=(1,),
        unit=f"improvement, {facts['programme']} less {facts['compare']} ({adjusted.unit})",
    )  # fmt: skip
    ax.axvline(0, color=drawing.QUIET, lw=1)
    return ax


FEW_CLUSTERS = 10  # own rule: below it the spread between clusters is hardly known


def compare_groups(
    data: pd.DataFrame, *, measure: str | Measure, group: str, reference: object, before: str = "before",
    after: str = "after", cluster: str | None = None, threshold: float | None = None,
) -> Part:  # fmt: skip
    """Compare the improvement of two groups at equal score before (ANCOVA; mixed model where people share a cluster).

    Parameters
    ----------
    data : DataFrame
        One row a person.
    measure : str or Measure
        The test: its unit, its step, and which direction is better.
    group : str
        Column that says who was in which of the two groups.
    reference : object
        The group of `group` that the other one is compared with.
    before, after : str, optional
        Columns of the scores, in the unit of the test.
    cluster : str, optional
        Column of the therapist, site or class that people share; takes a random intercept.
    threshold : float, optional
        Smallest change that counts, in the unit of the test; without it no shares are compared.

    Returns
    -------
    Part
        As an audit's comparison (``adjusted``, ``p_value``, ``unadjusted``, ``slope``, ``parallel_p`` ...); with
        `cluster` also ``mixed`` (Estimate), ``mixed_p``, ``between`` (share of the variance between clusters) and
        ``clusters``.

    Raises
    ------
    ChoiceError
        A column, the reference or the test is not there, or there are not two groups.
    DataError
        More than one row a person, or fewer than 10 people of a group with both scores.

    Notes
    -----
    ``improvement ~ before + group`` by least squares with HC3 standard errors; the mixed model adds a normal intercept
    for each cluster, variances by REML, the difference by generalised least squares. Its t interval has the degrees of
    freedom of the level at which the groups differ: clusters less 2 where each holds one group, else people less
    clusters less 2 (Schluchter and Elashoff 1990; from memory).
    """
    test = measure_of(measure)
    check_kind("data", data, pd.DataFrame, "a DataFrame with one row a person", DataError)
    for name, column in {"group": group, "before": before, "after": after, "cluster": cluster or group}.items():
        check_choice(name, column, tuple(data.columns))
    if "person" in data and data["person"].duplicated().any():
        raise DataError(f"{listed(data['person'][data['person'].duplicated()].unique())}: more than one row. Give one.")
    names = sorted(data[group].dropna().unique(), key=str)
    check_choice("reference", reference, tuple(names))
    if len(names) != 2:
        raise ChoiceError(f"group={group!r} holds {len(names)} groups ({listed(names)}); leave two in the data.")
    placed = data[data[group].notna() & (data[cluster].notna() if cluster else True)]
    for column in (before, after):
        placed = placed.assign(**{column: numbers(column, placed[column])})
        if len(beyond := placed.index[(placed[column] < test.hard_low) | (placed[column] > test.hard_high)]):
            reach = f"{test.hard_low:g} to {test.hard_high:g} {test.unit}"
            raise DataError(f"{column}: row {listed(beyond)} outside {reach}, the range of {test.name}. Correct it.")
    scores = pd.DataFrame({"before": placed[before], "group": placed[group], "unit": placed[cluster or group]})
    scores["improvement"] = test.improvement(placed[before], placed[after])
    first, second = (scores[scores["group"] == name] for name in sorted(names, key=lambda name: name == reference))
    found = compare_programmes(
        first, second, "Give threshold=." if threshold is None else threshold, resolution=test.resolution,
        names=(str(first["group"].iloc[0]), str(reference)), unit=test.unit,
    )  # fmt: skip
    known = scores.dropna()
    lost, unplaced = len(scores) - len(known), len(data) - len(placed)
    facts, says, frame = dict(found.facts), found.says, found.frame
    words, places = wordings(__file__)["groups"], f"{group}{f' or no {cluster}' if cluster else ''}"
    about = {"cluster": cluster, "lost": lost, "people": len(scores), "unplaced": unplaced, "places": places}
    if cluster:
        facts |= _mixed(known, np.where(known["group"] == reference, 0.0, 1.0), test.unit)
        about |= facts | {"share": percent(facts["between"]), "p": p_value(facts["mixed_p"])}
        says = (says[0], words["mixed"].format_map(about), *says[1:])
        extra = quantities({"the same, clusters as random intercepts": facts["mixed"]}, {"p (mixed)": facts["mixed_p"]})
        frame = pd.concat([frame, extra.reindex(columns=frame.columns)], ignore_index=True)
    few_clusters, nested = facts.get("clusters", FEW_CLUSTERS) < FEW_CLUSTERS, facts.get("nested")
    notes = worded(words, about, lost=lost, unplaced=unplaced, few=few_clusters, nested=nested)
    return replace(found, facts=facts, frame=frame, says=says, cautions=(*found.cautions, *notes), hide=None)


def _mixed(known: pd.DataFrame, group: Floats, unit: str, confidence: float = 0.95) -> dict[str, Any]:
    """Fit ``improvement ~ before + group + (1 | cluster)``: variances by REML, the difference by their weights."""
    codes, names = pd.factorize(known["unit"])
    y, x = known["improvement"].to_numpy(float), known["before"].to_numpy(float)
    fixed = np.column_stack([np.ones(len(y)), x - x.mean(), group])
    nested = len(known[["unit", "group"]].drop_duplicates()) == len(names)
    df = (len(names) if nested else len(y) - len(names)) - 2
    if len(names) < 3 or df < 1:
        raise DataError(f"{len(names)} clusters are too few for a mixed model: give at least 3 (5 where each has one "
                        "group), or leave cluster= out.")  # fmt: skip
    between, within = fit_reml(Design([codes], fixed), y).variances
    whole = np.column_stack([fixed, y])
    sums = np.zeros((len(names), 4))
    np.add.at(sums, codes, whole)
    weights = between / (within + sums[:, :1] * between)
    cross = (whole.T @ whole - (weights * sums).T @ sums) / within
    covariance = np.linalg.inv(cross[:3, :3])
    value, se = float((covariance @ cross[:3, 3])[2]), sqrt(covariance[2, 2])
    how = "mixed model, random intercepts, REML; between-within df"
    mixed = t_estimate(value, se, df, confidence, unit=unit, n=len(y), method=how)
    return {"mixed": mixed, "mixed_p": 2 * float(stdtr(df, -abs(value / se))), "mixed_se": se, "nested": nested,
            "between": float(between / (between + within)), "clusters": len(names)}  # fmt: skip
