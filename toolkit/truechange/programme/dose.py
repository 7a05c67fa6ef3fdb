"""How much was planned and done, whether as meant, how it was borne, and whether more went with more."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from truechange.foundation.errors import DataError, OutcomeError
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed, p_value, percent
from truechange.foundation.result import Result, gathered
from truechange.numerics.small_cells import FEW, HIDDEN, few, masked
from truechange.programme.fidelity import Fidelity, fidelity
from truechange.programme.parts import Refused
from truechange.programme.tolerance import Tolerance, tolerance

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PER_DAYS = 10
FEWEST = 30
LOGGED, EVENT_RATE = "people with a training log", "adverse events per 1,000 training days"
MOVED, KEPT = "people who went lower or heavier", "people whose every advance kept the rule"


@dataclass(frozen=True)
class DoseResponse(Result):
    """How the improvement goes with training days among people who kept a log.

    Parameters
    ----------
    slope : Estimate
        Difference in improvement for ten more training days, at equal score before.
    p_value : float
        Of the slope.
    bend_p : float
        Whether a curved line fits better.
    """

    slope: Estimate
    p_value: float
    bend_p: float
    cautions: tuple[str, ...]
    sources = ("long2000",)

    def table(self) -> pd.DataFrame:
        """Return the slope and both p-values: quantity, value, low, high."""
        rows = [
            {"quantity": f"improvement for {PER_DAYS} more training days", "value": self.slope.value,
             "low": self.slope.low, "high": self.slope.high},
            {"quantity": "p (slope)", "value": self.p_value},
            {"quantity": "p (curved)", "value": self.bend_p},
        ]  # fmt: skip
        return pd.DataFrame(rows)

    def sentences(self) -> tuple[str, ...]:
        """State the slope, worded as going along, not as cause."""
        return (
            (
                f"People who trained {PER_DAYS} days more improved by {self.slope} more at equal score before "
                f"({p_value(self.p_value)}); this says who did better, not what more training would do."
            ),
        )


@dataclass(frozen=True)
class Dose(Result):
    """Training of the people who started.

    Parameters
    ----------
    people : DataFrame
        One row a person who started: person, planned, attended (training days), share, logged, improvement.
    response : DoseResponse or Refused
        How the improvement goes with training days.
    fidelity : Fidelity or Refused
        Whether the progression rule was kept.
    tolerance : Tolerance or Refused
        Pain, soreness, adverse events.
    unit : str
        Of the improvement.
    own_cautions : tuple of str
        What a reader must know of the log as a whole.
    hidden : frozenset of str
        Quantities of the table that may not be told.
    """

    people: pd.DataFrame
    response: "DoseResponse | Refused"
    fidelity: "Fidelity | Refused"
    tolerance: "Tolerance | Refused"
    unit: str
    own_cautions: tuple[str, ...]
    hidden: frozenset[str] = frozenset()

    @property
    def _parts(self) -> tuple[Result, ...]:
        return (self.response, self.fidelity, self.tolerance)

    @property
    def cautions(self) -> tuple[str, ...]:  # type: ignore[override]
        """Cautions of every part."""
        return gathered(self.own_cautions, *self._parts)

    @property
    def sources(self) -> tuple[str, ...]:  # type: ignore[override]
        """Keys of the bibliography of every part."""
        return tuple(dict.fromkeys(key for part in self._parts for key in part.sources))

    @property
    def refused(self) -> tuple[Refused, ...]:
        """The parts that could not be computed."""
        return tuple(part for part in self._parts if isinstance(part, Refused))

    def table(self) -> pd.DataFrame:
        """Return one row a quantity: quantity, value, low, high."""
        logged = self.people[self.people["logged"]]
        rows = [
            ("people due", len(self.people)),
            (LOGGED, len(logged)),
            ("median training days", logged["attended"].median()),
            ("median share of planned days", logged["share"].median()),
        ]
        if isinstance(self.fidelity, Fidelity):
            rows += list(self.fidelity.table()[["quantity", "share"]].itertuples(index=False, name=None))
        table = pd.DataFrame(rows, columns=["quantity", "value"])
        more = [self.response.table()] if isinstance(self.response, DoseResponse) else []
        if isinstance(self.tolerance, Tolerance):
            rate, days = self.tolerance.rate, self.tolerance
            often = {name: getattr(rate, name, HIDDEN) for name in ("value", "low", "high")}
            more.append(pd.DataFrame([
                {"quantity": EVENT_RATE, **often},
                {"quantity": "training days with pain up by 2 or more", "value": days.pain_rise},
                {"quantity": "training days followed by soreness of 2 or more", "value": days.sore},
            ]))  # fmt: skip
        whole = pd.concat([table, *more], ignore_index=True).reindex(columns=["quantity", "value", "low", "high"])
        return masked(whole, whole["quantity"].isin(self.hidden), ["value"])

    def sentences(self) -> tuple[str, ...]:
        """Say how much of the plan was trained, how, and with what."""
        logged = self.people[self.people["logged"]]
        share = logged["share"].median()
        part = f", {percent(float(share))} of those planned" if share == share else ""
        kept = f"{len(logged)} of {len(self.people)}" if LOGGED not in self.hidden else f"All but {FEW} of the"
        first = (
            f"{kept} people due kept a training log; half of them trained on "
            f"{fixed(float(logged['attended'].median()), 0)} days or more{part}."
        )
        return (first, *(text for part in self._parts for text in part.sentences()))

    def public(self) -> Result:
        """Return the part with numbers hidden that rest on few people or leave few over."""
        away = int((~self.people["logged"]).sum())
        if few(len(self.people) - away):
            return Refused("Training", f"{FEW.capitalize()} people due kept a training log.")
        hidden = {LOGGED} if few(away) else set()
        if isinstance(self.fidelity, Fidelity):
            moved = self.fidelity.people.query("advances > 0")
            kept = int((moved["advances"] == moved["advances_kept"]).sum())
            # shares over a number that is hidden would give it away
            for words, part, whole in ((MOVED, len(moved), len(self.fidelity.people)), (KEPT, kept, len(moved))):
                hidden |= {words} if hidden or few(part) or few(whole - part) else set()
        notes = (f"{FEW.capitalize()} people kept no log; nothing is assumed of their training.",) if few(away) else ()
        tolerance: Any = self.tolerance.public()
        return replace(self, hidden=frozenset(hidden), own_cautions=notes or self.own_cautions, tolerance=tolerance)

    @property
    def alt(self) -> str:
        """The picture in words."""
        return "Improvement of each person against training days, with a straight line. " + self.sentence()

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw each person's improvement against training days; people without a log stand at the left edge."""
        from truechange.foundation import drawing

        ax = drawing.axes(ax)
        logged, away = self.people[self.people["logged"]], self.people[~self.people["logged"]]
        away = away if LOGGED not in self.hidden else away.head(0)
        ax.plot(logged["attended"], logged["improvement"], "o", ms=4, color=drawing.ACCENT, alpha=0.7)
        ax.plot(np.full(len(away), -3.0), away["improvement"], "x", ms=4, color=drawing.QUIET)
        known = logged.dropna(subset=["improvement", "attended"])
        if len(known) > 2 and len(known["attended"].unique()) > 1:
            line = np.polynomial.Polynomial.fit(known["attended"], known["improvement"], 1)
            ends = np.array([known["attended"].min(), known["attended"].max()])
            ax.plot(ends, line(ends), color=drawing.INK, lw=1.5)
        ax.axhline(0, color=drawing.QUIET, lw=0.8)
        if len(planned := logged["planned"].dropna()):
            drawing.mark_line(ax, float(planned.median()), "planned", along="x")
        ax.set_xlabel("training days (× no log kept)")
        ax.set_ylabel(f"improvement ({self.unit})" if self.unit else "improvement")
        return ax


def dose(people: pd.DataFrame, sessions: pd.DataFrame, *, unit: str = "", confidence: float = 0.95) -> Dose:
    """Set the training done beside the training planned, and the improvement beside both.

    Parameters
    ----------
    people : DataFrame
        One row a person who started: person, before, improvement, planned_sessions (optional).
    sessions : DataFrame
        Training log: person, date, exercise and what else is known.
    unit : str, optional
        Unit of the improvement.
    confidence : float, optional
        Level of the intervals.

    Raises
    ------
    DataError
        There is no training log.
    """
    if sessions.empty:
        raise DataError("There is no training log.")
    attended = people["person"].map(sessions.groupby("person")["date"].nunique())
    planned = pd.to_numeric(people.get("planned_sessions", pd.Series(np.nan, index=people.index)), errors="coerce")
    table = people[["person", "improvement"]].assign(
        planned=planned.astype(float), attended=attended, share=attended / planned, logged=attended.notna()
    )

    def part(name: str, work: Any) -> Any:
        try:
            return work()
        except OutcomeError as problem:
            return Refused(name, str(problem))

    notes = []
    if away := int((~table["logged"]).sum()):
        notes.append(f"{away} people kept no log; nothing is assumed of their training.")
    return Dose(
        people=table.reset_index(drop=True),
        response=part("Dose and response", lambda: dose_response(people.assign(attended=attended), unit, confidence)),
        fidelity=part("Progression", lambda: fidelity(sessions)),
        tolerance=part("Tolerance", lambda: tolerance(sessions, confidence)),
        unit=unit,
        own_cautions=tuple(notes),
    )


def dose_response(people: pd.DataFrame, unit: str = "", confidence: float = 0.95) -> DoseResponse:
    """Fit improvement on training days and score before, by least squares with HC3 standard errors.

    Parameters
    ----------
    people : DataFrame
        before, improvement, attended; rows with a gap are left out.
    unit, confidence
        Of the slope.

    Raises
    ------
    DataError
        Fewer than 30 people, or everyone trained on the same number of days.
    """
    from statsmodels.regression.linear_model import OLS

    held = people[["before", "improvement", "attended"]].astype(float).dropna()
    if len(held) < FEWEST or len(held["attended"].unique()) < 3:
        raise DataError(f"A slope needs a log and both scores of at least {FEWEST} people who differ in training days.")
    days = (held["attended"] - held["attended"].mean()) / PER_DAYS
    design = np.column_stack([np.ones(len(held)), held["before"] - held["before"].mean(), days])
    fit = OLS(held["improvement"].to_numpy(), design).fit(cov_type="HC3", use_t=True)
    bent = OLS(held["improvement"].to_numpy(), np.column_stack([design, days**2])).fit(cov_type="HC3", use_t=True)
    low, high = fit.conf_int(alpha=1 - confidence)[2]
    slope = Estimate(
        value=float(fit.params[2]), low=float(low), high=float(high), confidence=confidence, unit=unit, n=len(held),
        df=float(fit.df_resid), method="least squares at equal score before, HC3",
    )  # fmt: skip
    notes = [
        "Attendance is decided after the start: people who improve keep coming, and people who hurt stay away.",
        "No cut such as “attended 80%” is made: it would choose the people who did well.",
    ]
    bend = float(bent.pvalues[3])
    if bend < 0.05:
        notes.append(
            "A curved line fits better than the straight one: more days did not go with equally more throughout."
        )
    return DoseResponse(slope, float(fit.pvalues[2]), bend, tuple(notes))
