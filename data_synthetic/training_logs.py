"""Training logs: fast stands from a seat that is lowered stage by stage, then with a load, and a step drill."""

from typing import Any

import numpy as np
import pandas as pd

SEATS_CM = (56.0, 52.0, 48.0, 44.0, 40.0)
_GOOD_DAYS = 4  # several days of ten confident repetitions before going lower or heavier (common practice, no source)


def training_log(folk: pd.DataFrame, planned: int, rng: np.random.Generator) -> pd.DataFrame:
    """Write the log of everyone in `folk` who kept one.

    The habits are common practice without a source: 8 to 10 unloaded or 5 to 8 loaded fast stands a day, 8 to 12
    split-stance steps a side once and later twice a day, a first load of 1.5 to 2.5 kg, hands allowed at the highest
    seat only, and lower or heavier after ten confident repetitions on several days without soreness or more pain.

    Parameters
    ----------
    folk : DataFrame
        One row a person: person, start_date, adherence, stop_day.
    planned : int
        Training days planned over the programme.
    rng : Generator
        Source of chance.

    Returns
    -------
    DataFrame
        The sessions table, one row a person, day and exercise.
    """
    rows: list[tuple[Any, ...]] = []
    kept_log = rng.random(len(folk)) < 0.88
    people = folk[["person", "start_date", "adherence", "stop_day"]]
    for person, keeps in zip(people.itertuples(index=False), kept_log, strict=True):
        if keeps:
            rows += _one_log(person, planned, rng)
    columns = ["person", "date", "exercise", "sets", "reps", "load_kg", "seat_height_cm", "arms_used", "fast_intent"]
    columns += ["pain_before", "pain_after", "soreness_next_day", "adverse_event"]
    table = pd.DataFrame(rows, columns=columns)
    table["date"] = pd.to_datetime(table["date"])
    return table


def _one_log(person: Any, planned: int, rng: np.random.Generator) -> list[tuple[Any, ...]]:
    days = np.arange(int(person.stop_day))
    days = days[rng.random(len(days)) < person.adherence * planned / 84]
    stage, load, good, pain = int(rng.integers(0, 2)), 0.0, 0, 2 + int(rng.integers(0, 4))
    rows = []
    for turn, day in enumerate(days):
        date = person.start_date + pd.Timedelta(days=int(day))
        chance = rng.random(5)
        before = max(0, pain - (day > 42) + int(chance[0] < 0.2) - int(chance[0] > 0.8))
        after = min(10, before + int(chance[1] < 0.12))
        sore = int(chance[2] < 0.25) + int(chance[2] < 0.06)
        reps = (5 + int(4 * chance[3])) if load else (8 + int(3 * chance[3]) if good == 0 else 10)
        event = "near fall, no injury" if chance[4] < 0.0006 else ""
        arms = "yes" if stage == 0 else "no"
        seat = SEATS_CM[stage]
        rows.append((person.person, date, "sit to stand", 1, reps, load, seat, arms, "yes", before, after, sore, event))
        if turn % 2:
            steps, twice = 8 + int(rng.integers(0, 5)), 2 if day > 42 else 1
            rows.append(
                (person.person, date, "step drill", twice, steps, 0.0, np.nan, "no", "yes", before, after, sore, "")
            )
        easy = after <= before and sore < 2 and (reps >= 10 or load > 0)
        good = good + 1 if easy else good
        if good >= _GOOD_DAYS + (2 if load else 0):
            good = 0
            if stage < len(SEATS_CM) - 1 and not load:
                stage += 1
            else:
                load = load + 0.5 if load else float(rng.choice([1.5, 2.0, 2.5]))
    return rows
