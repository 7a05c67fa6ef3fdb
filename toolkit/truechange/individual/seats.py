"""Ladder of seats (progression): the lowest seat a person stands up from, stage by stage, and when to go lower."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from truechange.foundation.errors import DataError, check_finite, stated
from truechange.foundation.result import Part, told
from truechange.individual.typed import typed_fact
from truechange.measures.catalogue import measure as look_up

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NEEDED = ("date", "seat_height_cm", "reps")
STAGE = ["seat_height_cm", "arms_used", "load_kg"]


@dataclass(frozen=True)
class ProgressionRule:
    """When a person may go lower or heavier (common practice, no source; the number of days is our reading of several).

    Parameters
    ----------
    days : int
        Easy days at a stage before the next one.
    confident_reps : int
        Repetitions of an easy day without a load; with a load the lower end of its range counts.
    most_soreness : int
        Soreness the next day (0-10) that is still not notable.
    unloaded, loaded, steps : tuple of int
        Ranges of repetitions: fast stands without and with a load, step drill for each side.
    """

    days: int = 3
    confident_reps: int = 10
    most_soreness: int = 1
    unloaded: tuple[int, int] = (8, 10)
    loaded: tuple[int, int] = (5, 8)
    steps: tuple[int, int] = (8, 12)

    def easy(self, log: pd.DataFrame) -> "pd.Series[bool]":
        """Return which days of a training log were easy: enough repetitions, no more pain, no notable soreness.

        Parameters
        ----------
        log : DataFrame
            reps, load_kg, and pain_before, pain_after, soreness_next_day where known.
        """
        felt = log.reindex(columns=["pain_before", "pain_after", "soreness_next_day"])
        enough = np.where(log["load_kg"] > 0, self.loaded[0], self.confident_reps)
        hurt = (felt["pain_after"] > felt["pain_before"]) | (felt["soreness_next_day"] > self.most_soreness)
        return (log["reps"] >= enough) & ~hurt

    @property
    def words(self) -> str:
        """What an easy day is."""
        return f"{self.confident_reps} confident repetitions, {self.loaded[0]} loaded, no more pain or notable soreness"


def ladder(
    log: "pd.DataFrame | Mapping[str, Any]", *, goal_cm: float | None = None, goal: str = "",
    rule: ProgressionRule | None = None,
) -> Part:  # fmt: skip
    """Follow one person down the ladder of seats.

    Parameters
    ----------
    log : DataFrame or mapping of columns
        One row a training day: date, seat_height_cm, reps, and arms_used, load_kg, pain_before, pain_after,
        soreness_next_day where known.
    goal_cm : float, optional
        Seat height the person wants to stand up from, cm.
    goal : str, optional
        The same in the person's own words.
    rule : ProgressionRule, optional
        When to go lower or heavier; the clinic's own from its settings.

    Returns
    -------
    Part
        ``lowest`` (lowest seat stood up from without arms, cm; NaN for none), ``start`` (the first day's seat, cm),
        ``easy_days`` (at the present stage), ``may_advance``, ``goal_cm``. Table: one row a stage: seat_height_cm,
        arms_used, load_kg, first, last, days, most_reps, easy_days.

    Raises
    ------
    DataError
        A column is missing, or no day has a seat height and repetitions.

    Examples
    --------
    >>> days = {"date": ["2026-01-12", "2026-01-14", "2026-01-16"], "seat_height_cm": [46, 43, 43], "reps": [10, 10, 8]}
    >>> found = ladder(days, goal_cm=40)
    >>> found.lowest, found.easy_days, found.may_advance
    (43.0, 1, False)
    """
    check_finite(**stated(goal_cm=goal_cm))
    rule, frame = rule or ProgressionRule(), pd.DataFrame(log)
    if lacking := [name for name in NEEDED if name not in frame]:
        raise DataError(f"The training log has no {', '.join(lacking)}: give one row a day with {', '.join(NEEDED)}.")
    rows = frame.assign(**{name: None for name in ("arms_used", "load_kg") if name not in frame})
    rows["arms_used"] = [typed_fact("arms_used", value)[0] for value in rows["arms_used"]]
    rows = rows.assign(
        date=pd.to_datetime(rows["date"], errors="coerce"), load_kg=pd.to_numeric(rows["load_kg"]).fillna(0.0),
        **{name: pd.to_numeric(rows[name], errors="coerce") for name in ("seat_height_cm", "reps")},
    ).dropna(subset=list(NEEDED)).sort_values("date", kind="stable", ignore_index=True)  # fmt: skip
    if rows.empty:
        raise DataError("No day of the log has a date, a seat height and repetitions.")
    silent = told({"Days on which arms were not stated count as without arms.": (rows["arms_used"] == "").any()})
    rows = rows.assign(easy=rule.easy(rows), arms_used=rows["arms_used"].replace("", "no"))
    stage = rows[STAGE].round({"seat_height_cm": 0})  # a seat measured twice differs by millimetres
    change = (stage != stage.shift()).any(axis=1).cumsum()
    stages = rows.groupby(change).agg(
        seat_height_cm=("seat_height_cm", "first"), arms_used=("arms_used", "first"), load_kg=("load_kg", "first"),
        first=("date", "min"), last=("date", "max"), days=("date", "nunique"), most_reps=("reps", "max"),
        easy_days=("easy", "sum"),
    ).reset_index(drop=True)  # fmt: skip
    free = rows[(rows["arms_used"] == "no") & (rows["reps"] >= 1)]["seat_height_cm"]
    easy, seat = int(stages["easy_days"].iloc[-1]), look_up("lowest_seat_height")
    facts = {"lowest": float(free.min()), "start": float(rows["seat_height_cm"].iloc[0]), "goal_cm": goal_cm,
             "easy_days": easy, "may_advance": easy >= rule.days}  # fmt: skip
    seen = "The seat stood up from on each day, lower seats upwards, filled where the arms were not used."
    return Part(facts, stages, _says(facts, stages, goal, rule), (*silent, *seat.reading[:2], *seat.safety), seen=seen,
                draw=partial(_draw, rows, goal_cm))  # fmt: skip


def _says(facts: Mapping[str, Any], stages: pd.DataFrame, goal: str, rule: ProgressionRule) -> tuple[str, ...]:
    lowest, last, wish, days = facts["lowest"], stages.iloc[-1], facts["goal_cm"], facts["easy_days"]
    at = f"{last['seat_height_cm']:g} cm{f' with {last.load_kg:g} kg' if last['load_kg'] else ''}"
    says = ["Not yet stood up from any seat without arms."]
    if lowest == lowest:
        start = f"{facts['start']:g} cm{', with arms' * (stages['arms_used'].iloc[0] == 'yes')}"
        says = [f"Lowest seat stood up from without arms: {lowest:g} cm; the first day's was {start}."]
        name = f"{goal} ({wish:g} cm)" if goal and wish is not None else f"{wish} cm"
        to_go = f"{lowest - wish:g} cm to go" if wish is not None and lowest > wish else "reached"
        says += [f"Goal: {name}: {to_go}."] if wish is not None else []
    if facts["may_advance"]:
        return *says, f"May go lower or heavier: easy days at {at}: {days}, asked for: {rule.days} ({rule.words})."
    return *says, f"Stay at {at}: {days} of the {rule.days} easy days asked for ({rule.words})."


def _draw(rows: pd.DataFrame, goal_cm: float | None, ax: "Axes") -> "Axes":
    """Draw the seat of each day as steps, lower seats upwards; filled marks are days without arms."""
    from truechange.foundation import drawing

    ax.step(rows["date"], rows["seat_height_cm"], where="post", color=drawing.LINE, lw=1.5)
    for used, fill, label in (("no", drawing.ACCENT, "without arms"), ("yes", "white", "with arms")):
        days = rows[rows["arms_used"] == used]
        ax.plot(days["date"], days["seat_height_cm"], "o", ms=6, color=drawing.ACCENT, mfc=fill, label=label)
    if goal_cm is not None:
        drawing.mark_line(ax, goal_cm, "goal", colour=drawing.WARM, dash="--")
    ax.invert_yaxis()
    ax.set_ylabel("seat (cm), lower upwards")
    ax.legend(frameon=False, fontsize=8, loc="lower right")
    ax.figure.autofmt_xdate()
    return ax
