"""The catalogue of functional tests: unit, direction, limits, what must match, cautions; muscle power from them."""

import csv
import os.path  # pathlib would triple the cost of a cold start
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache
from math import inf, nan
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

from truechange.foundation.errors import (
    ChoiceError,
    DataError,
    OutcomeError,
    RefusedError,
    check_choice,
    check_finite,
    check_numbers,
    in_short,
)

if TYPE_CHECKING:
    import pandas as pd

Scores = TypeVar("Scores")
Worked = TypeVar("Worked", bound=Callable[..., Any])
_KEY = "[a-z][a-z0-9_]*"

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
    def names(self) -> tuple[str, ...]:
        """Every name the test goes by."""
        return (self.key, self.name, *self.also)

    @property
    def cautions(self) -> tuple[str, ...]:
        """Safety cautions first, then those for reading the score."""
        return self.safety + self.reading

    def _repr_html_(self) -> str:
        from truechange.foundation.drawing import paragraphs

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


class Fact(NamedTuple):
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
        hard, soft = ((float(row[f"{of}_low"] or -inf), float(row[f"{of}_high"] or inf)) for of in ("hard", "soft"))
        entries = (entry.partition(":") for entry in row["words"].split(";") if entry)
        words = {word: tuple(also.split("/")) for word, _, also in entries}
        by_column[row["fact"]] = Fact(row["unit"], hard, soft, words)
    return MappingProxyType(by_column)


OWN: dict[str, Measure] = {}  # tests of one's own, declared by a call or a clinic's file; the latest word stands


@cache
def _columns() -> frozenset[str]:
    """Return every name a column of records goes by, from the door's rules: its room lies to the right."""
    from tomllib import load

    with open(os.path.join(HERE, "..", "records", "rules.toml"), "rb") as rules:
        tables = load(rules)["tables"].values()
    return frozenset(_letters(name) for columns in tables for column, about in columns.items()
                     for name in (column, *about.get("also", ())))  # fmt: skip


FOLLOWS: "list[Callable[[], None]]" = []  # forget what was worked out from the catalogue as it was
SAID = ("name", "unit", "better", "resolution", "limits", "usual", "protocol", "also")
NEEDED = ("unit", "better", "resolution", "limits")


def kept(function: Worked) -> Worked:
    """Keep what a function worked out from the catalogue until another test is declared."""
    cached = lru_cache(maxsize=4096)(function)
    FOLLOWS.append(cached.cache_clear)
    return cached  # type: ignore[return-value]


@kept
def catalogue() -> MappingProxyType[str, Measure]:
    """Return every test by its key: the catalogue's in its order, then those that were declared."""
    return MappingProxyType({**_printed(), **OWN})


def declare(test: Measure) -> Measure:
    """Make a test of one's own known wherever a test goes by its name, from now on in this process."""
    if OWN.get(test.key) != test:
        OWN[test.key] = test
        for forget in FOLLOWS:
            forget()
    return test


def declare_all(file: str, tests: "Mapping[str, Mapping[str, object]]") -> None:
    """Declare the tests of a clinic's file, its tables ``[tests.KEY]``.

    Raises
    ------
    DataError
        As :func:`own_test`; names file and table.
    """
    for key, said in tests.items():
        declare(own_test(key, said, f"{file}, [tests.{key}]", DataError))


def own_test(key: str, said: "Mapping[str, Any]", where: str, error: type[OutcomeError]) -> Measure:
    """Return a test as somebody describes it: `said` holds what :func:`measure` documents.

    Raises
    ------
    OutcomeError
        Of the type `error`: an entry nobody knows, one that is lacking, or entries that contradict each other or the
        catalogue; says where and what would do.
    """
    said = said if isinstance(said, Mapping) else {"": said}
    low, high = bounds = _pair(said.get("limits"))
    usual = _pair(said.get("usual", bounds))
    step: Any = said.get("resolution")
    protocol, also = said.get("protocol", ()), said.get("also", ())
    name = said.get("name", str(key).replace("_", " ").capitalize())
    texts = (key, name, said.get("unit"), *(also if isinstance(also, list | tuple) else (None,)))
    known = dict.fromkeys(_columns(), "a column of the records")
    others = [test for test in catalogue().values() if test.key != key or key in _printed()]
    known |= {_letters(other): f"the test {test.key!r}" for test in others for other in test.names}
    taken = next((text for text in map(str, (key, name, *texts[3:])) if _letters(text) in known), "")
    unsaid, lacking = ", ".join(set(said) - set(SAID)), ", ".join(one for one in NEEDED if one not in said)
    strange = [fact for fact in protocol if fact not in facts()] if isinstance(protocol, list | tuple) else [protocol]
    wrong = {
        f"{unsaid} is not known; a test has {', '.join(SAID)}": unsaid,
        f"{lacking} is lacking; a test has at least {', '.join(NEEDED)}": lacking,
        f"the key {key!r} must be small letters, digits and _, such as knee_scale": not re.fullmatch(_KEY, str(key)),
        "name, unit and each of also are texts in quotes": not all(isinstance(t, str) and t.strip() for t in texts),
        f"better = {said.get('better')!r} must be 'higher' or 'lower'": said.get("better") not in DIRECTIONS,
        f"limits = {said.get('limits')!r} must be the lowest and the highest score, as [0, 100]": not low < high,
        f"usual = {said.get('usual')!r} must lie within the limits": not low <= usual[0] < usual[1] <= high,
        f"resolution = {step!r} must be a step above 0 that the limits hold, such as 1 or 0.1":
            isinstance(step, bool) or not isinstance(step, int | float) or not 0 < step <= high - low,
        f"protocol names {strange}; what may have to agree is one of {', '.join(facts())}": strange,
        f"{taken!r} is {known.get(_letters(taken))} already: use that one, or take another name": taken,
    }  # fmt: skip
    for words, holds in wrong.items():
        if holds:
            raise error(f"{where}: {words}.")
    return Measure(
        key=key, name=name, unit=said["unit"], better=said["better"], hard_low=low, hard_high=high, soft_low=usual[0],
        soft_high=usual[1], resolution=float(step), whole=float(step).is_integer(), protocol=tuple(protocol),
        also=tuple(also), reading=(f"{name} is a test of your own: no published error, MCID or norm is held for it.",),
    )  # fmt: skip


def _pair(given: object) -> tuple[float, float]:
    """Return two numbers, NaN where they are not: no comparison holds for those."""
    fits = isinstance(given, list | tuple) and len(given) == 2
    fits = fits and all(isinstance(one, int | float) and not isinstance(one, bool) for one in given)  # type: ignore[attr-defined]
    return (float(given[0]), float(given[1])) if fits else (nan, nan)  # type: ignore[index]


@cache
def _printed() -> MappingProxyType[str, Measure]:
    """Return the tests that came with the library."""
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


def measure(key: "str | Measure", **own: Any) -> Measure:
    """Return one test of the catalogue, or declare one of your own.

    Parameters
    ----------
    key : str or Measure
        Key such as ``"chair_stand_30s"``; a `Measure` (also one of your own) is handed back as it is.
    **own
        What is known of a test of your own (a questionnaire, too), which every function, command and report then takes
        by its key: ``unit``, ``better`` ("higher" or "lower"), ``resolution`` (smallest step, in `unit`; whole scores
        for whole ones) and ``limits`` (lowest and highest score possible); where you like ``name``, ``usual`` (limits
        beyond which a score is asked about), ``protocol`` (columns that must agree before two scores are subtracted)
        and ``also`` (other names of it). In a clinic's file: the table ``[tests.KEY]``.

    Returns
    -------
    Measure

    Raises
    ------
    ChoiceError
        The test is not in the catalogue; names the closest one and all keys. Or what is said of your own cannot be.

    Examples
    --------
    >>> import truechange as tc
    >>> stands = tc.measure("chair_stand_30s")
    >>> stands.unit, stands.better, stands.resolution
    ('stands', 'higher', 1.0)
    >>> ache = tc.measure("knee_ache", unit="points", better="lower", resolution=0.5, limits=(0, 100))
    >>> ache.name, tc.measure("knee_ache").improvement(before=40, after=31.5)
    ('Knee ache', 8.5)
    """
    if own:
        return declare(own_test(key, own, f"measure({in_short(key)})", ChoiceError))  # type: ignore[arg-type]
    if isinstance(key, Measure):
        return key
    tests = catalogue()
    if isinstance(key, str) and key in tests:
        return tests[key]
    known = ", ".join(tests)
    raise ChoiceError(f"measure={in_short(key)} is not in the catalogue{_closest(key)} Known tests: {known}.")


def named_test(name: str) -> Measure | None:
    """Return the test of the catalogue that goes by this name, whatever its spaces and capitals; None if none does."""
    plain = _letters(name)
    tests = catalogue().values() if plain else ()  # nothing is read for a test without a name
    return next((test for test in tests if plain in map(_letters, test.names)), None)


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

    names = {name.casefold(): test.key for test in catalogue().values() for name in test.names}
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
    listed = {"protocol": ", ", "cautions": " ", "also": ", "}
    rows = [[*(getattr(test, fact) for fact in shown), *(by.join(getattr(test, fact)) for fact, by in listed.items())]
            for test in catalogue().values()]  # fmt: skip
    return pd.DataFrame(rows, pd.Index(catalogue(), name="measure"), [*shown, *listed])


# ---- measures derived from others ----------------------------------------------------------------------------------
GRAVITY = 9.81
MASS_LIFTED = 0.9
RISE_SHARE = 0.5


def _positive(**facts: float) -> None:
    check_numbers(**facts)
    for name, value in facts.items():
        if not (value > 0 and value < float("inf")):
            raise DataError(f"{name}={value!r} must be a positive number.")


def sit_to_stand_power(
    mass_kg: float, height_m: float, chair_height_m: float, repetitions: float, seconds: float
) -> float:
    r"""Estimate the mean power of standing up, in watts.

    Parameters
    ----------
    mass_kg : float
        Body mass on the day of the test, kg.
    height_m : float
        Body height, m; use one height for all dates.
    chair_height_m : float
        Seat height, m.
    repetitions : float
        Stands completed.
    seconds : float
        Time taken, s: the time for five, or 30 for the 30-second test.

    Returns
    -------
    float
        Mean power of the rising phase, W. Divide by `mass_kg` for W/kg.

    Raises
    ------
    DataError
        A value is not positive, or a length is more likely in centimetres.
    ChoiceError
        A value is not a number.
    RefusedError
        The seat is too high for the height of the person (half the height must exceed it by more than 5 cm).

    Notes
    -----
    .. math:: P = \frac{0.9\, m\, g\, (0.5\, h - c)}{0.5\, t / n}

    with mass *m*, height *h*, seat *c*, time *t*, stands *n* and *g* = 9.81 m/s²: 90% of the mass is lifted, the legs
    are half the height, and rising takes half of each repetition. No stand (unable) means no power value, not zero.
    Source of the equation: Alcazar et al 2018, Exp Gerontol 112:38-43 (from memory), as restated by
    Baltasar-Fernandez et al 2021, Sci Rep 11:19460 (checked).

    Examples
    --------
    >>> from truechange import sit_to_stand_power
    >>> round(sit_to_stand_power(mass_kg=70, height_m=1.65, chair_height_m=0.43, repetitions=12, seconds=30), 1)
    195.3
    """
    _positive(mass_kg=mass_kg, height_m=height_m, chair_height_m=chair_height_m)
    _positive(repetitions=repetitions, seconds=seconds)
    if height_m > 2.6 or chair_height_m > 1.2:
        raise DataError(f"height_m={height_m:g} and chair_height_m={chair_height_m:g} must be in metres.")
    rise = 0.5 * height_m - chair_height_m
    if round(rise, 9) <= 0.05:
        raise RefusedError(
            f"A seat of {chair_height_m:g} m leaves a rise of {rise:.2f} m for a height of {height_m:g} m; the "
            "equation needs more than 0.05 m. Check both heights, or report the stands alone."
        )
    return MASS_LIFTED * mass_kg * GRAVITY * rise / (RISE_SHARE * seconds / repetitions)


def stair_power(mass_kg: float, rise_m: float, seconds: float) -> float:
    r"""Estimate the mean power of climbing stairs, in watts.

    Parameters
    ----------
    mass_kg : float
        Body mass with anything carried, kg.
    rise_m : float
        Total height climbed (steps × step height), m.
    seconds : float
        Time of the ascent, s.

    Returns
    -------
    float
        :math:`P = m\,g\,h/t` with *g* = 9.81 m/s², W.

    Raises
    ------
    DataError
        A value is not positive, or the rise is more likely in centimetres.
    ChoiceError
        A value is not a number.

    Examples
    --------
    >>> from truechange import stair_power
    >>> round(stair_power(mass_kg=70, rise_m=9 * 0.20, seconds=6.0), 1)
    206.0
    """
    _positive(mass_kg=mass_kg, rise_m=rise_m, seconds=seconds)
    if rise_m > 60:
        raise DataError(f"rise_m={rise_m:g} must be in metres: steps times the height of one step.")
    return mass_kg * GRAVITY * rise_m / seconds
