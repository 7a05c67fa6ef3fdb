"""One person's change (reliable change): what was seen, the verdict, the chances, the words and the picture."""

from dataclasses import dataclass
from functools import cached_property
from math import hypot, isnan, nan
from typing import TYPE_CHECKING, Any

from truechange.foundation.distributions import two_sided
from truechange.foundation.errors import RefusedError
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.result import Result
from truechange.individual import verdict as v
from truechange.individual.posterior import Belief
from truechange.individual.score_error import Programme, ScoreError
from truechange.measures.catalogue import Measure

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

SIZELESS = (v.HARDER_BETTER, v.EASIER_WORSE)  # two tests, not one: which was better is known, by how much is not
Line = tuple[float, str, str, str]  # height, words, colour, dash


@dataclass(frozen=True)
class PersonChange(Result):
    """Whether one person changed beyond measurement error, and by enough to matter.

    Parameters
    ----------
    test : Measure
        Name, unit, direction and resolution of the test.
    before, after : float
        Scores (means of several visits where given), in the test's unit; NaN for unable.
    verdict : str
        ``"real_and_important"``, ``"real_below_important"``, ``"important_sized_within_error"``,
        ``"no_demonstrable_change"``, the same with ``"worse_"`` ahead, ``"became_able"``, ``"lost_ability"``,
        ``"better_on_harder_test"``, ``"worse_on_easier_test"`` or ``"not_assessable"``; `why_not` says of the last
        three why there is no size.
    mdc : Threshold or None
        Smallest change beyond error for this person; None without an SEM.
    mcid, mcid_deterioration : Threshold
        Smallest change that matters, for better and for worse; both positive.
    beliefs : tuple of Belief
        The posterior of the true change under each prior, the one reported first; empty where it has no answer.
    error : ScoreError or None
        The SEMs behind the answer.
    programme : Programme or None
        The group the person was compared with.
    practice, practice_se : float
        Gain from repeating the test that was taken out of "beyond error", and its standard error.
    confidence : float
        Level of the MDC and of every interval.
    dates : (str, str)
        Dates shown in the picture.
    cautions, sources : tuple of str
        What to mind; bibliography keys of what was computed.
    """

    test: Measure
    before: float
    after: float
    verdict: str
    why_not: str
    mdc: Threshold | None
    mcid: Threshold
    mcid_deterioration: Threshold
    beliefs: tuple[Belief, ...]
    error: ScoreError | None
    programme: Programme | None
    practice: float
    practice_se: float
    confidence: float
    dates: tuple[str, str] = ("", "")
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()

    @property
    def improvement(self) -> float:
        """Observed improvement, positive = better whatever the test's direction; NaN when unable or not one test."""
        return nan if self.verdict in SIZELESS else self.test.improvement(self.before, self.after)

    @property
    def last(self) -> "PersonChange":
        """The change itself: the last of one."""
        return self

    @property
    def drawable(self) -> bool:
        """Whether there are two scores of one test to draw."""
        return self.improvement == self.improvement

    @property
    def worse(self) -> bool:
        """Whether the person moved the wrong way."""
        return self.verdict.startswith("worse_") or self.verdict == v.LOST_ABILITY  # worse_on_easier_test too

    @property
    def bar(self) -> Threshold:
        """The MCID of the direction the person moved in."""
        return self.mcid_deterioration if self.worse else self.mcid

    @property
    def reliable_change_index(self) -> float:
        """(improvement − practice) / standard error of the difference; NaN without an SEM."""
        if self.error is None:
            return nan
        return (self.improvement - self.practice) / hypot(self.error.difference, self.practice_se)

    @property
    def observed(self) -> Estimate:
        """The improvement as seen, with the interval its measurement error leaves (before any practice gain)."""
        return self._estimate("flat", "observed improvement ± its measurement error")

    @property
    def true_change(self) -> Estimate:
        """Mean and interval of the posterior of the true change, under the first of `beliefs`."""
        main = self.beliefs[0] if self.beliefs else None
        return self._estimate(main.prior, f"posterior, {main.prior}: {main.assumes}") if main else self.observed

    def _estimate(self, prior: str, method: str) -> Estimate:
        facts: dict[str, Any] = {"unit": self.test.unit, "confidence": self.confidence}
        belief = next((belief for belief in self.beliefs if belief.prior == prior), None)
        if belief is None or self.error is None:
            return Estimate(value=self.improvement, method="as seen; its error is not known", **facts)
        low, high = belief.interval(self.confidence)
        facts |= {"n": self.programme.n if self.programme and prior.startswith("programme") else None}
        facts |= {"df": self.error.df, "origin": self.error.origin, "method": method}
        return Estimate(value=belief.mean, low=low, high=high, **facts)

    @cached_property
    def chances(self) -> dict[str, dict[str, float]]:
        """Chances by prior: p_better, p_meaningful, p_worse; a threshold's own uncertainty widens the posterior.

        Those ending in ``_beyond_practice`` ask the same of the change less the practice gain.
        """
        good, bad = self.mcid, self.mcid_deterioration
        asked = (("p_better", 0.0, 0.0), ("p_meaningful", good.value, v.spread(good)),
                 ("p_worse", -bad.value, v.spread(bad)))  # fmt: skip
        by_prior: dict[str, dict[str, float]] = {belief.prior: {} for belief in self.beliefs}
        for belief in self.beliefs:
            for ending, gain, se in (("", 0.0, 0.0), ("_beyond_practice", self.practice, self.practice_se)):
                for name, at, doubt in asked:
                    above = belief.above(at + gain, hypot(doubt, se))
                    by_prior[belief.prior][name + ending] = 1 - above if name == "p_worse" else above
        return by_prior

    @property
    def leading(self) -> str:
        """Name of the chance of an important change in the direction the person moved in."""
        return "p_worse" if self.worse else "p_meaningful"

    def leads(self, chance: str = "") -> float:
        """Return the chance that words follow (the leading one if unnamed): first prior, practice gain taken out."""
        return self._chance(f"{chance or self.leading}_beyond_practice")

    def _chance(self, chance: str, prior: str = "") -> float:
        return self.chances[prior or self.beliefs[0].prior][chance] if self.beliefs else nan

    @property
    def p_better(self) -> float:
        """Chance that the true change is for the better."""
        return self._chance("p_better")

    @property
    def p_meaningful(self) -> float:
        """Chance that the true improvement exceeds the MCID."""
        return self._chance("p_meaningful")

    @property
    def p_meaningful_flat(self) -> float:
        """Chance that the true improvement exceeds the MCID, from the scores alone."""
        return self._chance("p_meaningful", "flat")

    @property
    def p_worse(self) -> float:
        """Chance of a true decline larger than the MCID for deterioration."""
        return self._chance("p_worse")

    @property
    def stability(self) -> float:
        """Chance that the verdict stands when MDC and MCID are redrawn; NaN when neither's uncertainty is known."""
        if self.mdc is None or self.verdict.removeprefix("worse_") not in v.CELLS:
            return nan
        return v.stability(self.improvement, self.improvement - self.practice, self.mdc, self.bar)

    @property
    def borderline(self) -> bool:
        """Whether the verdict falls with more than one in five plausible thresholds."""
        return self.stability < v.BORDERLINE

    @property
    def chart_sentence(self) -> str:
        """The sentence for the record."""
        return f"{v.chart(self)} {v.chances(self)}".rstrip()

    @property
    def person_sentence(self) -> str:
        """The sentence for the person, without statistics."""
        better = self.leads("p_better")
        return v.person(self.verdict, 1 - better if self.worse else better, self.leads(), worse=self.worse)

    @property
    def surer_sentence(self) -> str:
        """What would make the answer surer."""
        return v.surer(self)

    def sentences(self) -> tuple[str, ...]:
        """Return the words: for the chart, for the person, how firm it is, what would make us surer."""
        return tuple(filter(None, (self.chart_sentence, self.person_sentence, v.firmness(self), self.surer_sentence)))

    def rows(self) -> list[dict[str, object]]:
        """Return the numbers as tidy rows without any data-frame library: quantity, value, low, high, unit, method."""
        numbers = {"before": self.before, "after": self.after, "verdict": self.verdict,
                   "reliable_change_index": self.reliable_change_index, "stability": self.stability}  # fmt: skip
        estimates = {"improvement": self.observed, "mdc": self.mdc, "mcid": self.mcid,
                     "mcid_deterioration": self.mcid_deterioration, "true_change": self.true_change}  # fmt: skip
        rows: list[dict[str, object]] = [{"quantity": name, "value": value} for name, value in numbers.items()]
        rows += [
            {"quantity": name, "value": one.value, "low": one.low, "high": one.high, "unit": one.unit,
             "method": "; ".join(filter(None, (one.method, one.origin.sentence())))}
            for name, one in estimates.items() if one is not None
        ]  # fmt: skip
        return rows + [
            {"quantity": f"{name} ({belief.prior})", "value": p, "method": belief.assumes}
            for belief in self.beliefs for name, p in self.chances[belief.prior].items()
            if self.practice or not name.endswith("_beyond_practice")
        ]  # fmt: skip

    def table(self) -> "pd.DataFrame":
        """Return the numbers, one row a quantity, unrounded: value, low, high, unit, method."""
        import pandas as pd

        return pd.DataFrame(self.rows()).set_index("quantity")

    def priors(self) -> "pd.DataFrame":
        """Return the priors side by side, one row each, unrounded: mean, sd, low, high, chances, assumption."""
        import pandas as pd

        rows = []
        for b in self.beliefs:
            low, high = b.interval(self.confidence)
            row = {"prior": b.prior, "mean": b.mean, "sd": b.sd, "low": low, "high": high}
            rows.append({**row, **self.chances[b.prior], "assumes": b.assumes})
        return pd.DataFrame(rows).set_index("prior")

    @property
    def alt(self) -> str:
        """The picture in words."""
        return v.picture(self)

    def lines(self) -> list[Line]:
        """Return where the first score, the important and the detectable change lie, where the person moved to."""
        from truechange.foundation.drawing import ACCENT, QUIET, WARM

        turn = -self.test.sign if self.worse else self.test.sign
        marks = [(self.before, "first score", QUIET, ":")]
        marks.append((self.before + turn * self.bar.value, "important change", WARM, "--"))
        if self.mdc is not None:
            practice = -self.practice if self.worse else self.practice
            marks.append((self.before + turn * (self.mdc.value + practice), "detectable change", ACCENT, "-."))
        return marks

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw the scores with their error, the detectable and the important change, and the posterior beside.

        Raises
        ------
        RefusedError
            One of the scores is "unable", or they are scores of two tests: there is nothing to draw.
        """
        from truechange.foundation.drawing import INK, WASH, axes, plain

        if isnan(self.improvement):
            raise RefusedError(
                "A person who was unable at one visit, or was tested in two ways, has no two scores to draw."
            )
        if ax is None:
            import matplotlib.pyplot as plt

            figure, ax = plt.subplots(figsize=(7.2, 3.9))
            figure.subplots_adjust(left=0.09, right=0.62, top=0.9, bottom=0.13)
        ax, marks, scores = axes(ax), self.lines(), [self.before, self.after]
        z = two_sided(self.confidence)
        errors = [z * self.error.before, z * self.error.after] if self.error else [0.0, 0.0]
        low, high = ([s + side * e for s, e in zip(scores, errors, strict=True)] for side in (-1, 1))
        ends = [at for at, *_ in marks] + low + high
        ends += [self.before + self.test.sign * end for b in self.beliefs[:1] for end in b.interval(0.995)]
        margin = 0.05 * (max(ends) - min(ends))
        ax.set_ylim(min(ends) - margin, max(ends) + margin)
        ax.fill_between([0, 1], low, high, color=WASH, zorder=0)
        ax.errorbar([0, 1], scores, yerr=errors, color=INK, lw=1.4, capsize=4, marker="o", ms=7, zorder=3)
        for x, away, side in ((0, (-9, 6), "right"), (1, (9, -3), "left")):
            ax.annotate(v.score_text(self, scores[x]), (x, scores[x]), away, textcoords="offset points", color=INK,
                        fontsize=12, ha=side)  # fmt: skip
        ax.set_xticks([0, 1], [date or word for date, word in zip(self.dates, ("before", "after"), strict=True)])
        ax.set_xlim(-0.25, 1.25)
        ax.set_ylabel(f"{self.test.unit or 'score'}, better upwards")
        ax.set_title(self.test.name, loc="left", fontsize=11)
        panel = plain(ax.inset_axes((1.03, 0, 0.3, 1), sharey=ax)) if self.beliefs else ax
        for each in {ax: 1, panel: 1}:
            for at, _, colour, dash in marks:
                each.axhline(at, color=colour, lw=1.4, ls=dash, zorder=2)
        _labels(panel, marks)
        if panel is not ax:
            _posterior(self, panel)
        if self.test.sign < 0:
            ax.invert_yaxis()
        return ax


def next_visit(group: Programme | None, weeks: float | None, result: Any, test: Measure) -> str:
    """Say when to test again: when the usual change of the person's programme comes to exceed measurement error.

    Own rule: with the programme's mean change spread evenly over its weeks, one test in two shows a change beyond the
    MDC from the week at which that mean reaches it. Empty where the programme's length or the error is not known.

    Parameters
    ----------
    group : Programme or None
        The person's programme.
    weeks : float or None
        Its length.
    result : PersonChange or Visits
        The answer; a person whose change is beyond error needs no such advice.
    test : Measure
        The test.
    """
    last = result.last
    if group is None or not weeks or last is None or last.mdc is None or last.verdict == v.REAL_AND_IMPORTANT:
        return ""
    gain = test.improvement(group.mean_before, group.mean_after)
    if gain <= 0:
        return ""
    start, usual = last.mdc.value / gain * weeks, v.size_text(last, gain)
    size = f"({f'{usual} {test.unit}'.strip()} in {weeks:g} weeks)"
    if start > weeks:
        advice = "average two tests on two days at each visit."
        return f"A usual change here {size} stays within the error of one test: {advice}"
    return (
        f"Test again from week {start:.0f} on: by then the usual change of {group.name} {size} exceeds the error; "
        "an earlier test will seldom show it."
    )


def draw_plain(result: Any, ax: "Axes | None" = None) -> "Axes":
    """Draw the scores of a PersonChange or Visits for the person: dots joined by a line, better upwards, no statistics.

    Raises
    ------
    RefusedError
        There are no two scores of one test to draw.
    """
    from truechange.foundation.drawing import ACCENT, INK, axes

    last = result.last
    if last is None or not last.drawable:
        raise RefusedError("There are no two scores of one test to draw.")
    scores = (
        [score for _, score, able in result.points if able]
        if hasattr(result, "points")
        else [result.before, result.after]
    )
    ax = axes(ax, width=6.4, height=3.0)
    places = range(len(scores))
    ax.plot(places, scores, color=ACCENT, lw=3, marker="o", ms=14)
    for place, score in zip(places, scores, strict=True):
        ax.annotate(v.score_text(last, score), (place, score), (0, 16), textcoords="offset points", ha="center",
                    fontsize=18, color=INK)  # fmt: skip
    ax.set_xticks([0, len(scores) - 1], ["at first", "now"], fontsize=14)
    ax.set_yticks([])
    ax.margins(0.15, 0.45)
    ax.set_ylabel("better \u2191", fontsize=14)
    if last.test.sign < 0:
        ax.invert_yaxis()
    return ax


def _labels(ax: "Axes", marks: list[Line]) -> None:
    """Write the words at the right of each line, pushed apart where two lines lie close."""
    low, high = ax.get_ylim()
    last, where = low - high, ("axes fraction", "data")
    for at, label, colour, _ in sorted(marks):
        last = max(at, last + 0.065 * (high - low))
        ax.annotate(label, (1.0, at), (1.04, last), xycoords=where, textcoords=where, color=colour, fontsize=9,
                    va="center", annotation_clip=False)  # fmt: skip


def _posterior(result: PersonChange, panel: "Axes") -> None:
    """Draw the curve of the true change sideways, on the scores' own scale counted from the first score."""
    from truechange.foundation.drawing import INK, QUIET, WARM, WASH

    low, high = panel.get_ylim()
    heights = [low + (high - low) * k / 300 for k in range(301)]
    changes = [result.test.sign * (y - result.before) for y in heights]
    main, *others = result.beliefs
    curve = [main.density(change) for change in changes]
    inside = [-change >= result.bar.value if result.worse else change >= result.bar.value for change in changes]
    panel.fill_betweenx(heights, 0, curve, color=WASH, lw=0)
    panel.fill_betweenx(heights, 0, curve, where=inside, color=WARM, alpha=0.4, lw=0)
    panel.plot(curve, heights, color=INK, lw=1.6)
    for other in (belief for belief in others if belief.prior == "flat"):
        panel.plot([other.density(change) for change in changes], heights, ":", color=QUIET, lw=1.3)
    panel.set_xlim(0, None)
    panel.set_xticks([])
    panel.tick_params(left=False, labelleft=False)
    panel.spines["bottom"].set_visible(False)
    dotted = "" if main.prior == "flat" else "\n(dotted: scores alone)"
    panel.set_xlabel(f"true change{dotted}", fontsize=8.5, loc="left")
