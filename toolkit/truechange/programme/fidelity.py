"""Was the training done as meant: repetitions in range, and lower or heavier only when the stage before was easy."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from truechange.foundation.errors import DataError
from truechange.foundation.numbers import percent
from truechange.foundation.result import Result

NEEDED = ("person", "date", "exercise", "reps", "load_kg", "seat_height_cm", "pain_before", "pain_after")


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


@dataclass(frozen=True)
class Fidelity(Result):
    """How far the training logs follow the rule.

    Parameters
    ----------
    people : DataFrame
        One row a person: person, days, days_in_range, advances, advances_kept.
    rule : ProgressionRule
        The rule.
    cautions : tuple of str
        What a reader must know.
    """

    people: pd.DataFrame
    rule: ProgressionRule
    cautions: tuple[str, ...]

    def table(self) -> pd.DataFrame:
        """Return one row a quantity: quantity, people, share."""
        held = self.people
        moved = held[held["advances"] > 0]
        kept = (moved["advances"] == moved["advances_kept"]).mean() if len(moved) else np.nan
        rows = [
            ("training days with repetitions in range", len(held), held["days_in_range"].sum() / held["days"].sum()),
            ("people who went lower or heavier", len(moved), len(moved) / len(held)),
            ("advances that kept the rule", len(moved), moved["advances_kept"].sum() / max(1, moved["advances"].sum())),
            ("people whose every advance kept the rule", len(moved), kept),
        ]
        return pd.DataFrame(rows, columns=["quantity", "people", "share"])

    def sentences(self) -> tuple[str, ...]:
        """Say how many advances kept the rule and how many days were in range."""
        shares = self.table().set_index("quantity")["share"].to_dict()
        kept, ranged = shares["advances that kept the rule"], shares["training days with repetitions in range"]
        total = int(self.people["advances"].sum())
        return (
            (
                f"Of {total} steps to a lower seat or more load {percent(kept)} came after at least {self.rule.days} "
                f"easy days ({self.rule.confident_reps} repetitions, no more pain, no notable soreness); "
                f"{percent(ranged)} of the exercise days had repetitions in range."
            ),
        )


def fidelity(sessions: pd.DataFrame, rule: ProgressionRule | None = None) -> Fidelity:
    """Hold training logs against the progression rule.

    Parameters
    ----------
    sessions : DataFrame
        Training log: person, date, exercise, reps, load_kg, seat_height_cm, pain_before, pain_after, and
        soreness_next_day where known.
    rule : ProgressionRule, optional
        The rule.

    Raises
    ------
    DataError
        A column is missing, or no row has a seat height.
    """
    rule = rule or ProgressionRule()
    if lacking := [name for name in NEEDED if name not in sessions]:
        raise DataError(f"The training log has no {', '.join(lacking)}: the progression rule cannot be checked.")
    log = sessions.sort_values(["person", "date"], kind="stable", ignore_index=True)
    load = pd.to_numeric(log["load_kg"], errors="coerce").fillna(0.0)
    drill = log["exercise"].astype(str).str.contains("step", case=False)
    low = np.select([drill, load > 0], [rule.steps[0], rule.loaded[0]], rule.unloaded[0])
    high = np.select([drill, load > 0], [rule.steps[1], rule.loaded[1]], rule.unloaded[1])
    in_range = (log["reps"] >= low) & (log["reps"] <= high)
    seated = log["seat_height_cm"].notna()
    if not seated.any():
        raise DataError("No training day has a seat height: the progression rule cannot be checked.")
    stands = log[seated].assign(load=load[seated])
    soreness = stands["soreness_next_day"] if "soreness_next_day" in stands else pd.Series(np.nan, index=stands.index)
    easy = (
        (stands["reps"] >= np.where(stands["load"] > 0, rule.loaded[0], rule.confident_reps))
        & ~(stands["pain_after"] > stands["pain_before"])
        & ~(soreness > rule.most_soreness)
    )
    new_person = stands["person"].ne(stands["person"].shift())
    lower = stands["seat_height_cm"].diff() < 0
    heavier = stands["load"].diff() > 0
    advance = (lower | heavier) & ~new_person
    changed = (stands["seat_height_cm"].diff() != 0) | (stands["load"].diff() != 0) | new_person
    stage = changed.cumsum()
    easy_before = stage.map(easy.groupby(stage).sum().shift())
    kept = advance & (easy_before >= rule.days)
    people = pd.DataFrame(
        {"days": log.groupby("person").size(), "days_in_range": in_range.groupby(log["person"]).sum()}
    )
    people = people.assign(
        advances=advance.groupby(stands["person"]).sum(), advances_kept=kept.groupby(stands["person"]).sum()
    ).fillna(0)
    whole = people.astype(int).rename_axis("person").reset_index()
    notes = ("Logs are kept by the people themselves; what was not written down cannot be judged.",)
    return Fidelity(whole, rule, notes)
