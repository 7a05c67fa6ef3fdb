"""Two groups compared straight from a table (ANCOVA, and a mixed model with therapist or site as cluster)."""

from dataclasses import replace
from math import sqrt
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtr

from truechange.foundation.errors import ChoiceError, DataError, check_choice, check_kind, listed
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import p_value, percent
from truechange.foundation.result import Part, told
from truechange.meaningful_change.ratings import numbers
from truechange.measures import Measure
from truechange.measures import measure as measure_of
from truechange.numerics.variances import Design, fit_reml
from truechange.programme.comparison import compare_programmes
from truechange.programme.parts import Floats, quantities, t_estimate

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
        first, second, threshold, names=(str(first["group"].iloc[0]), str(reference)), unit=test.unit,
        why_no_threshold="Give threshold=.", resolution=test.resolution,
    )  # fmt: skip
    known = scores.dropna()
    lost, unplaced = len(scores) - len(known), len(data) - len(placed)
    facts, says, frame, notes = dict(found.facts), found.says, found.frame, found.cautions
    if cluster:
        more = _mixed(known, np.where(known["group"] == reference, 0.0, 1.0), test.unit)
        facts |= more
        says = (says[0], _clustered(more, cluster), *says[1:])
        extra = quantities({"the same, clusters as random intercepts": more["mixed"]}, {"p (mixed)": more["mixed_p"]})
        frame = pd.concat([frame, extra.reindex(columns=frame.columns)], ignore_index=True)
    notes += told({
        f"{lost} of {len(scores)} people lack a score before or after and are in no mean.": lost,
        f"{unplaced} people have no {group}{f' or no {cluster}' if cluster else ''} and are left out.": unplaced,
        f"Only {facts.get('clusters')} of {cluster}: how far they differ is hardly known.":
            facts.get("clusters", FEW_CLUSTERS) < FEW_CLUSTERS,
        f"Each {cluster} has one group only: what the {cluster} does cannot be told from what the group does.":
            facts.get("nested", False),
    })  # fmt: skip
    return replace(found, facts=facts, frame=frame, says=says, cautions=notes, hide=None)


def _clustered(more: dict[str, Any], cluster: str) -> str:
    return (
        f"With {cluster} as a random intercept ({more['clusters']} of them; {percent(more['between'])} of the variance "
        f"of improvement lies between them) the difference is {more['mixed']} ({p_value(more['mixed_p'])})."
    )


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
    mixed: Estimate = t_estimate(value, se, df, confidence, unit=unit, n=len(y), method=how)
    return {"mixed": mixed, "mixed_p": 2 * float(stdtr(df, -abs(value / se))), "mixed_se": se, "nested": nested,
            "between": float(between / (between + within)), "clusters": len(names)}  # fmt: skip
