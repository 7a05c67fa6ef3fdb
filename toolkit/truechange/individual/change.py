"""One person's change: the result object."""

from dataclasses import dataclass
from math import isnan
from typing import TYPE_CHECKING

from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.result import Result
from truechange.individual import verdict as v
from truechange.individual import words
from truechange.individual.belief import Belief
from truechange.individual.group import Programme
from truechange.individual.score_error import ScoreError

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


@dataclass(frozen=True, slots=True)
class PriorView:
    """What one prior makes of the scores: mean, interval and chances of the true change (positive = better)."""

    prior: str
    mean: float
    sd: float
    low: float
    high: float
    p_better: float
    p_meaningful: float
    p_worse: float
    p_meaningful_beyond_practice: float
    assumes: str


@dataclass(frozen=True)
class PersonChange(Result):
    """Whether one person changed beyond measurement error, and by enough to matter.

    Parameters
    ----------
    before, after : float
        Scores (means of several visits where given), in `unit`; NaN for unable.
    improvement : float
        Observed improvement, positive = better, whatever the test's direction; NaN when unable.
    verdict : str
        ``"real_and_important"``, ``"real_below_important"``, ``"important_sized_within_error"``,
        ``"no_demonstrable_change"``, the same with ``"worse_"`` ahead, ``"became_able"``, ``"lost_ability"`` or
        ``"not_assessable"`` (then `why_not` says why).
    mdc : Threshold or None
        Smallest change beyond error for this person; None without an SEM.
    mcid, mcid_deterioration : Threshold
        Smallest change that matters, for better and for worse; both positive.
    reliable_change_index : float
        (improvement − practice) / standard error of the difference.
    true_change : Estimate
        Mean and interval of the posterior of the true change: under the programme where it is known, else from the
        scores alone.
    p_better, p_meaningful, p_worse : float
        Chance that the true change is above 0, above the MCID, below minus the MCID for deterioration; same prior.
    p_meaningful_flat : float
        Chance of an important true improvement from the scores alone (flat prior).
    stability : float
        Chance that the verdict stands when MDC and MCID are redrawn from their uncertainty; NaN when neither is known.
    views : tuple of PriorView
        All priors side by side.
    cautions, sources : tuple of str
        What to mind; bibliography keys of what was computed.
    """

    before: float
    after: float
    improvement: float
    verdict: str
    mdc: Threshold | None
    mcid: Threshold
    mcid_deterioration: Threshold
    reliable_change_index: float
    true_change: Estimate
    p_better: float
    p_meaningful: float
    p_meaningful_flat: float
    p_worse: float
    stability: float
    views: tuple[PriorView, ...]
    beliefs: tuple[Belief, ...]
    error: ScoreError | None
    programme: Programme | None
    practice: float
    name: str
    unit: str
    better: str
    resolution: float
    why_not: str
    dates: tuple[str, str]
    cautions: tuple[str, ...]
    sources: tuple[str, ...]

    @property
    def worse(self) -> bool:
        """Whether the person moved the wrong way."""
        return self.verdict.startswith("worse_")

    @property
    def borderline(self) -> bool:
        """Whether the verdict falls with more than one in five plausible thresholds."""
        return self.stability < v.BORDERLINE

    @property
    def chart_sentence(self) -> str:
        """The sentence for the record."""
        return words.chart(self)

    @property
    def person_sentence(self) -> str:
        """The sentence for the person, without statistics."""
        return words.person(self)

    @property
    def surer_sentence(self) -> str:
        """What would make the answer surer."""
        return words.surer(self)

    def sentences(self) -> tuple[str, ...]:
        """Return the words: for the chart, for the person, how firm it is, what would make us surer."""
        return (self.chart_sentence, self.person_sentence, *self._firmness(), self.surer_sentence)

    def _firmness(self) -> tuple[str, ...]:
        if isnan(self.stability):
            return ()
        word = "Borderline: the" if self.borderline else "The"
        share = f"{100 * self.stability:.0f}%" if self.stability < 0.995 else ">99%"
        return (f"{word} verdict holds in {share} of the thresholds their uncertainty allows.",)

    def rows(self) -> list[dict[str, object]]:
        """Return the numbers as tidy rows without any data-frame library: quantity, value, low, high, unit, method."""

        def row(
            quantity: str, value: object, low: object = None, high: object = None, method: str = ""
        ) -> dict[str, object]:
            unit = self.unit if low is not None or quantity in ("before", "after", "improvement") else ""
            return {"quantity": quantity, "value": value, "low": low, "high": high, "unit": unit, "method": method}

        thresholds = [("mdc", self.mdc), ("mcid", self.mcid), ("mcid_deterioration", self.mcid_deterioration)]
        return [
            row("before", self.before),
            row("after", self.after),
            row("improvement", self.improvement),
            *(row(name, t.value, t.low, t.high, f"{t.method}; {t.origin.sentence()}") for name, t in thresholds if t),
            row("verdict", self.verdict, method=self.why_not),
            row("reliable_change_index", self.reliable_change_index),
            row(
                "true_change",
                self.true_change.value,
                self.true_change.low,
                self.true_change.high,
                self.true_change.method,
            ),
            *(
                row(f"{chance} ({view.prior})", getattr(view, chance), method=view.assumes)
                for view in self.views
                for chance in ("p_better", "p_meaningful", "p_worse", "p_meaningful_beyond_practice")
            ),
            row("stability", self.stability),
        ]

    def table(self) -> "pd.DataFrame":
        """Return the numbers, one row a quantity, unrounded: value, low, high, unit, method."""
        import pandas as pd

        return pd.DataFrame(self.rows()).set_index("quantity")

    def priors(self) -> "pd.DataFrame":
        """Return the priors side by side, one row each, unrounded."""
        from dataclasses import asdict

        import pandas as pd

        return pd.DataFrame([asdict(view) for view in self.views]).set_index("prior")

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw the scores with their error, the detectable and the important change, and the posterior beside."""
        from truechange.individual.picture import draw

        return draw(self, ax)

    @property
    def alt(self) -> str:
        """The picture in words."""
        from truechange.individual.picture import alt_text

        return alt_text(self)
