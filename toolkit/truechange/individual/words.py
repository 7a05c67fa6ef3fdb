"""The result in words: one sentence for the chart, one for the person, one on what would make us surer."""

from math import hypot, isnan, sqrt

from truechange.foundation.distributions import two_sided
from truechange.foundation.numbers import decimals_of, fixed, percent
from truechange.individual import verdict as v
from truechange.individual.answer import Answer

_CHART = {
    v.REAL_AND_IMPORTANT: "beyond measurement error ({mdc}) and at least the MCID ({mcid})",
    v.REAL_BELOW_IMPORTANT: "beyond measurement error ({mdc}) but below the MCID ({mcid})",
    v.IMPORTANT_WITHIN_ERROR: "at least the MCID ({mcid}) in size but within measurement error ({mdc})",
    v.NONE_SHOWN: "no change demonstrated, within measurement error ({mdc}) and below the MCID ({mcid})",
    v.BECAME_ABLE: "became able to do the test; the size of the improvement cannot be stated",
    v.LOST_ABILITY: "no longer able to do the test; the size of the decline cannot be stated",
    v.NOT_ASSESSABLE: "whether this is a change cannot be assessed: {why}",
}
_AGAIN = "so we will test again."
_PERSON = {
    v.REAL_AND_IMPORTANT: "You really are doing better on this test, and by enough to help you in daily life.",
    v.REAL_BELOW_IMPORTANT: "You really are doing better on this test, but the step is still a small one.",
    v.IMPORTANT_WITHIN_ERROR: f"You may well be doing better, but this can also be just a good day, {_AGAIN}",
    v.NONE_SHOWN: "So far this test shows no clear change; your work may still be helping you.",
    f"worse_{v.REAL_AND_IMPORTANT}": "This test is harder for you now, by enough to matter; let us look at why.",
    f"worse_{v.REAL_BELOW_IMPORTANT}": "This test is a little harder for you now, so let us keep an eye on it.",
    f"worse_{v.IMPORTANT_WITHIN_ERROR}": f"This test may be harder for you now, or it was just a bad day, {_AGAIN}",
    f"worse_{v.NONE_SHOWN}": "So far this test shows no clear change; small ups and downs like this are normal.",
    v.BECAME_ABLE: "You could not do this test before, and now you can.",
    v.LOST_ABILITY: "You could do this test before but not this time, so let us look at why.",
    v.NOT_ASSESSABLE: "This test alone cannot tell us yet if you have changed.",
}


def score_text(result: Answer, score: float) -> str:
    """Write one score to the decimals its scale is read to; a mean of visits gets one more."""
    places = decimals_of(result.test.resolution)
    return "unable" if isnan(score) else fixed(score, places + (abs(round(score, places) - score) > 1e-9))


def size_text(result: Answer, size: float) -> str:
    """Write a threshold or a change with one decimal more than its scale is read to, without empty decimals."""
    text = fixed(size, decimals_of(result.test.resolution) + 1)
    return text.rstrip("0").rstrip(".") if "." in text else text


def chart(result: Answer) -> str:
    """Return the sentence for the record."""
    name, d = f"{result.test.name}: " if result.test.name else "", result.improvement
    seen = f"{name}{score_text(result, result.before)} → {score_text(result, result.after)} {result.test.unit}".rstrip()
    if not isnan(d):
        seen += f", {'improved' if d > 0 else 'worse'} by {size_text(result, abs(d))}" if d else ", no difference"
    mdc = f"MDC{100 * result.confidence:g} {size_text(result, result.mdc.value)}" if result.mdc else ""
    said = _CHART[result.verdict.removeprefix("worse_")]
    said = said.format(mdc=mdc, mcid=size_text(result, result.bar.value), why=result.why_not)
    return f"{seen}: {said}. {chances(result)}".rstrip()


def chances(result: Answer) -> str:
    """Return the sentence with the chances, under every prior that could be used; empty where there are none."""
    if not result.beliefs:
        return ""
    key, what = ("p_worse", "decline") if result.worse else ("p_meaningful", "improvement")
    shown = {prior: percent(chance[key]) for prior, chance in result.chances.items()}
    alone = f"{shown['flat']} from the scores alone, {shown['sceptical']} for a sceptic"
    if result.programme and "programme" in shown:
        alone = f"{shown['programme']} ({result.programme.name}, n = {result.programme.n}); {alone}"
    return f"Chance that the true change is an important {what}: {alone}."


def person(result: Answer) -> str:
    """Return the sentence for the person, in everyday words."""
    return _PERSON[result.verdict]


def firmness(result: Answer) -> str:
    """Say how firmly the verdict stands; empty where the thresholds came without their uncertainty."""
    if isnan(result.stability):
        return ""
    said = "Borderline: the" if result.borderline else "The"
    return f"{said} verdict holds in {percent(result.stability)} of the thresholds their uncertainty allows."


def surer(result: Answer) -> str:
    """Return the one thing that would make the answer surer, with its effect where it can be computed."""
    error, mdc = result.error, result.mdc
    if isnan(result.improvement):
        return "We would be surer with a second test on another day, done the same way."
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


def picture(result: Answer) -> str:
    """Return the picture in words, for those who cannot see it."""
    if isnan(result.improvement):
        return "No picture: the person was unable to do the test at one visit."
    scores = (
        f"{score_text(result, result.before)} before and {score_text(result, result.after)} {result.test.unit}".rstrip()
    )
    said = f"{result.test.name or 'Score'}: {scores} after, each with its error; lines at the important change "
    said += f"({size_text(result, result.bar.value)})"
    if result.mdc is not None and result.beliefs:
        low, high = (size_text(result, end) for end in result.beliefs[0].interval(result.confidence))
        said += (
            f" and the smallest detectable change ({size_text(result, result.mdc.value)}); beside them the curve of "
        )
        said += f"the true change, most likely between {low} and {high}, its important part shaded"
    return said + "."
