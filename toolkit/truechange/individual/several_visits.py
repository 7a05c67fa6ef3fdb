"""Several visits of one person: each against the baseline with repeated looks paid for, and the course as a whole."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import inf, isnan, nan, sqrt
from typing import TYPE_CHECKING, Any, NamedTuple

from truechange.foundation import errors
from truechange.foundation.distributions import two_sided
from truechange.foundation.errors import ChoiceError, DataError, RefusedError, in_short, stated
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import percent
from truechange.foundation.result import Result, told
from truechange.individual import posterior as priors
from truechange.individual import verdict as v
from truechange.individual.assess import LARGER_SEM, UNSTATED, own_test, person_change, visit_mean, were_error_larger
from truechange.individual.change import PersonChange
from truechange.individual.posterior import Belief
from truechange.individual.score_error import FEWEST, ScoreError, score_error
from truechange.individual.typed import compare_protocols, refuse_changed
from truechange.measures.catalogue import HIGHER, Measure
from truechange.measures.catalogue import measure as look_up

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

Point = tuple[float, float, int]  # day, mean score of that day, scores in it


class Visit(NamedTuple):
    """One day: its scores (all NaN where the person was unable) and how the test was done."""

    day: float
    scores: list[float]
    facts: dict[str, object]

    @property
    def able(self) -> bool:
        """Whether the day has a score."""
        return not isnan(sum(self.scores))

    @property
    def text(self) -> str:
        """Its scores, for a refusal."""
        return " and ".join("unable" if isnan(score) else f"{score:g}" for score in self.scores)


@dataclass(frozen=True)
class Visits(Result):
    """One person over several visits.

    Parameters
    ----------
    test : Measure
        Name, unit, direction and resolution of the test.
    points : tuple of (float, float, int)
        Day, mean score and number of scores of each visit, in order; NaN and 0 where the person was unable.
    baselines, looks : int
        How many of the first visits are baseline; follow-up visits that the error of repeated looks is spread over.
    changes : tuple of PersonChange
        Each follow-up visit against the baseline, its MDC paid for repeated looks. The last decides: unable then is
        lost ability, able after an unable baseline became able.
    beliefs : tuple of Belief
        The posterior of the true change from the baseline to the last visit by a straight course, under each prior,
        the one reported first; empty where the baseline or the last visit has no score.
    level : Estimate
        The true score at the last visit with a score as it stands alone: score ± its error.
    cautions, sources : tuple of str
        What to mind; bibliography keys of what was computed.
    """

    test: Measure
    points: tuple[Point, ...]
    baselines: int
    looks: int
    changes: tuple[PersonChange, ...]
    beliefs: tuple[Belief, ...]
    level: Estimate
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    drawable = True

    @property
    def last(self) -> PersonChange | None:
        """The last visit against the baseline, its chances those of the whole course; None at one visit."""
        return self.by_course if self.changes else None

    @property
    def verdicts(self) -> tuple[str, ...]:
        """The verdict of each follow-up visit, repeated looks paid for."""
        return tuple(change.verdict for change in self.changes)

    @property
    def verdict(self) -> str:
        """The verdict of the last visit; ``"not_assessable"`` with one visit."""
        return self.verdicts[-1] if self.changes else v.NOT_ASSESSABLE

    @property
    def change(self) -> Estimate:
        """Improvement from the baseline to the last visit by a straight course, scores alone; NaN at one visit."""
        flat = next((belief for belief in self.beliefs if belief.prior == "flat"), None)
        low, high = flat.interval(self.level.confidence) if flat else (nan, nan)
        return replace(self.level, value=flat.mean if flat else nan, low=low, high=high, method="straight course")

    @property
    def per_week(self) -> Estimate:
        """The same a week; NaN without a course."""
        begin = [day for day, _, m in self.points[: self.baselines] if m][-1:]
        unit = f"{self.level.unit} a week".strip()
        return self.change.scaled(7 / (self.points[-1][0] - begin[0]) if self.beliefs else nan, unit=unit)

    @property
    def by_course(self) -> PersonChange:
        """The last visit against the baseline, its chances those of the whole course."""
        return replace(self.changes[-1], beliefs=self.beliefs)

    @property
    def p_meaningful(self) -> float:
        """Chance that the true improvement by a straight course exceeds the MCID; NaN without a course."""
        return self.by_course.p_meaningful if self.beliefs else nan

    @property
    def p_worse(self) -> float:
        """Chance of a true decline beyond the MCID for deterioration; NaN without a course."""
        return self.by_course.p_worse if self.beliefs else nan

    def table(self) -> "pd.DataFrame":
        """Return one row a visit, unrounded: day, score, scores, improvement, mdc (looks paid for), verdict."""
        import pandas as pd

        frame = pd.DataFrame(self.points, columns=["day", "score", "scores"])
        seen = [(one.improvement, one.mdc.value if one.mdc else nan, one.verdict) for one in self.changes]
        follow = frame.index[len(frame) - len(seen) :]
        return frame.join(pd.DataFrame(seen, columns=["improvement", "mdc", "verdict"], index=follow))

    def sentences(self) -> tuple[str, ...]:
        """Return the last visit in words, for the chart and for the person, then the course, then the chance."""
        if not self.changes:
            return (f"One visit: the true score is most likely {self.level}; a change needs a second visit.",)
        last = self.by_course
        way = self.change.worded("improvement is {}", "decline is {}")
        course = f"By a straight course the {way}, or {self.per_week.worded('{}', '{}')}."
        rest = (course, v.chances(last)) if self.beliefs else (last.surer_sentence,)
        return (v.chart(last), last.person_sentence, *rest)

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw every visit with its error, the baseline, and the lines of important and detectable change."""
        from truechange.foundation.drawing import INK, axes, mark_line

        ax = axes(ax)
        days, scores, counts = zip(*(point for point in self.points if point[2]), strict=True)
        bars = [(self.level.high - self.level.value) * sqrt(counts[-1] / count) for count in counts]
        ax.errorbar(days, scores, yerr=bars, color=INK, marker="o", ms=6, capsize=3, lw=1)
        for at, label, colour, dash in self.changes[-1].lines() if self.beliefs else ():
            mark_line(ax, at, label.replace("first score", "baseline"), colour=colour, dash=dash)
        ax.set_xlabel("day")
        ax.set_ylabel(f"{self.level.unit or 'score'}, better upwards")
        if self.changes and self.changes[-1].test.sign < 0:
            ax.invert_yaxis()
        return ax

    @property
    def alt(self) -> str:
        """The picture in words."""
        seen = ", ".join(f"{f'{score:g}' if m else 'unable'} on day {day:g}" for day, score, m in self.points)
        marks = ", and lines at the important and the detectable change" if self.beliefs else ""
        return f"Scores over time: {seen}; each with its error{marks}."


def visits(
    data: "Mapping[str, Iterable[Any]] | pd.DataFrame", *, day: str = "day", score: str = "score",
    protocol: Sequence[str] = (), baselines: int = 1, looks: int | None = None, confidence: float = 0.95, **about: Any,
) -> Visits:  # fmt: skip
    r"""Follow one person over several visits.

    Parameters
    ----------
    data : DataFrame or mapping of columns
        One row a score: `day` (number of days, date, or ISO text), `score`, and columns that hold protocol facts.
        Scores of one day are averaged, and that is said.
    day, score : str, optional
        Column names.
    protocol : sequence of str, optional
        Columns that hold protocol facts; they must agree with the first visit's. Those that decide a test of the
        catalogue are looked at wherever the column is there.
    baselines : int, optional
        How many of the first visits are baseline. Two take out most learning and most regression to the mean.
    looks : int, optional
        How many follow-up visits are planned; by default those in the data.
    confidence : float, optional
        Level of every interval and, over all looks together, of the MDCs.
    **about
        What else :func:`person_change` takes: ``sem`` and ``mcid`` (required), ``better``, ``sem_df``,
        ``mcid_deterioration``, ``programme`` (the group at the first and last of these visits), ``practice``,
        ``measure``, ``name``, ``unit`` and so on.

    Returns
    -------
    Visits
        Frozen; ``.verdicts``, ``.change``, ``.p_meaningful``, ``.table()``, ``.plot()``.

    Raises
    ------
    DataError
        A column, day or score is missing, or there is no visit.
    RefusedError
        The protocol changed between visits, or no SEM was given.
    ChoiceError
        An argument is not understood.

    Notes
    -----
    Visit against baseline: :math:`z_{1-\alpha/(2V)} SEM \sqrt{1/m_0 + 1/m}` with V looks (Bonferroni). Course: the
    level is flat until the last baseline visit and straight after it, fitted by least squares with the known SEM. The
    posterior is that of the level at the start and at the end given every score. The first is the textbook form, the
    rest our own derivation, checked against matrix formulas.

    Examples
    --------
    >>> seen = {"day": [0, 42, 84], "score": [9, 11, 13]}
    >>> course = visits(seen, sem=1.0, mcid=2.0, unit="stands")
    >>> course.verdicts, course.looks, round(course.change.value, 2)
    (('important_sized_within_error', 'real_and_important'), 2, 4.0)
    """
    errors.check_confidence(confidence)
    errors.check_whole(baselines=baselines, **stated(looks=looks))
    if not isinstance(data, Mapping) and not hasattr(data, "columns"):
        raise DataError(f"data={in_short(data)} is not a table; give a column of days and one of scores.")
    test = look_up(about["measure"]) if about.get("measure") else own_test("", "", HIGHER, 1.0)
    columns = dict.fromkeys((*protocol, *(fact for fact in test.protocol if fact in data)))
    days = _read(data, day, score, tuple(columns), test)
    able = [one for one in days if one.able]
    if not able:
        raise DataError("There is no visit with a score in these data.")
    if baselines < 1 or (len(days) > 1 and baselines >= len(days)):
        raise ChoiceError(f"baselines={baselines} must be at least 1 and leave a follow-up visit among {len(days)}.")
    for one in days[1:] if "bridge" not in about else ():
        changed, _ = compare_protocols(days[0].facts, one.facts, test.protocol, test.tolerances)
        refuse_changed(changed, days[0].text, one.text, test.unit)
    start = [one for one in days[:baselines] if one.able]
    points = tuple((one.day, sum(one.scores) / len(one.scores), len(one.scores) * one.able) for one in days)
    seen = tuple(point for point in points if point[2])
    looks = max(looks or 0, len(able) - len(start), 1)
    changes = [
        person_change(_scores(start or (able[-1:] if one is days[-1] and not one.able else [])), _scores([one]),
            before_protocol=days[0].facts, after_protocol=one.facts, confidence=1 - (1 - confidence) / looks, **about)
        for one in days[baselines:] or days[:1]
    ]  # fmt: skip
    last, (_, at, scores) = changes[-1], seen[-1]
    error = score_error(about["sem"], about.get("sem_df"), (seen[0][1], at), (1, 1), last.programme, last.test.unit)
    if error is None:
        raise RefusedError("Visits cannot be told from error without a standard error of measurement above 0 (sem=).")
    error = error._replace(before=error.group_before)
    cautions = _day_cautions(points, last.test)
    beliefs: tuple[Belief, ...] = ()
    if start and len(able) > len(start) and days[-1].able:  # a course from the baseline to the last visit
        beliefs = _beliefs(seen, len(start), error, last)
        cautions += _course_cautions(seen, len(start), looks, error, last, confidence)
    reach = two_sided(confidence) * error.after / sqrt(scores)
    level = Estimate(value=at, low=at - reach, high=at + reach, confidence=confidence, unit=last.test.unit, df=error.df,
                     method="score ± error, nothing known of the group", origin=error.origin)  # fmt: skip
    follow_up = tuple(changes) if len(days) > 1 else ()
    now = replace(last, beliefs=beliefs, after=last.after if follow_up else nan)
    mirrored = about.get("mcid_deterioration") is None
    # what was said of two scores and their chance gives way to what is true of the course, or of one visit
    heard = [text for text in last.cautions if text not in v.gather(last, mirrored) and LARGER_SEM not in text]
    larger = were_error_larger(now, error, lambda larger: _beliefs(seen, len(start), larger, last))
    heard = list(dict.fromkeys([*cautions, *heard, *v.gather(now, mirrored), *larger]))
    heard = heard if follow_up else _of_one(heard)
    return Visits(last.test, points, baselines, looks, follow_up, beliefs, level, tuple(heard), last.sources)


def _of_one(heard: list[str]) -> list[str]:
    """Return what to mind of one visit: it has neither a first score nor a second, and nothing to be done the same."""
    said = [text for text in heard if not text.startswith("The first score") and text != UNSTATED]
    return [text.replace("The second score", "The score").replace("The last score", "The score") for text in said]


def _day_cautions(points: Sequence[Point], test: Measure) -> list[str]:
    zero = f" (0 {test.unit} counts as that)" if test.zero_unable else ""
    unable = f"Unable{zero} to do the test on day {{:g}}: a finding of its own, not in the arithmetic."
    return [(f"The {m} scores of day {when:g} were averaged." if m else unable.format(when))
            for when, _, m in points if m != 1]  # fmt: skip


def _scores(days: Sequence[Visit]) -> "list[float] | str":
    return [score for one in days if one.able for score in one.scores] or "unable"


def _read(data: Any, day: str, score: str, protocol: Sequence[str], test: Measure) -> list[Visit]:
    """Return the days in their order, each with its scores and its protocol facts."""
    names = (day, score, *protocol)
    if lacking := [column for column in names if column not in data]:
        raise DataError(f"There is no column {lacking[0]!r}; name the columns with day=, score= and protocol=.")
    sizes = {column: len(data[column]) for column in names}
    if len(set(sizes.values())) > 1:
        raise DataError(f"The columns differ in length ({sizes}): give one value of each a visit.")
    by_day: dict[float, Visit] = {}
    for row, (when, value, *facts) in enumerate(zip(*(data[name] for name in names), strict=True), start=1):
        number = _day(when, row)
        one = by_day.setdefault(number, Visit(number, [], dict(zip(protocol, facts, strict=True))))
        one.scores.append(visit_mean(value, f"score of visit {row}", test)[0])
        if not one.able and not all(map(isnan, one.scores)):
            raise DataError(f"Day {number:g} holds both a score and unable: keep the one that counts.")
    return sorted(by_day.values(), key=lambda one: one.day)


def _day(value: Any, row: int) -> float:
    try:
        when: Any = date.fromisoformat(value[:10]) if isinstance(value, str) else value
        number = float(when.toordinal() if hasattr(when, "toordinal") else when)
    except (TypeError, ValueError):
        number = nan
    if isnan(number):
        raise DataError(f"Visit {row} has no usable day ({value!r}): give a number of days, a date, or YYYY-MM-DD.")
    return number


def _mean(points: Sequence[Point]) -> float:
    return sum(score * m for _, score, m in points) / sum(m for _, _, m in points)


def _beliefs(points: tuple[Point, ...], baselines: int, error: ScoreError, last: PersonChange) -> tuple[Belief, ...]:
    """Return the posterior of the change from start to end given every visit: the programme's, flat and sceptical."""
    begin, end = points[baselines - 1][0], points[-1][0]
    rows = [(max(0.0, (day - begin) / (end - begin)), x, m) for day, x, m in points]  # share of the way, score, scores
    a11, a22 = sum(m * (1 - u) ** 2 for u, _, m in rows), sum(m * u * u for u, _, m in rows)
    a12 = sum(m * u * (1 - u) for u, _, m in rows)
    y1, y2 = sum(m * (1 - u) * x for u, x, m in rows), sum(m * u * x for u, x, m in rows)
    det = a11 * a22 - a12 * a12
    seen = priors.Seen((a22 * y1 - a12 * y2) / det, (a11 * y2 - a12 * y1) / det, last.test.sign)
    levels = error._replace(before=error.before * sqrt(a22 / det), after=error.after * sqrt(a11 / det))
    # both levels lean on the same visits, so their errors are linked
    linked = sqrt((a11 + 2 * a12 + a22) / (a11 + a22))
    alone = levels._replace(before=levels.before * linked, after=levels.after * linked)
    by_scores = (priors.flat(seen, alone), priors.sceptical(seen, alone, last.mcid.value, None))
    if last.programme is None or last.programme.n < FEWEST:
        return by_scores
    return (priors.from_programme(seen, levels, last.programme, -a12 / det * error.before * error.after), *by_scores)


def _course_cautions(
    points: tuple[Point, ...], baselines: int, looks: int, error: ScoreError, last: PersonChange, confidence: float
) -> list[str]:
    z, start, between, bend, limit = (two_sided(confidence), points[:baselines], points[baselines:-1], 0.0, inf)
    apart = z * error.after * sqrt(1 / start[0][2] + 1 / start[-1][2])
    chance = percent(1 - confidence**looks)
    if between:
        m0, m1, m2 = (sum(m for _, _, m in part) for part in (start, between, points[-1:]))
        u = (sum(when * m for when, _, m in between) / m1 - start[-1][0]) / (points[-1][0] - start[-1][0])
        straight = (1 - u) * _mean(start) + u * points[-1][1]
        bend = last.test.improvement(straight, _mean(between))
        limit = z * error.after * sqrt(1 / m1 + (1 - u) ** 2 / m0 + u * u / m2)
    when = "early and then levelled off" if bend > 0 else "late"
    return list(told({
        f"{looks} looks, each at the usual limit, would cry change in up to {chance} of unchanged people.": looks > 1,
        "One baseline: learning and a chance low start are still in the change. Two are better.": baselines == 1,
        "The baselines themselves differ by more than error: learning, or a change before treatment.":
        baselines > 1 and abs(start[-1][1] - start[0][1]) > apart,
        f"The change came {when}: read the visits, not the straight course.": abs(bend) > limit,
    }))  # fmt: skip
