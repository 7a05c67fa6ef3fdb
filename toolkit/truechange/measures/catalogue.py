"""The catalogue of functional tests, read from two small tables: facts, and cautions with their source."""

import csv
import os.path  # pathlib would triple the cost of a cold start
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

from truechange.foundation.errors import ChoiceError, in_short
from truechange.measures.measure import Measure

if TYPE_CHECKING:
    import pandas as pd

HERE = os.path.dirname(__file__)


def read_rows(name: str) -> list[dict[str, str]]:
    """Return the rows of one of the room's tables, as text."""
    with open(os.path.join(HERE, name), encoding="utf-8", newline="") as table:
        return list(csv.DictReader(table))


@cache
def catalogue() -> MappingProxyType[str, Measure]:
    """Return every test by its key, in the order of the catalogue."""
    cautions: dict[tuple[str, str], list[str]] = {}
    for row in read_rows("cautions.csv"):
        cautions.setdefault((row["measure"], row["kind"]), []).append(row["caution"])
    tests = {}
    for row in read_rows("catalogue.csv"):
        facts = [fact.partition("=") for fact in row["protocol"].split(";") if fact]
        tests[row["key"]] = Measure(
            key=row["key"],
            name=row["name"],
            unit=row["unit"],
            better=row["better"],
            hard_low=float(row["hard_low"]),
            hard_high=float(row["hard_high"]),
            soft_low=float(row["soft_low"]),
            soft_high=float(row["soft_high"]),
            resolution=float(row["resolution"]),
            whole=row["whole"] == "yes",
            protocol=tuple(column for column, _, _ in facts),
            tolerances=MappingProxyType({column: float(slack) for column, _, slack in facts if slack}),
            safety=tuple(cautions.get((row["key"], "safety"), ())),
            reading=tuple(cautions.get((row["key"], "reading"), ())),
            also=tuple(row["also"].split(";")),
        )
    return MappingProxyType(tests)


def measure(key: "str | Measure") -> Measure:
    """Return one test of the catalogue.

    Parameters
    ----------
    key : str or Measure
        Key such as ``"chair_stand_30s"``; a `Measure` (also one of your own) is handed back as it is.

    Returns
    -------
    Measure

    Raises
    ------
    ChoiceError
        The test is not in the catalogue; names the closest one and all keys.

    Examples
    --------
    >>> import truechange as tc
    >>> stands = tc.measure("chair_stand_30s")
    >>> stands.unit, stands.better, stands.resolution
    ('stands', 'higher', 1.0)
    """
    if isinstance(key, Measure):
        return key
    tests = catalogue()
    if isinstance(key, str) and key in tests:
        return tests[key]
    raise ChoiceError(
        f"measure={in_short(key)} is not in the catalogue{_closest(key)} Known tests: {', '.join(tests)}."
    )


def _closest(key: object) -> str:
    from difflib import get_close_matches

    names = {name.casefold(): test.key for test in catalogue().values() for name in (test.key, test.name, *test.also)}
    near = get_close_matches(str(key).strip().casefold().replace(" ", "_"), names, n=1, cutoff=0.5)
    near = near or get_close_matches(str(key).strip().casefold(), names, n=1, cutoff=0.5)
    return f"; did you mean {names[near[0]]!r}?" if near else "."


def list_measures() -> "pd.DataFrame":
    """Return the catalogue, one row a test.

    Returns
    -------
    DataFrame
        Indexed by ``measure`` (the key): name, unit, better, hard_low, hard_high, soft_low, soft_high, resolution,
        protocol (columns that must agree), cautions, also (other names).

    Examples
    --------
    >>> import truechange as tc
    >>> tc.list_measures().loc["timed_up_and_go", ["unit", "better"]].tolist()
    ['s', 'lower']
    """
    import pandas as pd

    shown = ("name", "unit", "better", "hard_low", "hard_high", "soft_low", "soft_high", "resolution")
    rows = [
        {"measure": test.key}
        | {fact: getattr(test, fact) for fact in shown}
        | {"protocol": ", ".join(test.protocol), "cautions": " ".join(test.cautions), "also": ", ".join(test.also)}
        for test in catalogue().values()
    ]
    return pd.DataFrame(rows).set_index("measure")
