"""The fixed rule of an MCID study: what each method is good for on these people, and which one is recommended."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from truechange.foundation.entry import Entry
from truechange.foundation.errors import check_confidence, check_kind, check_resamples
from truechange.foundation.estimate import Estimate, Sem, read_sem
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.numbers import people as counted
from truechange.foundation.result import told
from truechange.meaningful_change import ratings
from truechange.meaningful_change.draws import LEAST
from truechange.meaningful_change.estimators import METHODS, Layout, Rows, estimate_rows, kept_of
from truechange.meaningful_change.ratings import NEEDED_IN_CATEGORY, WEAK, AnchorCheck, RatedPeople
from truechange.numerics.curves import fit_outcomes
from truechange.numerics.resampling import Cuts, Floats, roc_rows

LEAST_SEPARATED, LEAST_TWO_STATE, LEAST_ROC = 30, 150, 20
LEAST_TAKEN_IN = 80  # people for two states with an entry rule, where no other method is right
STATE_BIAS = 0.15


def gap(layout: Layout) -> tuple[float, float] | None:
    """Return the two changes between which the groups part, if improved people all changed more than the others."""
    hits, misses = layout.by_group(layout.kinds.counts[None], layout.steps)
    if not (hits.any() and misses.any()):
        return None
    low, high = layout.steps[0][misses[0] > 0].max(), layout.steps[0][hits[0] > 0].min()
    return (float(low), float(high)) if high >= low else None


def uses_of(people: RatedPeople, check: AnchorCheck, layout: Layout, rows: Rows) -> dict[str, str]:
    """Say for each method what it is good for, or why it was not computed or is not to be used."""
    hits, misses = layout.by_group(layout.kinds.counts[None], layout.steps)
    tied = roc_rows(layout.steps[0], hits, misses).cuts
    anchor = "" if check.single_value else "do not use: too few or too many improved"
    anchor = anchor if check.usable else "do not use: the rating is not an anchor for this test"
    nothing = no_estimate(people, rows)
    return {
        name: _why_not(name, people, rows, nothing) or _strained(name, people, tied) or anchor or method.use
        for name, method in METHODS.items()
    }


def no_estimate(people: RatedPeople, rows: Rows) -> str:
    """Return why no method can tell anything from these people; empty if one can."""
    if people.n < LEAST:
        return f"fewer than {LEAST} people"
    if people.improved.all() or not people.improved.any():
        return f"{'everybody' if people.improved.all() else 'nobody'} rated themselves improved"
    return "" if rows["sd"][0] > 0 else "the change does not vary"


def _in_category(name: str, people: RatedPeople) -> int:
    """Return how many people the rating has that a category method is about, the smaller number of two."""
    little, same = (int(np.sum(people.rating == rating)) for rating in (people.cut, people.cut - 1))
    return {"mean_change": little, "mean_difference": min(little, same), "detectability_limit": same}[name]


def _why_not(name: str, people: RatedPeople, rows: Rows, nothing: str) -> str:
    """Say why a method was not computed; empty if it was."""
    needs, reason = METHODS[name].needs, ""
    if needs == "category":
        if people.n < LEAST:
            reason = nothing
        elif _in_category(name, people) < (2 if name == "detectability_limit" else 1):
            reason = "too few people in the rating it is about"
    elif nothing:
        reason = nothing
    elif needs in ("sem", "scores", "ratings") and "change_reliability" not in rows:
        reason = "needs the test's SEM (sem=)"
    elif needs in ("sem", "scores", "ratings") and not rows["change_reliability"][0] > 0:
        reason = "all observed spread of change is measurement error"
    elif needs == "scores" and (people.before is None or people.after is None):
        reason = "needs before= and after="
    elif not np.isfinite(rows.get(name, np.full(1, np.nan))[0]):
        reason = "improved ratings do not become more likely as the change grows"
        if needs == "scores":
            reason = "the true scores vary too little, or the rating does not follow the second score"
    return f"not computed: {reason}" if reason else ""


def _strained(name: str, people: RatedPeople, tied: dict[str, Cuts]) -> str:
    """Say what is weak about a method that was computed; empty if nothing is."""
    needs = METHODS[name].needs
    if needs == "category" and _in_category(name, people) < NEEDED_IN_CATEGORY:
        return f"do not use: only {_in_category(name, people)} people in a rating"
    least = LEAST_TWO_STATE if people.entry is None else LEAST_TAKEN_IN
    if needs == "scores" and people.n < least:
        return f"do not use: fewer than {least} people"
    if people.entry is not None and (needs in ("sem", "ratings") or name == "predictive_adjusted_2022"):
        return "do not use: people were taken in for a poor first score, and its curve is not everybody's"
    if needs == "roc":
        cuts, fewer = tied[name.removeprefix("roc_")], min(people.improved.sum(), (~people.improved).sum())
        parts = [f"cuts from {cuts.low[0]:g} to {cuts.high[0]:g} tie"] if cuts.high[0] > cuts.low[0] else []
        parts += [f"fewer than {LEAST_ROC} people on one side"] if fewer < LEAST_ROC else []
        return "; ".join((METHODS[name].use, *parts)) if parts else ""
    return ""


class Asked(NamedTuple):
    """One question of the fixed rule: what was asked, what these people showed, and what followed."""

    question: str
    seen: str
    so: str


def choose(
    people: RatedPeople, check: AnchorCheck, rows: Rows, uses: dict[str, str], parted: bool
) -> tuple[str, str, list[Asked]]:
    """Return the recommended method, or an empty name and why nothing is recommended; and the questions that led there.

    Two states where people were taken in by a known rule, or seem to rate how they are (and there are enough of them);
    else the latent threshold; else, without the test's SEM, the 2022 adjustment over a range of anchor reliability;
    else nothing.
    """
    sifted, known = people.entry is not None, "change_reliability" in rows
    bias = float(rows["present_state_bias"][0]) if "present_state_bias" in rows else 0.0
    states = abs(bias) > STATE_BIAS and people.n >= LEAST_TWO_STATE
    method = "latent_threshold" if known else "predictive_adjusted_2022"
    method = "latent_threshold_two_state" if sifted or states else method
    repair = "" if known else "the repair for that needs the test's SEM (sem=)"
    repair = repair or (f"the repair needs {LEAST_TAKEN_IN} people" if people.n < LEAST_TAKEN_IN else "")
    found, share = check.correlation.text(2), percent(check.improved.value)
    questions = [
        (f"Are there {LEAST} people, and do rating and change vary?", f"{people.n} people", no_estimate(people, rows)),
        (f"Do rating and change correlate by at least {WEAK:.2f}?", found,
         "" if check.usable else f"the rating is not an anchor for this test (correlation {found})"),
        ("Did 10% to 90% rate themselves improved?", share,
         "" if check.single_value else f"{share} rated themselves improved, outside 10% to 90%"),
        (f"Do the improved and the others overlap, or are there {LEAST_SEPARATED} people?",
         f"no overlap, {people.n} people" if parted else "they overlap",
         f"the groups do not overlap and there are fewer than {LEAST_SEPARATED} people"
         if parted and people.n < LEAST_SEPARATED else ""),
        ("Is a rule known by which people were taken in for a poor first score?", "yes" if sifted else "none stated",
         f"people were taken in for a poor first score, and {repair}" if sifted and repair else ""),
        ("Is the measurement error of the test known?", "yes" if known else "no", ""),
        (f"Do people rate how they are (present-state bias beyond {STATE_BIAS:g}, asked of {LEAST_TWO_STATE} people)?",
         f"{fixed(bias, 2)}, {people.n} people" if "present_state_bias" in rows else "cannot be told", ""),
    ]  # fmt: skip
    asked = []
    for question, seen, stop in questions:
        asked.append(Asked(question, seen, f"no value: {stop}" if stop else "go on"))
        if stop:
            return "", stop, asked
    value = float(rows.get(method, np.full(1, np.nan))[0])
    stop = uses[method].removeprefix("not computed: ") if uses[method].startswith("not computed") else ""
    if value < 0:
        stop = f"the estimate is negative ({fixed(value, 2)}): people who got worse rated themselves better"
    words = METHODS[method].words
    asked.append(Asked(f"Does the {words} give a value of at least 0?", "no" if stop else "yes", stop or words))
    return "" if stop else method, stop, asked


class Begun(NamedTuple):
    """What a study knows before it resamples: people, checks, estimates, and what its rule chose (nothing: why not)."""

    people: RatedPeople
    error: Sem | None
    unit: str
    check: AnchorCheck
    layout: Layout
    rows: Rows
    ends: tuple[float, float] | None
    method: str
    refused: str
    asked: list[Asked]
    uses: dict[str, str]


def begin(
    rated: Mapping[str, Any], sem: float | Estimate | None, sem_df: float | None, unit: str, resolution: float,
    entry: Entry | None, drawn: tuple[int, int, float],
) -> Begun:  # fmt: skip
    """Check what was given (`drawn`: resamples, seed, confidence), estimate once, and go through the fixed rule."""
    *resampled, confidence = drawn
    check_confidence(confidence)
    check_resamples(*resampled)
    check_kind("entry", entry, (Entry, type(None)), "an entry rule made with tc.Entry(cut, ...)")
    if entry is not None and not entry.step:
        entry = replace(entry, step=resolution)
    people = ratings.rated_people(**rated, entry=entry)
    error = None if sem is None else read_sem(sem, sem_df, unit=unit)
    unit = unit or ("" if error is None else error.estimate.unit)
    check, layout = ratings.check_people(people, confidence=confidence), Layout.of(people)
    rows = estimate_rows(layout, layout.kinds.counts[None], None if error is None else np.array([error.value**2]))
    uses, ends = uses_of(people, check, layout, rows), gap(layout)
    method, refused, asked = choose(people, check, rows, uses, ends is not None)
    uses |= {method: "recommended"} if method else {}
    return Begun(people, error, unit, check, layout, rows, ends, method, refused, asked, uses)


def doubts_of(check: AnchorCheck, method: str, low: float, assumed: bool, parted: bool) -> tuple[str, ...]:
    """Say why a recommended value may not be leaned on: own rules, fixed before any data.

    Parameters
    ----------
    check : AnchorCheck
        The checks of the rating.
    method : str
        The recommended method; empty if none.
    low : float
        Lower limit of its interval.
    assumed : bool
        Whether the reliability of the rating had to be assumed, without an SEM of the test.
    parted : bool
        Whether improved people all changed more than the others.
    """
    unordered = check.checks.loc["order of categories", "judged"] == "weak"
    return told({
        "its interval reaches zero, so these people do not show that any change matters.": method and low <= 0,
        "it has no interval.": method and low != low,
        "the rating follows the change without exception, as one would that was cut from it or given on hearing the "
        "result: no judgement of their own.": method and parted,
        "the mean change does not rise from rating to rating.": method and unordered,
        "the reliability of the rating was assumed, because the test's SEM was not given.": method and assumed,
    })  # fmt: skip


def boundary_table(people: RatedPeople, layout: Layout, rows: Rows, limits: Floats) -> pd.DataFrame:
    """Return the true change at each boundary between neighbouring ratings, and the separate fit beside it."""
    told = []
    for column, rating in enumerate(layout.levels[0][1:].astype(int) if "boundaries" in rows else ()):
        above = int(np.sum(people.rating >= rating))
        few = min(people.n - above, above)
        use = f"not estimable here: only {counted(few)} on one side" if few < NEEDED_IN_CATEGORY else "estimable"
        use = use if people.entry is None else "not estimable here: people were taken in for a poor first score"
        sides = people.n - above, above, _separate_fit(layout, rows, int(rating)), use
        told.append((int(rating), float(rows["boundaries"][0, column]), *limits[:, column], *sides))
    names = ["rating", "change", "low", "high", "n_below", "n_above", "separate_fit", "use"]
    return pd.DataFrame(told, columns=names).set_index("rating")


def _separate_fit(layout: Layout, rows: Rows, rating: int) -> float:
    hits, misses = Layout(layout.kinds, rating).by_group(layout.kinds.counts[None], layout.steps)
    fits = fit_outcomes(layout.steps[0], hits, misses, link="probit")
    if fits.failed[0] or not fits.slope[0] > 0 or not rows["change_reliability"][0] > 0:
        return float("nan")
    return float(kept_of(rows, -fits.intercept / fits.slope)[0])
