"""Several tests of one person: all of them shown, none picked, and the price of many looks said."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import nan, sqrt
from typing import TYPE_CHECKING

from truechange.foundation.distributions import two_sided
from truechange.foundation.errors import ChoiceError
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import percent
from truechange.foundation.result import Result
from truechange.individual.change import PersonChange

if TYPE_CHECKING:
    import pandas as pd

SAME_EVIDENCE = (("chair_stand_30s", "sit_to_stand_power"), ("sit_to_stand_5", "sit_to_stand_power"),
                 ("stair_climb", "stair_power"))  # fmt: skip


@dataclass(frozen=True)
class SeveralTests(Result):
    """All tests of one person, side by side.

    Parameters
    ----------
    changes : mapping of str to PersonChange
        One a test, in the order given.
    prespecified : bool
        Whether the tests and their mean were chosen before any result was seen.
    cautions, sources : tuple of str
        What to mind; bibliography keys of what was computed.
    """

    changes: Mapping[str, PersonChange]
    prespecified: bool
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()

    @property
    def chance_of_false_alarm(self) -> float:
        """Chance that an unchanged person shows a "real" improvement on at least one test (tests independent)."""
        kept = 1.0
        for change in self.changes.values():
            kept *= 1 - (1 - change.confidence) / 2 if change.mdc is not None else 1.0
        return 1 - kept

    @property
    def mean_in_mcids(self) -> Estimate:
        """Mean true improvement over the tests in MCIDs, errors independent; NaN unless chosen beforehand."""
        known = [(c.beliefs[0], c.mcid.value) for c in self.changes.values() if c.beliefs]
        if not self.prespecified or not known:
            return Estimate(value=nan, method="only where the tests were chosen beforehand")
        mean = sum(belief.mean / mcid for belief, mcid in known) / len(known)
        reach = two_sided(0.95) * sqrt(sum((belief.sd / mcid) ** 2 for belief, mcid in known)) / len(known)
        return Estimate(
            value=mean, low=mean - reach, high=mean + reach, unit="MCIDs", method=f"mean of {len(known)} tests"
        )

    def table(self) -> "pd.DataFrame":
        """Return one row a test, unrounded: improvement, unit, verdict, true change, chances, stability."""
        import pandas as pd

        columns = ("improvement", "verdict", "p_better", "p_meaningful", "p_worse", "stability")
        rows = [
            {"test": name, "unit": one.test.unit, **{column: getattr(one, column) for column in columns}}
            | {"true_change": one.true_change.value, "low": one.true_change.low, "high": one.true_change.high}
            for name, one in self.changes.items()
        ]
        return pd.DataFrame(rows).set_index("test")

    def sentences(self) -> tuple[str, ...]:
        """Return every test in words, then how many were looked at."""
        count = len(self.changes)
        price = f"{count} tests were done; in a person who has not changed, at least one would look really better in "
        said = [one.chart_sentence for one in self.changes.values()]
        said.append(f"{price}{percent(self.chance_of_false_alarm)} of cases if the tests are independent.")
        if self.prespecified:
            said.append(f"Mean true improvement, as planned beforehand: {self.mean_in_mcids}.")
        return tuple(said)


def several_tests(changes: Mapping[str, PersonChange], *, prespecified: bool = False) -> SeveralTests:
    """Put several tests of one person side by side.

    Parameters
    ----------
    changes : mapping of str to PersonChange
        One a test; every test that was done belongs here, not only the best.
    prespecified : bool, optional
        Whether the tests were chosen before any result was seen; only then is a mean given.

    Returns
    -------
    SeveralTests
        Frozen; ``.table()``, ``.chance_of_false_alarm``, ``.mean_in_mcids``.

    Raises
    ------
    ChoiceError
        There is no test.

    Examples
    --------
    >>> from truechange import person_change
    >>> stands = person_change(9, 13, sem=1.0, mcid=2.0)
    >>> walk = person_change(1.1, 1.2, sem=0.05, mcid=0.2)
    >>> round(several_tests({"stands": stands, "walk": walk}).chance_of_false_alarm, 4)
    0.0494
    """
    if not changes:
        raise ChoiceError("Give at least one test.")
    keys = {one.test.key for one in changes.values()}
    said = [f"{a} and {b} are the same evidence: count one of them." for a, b in SAME_EVIDENCE if {a, b} <= keys]
    said += [f"{name}: {caution}" for name, one in changes.items() for caution in one.cautions]
    sources = tuple(dict.fromkeys(key for one in changes.values() for key in one.sources))
    return SeveralTests(dict(changes), prespecified, tuple(said), sources)
