"""What must be said beside the numbers of an MCID study, and in every export of it."""

from math import erfc, isfinite, sqrt

from truechange.foundation.numbers import fixed, percent
from truechange.foundation.sem import Sem
from truechange.meaningful_change.diagnostics import BENT, SKEWED, curvature_p, skewness
from truechange.meaningful_change.estimators import ASSUMED_RELIABILITY, RELIABILITY_RANGE, Layout, Rows
from truechange.meaningful_change.people import RatedPeople
from truechange.meaningful_change.rules import LEAST_TWO_STATE, STATE_BIAS

LEAST_TRUE, MOST_FAILED = 0.3, 0.01


def error_cautions(error: Sem | None, rows: Rows) -> list[str]:
    """Say what the SEM, or its absence, does to the estimates."""
    if error is None:
        low, high = RELIABILITY_RANGE
        text = (
            "No SEM of the test was given, so the latent-threshold methods are missing. The 2022 adjustment stands "
            f"at an assumed anchor reliability of {ASSUMED_RELIABILITY:g}; its interval spans {low:g} to {high:g}."
        )
        return [text]
    told, origin = list(error.cautions), error.estimate.origin
    if not origin.is_own:
        told.append(
            f"The SEM ({error.value:g}) is {origin.sentence()}: it must come from the same protocol and similar people."
        )
    if error.df is None and error.value > 0:
        told.append(
            "The SEM was taken as exactly known; intervals leave out its own uncertainty. "
            "Give sem_df, or pass the estimate of the retest study itself."
        )
    kept, anchor = float(rows["change_reliability"][0]), float(rows["anchor_reliability"][0])
    if 0 < kept < LEAST_TRUE:
        told.append(f"Only {percent(kept)} of the variance of the change is true; the rest is measurement error.")
    if anchor > 1:
        ends = sorted((float(rows["half_observed"][0]), float(rows["latent_threshold"][0])))
        told.append(
            f"The rating seems more reliable than is possible ({fixed(anchor, 2)}; at most 1): the SEM is too large "
            "for these people, or the rating shares the test's errors (were they told their result first?), or chance. "
            f"The MCID then lies between {fixed(ends[0], 2)} and {fixed(ends[1], 2)}."
        )
    return told


def model_cautions(people: RatedPeople, layout: Layout, rows: Rows, failed: float) -> list[str]:
    """Say where the assumptions of the fitted curves look strained."""
    told = []
    lean, bent = skewness(people.change), curvature_p(layout)
    if abs(lean) > SKEWED:
        told.append(
            f"The change is skewed ({fixed(lean, 1)}); the latent threshold may be off by about 0.05 SD of change."
        )
    if bent < BENT:
        told.append(
            f"The curve of being improved bends more than the model allows (p = {bent:.3f}): look at its picture."
        )
    bias = float(rows["present_state_bias"][0]) if "present_state_bias" in rows else 0.0
    if abs(bias) > STATE_BIAS and people.n < LEAST_TWO_STATE:
        told.append(
            f"People may have rated how they are rather than how they changed (present-state bias {fixed(bias, 2)}); "
            f"the estimate that allows for it needs {LEAST_TWO_STATE} people."
        )
    if failed > MOST_FAILED:
        told.append(f"{percent(failed, 1)} of the resamples gave no estimate, so the interval may be too narrow.")
    return told


def below_error(value: float, error: Sem | None, mdc: float) -> list[str]:
    """Say what follows when the MCID is smaller than the smallest change of one person beyond error."""
    if error is None or not isfinite(value) or value >= mdc or value <= 0:
        return []
    alarm = 0.5 * erfc(value / (sqrt(2) * error.value) / sqrt(2))
    tests = repeats_needed(value, mdc)
    text = (
        f"The MCID ({fixed(value, 2)}) is smaller than the change one person shows by error alone "
        f"(MDC {fixed(mdc, 2)}): {percent(alarm)} of people who did not change at all would reach it. For a group's "
        f"mean this is no obstacle. For one person take the mean of {tests} tests at each visit, or read the "
        "probability that the true change reaches the MCID."
    )
    return [text]


def repeats_needed(value: float, mdc: float) -> int:
    """Return how many tests a visit must average so that the MDC falls to the MCID: it shrinks with their root."""
    ratio = (mdc / value) ** 2
    return int(ratio) + (ratio > int(ratio))


def parted_caution(ends: tuple[float, float] | None) -> list[str]:
    """Say that improved and not improved people do not overlap."""
    if ends is None:
        return []
    text = (
        f"The groups do not overlap: nobody below {ends[1]:g} rated an improvement, everybody above {ends[0]:g} did. "
        "Only an interval for the threshold is known; the curves were fitted with Firth's penalty."
    )
    return [text]
