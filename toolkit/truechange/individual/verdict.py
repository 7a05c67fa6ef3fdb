"""Verdict on one person's change and its words: for the chart, for the person, what would make us surer, cautions."""

import os.path
from math import hypot, isfinite, isnan, nan, sqrt
from typing import TYPE_CHECKING, Any

from truechange.foundation.distributions import chi2_below, normal_below, two_sided
from truechange.foundation.estimate import SWAPPED, Origin, Threshold
from truechange.foundation.numbers import decimals_of, fixed, percent, reaches
from truechange.foundation.result import told
from truechange.individual.score_error import FEWEST, SMALL
from truechange.measures.catalogue import Measure, read_rows

if TYPE_CHECKING:
    from truechange.individual.posterior import Seen

REAL_AND_IMPORTANT, REAL_BELOW_IMPORTANT = "real_and_important", "real_below_important"
IMPORTANT_WITHIN_ERROR, NONE_SHOWN = "important_sized_within_error", "no_demonstrable_change"
CELLS = (REAL_AND_IMPORTANT, REAL_BELOW_IMPORTANT, IMPORTANT_WITHIN_ERROR, NONE_SHOWN)
BECAME_ABLE, LOST_ABILITY, NOT_ASSESSABLE = "became_able", "lost_ability", "not_assessable"
HARDER_BETTER, EASIER_WORSE = "better_on_harder_test", "worse_on_easier_test"
BORDERLINE = 0.80  # a verdict that falls with more than one in five plausible thresholds
SURE, LIKELY = 0.95, 0.80  # the bands of every chance put into words; 1 minus each for the other side


def band(chance: float) -> str:
    """Return the word for a chance: ``"sure"`` from 95%, ``"likely"`` from 80%, ``"unclear"``, ``"unlikely"`` to 20%.

    Examples
    --------
    >>> band(0.96), band(0.84), band(0.5), band(0.2)
    ('sure', 'likely', 'unclear', 'unlikely')
    """
    if chance >= SURE:
        return "sure"
    return "likely" if chance >= LIKELY else "unclear" if chance > 1 - LIKELY + 1e-12 else "unlikely"


def verdict(improvement: float, beyond_practice: float, mdc: float, mcid: float, mcid_deterioration: float) -> str:
    """Return the cell of the table: beyond error or not, by important or not; ``"worse_"`` ahead for a decline.

    Parameters
    ----------
    improvement : float
        Observed improvement (positive = better), held against the MCID.
    beyond_practice : float
        The same without the gain of merely repeating the test, held against the MDC.
    mdc, mcid, mcid_deterioration : float
        Positive thresholds in the same unit. A change equal to a threshold counts as reaching it.

    Examples
    --------
    >>> verdict(4, 4, 2.77, 2, 2), verdict(-4, -4, 2.77, 2, 5), verdict(2, 2, 2.77, 2, 2)
    ('real_and_important', 'worse_real_below_important', 'important_sized_within_error')
    """
    worse, size, net = _turned(improvement, beyond_practice)
    real = net > 0 and reaches(net, mdc)
    important = size > 0 and reaches(size, mcid_deterioration if worse else mcid)
    cell = CELLS[2 * (not real) + (not important)]
    return f"worse_{cell}" if worse else cell


def _turned(improvement: float, beyond_practice: float) -> tuple[bool, float, float]:
    worse = improvement < 0
    return (True, -improvement, -beyond_practice) if worse else (False, improvement, beyond_practice)


def spread(threshold: Threshold) -> float:
    """Return a threshold's standard error, read from its interval; 0 when it has none."""
    width = threshold.high - threshold.low
    return width / (2 * two_sided(threshold.confidence)) if isfinite(width) and width > 0 else 0.0


def stability(improvement: float, beyond_practice: float, mdc: Threshold, important: Threshold) -> float:
    """Return how likely the verdict is to stand when MDC and MCID are redrawn from their uncertainty.

    The MDC is MDC·√(df/χ²), the MCID normal with the width of its interval, the two independent; both chances are
    exact, so nothing is drawn (own derivation). NaN when neither threshold comes with its uncertainty.

    Parameters
    ----------
    improvement, beyond_practice : float
        As in :func:`verdict`.
    mdc, important : Threshold
        The MDC, and the MCID of the direction the person moved in.

    Examples
    --------
    >>> mdc = Threshold(value=2.772, kind="mdc", df=29)
    >>> round(stability(4, 4, mdc, Threshold(value=2.0, kind="mcid")), 3)
    0.992
    """
    se, df = spread(important), mdc.df
    if df is None and not se:
        return nan
    _, size, net = _turned(improvement, beyond_practice)
    same = 1.0
    if df is not None:
        real = 1 - chi2_below(df * (mdc.value / net) ** 2, df) if net > 0 else 0.0
        same *= real if net > 0 and reaches(net, mdc.value) else 1 - real
    if se:
        matters = normal_below((size - important.value) / se) if size > 0 else 0.0
        same *= matters if size > 0 and reaches(size, important.value) else 1 - matters
    return same


# What is said without arithmetic, by kind (chart, person, better, helps, worse, matters, end) and key.
WORDS: dict[str, dict[str, str]] = {}
for _row in read_rows(os.path.join(os.path.dirname(__file__), "words.csv")):
    WORDS.setdefault(_row["kind"], {})[_row["key"]] = _row["text"]
DECLINE = "A decline: ask about pain, a flare, falls and medicines, and let a licensed clinician look at it."
NOT_CAUSE = "A true change is not proof that the treatment caused it: practice, natural course and mood are in it too."


def score_text(result: Any, score: float) -> str:
    """Write one score to the decimals its scale is read to; a mean of visits gets one more."""
    places = decimals_of(result.test.resolution)
    return "unable" if isnan(score) else fixed(score, places + (abs(round(score, places) - score) > 1e-9))


def size_text(result: Any, size: float) -> str:
    """Write a threshold or a change with one decimal more than its scale is read to, without empty decimals."""
    text = fixed(size, decimals_of(result.test.resolution) + 1)
    text = f"{size:.1g}" if size > 1e-9 and not text.strip("0.") else text  # an MCID above 0 is never written as 0
    return text.rstrip("0").rstrip(".") if "." in text else text


def sure_text(chance: float) -> str:
    """Write a chance as a percentage that is never 0% or 100%, however near."""
    return percent(min(max(chance, 1e-9), 1 - 1e-9))


def chart(result: Any) -> str:
    """Return the sentence for the record, without the chances."""
    d, unit = result.improvement, f" {result.test.unit}".rstrip()
    scores = [score_text(result, score) for score in (result.before, result.after)]
    scores[0 if scores[1] == "unable" else 1] += unit * (set(scores) != {"unable"})
    seen = (f"{result.test.name}: " if result.test.name else "") + " → ".join(scores)
    if not isnan(d):
        seen += f", {'improved' if d > 0 else 'worse'} by {size_text(result, abs(d))}" if d else ", no difference"
    mdc = f"MDC{round(100 * result.confidence, 1):g} {size_text(result, result.mdc.value)}" if result.mdc else ""
    mdc += without_practice(result, " for the change {}")
    meaning = WORDS["chart"].get(result.verdict) or WORDS["chart"][result.verdict.removeprefix("worse_")]
    return f"{seen}: {meaning.format(mdc=mdc, mcid=size_text(result, result.bar.value), why=result.why_not)}."


def chances(result: Any) -> str:
    """Return the chances under every prior that could be used, and which to use; empty where there are none."""
    if not result.beliefs:
        return ""
    what = "decline" if result.worse else "improvement"
    by_prior = {prior: sure_text(chance[f"{result.leading}_beyond_practice"])
                for prior, chance in result.chances.items()}  # fmt: skip
    which = f"{by_prior['flat']} (the scores alone; use this one, as the most it can be)"
    if result.programme and "programme" in by_prior:
        group = f"people like this one: {result.programme.name}, n = {result.programme.n}"
        which = f"{by_prior['programme']} ({group}; use this one), {by_prior['flat']} (the scores alone)"
    which += f", {by_prior['sceptical']} (a sceptic who expects no change)"
    return f"Chance that the true change{without_practice(result)} is an important {what}: {which}."


def without_practice(result: Any, place: str = ", {},") -> str:
    """Say, in its `place`, that the practice gain is taken out of what was just named; empty where there is none."""
    return place.format(f"without the practice gain of {size_text(result, result.practice)}") * bool(result.practice)


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
    if verdict.removeprefix("worse_") not in (REAL_AND_IMPORTANT, REAL_BELOW_IMPORTANT):
        return WORDS["person"][verdict].format(may="may well" if better >= LIKELY else "may")
    start, end = (WORDS["worse"], WORDS["matters"]) if worse else (WORDS["better"], WORDS["helps"])
    enough = band(important)
    if verdict.endswith(REAL_BELOW_IMPORTANT) and enough != "unlikely":
        enough = "unclear"  # as seen it is below the MCID, whatever the group makes likely
    return start[band(max(better, 0.5))] + end[enough]


def firmness(result: Any) -> str:
    """Say how firmly the verdict stands; empty where the thresholds came without their uncertainty."""
    if isnan(result.stability):
        return ""
    start, share = "Borderline: the" if result.borderline else "The", sure_text(result.stability)
    allowed = "the MDCs and MCIDs their uncertainty allows: how firm those two are, not how sure the change is"
    return f"{start} same verdict comes out in {share} of {allowed}."


def surer(result: Any) -> str:
    """Return the one thing that would make the answer surer, with its effect where it can be computed."""
    error, mdc = result.error, result.mdc
    if isnan(result.improvement):
        advice = "with one more test on another day, done just the same way."
    elif error is None or mdc is None:
        advice = "if we knew this test's measurement error: 30 to 50 stable people, tested twice."
    elif result.verdict.removeprefix("worse_") == IMPORTANT_WITHIN_ERROR or result.borderline:
        twice = two_sided(result.confidence) * hypot(error.before, error.after / sqrt(2))
        fall = f"{size_text(result, mdc.value)} to {size_text(result, twice)} {result.test.unit}".rstrip()
        advice = f"with a second test on another day: the smallest detectable change falls from {fall}."
    elif error.df is None or error.df < 29:
        advice = "with our own measurement error: at least 30 stable people, tested twice, our way."
    elif result.programme is None:
        advice = "if we knew how people like this one usually change (a programme's means and spread)."
    elif not spread(result.mcid):
        advice = "with an MCID that comes with its interval."
    else:
        advice = "with a second test on another day, and with a second baseline for the next person."
    return f"We would be surer {advice}"


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
    important = f"lines at the important change ({size_text(result, result.bar.value)})"
    return f"{result.test.name or 'Score'}: {scores} after, each with its error; {important}{curve}."


def at_ends(seen: "Seen", ends: tuple[float, float], mcid: float) -> list[str]:
    """Say what an end of the scale hides in these two scores (`ends` and `mcid` in the test's unit)."""
    sides = (("first", seen.sign * seen.before_side), ("second", seen.sign * seen.after_side))
    notes = [WORDS["end"][f"{which} {'best' if side > 0 else 'worst'}"] for which, side in sides if side]
    if (room := seen.sign * (ends[seen.sign > 0] - seen.before)) > 0 and not reaches(room, mcid):
        notes.append("The first score left less room on the scale than the MCID: an important improvement cannot show.")
    return notes


def entered(test: Measure, scores: tuple[object, object], counts: tuple[int, int]) -> tuple[str, ...]:
    """Say what a typed score was read as: 0 as unable, several tests of a stage as their mean."""
    zero = test.zero_unable and any(score == 0 for score in scores if isinstance(score, int | float))
    mean_of = "The {} score is the mean of {} visits (trials of one visit are not visits)."
    return told({
        f"A score of 0 {test.unit} means unable: it is counted as that, not as a number.": zero,
        **{mean_of.format(*one): one[1] > 1 for one in zip(("first", "last"), counts, strict=True)},
    })  # fmt: skip


def gather(result: Any, mirrored: bool) -> list[str]:
    """Collect what to mind about thresholds and group, the gravest first; `mirrored` = no MCID for worse was given."""
    mdc, error, test, sized = result.mdc, result.error, result.test, not isnan(result.improvement)
    notes = (origin("SEM", error.origin) if error else []) + origin("MCID", result.mcid.origin)
    notes += [f"A score of {score:g} is unusual for this test: check it." for score in (result.before, result.after)
              if score < test.soft_low or score > test.soft_high]  # fmt: skip
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
        gain, left = size_text(result, result.practice), sure_text(getattr(result, result.leading))
        out = "is taken out of “beyond error” and of the chances"
        notes.append(f"A practice gain of {gain} {out}; the first chance with it in: {left}.")
    lacking = told({"SEM's": error is not None and error.df is None, "MCID's": not spread(result.bar)})
    if lacking and sized:
        notes.append(f"The {' and the '.join(lacking)} own uncertainty was not given, so it is not carried.")
    return notes


def origin(what: str, origin: Origin) -> list[str]:
    """Say where a published number comes from, and that it must fit; nothing for own or stated numbers."""
    if origin.kind != "published":
        return []
    source = "memory, not checked" if origin.status == "from memory" else "elsewhere"
    note = f" ({origin.note})" if origin.note else ""
    return [f"{what} from {source}: {origin.sentence()}{note}. Are those people, that protocol and gap like yours?"]


def _group(result: Any) -> list[str]:
    group = result.programme
    if group is None:
        return ["No group to compare with: the chance from the scores alone is too high where most change little."]
    name = group.name[:1].upper() + group.name[1:]
    if group.n < FEWEST:
        return [f"{name} has {group.n} people, fewer than {FEWEST}: too few to lean on."]
    notes = []
    if group.entry is not None:
        allowed = "The chance from people like this one allows for that; the scores alone do not."
        notes = [f"{name}: people {group.entry.words}. {allowed}", *group.entry.cautions()]
    shape = told({
        f"{name} has {group.n} people; the doubt about its numbers is carried.": group.n < SMALL,
        f"True change in {group.name} counts as normal; if skewed, a chance of 60% can be 40%.": not group.shape,
    })  # fmt: skip
    notes += [" ".join(shape)] if shape else []
    if abs(result.before - group.mean_before) > 2.5 * group.sd_before:
        notes.append(f"This person started far from most of {group.name}: the chances lean on people unlike them.")
    return notes
