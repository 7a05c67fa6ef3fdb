"""The result in words: for the chart, for the person, what would make us surer, and cautions to mind."""

from math import hypot, isnan, sqrt
from typing import Any

from truechange.foundation.distributions import two_sided
from truechange.foundation.estimate import Origin
from truechange.foundation.numbers import decimals_of, fixed, percent
from truechange.foundation.result import told
from truechange.foundation.sem import SWAPPED
from truechange.individual import posterior as priors
from truechange.individual import verdict as v
from truechange.measures.catalogue import Measure

_CHART = {
    v.REAL_AND_IMPORTANT: "beyond measurement error ({mdc}) and at least the MCID ({mcid})",
    v.REAL_BELOW_IMPORTANT: "beyond measurement error ({mdc}) but below the MCID ({mcid})",
    v.IMPORTANT_WITHIN_ERROR: "at least the MCID ({mcid}) in size but within measurement error ({mdc})",
    v.NONE_SHOWN: "no change demonstrated, within measurement error ({mdc}) and below the MCID ({mcid})",
    v.BECAME_ABLE: "became able to do the test; the size of the improvement cannot be stated",
    v.LOST_ABILITY: "no longer able to do the test; the size of the decline cannot be stated",
    v.HARDER_BETTER: "better, with no worse a score on a harder test ({why}); by how much cannot be stated",
    v.EASIER_WORSE: "worse, with no better a score on an easier test ({why}); by how much cannot be stated",
    v.NOT_ASSESSABLE: "whether this is a change cannot be assessed: {why}",
}
_AGAIN = "so we will test again."
BETTER = {"sure": "You really are doing better on this test", "likely": "You are most likely doing better on this test",
          "unclear": "You may be doing better on this test"}  # fmt: skip
HELPS = {"sure": ", and by enough to help you in daily life.", "likely": ", and likely by enough to help you.",
         "unclear": ", but it is not clear yet if it is enough to help you.",
         "unlikely": ", but the step is still a small one."}  # fmt: skip
WORSE = {"sure": "This test is harder for you now", "likely": "This test is most likely harder for you now",
         "unclear": "This test may be harder for you now"}  # fmt: skip
MATTERS = {"sure": ", by enough to matter; let us look at why.",
           "likely": ", and likely by enough to matter; let us look at why.",
           "unclear": "; it is not clear yet if it is enough to matter, so let us look at why.",
           "unlikely": ", but only a little, so let us keep an eye on it."}  # fmt: skip
_PERSON = {
    v.IMPORTANT_WITHIN_ERROR: f"You {{may}} be doing better, but this can also be just a good day, {_AGAIN}",
    v.NONE_SHOWN: "So far this test shows no clear change; your work may still be helping you.",
    f"worse_{v.IMPORTANT_WITHIN_ERROR}": f"This test {{may}} be harder for you now, or it was just a bad day, {_AGAIN}",
    f"worse_{v.NONE_SHOWN}": "So far this test shows no clear change; small ups and downs like this are normal.",
    v.BECAME_ABLE: "You could not do this test before, and now you can.",
    v.LOST_ABILITY: "You could do this test before but not this time, so let us look at why.",
    v.HARDER_BETTER: "You did this test in a harder way than before, and did at least as well.",
    v.EASIER_WORSE: "You did this test in an easier way than before, and it did not go better; let us look at why.",
    v.NOT_ASSESSABLE: "This test alone cannot tell us yet if you have changed.",
}


def score_text(result: Any, score: float) -> str:
    """Write one score to the decimals its scale is read to; a mean of visits gets one more."""
    places = decimals_of(result.test.resolution)
    return "unable" if isnan(score) else fixed(score, places + (abs(round(score, places) - score) > 1e-9))


def size_text(result: Any, size: float) -> str:
    """Write a threshold or a change with one decimal more than its scale is read to, without empty decimals."""
    text = fixed(size, decimals_of(result.test.resolution) + 1)
    return text.rstrip("0").rstrip(".") if "." in text else text


def sure_text(chance: float) -> str:
    """Write a chance as a percentage that is never 0% or 100%, however near."""
    return percent(min(max(chance, 1e-9), 1 - 1e-9))


def chart(result: Any) -> str:
    """Return the sentence for the record, without the chances."""
    name, d = f"{result.test.name}: " if result.test.name else "", result.improvement
    scores = [score_text(result, score) for score in (result.before, result.after)]
    scores[0 if scores[1] == "unable" else 1] += f" {result.test.unit}".rstrip()
    seen = name + " → ".join(scores)
    if not isnan(d):
        seen += f", {'improved' if d > 0 else 'worse'} by {size_text(result, abs(d))}" if d else ", no difference"
    mdc = f"MDC{round(100 * result.confidence, 1):g} {size_text(result, result.mdc.value)}" if result.mdc else ""
    said = _CHART.get(result.verdict) or _CHART[result.verdict.removeprefix("worse_")]
    said = said.format(mdc=mdc, mcid=size_text(result, result.bar.value), why=result.why_not)
    return f"{seen}: {said}."


def chances(result: Any) -> str:
    """Return the chances under every prior that could be used, and which to use; empty where there are none."""
    if not result.beliefs:
        return ""
    key, what = result.leading, "decline" if result.worse else "improvement"
    without = f", without the practice gain of {size_text(result, result.practice)}," if result.practice else ""
    shown = {prior: sure_text(chance[f"{key}_beyond_practice"]) for prior, chance in result.chances.items()}
    said = f"{shown['flat']} (the scores alone; use this one, as the most it can be)"
    if result.programme and "programme" in shown:
        said = f"{shown['programme']} (people like this one: {result.programme.name}, n = {result.programme.n}; "
        said += f"use this one), {shown['flat']} (the scores alone)"
    said += f", {shown['sceptical']} (a sceptic who expects no change)"
    return f"Chance that the true change{without} is an important {what}: {said}."


def person(verdict: str, better: float, important: float, worse: bool = False) -> str:
    """Return the sentence for the person, in everyday words that go no further than the chances.

    Parameters
    ----------
    verdict : str
        As in :class:`PersonChange`.
    better, important : float
        Chance of any true change, and of an important one, in the direction of the verdict.
    worse : bool, optional
        Whether that direction is down.
    """
    if verdict.removeprefix("worse_") not in (v.REAL_AND_IMPORTANT, v.REAL_BELOW_IMPORTANT):
        return _PERSON[verdict].format(may="may well" if better >= v.LIKELY else "may")
    start, end = (WORSE, MATTERS) if worse else (BETTER, HELPS)
    enough = v.band(important)
    if verdict.endswith(v.REAL_BELOW_IMPORTANT) and enough != "unlikely":
        enough = "unclear"  # as seen it is below the MCID, whatever the group makes likely
    return start[v.band(max(better, 0.5))] + end[enough]


def firmness(result: Any) -> str:
    """Say how firmly the verdict stands; empty where the thresholds came without their uncertainty."""
    if isnan(result.stability):
        return ""
    start = "Borderline: the" if result.borderline else "The"
    return (
        f"{start} same verdict comes out in {sure_text(result.stability)} of the MDCs and MCIDs their uncertainty "
        "allows: how firm those two are, not how sure the change is."
    )


def surer(result: Any) -> str:
    """Return the one thing that would make the answer surer, with its effect where it can be computed."""
    error, mdc = result.error, result.mdc
    if isnan(result.improvement):
        return "We would be surer with one more test on another day, done just the same way."
    if error is None or mdc is None:
        return "We would be surer if we knew this test's measurement error: 30 to 50 stable people, tested twice."
    if result.verdict.removeprefix("worse_") == v.IMPORTANT_WITHIN_ERROR or result.borderline:
        twice = two_sided(result.confidence) * hypot(error.before, error.after / sqrt(2))
        fall = f"{size_text(result, mdc.value)} to {size_text(result, twice)} {result.test.unit}".rstrip()
        return f"We would be surer with a second test on another day: the smallest detectable change falls from {fall}."
    if error.df is None or error.df < 29:
        return "We would be surer with our own measurement error: at least 30 stable people, tested twice, our way."
    if result.programme is None:
        return "We would be surer if we knew how people like this one usually change (a programme's means and spread)."
    if not v.spread(result.mcid):
        return "We would be surer with an MCID that comes with its interval."
    return "We would be surer with a second test on another day, and with a second baseline for the next person."


def picture(result: Any) -> str:
    """Return the picture in words, for those who cannot see it."""
    if not result.drawable:
        return "No picture: the person was unable to do the test at one visit, or did it in two ways."
    first, last = (score_text(result, score) for score in (result.before, result.after))
    scores, curve = f"{first} before and {last} {result.test.unit}".rstrip(), ""
    if result.mdc is not None and result.beliefs:
        low, high = (size_text(result, end) for end in result.beliefs[0].interval(result.confidence))
        curve = (
            f" and the smallest detectable change ({size_text(result, result.mdc.value)}); beside them the curve of "
            f"the true change, most likely between {low} and {high}, its important part shaded"
        )
    return (
        f"{result.test.name or 'Score'}: {scores} after, each with its error; lines at the important change "
        f"({size_text(result, result.bar.value)}){curve}."
    )


DECLINE = "A decline: ask about pain, a flare, falls and medicines, and let a licensed clinician look at it."
NOT_CAUSE = "A true change is not proof that the treatment caused it: practice, natural course and mood are in it too."


_AT_END = {  # by score, then by the better (1) or the worse (-1) end
    (0, -1): "The first score is the worst the test can show: the true improvement may be larger than it looks.",
    (0, 1): "The first score is the best the test can show: there was no room to show improvement.",
    (1, 1): "The second score is the best the test can show: the person may be better than that.",
    (1, -1): "The second score is the worst the test can show: the person may be worse than that.",
}


def at_ends(seen: priors.Seen, ends: tuple[float, float], mcid: float) -> list[str]:
    """Say what an end of the scale hides in these two scores (`ends` and `mcid` in the test's unit)."""
    notes = [_AT_END[at, seen.sign * side] for at, side in enumerate((seen.before_side, seen.after_side)) if side]
    if 0 < seen.sign * (ends[seen.sign > 0] - seen.before) < mcid:
        notes.append("The first score left less room on the scale than the MCID: an important improvement cannot show.")
    return notes


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
    mdc, error, test, sized = result.mdc, result.error, result.test, not isnan(result.improvement)
    notes = (origin("SEM", error.origin) if error else []) + origin("MCID", result.mcid.origin)
    for score in (result.before, result.after):
        if score < test.soft_low or score > test.soft_high:
            notes.append(f"A score of {score:g} is unusual for this test: check it.")
    if mirrored and result.worse and sized:
        notes.append("The MCID for getting worse was not given; the one for getting better is used.")
    if error is not None and mdc is not None:
        size = "larger" if error.varies > 1 else "smaller"
        notes += told({
            f"The error at this person's scores is {size} than on average.": not 0.87 < error.varies < 1.15,
            SWAPPED: min(error.before, error.after) >= result.bar.value,
            f"mcid={result.bar.value:g} is less than one step (resolution={test.resolution:g}): give it in "
            "the unit of the test, not as a share.": result.bar.value < test.resolution,
            "The MDC is not below the MCID: an important change can hide in the error.": mdc.value >= result.bar.value,
        })  # fmt: skip
        notes += _group(result) if sized else ()
    notes += [NOT_CAUSE] if sized else []
    if result.practice and result.beliefs:
        left = sure_text(getattr(result, result.leading))
        gain = f"A practice gain of {size_text(result, result.practice)}"
        notes.append(f"{gain} is taken out of “beyond error” and of the chances; the first chance with it in: {left}.")
    lacking = told({"SEM's": error is not None and error.df is None, "MCID's": not v.spread(result.bar)})
    if lacking and sized:
        notes.append(f"The {' and the '.join(lacking)} own uncertainty was not given, so it is not carried.")
    return notes


def origin(what: str, origin: Origin) -> list[str]:
    """Say where a published number comes from, and that it must fit; nothing for own or stated numbers."""
    if origin.kind != "published":
        return []
    note = f" ({origin.note})" if origin.note else ""
    said = f"{what} from {'memory, not checked' if origin.status == 'from memory' else 'elsewhere'}: "
    return [f"{said}{origin.sentence()}{note}. Are those people, that protocol and gap like yours?"]


def _group(result: Any) -> list[str]:
    group = result.programme
    if group is None:
        return ["No group to compare with: the chance from the scores alone is too high where most change little."]
    name = group.name[:1].upper() + group.name[1:]
    if group.n < priors.FEWEST:
        return [f"{name} has {group.n} people, fewer than {priors.FEWEST}: too few to lean on."]
    notes = []
    if group.entry is not None:
        allowed = "The chance from people like this one allows for that; the scores alone do not."
        notes = [f"{name}: people {group.entry.words}. {allowed}", *group.entry.cautions()]
    small = f"{name} has {group.n} people; the doubt about its numbers is carried."
    normal = f"True change in {group.name} counts as normal; if skewed, a chance of 60% can be 40%."
    shape = told({small: group.n < priors.SMALL, normal: not group.shape})
    notes += [" ".join(shape)] if shape else []
    if abs(result.before - group.mean_before) > 2.5 * group.sd_before:
        notes.append(f"This person started far from most of {group.name}: the chances lean on people unlike them.")
    return notes
