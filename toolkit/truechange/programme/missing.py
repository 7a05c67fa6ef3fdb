"""What the people without a follow-up could do to the answer."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from truechange.foundation.numbers import percent
from truechange.foundation.result import Result
from truechange.responders.shares import wilson_limits

NONE, ALL = "none of the missing changed enough", "all of the missing changed enough"


@dataclass(frozen=True)
class MissingFollowUp(Result):
    """The responder share under each way of treating the missing.

    Parameters
    ----------
    rows : DataFrame
        The columns of :meth:`table`.
    started, missing : int
        People who started, and those without a usable follow-up.
    cautions : tuple of str
        What a reader must know.
    """

    rows: pd.DataFrame
    started: int
    missing: int
    cautions: tuple[str, ...]

    def table(self) -> pd.DataFrame:
        """Return one row a way: way, people, of, share, low, high."""
        return self.rows.copy()

    def sentences(self) -> tuple[str, ...]:
        """Say between which shares the truth must lie."""
        if not self.missing:
            return ("Everyone who started has a usable follow-up.",)
        kept = self.rows.set_index("way")["share"]
        return (
            (
                f"{self.missing} of {self.started} people have no usable follow-up; the share lies between "
                f"{percent(kept[NONE])} and {percent(kept[ALL])}."
            ),
        )


def missing_follow_up(improvement: np.ndarray, threshold: float, confidence: float) -> MissingFollowUp:
    """Compute the share of those who started under each simple way of treating the missing.

    Parameters
    ----------
    improvement : ndarray, shape (n,)
        One entry a person who started, NaN without a usable follow-up.
    threshold : float
        Smallest change that counts.
    confidence : float
        Level of the intervals.
    """
    started, missing = improvement.size, int(np.isnan(improvement).sum())
    k = int((improvement >= threshold).sum())
    ways = {
        "only those measured": (k, started - missing),
        NONE: (k, started),
        ALL: (k + missing, started),
    }
    rows = []
    for way, (count, of) in ways.items():
        low, high = wilson_limits(count, of, confidence)
        rows.append(
            {"way": way, "people": count, "of": of, "share": count / of if of else np.nan}
            | {"low": float(low), "high": float(high)}
        )
    notes = () if not missing else ("“Only those measured” answers another question than “of those who started”.",)
    return MissingFollowUp(pd.DataFrame(rows), started, missing, notes)
