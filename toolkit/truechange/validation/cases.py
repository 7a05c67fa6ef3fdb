"""The worked examples: one readable file a case, shared by the tests and by ``truechange validate``."""

import csv
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from truechange.foundation.errors import check_choice

FOLDER = Path(__file__).parent / "cases"
CAME = (
    "printed table",
    "certified file",
    "output of another program",
    "from memory",
    "recomputed",
    "independent route",
)
STRENGTHS = {
    "A": "data and a printed or certified value, reproduced to its digits",
    "B": "usable with the caveat in its note",
    "C": "arithmetic or recomputed value only: no published number behind it",
}


@dataclass(frozen=True, slots=True)
class Expected:
    """One number that a case promises.

    Parameters
    ----------
    value : float
        The number.
    printed : str
        As it is printed in the source.
    tolerance : float
        Largest difference that still agrees: half of the last printed digit unless the note says why not.
    came : str
        How the number came to us, one of ``CAME``.
    left_out : str
        Why this library does not compute it; empty if it does.
    """

    value: float
    printed: str
    tolerance: float
    came: str
    left_out: str = ""

    def agrees(self, ours: float) -> bool:
        """Whether `ours` lies within the tolerance (a hair more, for the binary form of decimal halves)."""
        return abs(ours - self.value) <= self.tolerance * (1 + 1e-6)


@dataclass(frozen=True, slots=True)
class Case:
    """One worked example: where it comes from, its data, and the numbers it promises.

    Parameters
    ----------
    id, topic, checks : str
        Its name, its subject, and what it checks.
    citation, doi : str
        The source; `doi` is empty where there is none.
    came : str
        How its numbers came to us: printed table, certified file, output of another
        program, from memory, recomputed, or independent route.
    status : str
        What was seen and what was recomputed, in words.
    strength : {"A", "B", "C"}
        How much it proves; see ``STRENGTHS``.
    note : str
        What a reader must know.
    data : mapping
        The input, as in the file.
    expected : mapping of str to Expected
        The numbers it promises.
    by : str
        Functions of the library through which ours are computed.
    calls : mapping of str to mapping
        What is called, in this order: function, arguments; ``$path`` stands for data or for an earlier call's result.
    ours : mapping of str to str
        Where each of the promised numbers is found in what was called.
    left_out : str
        Why this library computes none of them; empty if it does.
    """

    id: str
    topic: str
    checks: str
    citation: str
    doi: str
    came: str
    status: str
    strength: str
    note: str
    data: Mapping[str, Any]
    expected: Mapping[str, Expected]
    by: str
    calls: Mapping[str, Mapping[str, Any]]
    ours: Mapping[str, str]
    left_out: str

    @property
    def rows(self) -> list[dict[str, str]]:
        """The rows of the CSV file beside the case, all text."""
        with (FOLDER / self.data["file"]).open(newline="", encoding="utf-8") as lines:
            return list(csv.DictReader(lines))


def case_ids() -> tuple[str, ...]:
    """Return the names of all cases, sorted."""
    return tuple(sorted(path.stem for path in FOLDER.glob("*.toml")))


@cache
def load_case(name: str) -> Case:
    """Read one case by its id.

    Parameters
    ----------
    name : str
        One of :func:`case_ids`.

    Returns
    -------
    Case

    Raises
    ------
    ChoiceError
        There is no such case.

    Examples
    --------
    >>> load_case("icc_shrout_fleiss_1979").expected["ICC(2,1)"].printed
    '0.29'
    """
    check_choice("case", name, case_ids())
    held = tomllib.loads((FOLDER / f"{name}.toml").read_text(encoding="utf-8"))
    data, calls = held["data"], held.get("calls", {})
    if "same_as" in data:
        first = load_case(data["same_as"])
        data, calls = {**first.data, **data}, {**first.calls, **calls}
    expected = {
        key: Expected(
            value=float(item["value"]),
            printed=item["printed"],
            tolerance=float(item["tolerance"]),
            came=item.get("came", held["came"]),
            left_out=item.get("left_out", ""),
        )
        for key, item in held["expected"].items()
    }
    words = {key: held[key] for key in ("id", "topic", "checks", "citation", "doi", "came", "status", "strength")}
    spare = {key: held.get(key, "") for key in ("note", "by", "left_out")}
    return Case(**words, **spare, data=data, expected=expected, calls=calls, ours=held.get("ours", {}))


def load_cases() -> tuple[Case, ...]:
    """Read every case, sorted by id."""
    return tuple(load_case(name) for name in case_ids())
