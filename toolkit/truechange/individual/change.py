"""One person's change (reliable change): what was seen, the verdict, the chances, and how it is handed on."""

from dataclasses import dataclass
from functools import cached_property
from math import hypot, nan
from typing import TYPE_CHECKING

from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.result import Result
from truechange.individual import verdict as v
from truechange.individual import words
from truechange.individual.posterior import Belief
from truechange.individual.score_error import Programme, ScoreError
from truechange.measures.catalogue import Measure

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

SIZELESS = (v.HARDER_BETTER, v.EASIER_WORSE)  # two tests, not one: which was better is known, by how much is not


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
        facts = {"unit": self.test.unit, "confidence": self.confidence}
        found = next((belief for belief in self.beliefs if belief.prior == prior), None)
        if found is None or self.error is None:
            return Estimate(value=self.improvement, method="as seen; its error is not known", **facts)  # type: ignore[arg-type]
        low, high = found.interval(self.confidence)
        n = self.programme.n if self.programme and prior.startswith("programme") else None
        kept = {"method": method, "n": n, "df": self.error.df, "origin": self.error.origin}
        return Estimate(value=found.mean, low=low, high=high, **facts, **kept)  # type: ignore[arg-type]

    @cached_property
    def chances(self) -> dict[str, dict[str, float]]:
        """Chance of a true change for the better, of an important one, of an important decline; by prior.

        Those ending in ``_beyond_practice`` ask the same of the change less the practice gain.
        """
        good, bad = self.mcid, self.mcid_deterioration
        asked = (("p_better", 0.0, 0.0), ("p_meaningful", good.value, v.spread(good)),
                 ("p_worse", -bad.value, v.spread(bad)))  # fmt: skip
        found: dict[str, dict[str, float]] = {}
        for belief in self.beliefs:
            for ending, gain, se in (("", 0.0, 0.0), ("_beyond_practice", self.practice, self.practice_se)):
                for name, at, doubt in asked:
                    above = belief.above(at + gain, hypot(doubt, se))
                    found.setdefault(belief.prior, {})[name + ending] = 1 - above if name == "p_worse" else above
        return found

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
        return f"{words.chart(self)} {words.chances(self)}".rstrip()

    @property
    def person_sentence(self) -> str:
        """The sentence for the person, without statistics."""
        better = self.leads("p_better")
        return words.person(self.verdict, 1 - better if self.worse else better, self.leads(), worse=self.worse)

    @property
    def surer_sentence(self) -> str:
        """What would make the answer surer."""
        return words.surer(self)

    def sentences(self) -> tuple[str, ...]:
        """Return the words: for the chart, for the person, how firm it is, what would make us surer."""
        firm = words.firmness(self)
        return tuple(filter(None, (self.chart_sentence, self.person_sentence, firm, self.surer_sentence)))

    def rows(self) -> list[dict[str, object]]:
        """Return the numbers as tidy rows without any data-frame library: quantity, value, low, high, unit, method."""
        numbers = {"before": self.before, "after": self.after, "verdict": self.verdict}
        numbers |= {"reliable_change_index": self.reliable_change_index, "stability": self.stability}
        quantities = [("improvement", self.observed), ("mdc", self.mdc), ("mcid", self.mcid)]
        quantities += [("mcid_deterioration", self.mcid_deterioration), ("true_change", self.true_change)]
        rows = [{"quantity": name, "value": value} for name, value in numbers.items()]
        rows += [
            {"quantity": name, "value": one.value, "low": one.low, "high": one.high, "unit": one.unit}
            | {"method": "; ".join(filter(None, (one.method, one.origin.sentence())))}
            for name, one in quantities
            if one is not None
        ]
        for belief in self.beliefs:
            rows += [
                {"quantity": f"{name} ({belief.prior})", "value": p, "method": belief.assumes}
                for name, p in self.chances[belief.prior].items()
                if self.practice or not name.endswith("_beyond_practice")
            ]
        return rows

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
            rows.append({"prior": b.prior, "mean": b.mean, "sd": b.sd, "low": low, "high": high})
            rows[-1] |= {**self.chances[b.prior], "assumes": b.assumes}
        return pd.DataFrame(rows).set_index("prior")

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw the scores with their error, the detectable and the important change, and the posterior beside."""
        from truechange.individual.picture import draw

        return draw(self, ax)

    @property
    def alt(self) -> str:
        """The picture in words."""
        return words.picture(self)
