"""Published values, norms and cut-offs of each test: who was measured, how, and how verified, what for."""

import re
from dataclasses import dataclass, field
from functools import cache
from math import nan, sqrt
from typing import TYPE_CHECKING, Any

from truechange.foundation.distributions import two_sided
from truechange.foundation.errors import ChoiceError, RefusedError, check_choice, check_kind, check_numbers, stated
from truechange.foundation.estimate import Origin, Threshold
from truechange.foundation.numbers import decimals_of, fixed
from truechange.measures.catalogue import measure as find_measure
from truechange.measures.catalogue import read_rows

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

QUANTITIES = (
    "icc", "sem", "mdc90", "mdc95", "mic", "norm_low", "norm_mean", "norm_high", "norm_sd", "cutoff", "power_cutoff",
)  # fmt: skip
DAYS = {"min": 0.0, "h": 0.0, "d": 1.0, "w": 7.0, "m": 30.4, "y": 365.0}
FAR_SHORTER = 4.0  # own rule: a study interval of less than a quarter of the interval in use understates the error
_NUMBERS = ("value", "ci_low", "ci_high", "age_low", "age_high", "n")


def days_between(words: str) -> float:
    """Read an interval such as ``"same session"``, ``"2-5 days"`` (the longer end) or ``"12 weeks"`` as days.

    NaN if it is not clear.

    Examples
    --------
    >>> days_between("same session, 1-2 min apart"), days_between("2-5 days"), days_between("12 weeks")
    (0.0, 5.0, 84.0)
    """
    if re.search(r"(same|one) (session|day)", words):
        return 0.0
    spans = re.findall(r"(\d+(?:\.\d+)?)\s*(min|h|d|w|m|y)[a-z]*\b", words)
    return max((float(count) * DAYS[unit] for count, unit in spans), default=nan)


@cache
def published_rows() -> tuple[dict[str, str], ...]:
    """Return every published value as text with its use, without pandas (for commands that must start fast)."""
    return with_uses(read_rows("published.csv"))


def origin_of(row: dict[str, str], interval: str = "") -> Origin:
    """Return where a published value comes from."""
    words: dict[str, Any] = {name: row[name] for name in ("citation", "doi", "population", "status", "note")}
    return Origin(kind="published", **words, interval=interval, n=int(row["n"]) if row["n"] else None)


def _chosen(measure: str | None, quantity: str | None) -> list[dict[str, str]]:
    key = None if measure is None else find_measure(measure).key
    quantity = "mic" if isinstance(quantity, str) and quantity == "mcid" else quantity
    if quantity is not None:
        check_choice("quantity", quantity, QUANTITIES)
    return [row for row in published_rows() if key in (None, row["measure"]) and quantity in (None, row["quantity"])]


def published(measure: str | None = None, quantity: str | None = None) -> "pd.DataFrame":
    """Return published values as a table: labelled starting points, never a replacement for the clinic's own retest.

    Parameters
    ----------
    measure : str, optional
        Key of a test; all tests when left out.
    quantity : str, optional
        ``"icc"``, ``"sem"``, ``"mdc90"``, ``"mdc95"``, ``"mic"`` (also ``"mcid"``), ``"norm_low"``, ``"norm_mean"``,
        ``"norm_high"``, ``"norm_sd"``, ``"cutoff"`` or ``"power_cutoff"``; all when left out.

    Returns
    -------
    DataFrame
        One row a value: measure, quantity, value, ci_low, ci_high (in `unit`), unit, level (whom a threshold is stated
        for), kind (what the publication says of it: large, adopted, cross-sectional and so on; empty for an estimate),
        doubt (what only a reader can see against it), status (checked, from memory, recomputed), method, population,
        sex, age_low, age_high, n, interval (time between the tests), citation, doi, note, seen (where the value, its n
        or its DOI was looked up since; "secondary" where the paper was seen only through another; empty where nothing
        was in doubt), use ("person", "group", "comparison" or "none", by the rules of :func:`with_uses`),
        why_not (the rule that speaks against it).

    Raises
    ------
    ChoiceError
        The test or the quantity is unknown.

    Examples
    --------
    >>> import truechange as tc
    >>> stands = tc.published("chair_stand_30s", "mdc95")
    >>> stands["value"].tolist()
    [1.95, 2.5, 2.5, 6.4, 0.96]
    >>> stands["interval"].iloc[2]
    'repeat self-test at home'
    """
    import pandas as pd

    frame = pd.DataFrame(_chosen(measure, quantity), columns=list(published_rows()[0]))
    for column in _NUMBERS:
        frame[column] = pd.to_numeric(frame[column])
    return frame


def published_threshold(
    measure: str, quantity: str, *, citation: str | None = None, value: float | None = None,
    from_memory: bool = False,
) -> Threshold:  # fmt: skip
    """Return one published MDC or MCID as a threshold that carries its origin.

    Parameters
    ----------
    measure : str
        Key of the test.
    quantity : {"mdc90", "mdc95", "mic", "mcid"}
        Which threshold.
    citation : str, optional
        Part of the citation, such as ``"Mostafaee"``. Needed where several publications disagree: which one fits the
        people at hand is a choice that nobody else can make.
    value : float, optional
        The value itself, where one publication gives several.
    from_memory : bool, optional
        Allow a value that was not checked against its source. Default False.

    Returns
    -------
    Threshold
        In the unit of the test; `origin` holds citation, population, interval, n and status.

    Raises
    ------
    ChoiceError
        Nothing fits, or more than one value fits (the error lists them).
    RefusedError
        The value's `use` is none (the reason is said), or it is a percentage or on a scale that is not the test's.

    Examples
    --------
    >>> import truechange as tc
    >>> mcid = tc.published_threshold("chair_stand_30s", "mic", citation="Mostafaee")
    >>> print(mcid, "|", mcid.level, "|", mcid.origin.status)
    2.50 stands | person | checked
    """
    check_choice("quantity", quantity, ("mdc90", "mdc95", "mic", "mcid"))
    check_kind("citation", citation, (str, type(None)), "part of the citation, such as an author's name")
    check_numbers(**stated(value=value))
    test = find_measure(measure)
    there, part = _chosen(test.key, quantity), (citation or "").casefold()
    rows = [row for row in there if part in row["citation"].casefold() and value in (None, float(row["value"]))]
    if len(rows) != 1:
        listed = "; ".join(f"{row['value']} {row['unit']} ({row['citation']}: {row['population']})"
                           for row in rows or there)  # fmt: skip
        what = f"{len(rows)} values fit" if rows else "No value fits"
        raise ChoiceError(
            f"{what} measure={test.key!r}, quantity={quantity!r}. Choose one with citation= (and value=). "
            f"Published: {listed or 'nothing'}."
        )
    return _threshold(rows[0], test.unit, from_memory)


def _threshold(row: dict[str, str], unit: str, from_memory: bool) -> Threshold:
    printed = f"{row['value']} {row['unit']} ({row['citation']})"
    if (why := row["why_not"]) and why != MEMORY:
        about = f" ({row['note']})" if row["note"] else ""
        raise RefusedError(f"{printed} may not be used, for one person or a programme: {why}{about}.")
    if why and not from_memory:
        raise RefusedError(
            f"{printed} is from memory and must not decide a verdict. Check it against the source, then pass "
            "from_memory=True to use it as it stands."
        )
    factor = {unit: 1.0, **LENGTHS}.get(row["unit"])
    if factor is None:
        percent = row["unit"].startswith("%")
        advice = "work it out from the person's own baseline" if percent else "thresholds do not survive a new scale"
        raise RefusedError(f"{printed} is not in the unit of the test ({unit}): {advice}.")
    low, high = (float(row[limit]) * factor if row[limit] else nan for limit in ("ci_low", "ci_high"))
    name, origin = "MCID" if row["quantity"] == "mic" else row["quantity"].upper(), origin_of(row, row["interval"])
    return Threshold(
        value=float(row["value"]) * factor, low=low, high=high, unit=unit, n=origin.n, level=row["level"],
        kind="mcid" if name == "MCID" else "mdc", method=f"{name}: {row['method']}", origin=origin,
    )  # fmt: skip


_MARKS = {
    "norm_low": "lower end of the usual range", "norm_mean": "average", "norm_high": "upper end of the usual range",
    "cutoff": "cut-off", "power_cutoff": "power cut-off",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """One published value that a single score can be held against.

    Parameters
    ----------
    measure : str
        Key of the test.
    quantity : str
        norm_low, norm_mean, norm_high, cutoff or power_cutoff.
    value : float
        In `unit`.
    unit : str
        Unit of the value.
    meaning : str
        What the value marks, in the words of the table of published values.
    origin : Origin
        Publication, population and how the number was verified.
    """

    measure: str
    quantity: str
    value: float
    unit: str
    meaning: str
    origin: Origin = field(repr=False)

    def sentence(self, score: float) -> str:
        """Say how `score` (same unit) lies to this value, with the source."""
        places = decimals_of(find_measure(self.measure).resolution)
        side = "at" if score == self.value else "above" if score > self.value else "below"
        return (
            f"{fixed(score, places)} is {side} the {_MARKS[self.quantity]} of {self.value:g} {self.unit} "
            f"({self.meaning}; {self.origin.sentence()}). This compares; it does not diagnose."
        )


def references(measure: str, *, age: float | None = None, sex: str | None = None) -> tuple[Reference, ...]:
    """Return the norms and cut-offs that apply to a person of this age and sex.

    Parameters
    ----------
    measure : str
        Key of the test.
    age : float, optional
        Age in years; without it only values for all ages apply.
    sex : {"female", "male"}, optional
        Without it only values for all people apply.

    Returns
    -------
    tuple of Reference
        In the unit of the test; empty where nothing fits.

    Raises
    ------
    ChoiceError
        The test is unknown, or `sex` is neither ``"female"`` nor ``"male"``.

    Examples
    --------
    >>> from truechange.measures.literature import references
    >>> low = references("chair_stand_30s", age=67, sex="female")[0]
    >>> low.quantity, low.value, low.origin.citation
    ('norm_low', 11.0, 'Rikli & Jones 1999 J Aging Phys Act 7:162-181')
    """
    test = find_measure(measure)
    check_choice("sex", sex, (None, "female", "male"))
    return tuple(
        Reference(measure=test.key, quantity=row["quantity"], value=float(row["value"]), unit=row["unit"],
                  meaning=row["method"] or row["population"], origin=origin_of(row))
        for row in _chosen(test.key, None)
        if row["unit"] == test.unit and row["quantity"] in _MARKS and row["sex"] in ("all", sex) and _covers(row, age)
    )  # fmt: skip


def _covers(row: dict[str, str], age: float | None) -> bool:
    if not (row["age_low"] or row["age_high"]):
        return not row["quantity"].startswith("norm")  # the mean of one study's people is no norm
    return age is not None and float(row["age_low"] or 0) <= age < float(row["age_high"] or 200) + 1


# ---- what a published value may be used for --------------------------------------------------------------------------
# What an SEM is read from, the first that a study gives; the factor turns its value into an SEM of one score.
ERRORS = {"sem": 1.0, "mdc95": two_sided(0.95) * sqrt(2), "mdc90": two_sided(0.90) * sqrt(2)}
THRESHOLDS = ("mdc90", "mdc95", "mic")
LENGTHS = {"mm": 0.1}  # the seat height is published in mm and kept in cm
SAME_STEPS = {"cm (VAS)": 1.0}  # a line of 10 cm spans what 0 to 10 points span: good to judge by, not to convert
FAR_OFF = 4.0  # own rule: an SD this many times larger or smaller than in the other studies is not one of scores
PERSON, GROUP, COMPARISON, NONE = "person", "group", "comparison", "none"
# Column `kind`: what the publication says of the value, read off its note once.
KINDS = {
    "large": "a large improvement, not the smallest that matters",
    "adopted": "adopted, not estimated",
    "quoted": "quoted from elsewhere, its origin not seen",
    "cross-sectional": "cross-sectional: not a change within people",
    "converted": "converted from another test, not measured",
    "another test's": "another test's value",
    "range": "one end of a range over several studies or ways, not an estimate",
    "distribution": "from the spread of scores alone, which says nothing of importance",
}
MEMORY = "from memory: not checked against its source"
ENOUGH_OTHERS = 2  # SDs of other studies that a row is held against


def with_uses(rows: "Sequence[dict[str, str]]") -> tuple[dict[str, str], ...]:
    """Return published values with `use` and `why_not`, decided by fixed rules from each row and its neighbours.

    `use` is ``"person"`` (an error, or a threshold for one person), ``"group"`` (a threshold for the mean of a group),
    ``"comparison"`` (an ICC, a norm, a cut-off) or ``"none"``, with the reason in `why_not`.
    """
    from statistics import median  # here: a person's two scores are answered without it

    iccs: dict[tuple[str, ...], list[float]] = {}
    for row in rows:
        if row["quantity"] == "icc" and float(row["value"]) < 1:
            iccs.setdefault(_study(row), []).append(float(row["value"]))
    spreads: list[float] = []  # SD between people that an SEM and its study's ICC imply, SEM/√(1 − ICC)
    known: dict[str, list[tuple[tuple[str, ...], float]]] = {}
    for row in rows:
        spreads.append(nan)
        if row["quantity"] in ERRORS and (beside := iccs.get(_study(row))):
            spreads[-1] = float(row["value"]) * _scale(row) / ERRORS[row["quantity"]] / sqrt(1 - median(beside))
            if spreads[-1] == spreads[-1]:
                known.setdefault(row["measure"], []).append((_study(row)[1:3], spreads[-1]))
    made = []
    for row, sd in zip(rows, spreads, strict=True):
        use, why = COMPARISON, ""
        if row["quantity"] in (*ERRORS, "mic"):
            others = [one for people, one in known.get(row["measure"], ()) if people != _study(row)[1:3]]
            why = _why_not(row, sd, median(others) if len(others) >= ENOUGH_OTHERS else nan)
            use = NONE if why else row["level"] or PERSON
        made.append({**row, "use": use, "why_not": why})
    return tuple(made)


def _study(row: dict[str, str]) -> tuple[str, ...]:
    return row["measure"], row["citation"].split(" et al")[0], row["population"], row["interval"]


def _scale(row: dict[str, str]) -> float:
    """Return what turns the row's unit into the test's; NaN for a percentage or a foreign scale."""
    return {**LENGTHS, **SAME_STEPS, find_measure(row["measure"]).unit: 1.0}.get(row["unit"], nan)


def _why_not(row: dict[str, str], sd: float, usual: float) -> str:
    """Return the first reason against a value, empty if there is none; a comparison with NaN is false.

    `sd` is the SD between people that the row implies, `usual` the middle one of the other studies of the test.
    """
    test, value, is_threshold = find_measure(row["measure"]), float(row["value"]), row["quantity"] in THRESHOLDS
    low, high = (float(row[end]) if row[end] else nan for end in ("ci_low", "ci_high"))
    most = (test.hard_high - test.hard_low) / 2  # half of what the test spans: more than any SD of its scores
    implausible = sd > most or sd * FAR_OFF < usual or sd > FAR_OFF * usual
    reasons = {
        "not above zero": value <= 0,
        "below one whole step of the test": is_threshold and value < test.resolution / _scale(row),
        "its interval includes zero: not established": low <= 0 <= high,
        f"implausible: with its ICC it means an SD of {sd:.2g} between people": implausible,
        KINDS[row["kind"]] if row["kind"] else "": row["kind"],
        "of one person or of a group: not said": is_threshold and not row["level"],
        row["doubt"]: row["doubt"],
        MEMORY: row["status"] == "from memory",
    }
    return next((words for words, holds in reasons.items() if holds), "")
