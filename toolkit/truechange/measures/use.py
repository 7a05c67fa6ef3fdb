"""What a published value may be used for: fixed rules over its typed columns; the first that applies is the reason."""

from collections.abc import Callable, Sequence
from math import nan, sqrt
from typing import NamedTuple

from truechange.foundation.distributions import two_sided
from truechange.measures.catalogue import measure

# What an SEM is read from, the first that a study gives; the factor turns its value into an SEM of one score.
ERRORS = {"sem": 1.0, "mdc95": two_sided(0.95) * sqrt(2), "mdc90": two_sided(0.90) * sqrt(2)}
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


class Facts(NamedTuple):
    """What the rules see of a row: numbers in the unit of its test, NaN where unknown or in another unit.

    `sd` is the SD between people that its SEM and its study's ICC imply, SEM/√(1 − ICC); `usual` the middle one of the
    other studies of the test; `most` half of what the test spans, more than any SD of its scores.
    """

    row: dict[str, str]
    value: float
    low: float
    high: float
    step: float
    sd: float
    usual: float
    most: float

    @property
    def is_threshold(self) -> bool:
        """Whether it is an MDC or an MCID."""
        return self.row["quantity"] in ("mdc90", "mdc95", "mic")


# Each rule returns the reason against a value, or nothing; a comparison with NaN is false.
RULES: tuple[Callable[[Facts], str], ...] = (
    lambda f: "" if f.value > 0 else "not above zero",
    lambda f: "below one whole step of the test" if f.is_threshold and f.value < f.step else "",
    lambda f: "its interval includes zero: not established" if f.low <= 0 <= f.high else "",
    lambda f: f"implausible: with its ICC it means an SD of {f.sd:.2g} between people"
    if f.sd > f.most or f.sd * FAR_OFF < f.usual or f.sd > FAR_OFF * f.usual else "",
    lambda f: KINDS[f.row["kind"]] if f.row["kind"] else "",
    lambda f: "of one person or of a group: not said" if f.is_threshold and not f.row["level"] else "",
    lambda f: f.row["doubt"],
    lambda f: MEMORY if f.row["status"] == "from memory" else "",
)  # fmt: skip


def with_uses(rows: Sequence[dict[str, str]]) -> tuple[dict[str, str], ...]:
    """Return published values with `use` and `why_not`, decided by :data:`RULES` from each row and its neighbours.

    `use` is ``"person"`` (an error, or a threshold for one person), ``"group"`` (a threshold for the mean of a group),
    ``"comparison"`` (an ICC, a norm, a cut-off) or ``"none"``, with the reason in `why_not`.
    """
    from statistics import median  # here: a person's two scores are answered without it

    iccs: dict[tuple[str, ...], list[float]] = {}
    for row in rows:
        if row["quantity"] == "icc":
            iccs.setdefault(_study(row), []).append(float(row["value"]))
    spreads = [_implied_sd(row, iccs.get(_study(row), ())) for row in rows]
    known: dict[str, list[tuple[tuple[str, ...], float]]] = {}
    for row, sd in zip(rows, spreads, strict=True):
        if sd == sd:
            known.setdefault(row["measure"], []).append((_study(row)[1:3], sd))
    made = []
    for row, sd in zip(rows, spreads, strict=True):
        use, why = COMPARISON, ""
        if row["quantity"] in (*ERRORS, "mic"):
            others = [one for people, one in known.get(row["measure"], ()) if people != _study(row)[1:3]]
            facts = _facts(row, sd, median(others) if len(others) >= ENOUGH_OTHERS else nan)
            why = next((reason for rule in RULES if (reason := rule(facts))), "")
            use = NONE if why else row["level"] or PERSON
        made.append({**row, "use": use, "why_not": why})
    return tuple(made)


def _study(row: dict[str, str]) -> tuple[str, ...]:
    return row["measure"], row["citation"].split(" et al")[0], row["population"], row["interval"]


def _scale(row: dict[str, str]) -> float:
    """Return what turns the row's unit into the test's; NaN for a percentage or a foreign scale."""
    return {**LENGTHS, **SAME_STEPS, measure(row["measure"]).unit: 1.0}.get(row["unit"], nan)


def _implied_sd(row: dict[str, str], iccs: Sequence[float]) -> float:
    """Return SEM/√(1 − ICC) with the ICC of the same test, study, people and interval; NaN without one."""
    from statistics import median

    below_one = [icc for icc in iccs if icc < 1]
    if row["quantity"] not in ERRORS or not below_one:
        return nan
    return float(row["value"]) * _scale(row) / ERRORS[row["quantity"]] / sqrt(1 - median(below_one))


def _facts(row: dict[str, str], sd: float, usual: float) -> Facts:
    test, scale = measure(row["measure"]), _scale(row)
    low, high = (float(row[end]) if row[end] else nan for end in ("ci_low", "ci_high"))
    most = (test.hard_high - test.hard_low) / 2
    return Facts(row, float(row["value"]), low, high, test.resolution / scale, sd, usual, most)
