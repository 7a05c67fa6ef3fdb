"""Four meanings of “responder” side by side, one of them stated as primary beforehand."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from truechange.foundation.errors import check_choice, check_confidence
from truechange.foundation.estimate import Estimate, Threshold, person_threshold
from truechange.foundation.numbers import percent, reaches
from truechange.foundation.result import Result
from truechange.foundation.sem import read_sem
from truechange.numerics.shares import wilson_limits
from truechange.responders.shares import how_many
from truechange.responders.true_share import (
    chance_beyond,
    measured_changes,
    share_beyond,
    spread_of,
    true_spread,
)

RULES = {
    "A": "change of at least the MCID",
    "B": "change of at least the MCID and of the MDC95",
    "C": "chance of more than {certainty} that the true change is above the MCID",
    "D": "expected number with true change above the MCID",
}


@dataclass(frozen=True)
class ResponderDefinitions(Result):
    """Responders by four rules.

    Parameters
    ----------
    rows : DataFrame
        The columns of :meth:`table`.
    primary : str
        The rule stated beforehand.
    chances : ndarray
        Of each person measured, that the true change is above the MCID, in the order given.
    """

    rows: pd.DataFrame
    primary: str
    chances: np.ndarray
    cautions: tuple[str, ...]
    sources = ("newcombe1998a",)

    def table(self) -> pd.DataFrame:
        """Return one row a rule: definition, rule, primary, people, started, share, low, high."""
        return self.rows.copy()

    def sentences(self) -> tuple[str, ...]:
        """State the primary rule's share, then the others."""
        rows = self.rows.sort_values("primary", ascending=False, kind="stable").to_dict("records")
        return tuple(
            f"{row['definition']}{' (primary)' if row['primary'] else ''}, {row['rule']}: {row['people']:.3g} of "
            f"{row['started']} ({percent(row['share'])})."
            for row in rows
        )


def responder_definitions(
    improvement: Any,
    *,
    mcid: "Threshold | float",
    sem: "Estimate | float",
    primary: str,
    sem_df: float | None = None,
    certainty: float = 0.8,
    confidence: float = 0.95,
) -> ResponderDefinitions:
    """Count responders by four rules; which one counts is stated by `primary`.

    Parameters
    ----------
    improvement : array-like of float, shape (n,)
        One entry a person who started; NaN without a usable follow-up (counts as not shown).
    mcid : Threshold or float
        Person-level MCID.
    sem : Estimate or float
        Standard error of measurement of one score.
    primary : {"A", "B", "C", "D"}
        A change ≥ MCID; B change ≥ MCID and ≥ MDC95; C chance of a true change above the MCID > `certainty`;
        D the sum of those chances.
    sem_df, certainty, confidence : float, optional
        Degrees of freedom of the SEM; what counts as sure in C; level of the intervals.

    Examples
    --------
    >>> found = responder_definitions([4, 1, 3, 0, 2, 5, 2, 1], mcid=2, sem=1.0, primary="A")
    >>> found.table()["definition"].tolist(), int(found.table()["people"].iloc[0])
    (['A', 'B', 'C', 'D'], 5)
    """
    check_choice("primary", primary, tuple(RULES))
    check_confidence(confidence)
    limit = person_threshold(mcid, "mcid", name="mcid")
    known = read_sem(sem, sem_df)
    error, df = known.value, known.df
    changes, away = measured_changes(improvement)
    spread, se = true_spread(changes, error, df), spread_of(limit)
    chances = chance_beyond(changes, spread, limit.value, se)
    started = changes.size + away
    mdc = float(ndtri(0.975)) * np.sqrt(2) * error
    counts = {
        "A": how_many(changes, limit.value),
        "B": how_many(changes, max(limit.value, mdc)),
        "C": int((chances > certainty).sum()),
    }
    rows: list[dict[str, Any]] = []
    for name, k in counts.items():
        low, high = wilson_limits(k, started, confidence)
        rows.append({"definition": name, "people": float(k), "low": float(low), "high": float(high)})
    _, least, most = share_beyond(spread, limit.value, se, confidence)
    part = changes.size / started
    rows.append({"definition": "D", "people": float(chances.sum()), "low": least * part, "high": most * part})
    table = pd.DataFrame(rows).assign(started=started)
    table = table.assign(
        rule=[RULES[name].format(certainty=certainty) for name in table["definition"]],
        primary=table["definition"] == primary,
        share=table["people"] / started,
    )
    notes = [
        "B is strict by design: as a share it leaves out most people whose true change is just above the MCID.",
        *known.cautions,
    ]
    if away:
        notes.append(f"{away} people without a usable follow-up count as not shown in every rule.")
    order = ["definition", "rule", "primary", "people", "started", "share", "low", "high"]
    return ResponderDefinitions(table[order], primary, chances, tuple(notes))


@dataclass(frozen=True)
class Misclassified(Result):
    """How often counting changes of at least the threshold is right; for teaching, the true share is better.

    Parameters
    ----------
    sensitivity, specificity : float
        Chance that a person truly above the MCID is counted, and that one truly below is not.
    observed, corrected : float
        Observed share and the one corrected for both (Rogan and Gladen), cut to 0..1.
    """

    sensitivity: float
    specificity: float
    observed: float
    corrected: float
    cautions: tuple[str, ...]
    sources = ("rogan1978",)

    def table(self) -> pd.DataFrame:
        """Return one row: sensitivity, specificity, observed, corrected."""
        return pd.DataFrame(
            [{name: getattr(self, name) for name in ("sensitivity", "specificity", "observed", "corrected")}]
        )

    def sentences(self) -> tuple[str, ...]:
        """Say how often the count is right."""
        return (
            (
                f"Of the people who truly changed enough {percent(self.sensitivity)} are counted; of the others "
                f"{percent(1 - self.specificity)} are counted too."
            ),
        )


def misclassified(improvement: Any, threshold: float, *, sem: "Estimate | float", mcid: float) -> Misclassified:
    """Compute how often the rule ``improvement ≥ threshold`` is right about a true change above the MCID.

    Parameters
    ----------
    improvement : array-like of float
        One entry a person; NaN left out.
    threshold, mcid : float
        Cut on the observed change, and the true change that matters.
    sem : Estimate or float
        Standard error of measurement of one score.

    Raises
    ------
    DataError
        Fewer than 3 people measured.

    Notes
    -----
    True change normal with the mean of the changes and variance ``s² − 2 SEM²`` (at least a hundredth of s²);
    ``corrected = (observed + specificity − 1) / (sensitivity + specificity − 1)``.
    """
    changes, _ = measured_changes(improvement)
    error, s2 = np.sqrt(2) * read_sem(sem).value, float(np.var(changes, ddof=1))
    tau = np.sqrt(max(s2 - error**2, 0.01 * s2))
    true = changes.mean() + tau * ndtri((np.arange(20_000) + 0.5) / 20_000)
    counted = ndtr((true - threshold) / error) if error else np.asarray(reaches(true, threshold), dtype=float)
    above = true >= mcid
    sensitivity = float(counted[above].mean()) if above.any() else 1.0
    specificity = float(1 - counted[~above].mean()) if (~above).any() else 1.0
    observed = how_many(changes, threshold) / changes.size
    raw = (observed + specificity - 1) / (sensitivity + specificity - 1)
    notes: tuple[str, ...] = ("For teaching: the true share from the whole distribution is better founded.",)
    if not 0 <= raw <= 1:
        notes += (f"The corrected share came out at {raw:.2f} and was cut to the possible range.",)
    return Misclassified(sensitivity, specificity, observed, float(np.clip(raw, 0, 1)), notes)
