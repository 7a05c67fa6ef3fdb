"""What stands beside an MCID: sizes to compare it with, credibility, calibration, its assumptions and its cautions."""

from dataclasses import dataclass
from math import erfc, isfinite, nan, sqrt

import numpy as np
import pandas as pd
from scipy.special import ndtri

from truechange.foundation.distributions import error_share, sd_factors
from truechange.foundation.estimate import Estimate, Sem
from truechange.foundation.numbers import fixed, p_value, percent, reaches
from truechange.foundation.result import told
from truechange.meaningful_change.estimators import ASSUMED_RELIABILITY, RELIABILITY_RANGE, Layout, Rows, kept_of
from truechange.meaningful_change.ratings import STRONG, WEAK, AnchorCheck, RatedPeople, share_estimate
from truechange.meaningful_change.rules import LEAST_TWO_STATE, STATE_BIAS
from truechange.measures.literature import FAR_SHORTER, days_between
from truechange.numerics.curves import ordered_lean
from truechange.numerics.resampling import gathered
from truechange.numerics.true_change import beyond_cut, sharp_edge, true_skew

LEAST_TRUE, MOST_FAILED = 0.3, 0.01
OPEN = "to be answered by the study team"
LEANS = 0.05  # own rule: p of skewed residuals of the rating
SHARED = 0.3  # of the rating's own error variance, taken to be the test's where people had heard their result
WEEKS = 1.8  # published errors over 1-4 months by those of one session or two days: 4.52/2.5 s, 2.08/1.10 s
# Bias seen in simulation, in SDs of true change (simulated("mcid_edges")): of skewed thresholds (skewness 2), and of
# skewed true change for each unit of skewness.
LEANING, SKEWED = 0.12, 0.08
# Likewise where a quarter is lost, the likelier the less they changed or felt (simulated("dropouts")); LOST: own rule.
ABSENT, LOST = 0.2 / 0.25, 0.1
RATED_FIRST, SAME_GAP = "people rated before hearing their result", "the SEM is of tests as far apart as these scores"
ALIKE = "those who did not come back or did not rate are like those who did"
EVEN, NOT_SKEWED = "personal thresholds lie evenly about their mean", "true change is not skewed"


def size_references(people: RatedPeople, error: Sem | None, confidence: float) -> pd.DataFrame:
    """Return 0.5 SD and 0.2 SD of the first score, 1 SEM, the MDC and 0.5 SD of change, with limits; NaN if unknown.

    They contain nothing about importance.
    """
    few = people.n < 2
    first = nan if few or people.before is None else float(np.std(people.before, ddof=1))
    spread = nan if few else float(np.std(people.change, ddof=1))
    factors = np.array([1.0, *((nan, nan) if few else sd_factors(people.n - 1, confidence))])
    sem = np.array([nan] * 3 if error is None else [error.value, *error.limits(confidence)])
    z = float(ndtri((1 + confidence) / 2)) * sqrt(2)
    rows = {
        "0.5 SD": (*(0.5 * first * factors), "half the SD of the first score"),
        "0.2 SD": (*(0.2 * first * factors), "a small effect, in SDs of the first score"),
        "1 SEM": (*sem, "one standard error of measurement"),
        "MDC": (*(z * sem), "smallest change of one person beyond error"),
        "0.5 SD of change": (*(0.5 * spread * factors), "half the SD of the change"),
    }
    frame = pd.DataFrame.from_dict(rows, orient="index", columns=["estimate", "low", "high", "meaning"])
    return frame.rename_axis("reference")


def credibility_sheet(
    check: AnchorCheck, value: Estimate | None, *, patient_rated: bool | None = None,
    understandable: bool | None = None, small_but_important: bool | None = None, recall_weeks: float | None = None,
    blinded: bool | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Fill the credibility sheet.

    Parameters
    ----------
    check : AnchorCheck
        The anchor's checks.
    value : Estimate or None
        The MCID, if one was given.
    patient_rated, understandable, small_but_important, blinded : bool, optional
        The person gave the rating; the question is clear and about this function; the cut marks a small but important
        change; the rating was given before the person heard the test result. None = not declared.
    recall_weeks : float, optional
        Weeks the person had to look back.

    Returns
    -------
    DataFrame
        One row an item: answer, judged (yes, partly, no, open).

    Notes
    -----
    Items after Devji et al. 2020, BMJ 369:m1714 (wording ours; items beyond the first from memory). For a performance
    test "rated by the patient" is about the anchor. The rule on precision is our own: half the interval's width
    within half of the MCID is good, within the MCID fair.
    """
    r, before, after = check.correlation, check.with_before, check.with_after
    known = before.value == before.value and after.value == after.value
    by_person, clear, small, blind = (
        (OPEN if said is None else f"declared: {'yes' if said else 'no'}", _graded(said, said))
        for said in (patient_rated, understandable, small_but_important, blinded)
    )
    recall = (OPEN, "open")
    if recall_weeks is not None:
        recall = f"{recall_weeks:g} weeks", _graded(recall_weeks <= 4, recall_weeks <= 13)
    precise = ("no value or no interval", "no")
    if value is not None and value.has_interval:
        half = (value.high - value.low) / 2
        precise = value.text(), _graded(half <= value.value / 2, half <= value.value)

    def state(found: Estimate, sign: int) -> tuple[str, str]:
        size = sign * found.value
        return (found.text(2), _graded(size >= WEAK, size > 0.1)) if known else ("scores not given", "open")

    items = {
        "the anchor is rated by the person": by_person,
        "the anchor is understandable and about this function": clear,
        "rating and change correlate enough": (r.text(2), _graded(r.value >= STRONG, r.value >= WEAK)),
        "the MCID is precise": precise,
        "the cut marks a small but important change": small,
        "the time to look back is short": recall,
        "rated before hearing the test result": blind,
        "the rating correlates with the second score": state(after, 1),
        "the rating correlates with the first score, oppositely": state(before, -1),
    }
    return pd.DataFrame.from_dict(items, orient="index", columns=["answer", "judged"]).rename_axis("item")


def _graded(good: bool | None, fair: bool | None) -> str:
    return "open" if good is None else "yes" if good else "partly" if fair else "no"


def calibration(people: RatedPeople, confidence: float, groups: int = 5) -> pd.DataFrame:
    """Return, for fifths of the change: n, mean_change, share improved and its Wilson limits; ties stay together."""
    edges = np.unique(np.quantile(people.change, np.linspace(0, 1, groups + 1)[1:-1]))
    member = np.searchsorted(edges, people.change, side="left")
    rows = []
    for group in np.unique(member):
        here = member == group
        share = share_estimate(int(people.improved[here].sum()), int(here.sum()), confidence)
        rows.append((int(here.sum()), float(people.change[here].mean()), share.value, share.low, share.high))
    return pd.DataFrame(rows, columns=["n", "mean_change", "improved", "low", "high"])


def at_the_cut(people: RatedPeople, value: float, confidence: float) -> pd.DataFrame:
    """Return how well a change of `value` tells who improved: sensitivity, specificity, predictive values (Wilson)."""
    reached, improved = np.asarray(reaches(people.change, value)), people.improved
    asked = {
        "sensitivity: improved people at or above the MCID": (reached, improved),
        "specificity: other people below the MCID": (~reached, ~improved),
        "of those at or above the MCID, improved": (improved, reached),
        "of those below the MCID, not improved": (~improved, ~reached),
    }
    rows = {
        name: share_estimate(int((hit & whole).sum()), int(whole.sum()), confidence).row()
        for name, (hit, whole) in asked.items()
        if isfinite(value) and whole.any()
    }
    columns = ["estimate", "low", "high", "n", "method"]
    return pd.DataFrame.from_dict(rows, orient="index").reindex(columns=columns).rename_axis("quantity")


def wrong_sem(rows: Rows, sem: float) -> pd.DataFrame:
    """Return the latent threshold and both reliabilities with the SEM 20% smaller, as given, and 20% larger."""
    sd, factors, lines = float(rows["sd"][0]), (0.8, 1.0, 1.2), []
    for factor in factors:
        kept = 1 - 2 * (factor * sem / sd) ** 2 if sd > 0 else nan
        anchor = float(rows["biserial"][0]) ** 2 / kept if kept > 0 else nan
        lines.append((factor * sem, _latent_threshold(rows, kept), kept, anchor))
    columns = ["sem", "latent_threshold", "change_reliability", "anchor_reliability"]
    return pd.DataFrame(lines, columns=columns, index=pd.Index(factors, name="factor"))


@dataclass(frozen=True)
class Circumstances:
    """What a study was told of its own circumstances: time between the two scores in words; result heard first?"""

    interval: str = ""
    told: bool | None = None


def assumptions(
    people: RatedPeople, layout: Layout, rows: Rows, error: Sem | None, asked: Circumstances
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return one row an assumption of the latent threshold, and a caution for each that these people contradict.

    Columns: holds ("yes", "no", "not asked", "not contradicted"), otherwise_low and otherwise_high (between which the
    latent threshold lies if it fails), p of the test that looked, where there is one.
    """
    value = float(rows["latent_threshold"][0]) if "latent_threshold" in rows else nan
    kept = float(rows["change_reliability"][0]) if error is not None else 1.0
    true_sd = float(rows["sd"][0]) * sqrt(max(kept, 0.0))
    heard, later = _heard(rows, kept), _latent_threshold(rows, 1 - WEEKS**2 * (1 - kept))
    there = error.estimate.origin.interval if error is not None else ""
    gaps = days_between(there), days_between(asked.interval)
    nearer = gaps[0] * FAR_SHORTER < gaps[1] if all(map(isfinite, gaps)) else None
    lean = nan if people.entry is not None else _lean(layout)  # a cut on the first score bends the curve by itself
    chance, side = erfc(abs(lean) / sqrt(2)), -1 if lean > 0 else 1  # thresholds lean against the residuals
    skew, shown = true_skew(people.change, kept)
    moved, bent = side * LEANING * true_sd, SKEWED * abs(skew) * true_sd
    away = sum(count for _, count in people.set_aside)
    lost = away / (away + people.n)
    missed = ABSENT * lost * true_sd
    found = {
        RATED_FIRST: ({None: "not asked", True: "no", False: "yes"}[asked.told], value, heard),
        SAME_GAP: ({None: "not asked", True: "no", False: "yes"}[nearer], value, later),
        EVEN: ("no" if chance < LEANS else "not contradicted", value, value + moved),
        NOT_SKEWED: ("no" if shown else "not contradicted", value - bent, value + bent),
        ALIKE: ("not contradicted" if away else "yes", value - missed, value + missed),
    }
    table = pd.DataFrame(
        [(holds, *sorted(span)) for holds, *span in found.values()],
        columns=["holds", "otherwise_low", "otherwise_high"], index=pd.Index(found, name="assumption"),
    )  # fmt: skip
    table["p"] = [nan, nan, chance, nan, nan]
    cautions = told({
        "People had heard their result before they rated, so that the rating may share the test's error. Were three "
        f"tenths of the rating's own error the test's, the latent threshold would be {_shown(heard)}.":
            asked.told and error is not None,
        f"The SEM comes from tests with '{there}' between them, these scores lie {asked.interval} apart: published "
        f"errors over weeks are about {WEEKS:g} times those of one session. With such an SEM the latent threshold "
        f"would be {_shown(later)}.": nearer,
        f"The ratings lean to one side ({p_value(chance)}): personal thresholds look skewed, a few people asking for "
        f"far {'more' if side > 0 else 'less'} than most. Their mean may be up to {fixed(LEANING * true_sd, 2)} "
        f"{'higher' if side > 0 else 'lower'} than the latent threshold.": chance < LEANS and true_sd > 0,
        f"True change looks skewed ({fixed(skew, 1)}): the latent threshold may be off by up to {fixed(bent, 2)}.":
            shown,
        f"{away} of {away + people.n} people ({percent(lost)}) are not in this study. If those who changed little "
        f"stayed away, the latent threshold is up to about {fixed(missed, 2)} too high; if those who felt no benefit "
        "did, as much too low.": lost >= LOST,
    })  # fmt: skip
    return table, cautions


def sentence_of_assumptions(table: pd.DataFrame, unit: str = "", places: int = 1) -> str:
    """Say what nobody was asked and where the value could lie if it were otherwise; empty where nothing is open."""
    open_ = table[table["holds"] == "not asked"]
    low, high = open_["otherwise_low"].min(), open_["otherwise_high"].max()
    if not low < high:
        return ""
    return (
        f"Taken for granted, for nobody said: {'; '.join(open_.index)}. Were it otherwise, the value could lie "
        f"anywhere from {fixed(low, places)} to {fixed(high, places)}{unit}."
    )


def _shown(value: float) -> str:
    return fixed(value, 2) if isfinite(value) else "unknown, for all of the change would be error"


def _lean(layout: Layout) -> float:
    """Return the score statistic for skewed residuals of the ordered probit over all ratings; NaN if there is none."""
    (cells, at), levels = layout.rated_steps, layout.levels[0]
    if len(levels) < 2 or np.ptp(cells[:, 0]) == 0:
        return nan
    counts = gathered(layout.kinds.counts[None], at, len(cells)).astype(float)[0]
    return ordered_lean(cells[:, 0], np.searchsorted(levels, cells[:, 1]), counts)


def _latent_threshold(rows: Rows, reliability: float) -> float:
    """Return the latent threshold with another reliability of the change; NaN where all would be error."""
    if not reliability > 0:
        return nan
    other = rows | {"change_reliability": np.array([reliability])}
    return float(kept_of(other, rows["half_observed"])[0])


def _heard(rows: Rows, kept: float) -> float:
    """Return the mean threshold if a share of the rating's own error variance were the test's.

    With ρ the correlation of rating and observed change, s its SD, τ² = rel s² and e² = (1 − rel) s²:
    ρ s L = τ² + e √(f (L² − τ²)) gives L, the SD behind the rating; the threshold is m − Φ⁻¹(p) L. Own derivation.
    """
    s, rho = float(rows["sd"][0]), float(rows["biserial"][0])
    tau2, shared = kept * s**2, SHARED * (1 - kept) * s**2
    a, b, c = (rho * s) ** 2 - shared, rho * s * tau2, tau2**2 + shared * tau2
    if not (tau2 > 0 and a > 0 and b**2 >= a * c):
        return nan
    behind = (b + sqrt(b**2 - a * c)) / a
    return float(rows["mean"][0]) - float(ndtri(rows["improved"][0])) * behind


def error_cautions(error: Sem | None, rows: Rows) -> tuple[str, ...]:
    """Say what the SEM, or its absence, does to the estimates."""
    if error is None:
        low, high = RELIABILITY_RANGE
        return told({
            "No SEM of the test was given, so the latent-threshold methods are missing. The 2022 adjustment stands at "
            f"an assumed anchor reliability of {ASSUMED_RELIABILITY:g}; its interval spans {low:g} to {high:g}.": True,
        })  # fmt: skip
    kept, anchor = float(rows["change_reliability"][0]), float(rows["anchor_reliability"][0])
    low, high = sorted(float(rows[name][0]) for name in ("half_observed", "latent_threshold"))
    whose = error.estimate.origin
    return (*error.cautions, *told({
        f"The SEM ({error.value:g}) is {whose.sentence()}: it must come from the same protocol and similar people.":
            not whose.is_own,
        "The SEM was taken as exactly known; intervals leave out its own uncertainty. Give sem_df, or pass the "
        "estimate of the retest study itself.": error.df is None and error.value > 0,
        f"Only {percent(kept)} of the variance of the change is true; the rest is measurement error.":
            0 < kept < LEAST_TRUE,
        f"The rating seems more reliable than is possible ({fixed(anchor, 2)}; at most 1): the SEM is too large for "
        "these people, or the rating shares the test's errors (were they told their result first?), or chance. The "
        f"MCID then lies between {fixed(low, 2)} and {fixed(high, 2)}.": anchor > 1 and "everyone_mean" not in rows,
    }))  # fmt: skip


def model_cautions(people: RatedPeople, rows: Rows, failed: float) -> tuple[str, ...]:
    """Say where people seem to rate how they are, and how many resamples gave nothing."""
    bias = float(rows["present_state_bias"][0]) if "present_state_bias" in rows and people.entry is None else 0.0
    return told({
        f"People may have rated how they are rather than how they changed (present-state bias {fixed(bias, 2)}); the "
        f"estimate that allows for it needs {LEAST_TWO_STATE} people.":
            abs(bias) > STATE_BIAS and people.n < LEAST_TWO_STATE,
        f"{percent(failed, 1)} of the resamples gave no estimate, so the interval may be too narrow.":
            failed > MOST_FAILED,
    })  # fmt: skip


def entry_cautions(people: RatedPeople) -> tuple[str, ...]:
    """Say what the repair for the entry rule rests on; without a rule, whether the first scores look cut."""
    if people.entry is not None and people.before is not None:
        return people.entry.cautions(beyond_cut(people.entry, people.before))
    # a before without its after has no known direction
    return () if people.before is None or people.after is None else sharp_edge(people.before)


def below_error(mcid: Estimate | None, error: Sem | None, mdc: Estimate, resolution: float = 0.0) -> tuple[str, ...]:
    """Say what follows when the MCID is smaller than the smallest change of one person beyond error."""
    if error is None or mcid is None or not 0 < mcid.value < mdc.value:
        return ()
    alarm = error_share(mcid.value, error.value, resolution=resolution)
    text = (
        f"The MCID ({fixed(mcid.value, mcid.decimals)}) is smaller than the change one person shows by error alone "
        f"(MDC {fixed(mdc.value, mdc.decimals)}): {percent(alarm)} of people who did not change at all would reach it. "
        "For a group's mean this is no obstacle. For one person take the mean of "
        f"{repeats_needed(mcid.value, mdc.value)} tests at each visit, or read the probability that the true change "
        "reaches the MCID."
    )
    return (text,)


def repeats_needed(value: float, mdc: float) -> int:
    """Return how many tests a visit must average so that the MDC falls to the MCID: it shrinks with their root."""
    ratio = (mdc / value) ** 2
    return int(ratio) + (ratio > int(ratio))


def parted_caution(ends: tuple[float, float] | None) -> tuple[str, ...]:
    """Say that improved and not improved people do not overlap."""
    below, above = ends or (nan, nan)
    return told({
        f"The groups do not overlap: nobody below {above:g} rated an improvement, everybody above {below:g} did. Only "
        "an interval for the threshold is known; the curves were fitted with Firth's penalty.": ends is not None,
    })  # fmt: skip
