"""Data quality: the ledger of rows, what the door noticed, and whether a test was done the same way on everybody."""

from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from truechange.foundation.result import Part, told
from truechange.measures import Measure
from truechange.numerics.small_cells import FEW, HIDDEN, few, masked, pooled
from truechange.records.rules import fit_to_show, known_word

LOOK = {"error": "to correct", "warning": "to look at", "note": "read without loss"}


def protocols_of(rows: pd.DataFrame, test: Measure) -> Part:
    """Hold the protocol facts that must match between a person's visits against those of the other people.

    Parameters
    ----------
    rows : DataFrame
        Assessments of one test behind the comparable pairs, with person, assessor and the protocol's columns.
    test : Measure
        The test.

    Returns
    -------
    Part
        Table: fact, usual, scores, other_scores, not_recorded. ``mixed`` names the facts that differ between people.
    """
    lines: list[dict[str, Any]] = []
    for fact in test.protocol:
        values = rows[fact].dropna() if fact in rows else pd.Series(dtype=float)
        line = {"fact": fact, "usual": "", "scores": len(values), "other_scores": 0,
                "not_recorded": len(rows) - len(values)}  # fmt: skip
        if len(values):
            usual = values.mode().iloc[0]
            slack = test.tolerances.get(fact, 0.0) + 1e-9
            away = (values.astype(float) - usual).abs() > slack if _is_number(usual) else values != usual
            line |= {
                "usual": f"{usual:g}" if _is_number(usual) else _word(fact, usual),
                "other_scores": int(away.sum()),
            }
        lines.append(line)
    testers = rows.groupby("person")["assessor"].nunique()
    frame = pd.DataFrame(lines, columns=["fact", "usual", "scores", "other_scores", "not_recorded"])
    return _told(frame, int((testers > 1).sum()), len(testers))


def _hidden(frame: pd.DataFrame, changed: int, people: int) -> Part:
    """Return the protocols without numbers of few scores or people, nor what is left over where that is few."""
    scores, other, lacking = (frame[name].to_numpy(float) for name in ("scores", "other_scores", "not_recorded"))
    safe = masked(frame, few(scores) | few(lacking), ["scores", "not_recorded"])
    testers = HIDDEN if few(changed) or few(people - changed) else changed
    return _told(masked(safe, few(other) | few(scores - other), ["other_scores"]), testers, people, hide=False)


def _told(frame: pd.DataFrame, changed: Any, people: int, *, hide: bool = True) -> Part:
    """Return the protocols with their words, from the numbers that may be told."""
    lines = frame.to_dict("records")
    mixed = {line["fact"]: line for line in lines if line["other_scores"]}
    notes: dict[str, Any] = {
        f"{_fact(fact).capitalize()} was not the same for everybody: {line['usual']} behind most scores, something "
        f"else behind {_of(line['other_scores'], line['scores'])} scores. People are compared with themselves, but the "
        "mean, the error and the threshold mix two tests.": True
        for fact, line in mixed.items()
    }
    gaps = ", ".join(
        f"{_fact(line['fact'])} ({_of(line['not_recorded'], _sum(line['scores'], line['not_recorded']))} scores)"
        for line in lines if line["not_recorded"]
    )  # fmt: skip
    notes[f"Whether everybody was tested alike is not known where it is not recorded: {gaps}."] = gaps
    notes[f"{_of(changed, people).capitalize()} people had another tester the second time: testers differ."] = changed
    says = "Every recorded fact of the protocol was the same for everybody."
    if mixed:
        says = f"Not done the same way on everybody: {', '.join(map(_fact, mixed))}."
    elif not any(line["scores"] for line in lines):
        says = "How the test was done is not recorded."
    safe = partial(_hidden, frame, changed, people) if hide else None
    return Part({"mixed": tuple(mixed)}, frame, (says,), told(notes), hide=safe)


def _of(part: Any, whole: Any) -> str:
    return "some" if HIDDEN in (part, whole) else f"{part} of {whole}"


def _sum(part: Any, rest: Any) -> Any:
    return HIDDEN if HIDDEN in (part, rest) else part + rest


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float | np.number) and not isinstance(value, bool | np.bool_)


def _word(fact: str, value: Any) -> str:
    return ("yes" if value else "no") if isinstance(value, bool | np.bool_) else known_word(fact, str(value))


def _fact(name: str) -> str:
    return name.removesuffix("_cm").removesuffix("_m").replace("_", " ")


def quality_of(records: Any) -> Part:
    """Account for every row that was read, and count what the door noticed, by kind.

    Parameters
    ----------
    records : Records
        What was read; nothing of a person is kept.

    Returns
    -------
    Part
        Table: what, number.
    """
    ledger = records.ledger
    aside = dict(zip(ledger.set_aside["reason"], ledger.set_aside["count"].astype(int), strict=True))
    found: dict[str, dict[str, Any]] = {}
    for (severity, kind), n in records.problems.groupby(["severity", "kind"], sort=False).size().items():
        found.setdefault(LOOK[severity], {})[kind.replace("_", " ")] = int(n)
    told = records.words
    read_as = {f"{row.column} “{fit_to_show(row.word)}” read as {row.read_as} ({row.by})": int(row.rows)
               for row in told.itertuples()}  # fmt: skip
    by = ", ".join(dict.fromkeys(told["by"]))
    return _account(ledger.rows_read, ledger.rows_used, aside, found, read_as, by)


def _account(
    read: int, used: Any, aside: dict[str, Any], found: dict[str, dict[str, Any]], read_as: dict[str, Any],
    by: str, *, hide: bool = True,
) -> Part:  # fmt: skip
    """Return the account with its words, from the numbers that may be told."""
    left = HIDDEN if used == HIDDEN else read - used
    lines = [("read", read), ("used", used), *((f"set aside: {reason}", n) for reason, n in aside.items())]
    lines += [(f"{look}: {kind}", n) for look, kinds in found.items() for kind, n in kinds.items()]
    lines += read_as.items()
    why = ", ".join(f"{n} {reason}" for reason, n in aside.items() if n != HIDDEN)
    rows = f"{read} rows read = {used} used + {left} set aside{f' ({why})' if why else ''}."
    if left == HIDDEN:
        rows = f"{read} rows read, {FEW} of them set aside."
    sums = {look: HIDDEN if HIDDEN in kinds.values() else sum(kinds.values()) for look, kinds in found.items()}
    noticed = ", ".join(f"some {look}" if n == HIDDEN else f"{n} {look}" for look, n in sums.items())
    says: tuple[str, ...] = (rows, f"Noticed at the door: {noticed or 'nothing'}.")
    if by:
        how_many = "Some" if HIDDEN in read_as.values() else sum(read_as.values())
        says += (f"{how_many} rows had a word that was read as another (by {by}).",)
    how_many = FEW.capitalize() if left == HIDDEN else left
    gone = (
        f"{how_many} rows were set aside when the file was read: they are in no result. truechange inspect lists them."
    )
    frame = pd.DataFrame(lines, columns=["what", "number"])
    safe = partial(_account_hidden, read, used, aside, found, read_as, by) if hide else None
    return Part({"set_aside": left}, frame, says, told({gone: left}), hide=safe)


def _account_hidden(
    read: int, used: int, aside: dict[str, int], found: dict[str, dict[str, int]], read_as: dict[str, int],
    by: str,
) -> Part:  # fmt: skip
    """Return the account with reasons of few rows hidden: one row may be one person's score."""

    def quiet(counts: dict[str, int]) -> dict[str, Any]:
        return {name: HIDDEN if few(n) else n for name, n in counts.items()}

    kinds = {look: quiet(held) for look, held in found.items()}
    left = HIDDEN if few(read - used) else used
    return _account(read, left, pooled(aside), kinds, quiet(read_as), by, hide=False)
