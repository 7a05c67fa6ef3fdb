"""How much was planned, how much was done, and how it was tolerated."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from truechange.foundation.errors import DataError
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class Dose(Result):
    """Training of the people who started.

    Parameters
    ----------
    people : DataFrame
        One row a person who started: person, planned, attended (training days), share, logged.
    cautions : tuple of str
        What a reader must know.
    """

    people: pd.DataFrame
    cautions: tuple[str, ...]

    def table(self) -> pd.DataFrame:
        """Return one row a quantity: quantity, value."""
        logged = self.people[self.people["logged"]]
        share = logged["share"].dropna()
        rows = [
            ("people who started", len(self.people)),
            ("people with a training log", len(logged)),
            ("median training days", logged["attended"].median()),
            ("median share of planned days", share.median() if len(share) else np.nan),
        ]
        return pd.DataFrame(rows, columns=["quantity", "value"])

    def sentences(self) -> tuple[str, ...]:
        """Say how much of the plan was trained."""
        logged = self.people[self.people["logged"]]
        share = logged["share"].dropna()
        part = f", {percent(share.median())} of those planned" if len(share) else ""
        return (
            (
                f"{len(logged)} of {len(self.people)} people who started kept a training log; half of them trained on "
                f"{fixed(float(logged['attended'].median()), 0)} days or more{part}."
            ),
        )

    @property
    def alt(self) -> str:
        """The picture in words."""
        return "Histogram of training days attended. " + self.sentence()

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw how many people trained on how many days, with the plan marked."""
        from truechange.foundation import drawing

        ax = drawing.axes(ax)
        logged = self.people[self.people["logged"]]
        ax.hist(logged["attended"], bins=15, color=drawing.ACCENT, edgecolor="white")
        if len(planned := logged["planned"].dropna()):
            drawing.mark_line(ax, float(planned.median()), "planned", along="x")
        ax.set_xlabel("training days")
        ax.set_ylabel("people")
        return ax


def dose(people: pd.DataFrame, sessions: pd.DataFrame) -> Dose:
    """Set the training done beside the training planned.

    Parameters
    ----------
    people : DataFrame
        One row a person who started: person, planned_sessions (optional).
    sessions : DataFrame
        Training log: person, date, exercise and what else is known.

    Raises
    ------
    DataError
        There is no training log.
    """
    if sessions.empty:
        raise DataError("There is no training log.")
    days = sessions.groupby("person")["date"].nunique()
    attended = people["person"].map(days)
    planned = pd.to_numeric(people.get("planned_sessions", pd.Series(np.nan, index=people.index)), errors="coerce")
    table = pd.DataFrame(
        {
            "person": people["person"].to_numpy(),
            "planned": planned.to_numpy(),
            "attended": attended.to_numpy(),
            "share": (attended / planned).to_numpy(),
            "logged": attended.notna().to_numpy(),
        }
    )
    notes = [
        "Who comes more often is decided after the start: people who improve keep coming, so dose is not a cause here."
    ]
    if away := int((~table["logged"]).sum()):
        notes.append(f"{away} people kept no log; nothing is assumed of their training.")
    return Dose(table, tuple(notes))
