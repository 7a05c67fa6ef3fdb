"""The catalogue of functional tests: unit, direction, limits, what must match before subtracting, cautions."""

import csv
import os.path  # pathlib would triple the cost of a cold start
from dataclasses import dataclass, field
from functools import cache
from math import inf
from types import MappingProxyType
from typing import TYPE_CHECKING, TypeVar

from truechange.foundation.errors import ChoiceError, check_choice, check_finite, in_short

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

Scores = TypeVar("Scores")

DIRECTIONS = ("higher", "lower")
NOISE_FREE = 9  # decimals: far finer than any test is read, far coarser than binary noise


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One functional test.

    Parameters
    ----------
    key : str
        Name in tables and calls, such as ``"chair_stand_30s"``.
    name : str
        Name in sentences.
    unit : str
        Unit of a score.
    better : {"higher", "lower"}
        Which direction is an improvement.
    hard_low, hard_high : float
        Limits beyond which a score is refused (inclusive range of possible scores; own choice).
    soft_low, soft_high : float
        Limits beyond which a score is kept but asked about (own choice).
    resolution : float
        Smallest step the test is read to, in `unit`.
    whole : bool
        Whether scores are whole numbers.
    protocol : tuple of str
        Columns of the assessments table that must agree before two scores may be subtracted.
    tolerances : mapping of str to float
        How far apart a numeric protocol fact may be and still agree, in that column's unit.
    harder : mapping of str to str
        What makes the test harder, fact by fact: ``"lower"`` or ``"higher"``, or the word that is the hardest.
    zero_unable : bool
        Whether a score of 0 means that the person was unable.
    sides : bool
        Whether left and right are tested each.
    safety, reading : tuple of str
        Usual cautions when testing, and when reading the score. Local rules and the clinician's judgement go first.
    also : tuple of str
        Other names in use.

    Raises
    ------
    ChoiceError
        `better` is neither ``"higher"`` nor ``"lower"``, or `resolution` is not a positive number.

    Examples
    --------
    >>> from truechange import measure
    >>> walk = measure("timed_up_and_go")
    >>> walk.better, walk.improvement(before=12.0, after=10.5)
    ('lower', 1.5)
    """

    key: str
    name: str
    unit: str
    better: str
    hard_low: float
    hard_high: float
    soft_low: float
    soft_high: float
    resolution: float
    whole: bool = False
    protocol: tuple[str, ...] = ()
    tolerances: "Mapping[str, float]" = field(default_factory=lambda: MappingProxyType({}), hash=False)
    harder: "Mapping[str, str]" = field(default_factory=lambda: MappingProxyType({}), hash=False)
    zero_unable: bool = False
    sides: bool = False
    safety: tuple[str, ...] = ()
    reading: tuple[str, ...] = ()
    also: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        check_choice("better", self.better, DIRECTIONS)
        check_finite(resolution=self.resolution)
        if self.resolution <= 0:
            raise ChoiceError(f"resolution={self.resolution!r} must be above 0, the smallest step the test is read to.")

    @property
    def sign(self) -> int:
        """1 where more is better, -1 where less is better."""
        return 1 if self.better == "higher" else -1

    @property
    def cautions(self) -> tuple[str, ...]:
        """Safety cautions first, then those for reading the score."""
        return self.safety + self.reading

    def _repr_html_(self) -> str:
        from truechange.foundation.html import paragraphs

        head = f"{self.name} ({self.key}), in {self.unit}; {self.better} is better; read to {self.resolution:g}"
        return paragraphs(head, *self.cautions)

    def improvement(self, before: Scores, after: Scores) -> Scores:
        """Turn two scores into an improvement: positive = better, whatever the test's direction.

        Parameters
        ----------
        before, after : float, array or Series
            Scores in the test's unit.

        Returns
        -------
        float, array or Series
            ``sign * (after - before)``, in the test's unit, without binary noise: 10.5 - 9.8 is 0.7.
        """
        change = self.sign * (after - before)  # type: ignore[operator]
        return change.round(NOISE_FREE) if hasattr(change, "round") else round(change, NOISE_FREE)


HERE = os.path.dirname(__file__)
_TIMES = ("s", "sec", "secs", "second", "seconds", "ms", "min", "mins", "minute", "minutes", "time")


def read_rows(name: str) -> list[dict[str, str]]:
    """Return the rows of one of the room's tables, as text."""
    with open(os.path.join(HERE, name), encoding="utf-8", newline="") as table:
        return list(csv.DictReader(table))


@dataclass(frozen=True, slots=True)
class Fact:
    """A fact of a test or a person that is typed beside the score: its unit, what is possible and usual, its words.

    `words` holds each word that is written, with the others read as it; limits are choices made for this library.
    """

    unit: str
    hard: tuple[float, float]
    soft: tuple[float, float]
    words: "Mapping[str, tuple[str, ...]]"

    def word(self, text: str) -> str:
        """Return the word a typed text is read as, empty if it is none of them."""
        plain = _letters(text)
        return next((word for word, also in self.words.items() if plain in map(_letters, (word, *also))), "")


def _letters(text: str) -> str:
    return "".join(filter(str.isalnum, text.casefold()))


@cache
def facts() -> MappingProxyType[str, Fact]:
    """Return every fact of ``facts.csv`` by its column."""
    by_column = {}
    for row in read_rows("facts.csv"):
        hard, soft = (
            (float(row[f"{limits}_low"] or -inf), float(row[f"{limits}_high"] or inf)) for limits in ("hard", "soft")
        )
        entries = (entry.partition(":") for entry in row["words"].split(";") if entry)
        words = {word: tuple(also.split("/")) for word, _, also in entries}
        by_column[row["fact"]] = Fact(row["unit"], hard, soft, words)
    return MappingProxyType(by_column)


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
            key=row["key"], name=row["name"], unit=row["unit"], better=row["better"], hard_low=float(row["hard_low"]),
            hard_high=float(row["hard_high"]), soft_low=float(row["soft_low"]), soft_high=float(row["soft_high"]),
            resolution=float(row["resolution"]), whole=row["whole"] == "yes",
            protocol=tuple(column for column, _, _ in facts),
            tolerances=MappingProxyType({column: float(slack) for column, _, slack in facts if slack}),
            harder=MappingProxyType(dict(fact.split("=") for fact in row["harder"].split(";") if fact)),
            zero_unable=row["zero_unable"] == "yes", sides=row["sides"] == "yes",
            safety=tuple(cautions.get((row["key"], "safety"), ())),
            reading=tuple(cautions.get((row["key"], "reading"), ())), also=tuple(row["also"].split(";")),
        )  # fmt: skip
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


def named_test(name: str) -> Measure | None:
    """Return the test of the catalogue that goes by this name, whatever its spaces and capitals; None if none does."""
    plain = _letters(name)
    names = ((other, test) for test in catalogue().values() for other in (test.key, test.name, *test.also))
    return next((test for other, test in names if plain and _letters(other) == plain), None)


class Unsaid(str):
    """A default that can be told from the same word said by the caller."""


HIGHER = Unsaid("higher")


def direction(better: str | None, test: Measure | None = None, *, name: str = "", unit: str = "") -> str:
    """Return which direction is an improvement: the test's own, else as said, else ``"higher"`` where that can be.

    Parameters
    ----------
    better : {"higher", "lower"} or None
        What was said; None or ``HIGHER`` for nothing.
    test : Measure, optional
        The test, where it is known.
    name, unit : str, optional
        What else is known of it.

    Raises
    ------
    ChoiceError
        What was said contradicts the test, or nothing was said of a test that may be timed.
    """
    better = None if isinstance(better, Unsaid) else better
    if better is not None:
        check_choice("better", better, DIRECTIONS)
    known = test or named_test(name)
    if known is not None and better is not None and better != known.better:
        raise ChoiceError(f"better={better!r} contradicts {known.name}, where {known.better} is better: leave it out.")
    if known is not None and known is not test and known.better == "lower" and better is None:
        raise ChoiceError(f"{name!r} is the {known.name} of the catalogue: say measure={known.key!r}.")
    if known is None and better is None and unit.casefold().rstrip(".") in _TIMES:
        raise ChoiceError(f"Scores in {unit}: say whether less time is better (better='lower') or more ('higher').")
    return known.better if known is not None else better or "higher"


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
