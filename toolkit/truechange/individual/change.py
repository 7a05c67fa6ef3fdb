"""One person's change as it is handed on: words, tables, a picture."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from truechange.individual import words
from truechange.individual.answer import Answer

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class PersonChange(Answer):
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

    @property
    def chart_sentence(self) -> str:
        """The sentence for the record."""
        return f"{words.chart(self)} {words.chances(self)}".rstrip()

    @property
    def person_sentence(self) -> str:
        """The sentence for the person, without statistics."""
        better = self.leads("p_better")
        if self.worse:
            return words.person(self.verdict, 1 - better, self.leads("p_worse"), worse=True)
        return words.person(self.verdict, better, self.leads("p_meaningful"))

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
        held = [("improvement", self.observed), ("mdc", self.mdc), ("mcid", self.mcid)]
        held += [("mcid_deterioration", self.mcid_deterioration), ("true_change", self.true_change)]
        rows = [{"quantity": name, "value": value} for name, value in numbers.items()]
        rows += [
            {"quantity": name, "value": one.value, "low": one.low, "high": one.high, "unit": one.unit}
            | {"method": f"{one.method}; {one.origin.sentence()}"}
            for name, one in held
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
