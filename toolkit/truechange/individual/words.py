"""The result in words: one sentence for the chart, one for the person, one on what would make us surer."""

from math import hypot, isnan, sqrt
from typing import TYPE_CHECKING

from truechange.foundation.numbers import decimals_of, fixed, percent
from truechange.individual import verdict as v
from truechange.individual.distributions import two_sided

if TYPE_CHECKING:
    from truechange.individual.change import PersonChange

_CHART = {
    v.REAL_AND_IMPORTANT: "beyond measurement error ({mdc}) and at least the MCID ({mcid})",
    v.REAL_BELOW_IMPORTANT: "beyond measurement error ({mdc}) but below the MCID ({mcid})",
    v.IMPORTANT_WITHIN_ERROR: "at least the MCID ({mcid}) in size but within measurement error ({mdc})",
    v.NONE_SHOWN: "no change demonstrated: within measurement error ({mdc}) and below the MCID ({mcid})",
}
_AGAIN = "so we will test again."
_PERSON = {
    v.REAL_AND_IMPORTANT: "You really are doing better on this test, and by enough to make a difference in daily life.",
    v.REAL_BELOW_IMPORTANT: "You really are doing better on this test, but the step is still a small one.",
    v.IMPORTANT_WITHIN_ERROR: f"You may well be doing better, but this can also be just a good day, {_AGAIN}",
    v.NONE_SHOWN: "So far this test shows no clear change; that does not mean that your work is not helping.",
    f"worse_{v.REAL_AND_IMPORTANT}": "This test is harder for you now, by enough to matter; let us look at why.",
    f"worse_{v.REAL_BELOW_IMPORTANT}": "This test is a little harder for you than before, so let us keep an eye on it.",
    f"worse_{v.IMPORTANT_WITHIN_ERROR}": f"This test may be harder for you now, but this can also be just a bad day, {_AGAIN}",
    f"worse_{v.NONE_SHOWN}": "So far this test shows no clear change; small ups and downs like this are normal.",
    v.BECAME_ABLE: "You could not do this test before, and now you can.",
    v.LOST_ABILITY: "You could do this test before and could not do it this time, so let us look at why.",
    v.NOT_ASSESSABLE: "This test alone cannot tell us yet if you have changed.",
}


def score_text(result: "PersonChange", score: float) -> str:
    """Write one score to the decimals its scale is read to; a mean of visits gets one more."""
    if isnan(score):
        return "unable"
    places = decimals_of(result.resolution)
    return fixed(score, places if abs(round(score, places) - score) < 1e-9 else places + 1)


def _with_unit(number: str, unit: str) -> str:
    return f"{number} {unit}" if unit else number


def size_text(result: "PersonChange", size: float) -> str:
    """Write a threshold or a change with one decimal more than its scale is read to."""
    text = fixed(abs(size), decimals_of(result.resolution) + 1)
    return text.rstrip("0").rstrip(".") if "." in text else text


def chart(result: "PersonChange") -> str:
    """Return the sentence for the record."""
    name = f"{result.name}: " if result.name else ""
    seen = f"{name}{score_text(result, result.before)} → {_with_unit(score_text(result, result.after), result.unit)}"
    if result.verdict == v.BECAME_ABLE:
        return f"{seen}: became able to do the test; the size of the improvement cannot be stated."
    if result.verdict == v.LOST_ABILITY:
        return f"{seen}: lost the ability to do the test; the size of the decline cannot be stated."
    moved = _moved(result)
    if result.verdict == v.NOT_ASSESSABLE or result.mdc is None:
        return f"{seen}, {moved}: whether this is beyond measurement error cannot be assessed ({result.why_not})."
    cell = _CHART[result.verdict.removeprefix("worse_")]
    bar = result.mcid_deterioration if result.worse else result.mcid
    mdc = f"MDC{100 * result.mdc.confidence:g} {size_text(result, result.mdc.value)}"
    said = cell.format(mdc=mdc, mcid=size_text(result, bar.value))
    return f"{seen}, {moved}: {said}. {chances(result)}"


def _moved(result: "PersonChange") -> str:
    if not result.improvement:
        return "no difference"
    return f"{'improved' if result.improvement > 0 else 'worse'} by {size_text(result, result.improvement)}"


def chances(result: "PersonChange") -> str:
    """Return the sentence with the chances, under every prior that could be used."""
    which = "p_worse" if result.worse else "p_meaningful"
    what = "an important decline" if result.worse else "an important improvement"
    shown = {view.prior: percent(getattr(view, which)) for view in result.views}
    alone = f"{shown['flat']} from the scores alone, {shown['sceptical']} for a sceptic"
    if result.programme is not None and "programme" in shown:
        group = f"{result.programme.name}, n = {result.programme.n}"
        return f"Chance that the true change is {what}: {shown['programme']} ({group}); {alone}."
    return f"Chance that the true change is {what}: {alone}."


def person(result: "PersonChange") -> str:
    """Return the sentence for the person, in everyday words."""
    return _PERSON[result.verdict]


def surer(result: "PersonChange") -> str:
    """Return the one thing that would make the answer surer, with its effect where it can be computed."""
    if result.error is None or result.mdc is None:
        return (
            "We would be surer with the standard error of measurement of this test: test 30 to 50 stable people twice."
        )
    if isnan(result.before) or isnan(result.after):
        return "We would be surer with a second test on another day, done the same way."
    shaky = result.stability == result.stability and result.stability < v.BORDERLINE
    if result.verdict.removeprefix("worse_") == v.IMPORTANT_WITHIN_ERROR or shaky:
        halved = two_sided(result.mdc.confidence) * hypot(result.error.before, result.error.after / sqrt(2))
        return (
            "We would be surer with a second test on another day: with the mean of two later visits the smallest "
            f"detectable change falls from {size_text(result, result.mdc.value)} to "
            f"{_with_unit(size_text(result, halved), result.unit)}."
        )
    if result.error.df is None or result.error.df < 29:
        return "We would be surer with our own measurement error: at least 30 stable people, tested twice, our way."
    if result.programme is None:
        return (
            "We would be surer if we knew how people like this one usually change (the programme's means and spread)."
        )
    if not v.spread(result.mcid):
        return "We would be surer with an MCID that comes with its interval."
    return "We would be surer with a second test on another day, and with a second baseline for the next person."
