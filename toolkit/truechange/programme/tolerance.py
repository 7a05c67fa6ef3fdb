"""How the training was borne: pain and soreness over the weeks, and adverse events."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import chdtri

from truechange.foundation.errors import DataError
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Result
from truechange.numerics.small_cells import HIDDEN, LEAST, few, given_away, masked, protect
from truechange.programme.parts import kind_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NOTABLE = 2  # points of pain or soreness on 0-10; our choice


EVENTS = {
    "fall or near fall": ("fall", "near.?fall", "fell", "trip", "stumbl"),
    "dizziness, fainting or chest symptoms": ("dizz", "faint", "chest", "breath", "palpit"),
    "pain, flare or swelling": ("pain(s|ful)?\\b", "flare", "sore", "swell", "swollen", "\\w*aches?\\b"),
    "muscle or joint injury": ("strain", "sprain", "tear", "torn", "injur", "twist"),
}


@dataclass(frozen=True)
class Tolerance(Result):
    """Pain, soreness and adverse events of the people who kept a log.

    Parameters
    ----------
    weeks : DataFrame
        week, people, pain_before, pain_after, soreness_next_day: means of the people's own weekly means.
    events : DataFrame
        adverse_event, count, people.
    rate : Estimate or None
        Adverse events per 1,000 training days; None where it may not be told.
    pain_rise, sore : float
        Share of training days with pain up by two points or more, and with soreness of two or more the next day.
    cautions : tuple of str
        What a reader must know.
    """

    weeks: pd.DataFrame
    events: pd.DataFrame
    rate: Estimate | None
    pain_rise: float
    sore: float
    cautions: tuple[str, ...]

    def table(self) -> pd.DataFrame:
        """Return one row a week: week, people, pain_before, pain_after, soreness_next_day."""
        return self.weeks.copy()

    def sentences(self) -> tuple[str, ...]:
        """Say how pain went, how often it rose, and which adverse events were reported."""
        pain = self.weeks["pain_before"].dropna()
        course = "Pain was not recorded." if len(self.weeks) else "Too few people trained to show the course of pain."
        if len(pain):
            first, last = fixed(float(pain.iloc[0]), 1), fixed(float(pain.iloc[-1]), 1)
            course = f"Pain before training went from {first} in the first week to {last} in the last (0-10)."
        told = zip(self.events["adverse_event"], self.events["count"], self.events["people"], strict=True)
        what = "; ".join(
            f"{kind}: number hidden" if count == HIDDEN else f"{kind}: {count}, in {people} people"
            for kind, count, people in told
        )
        often = "" if self.rate is None else f". That is {self.rate} per 1,000 training days"
        return (
            course,
            (
                f"Pain rose by {NOTABLE} points or more on {percent(self.pain_rise)} of the training days, and "
                f"soreness of {NOTABLE} or more followed {percent(self.sore)}."
            ),
            f"Adverse events written down: {what}{often}."
            if what
            else "No adverse event was written down; that is not the same as none happened.",
        )

    def public(self) -> "Tolerance":
        """Return weeks in which at least five people trained, without their number, and events of few people hidden.

        The rate is left out where it would give the number of a hidden kind away, being that of all kinds together.
        """
        weeks = self.weeks[self.weeks["people"] >= LEAST].assign(people=HIDDEN).round(2)
        counts = self.events["count"].to_numpy(float)
        hide = protect(counts, few(self.events["people"]))
        rate = None if given_away(counts, hide) else self.rate
        return replace(self, weeks=weeks, events=masked(self.events, hide, ["count", "people"]), rate=rate)

    @property
    def alt(self) -> str:
        """The picture in words."""
        return "Mean pain before and after training and soreness by week. " + self.sentence()

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw mean pain before and after and soreness by week."""
        from truechange.foundation import drawing

        ax = drawing.axes(ax)
        for at, name in enumerate(("pain_before", "pain_after", "soreness_next_day")):
            ax.plot(self.weeks["week"], self.weeks[name], color=drawing.SERIES[at], ls=drawing.DASHES[at],
                    marker=drawing.MARKERS[at], ms=4, label=name.replace("_", " "))  # fmt: skip
        ax.set_ylim(0, 10)
        ax.set_xlabel("week of training")
        ax.set_ylabel("0-10, mean of people")
        ax.legend(frameon=False, fontsize=8)
        return ax


def tolerance(sessions: pd.DataFrame, confidence: float = 0.95) -> Tolerance:
    """Describe pain, soreness and adverse events in training logs.

    Parameters
    ----------
    sessions : DataFrame
        Training log: person, date, and pain_before, pain_after, soreness_next_day, adverse_event where known.
    confidence : float, optional
        Level of the exact Poisson interval of the event rate.

    Raises
    ------
    DataError
        The log is empty.
    """
    if sessions.empty:
        raise DataError("There is no training log.")
    facts = ["pain_before", "pain_after", "soreness_next_day"]
    log = sessions.reindex(columns=["person", "date", *facts, "adverse_event"])
    happened = log["adverse_event"].map(lambda told: kind_of(told, EVENTS, nothing="", other="another event"))
    days = log.groupby(["person", "date"], as_index=False)[facts].max()
    week = (days["date"] - days.groupby("person")["date"].transform("min")).dt.days // 7 + 1
    own = days.assign(week=week).groupby(["week", "person"], as_index=False)[facts].mean()
    weeks = own.groupby("week", as_index=False).agg({"person": "size"} | dict.fromkeys(facts, "mean"))
    told = log.assign(adverse_event=happened)[happened != ""]
    events = told.groupby("adverse_event", as_index=False).agg(count=("person", "size"), people=("person", "nunique"))
    k, tail = len(told), (1 - confidence) / 2
    low = float(chdtri(2 * k, 1 - tail)) / 2 if k else 0.0
    high = float(chdtri(2 * (k + 1), tail)) / 2
    rate = Estimate(
        value=k, low=low, high=high, confidence=confidence, n=len(days), method="exact Poisson"
    ).scaled(1000 / len(days))  # fmt: skip
    both = days["pain_after"] - days["pain_before"]
    return Tolerance(
        weeks=weeks.rename(columns={"person": "people"}),
        events=events,
        rate=rate,
        pain_rise=float((both.dropna() >= NOTABLE).mean()) if both.notna().any() else np.nan,
        sore=float((days["soreness_next_day"].dropna() >= NOTABLE).mean()),
        cautions=(
            "People who hurt more may stop training or stop writing: later weeks hold those who went on.",
            "Adverse events are only those somebody wrote down; none reported is not none happened.",
        ),
    )
