"""What a reader must mind before using one person's result."""

from math import isnan
from typing import Any

from truechange.foundation.origin import Origin
from truechange.individual import posterior as priors
from truechange.individual import verdict as v
from truechange.individual.words import size_text, sure_text
from truechange.measures.catalogue import Measure

DECLINE = "A decline: ask about pain, a flare, falls and medicines, and let a licensed clinician look at it."
NOT_CAUSE = "A true change is not proof that the treatment caused it: practice, natural course and mood are in it too."


def at_ends(seen: priors.Seen, ends: tuple[float, float], mcid: float) -> list[str]:
    """Say what an end of the scale hides in these two scores (`ends` and `mcid` in the test's unit)."""
    said = []
    if seen.before_side == -seen.sign:
        said.append("The first score is the worst the test can show: the true improvement may be larger than it looks.")
    elif seen.before_side:
        said.append("The first score is the best the test can show: there was no room to show improvement.")
    if seen.after_side == seen.sign:
        said.append("The second score is the best the test can show: the person may be better than that.")
    elif seen.after_side:
        said.append("The second score is the worst the test can show: the person may be worse than that.")
    room = seen.sign * ((ends[1] if seen.sign > 0 else ends[0]) - seen.before)
    if 0 < room < mcid:
        said.append("The first score left less room on the scale than the MCID: an important improvement cannot show.")
    return said


def entered(test: Measure, scores: tuple[object, object], counts: tuple[int, int]) -> list[str]:
    """Say what a typed score was read as: 0 as unable, several tests of a stage as their mean."""
    said = []
    if test.zero_unable and any(score == 0 for score in scores if isinstance(score, int | float)):
        said.append(f"A score of 0 {test.unit} means unable: it is counted as that, not as a number.")
    for which, count in zip(("first", "last"), counts, strict=True):
        if count > 1:
            said.append(f"The {which} score is the mean of {count} visits (trials of one visit are not visits).")
    return said


def gather(result: Any, mirrored: bool) -> list[str]:
    """Collect what to mind about thresholds and group, the gravest first; `mirrored` = no MCID for worse was given."""
    mdc, error, test = result.mdc, result.error, result.test
    said = (origin("SEM", error.origin) if error else []) + origin("MCID", result.mcid.origin)
    for score in (result.before, result.after):
        if score < test.soft_low or score > test.soft_high:
            said.append(f"A score of {score:g} is unusual for this test: check it.")
    if mirrored and result.worse and not isnan(result.improvement):
        said.append("The MCID for getting worse was not given; the one for getting better is used.")
    if error is not None and mdc is not None:
        if not 0.87 < error.varies < 1.15:
            size = "larger" if error.varies > 1 else "smaller"
            said.append(f"The error at this person's scores is {size} than on average.")
        if mdc.value >= result.bar.value:
            said.append("The MDC is not below the MCID: an important change can hide in the error.")
        if not isnan(result.improvement):
            said += _group(result)
    if not isnan(result.improvement):
        said.append(NOT_CAUSE)
    if result.practice and result.beliefs:
        left = sure_text(result.p_worse if result.worse else result.p_meaningful)
        gain = f"A practice gain of {size_text(result, result.practice)}"
        said.append(f"{gain} is taken out of “beyond error” and of the chances; the first chance with it in: {left}.")
    lacking = ["SEM's"] if error is not None and error.df is None else []
    lacking += [] if v.spread(result.bar) else ["MCID's"]
    if lacking and not isnan(result.improvement):
        said.append(f"The {' and the '.join(lacking)} own uncertainty was not given, so it is not carried.")
    return said


def origin(what: str, origin: Origin) -> list[str]:
    """Say where a published number comes from, and that it must fit; nothing for own or stated numbers."""
    if origin.kind != "published":
        return []
    held = f" ({origin.note})" if origin.note else ""
    said = f"{what} from {'memory, not checked' if origin.status == 'from memory' else 'elsewhere'}: "
    return [f"{said}{origin.sentence()}{held}. Are those people, that protocol and gap like yours?"]


def _first_upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _group(result: Any) -> list[str]:
    group = result.programme
    if group is None:
        return ["No group to compare with: the chance from the scores alone is too high where most change little."]
    if group.n < priors.FEWEST:
        return [f"{_first_upper(group.name)} has {group.n} people, fewer than {priors.FEWEST}: too few to lean on."]
    said = []
    if group.n < priors.SMALL:
        said.append(f"{_first_upper(group.name)} has {group.n} people; the doubt about its numbers is carried.")
    if abs(result.before - group.mean_before) > 2.5 * group.sd_before:
        said.append(f"This person started far from most of {group.name}: the chances lean on people unlike them.")
    return said
