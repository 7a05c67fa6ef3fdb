"""Audit against a standard (targets): what was aimed at, what was found, and whether its interval decides."""

from collections.abc import Mapping
from functools import partial
from math import nan
from typing import Any

import pandas as pd

from truechange.foundation.errors import ChoiceError, check_choice
from truechange.foundation.numbers import percent, with_interval
from truechange.foundation.result import Part, told
from truechange.measures.settings import TARGETS
from truechange.numerics.intervals import wilson_limits
from truechange.numerics.small_cells import HIDDEN, few, masked
from truechange.programme.flow import COMPARED, DOOR, UNABLE, UNLIKE

STANDARDS = dict(zip(TARGETS, (  # what may be aimed at, in words, and of whom it is a share
    ("tested again", "of those due"), ("tested the same way both times", "of those with two scores"),
    ("changed enough", "of those due"),
), strict=True))  # fmt: skip
REACHED, MISSED, OPEN, NO_TARGET = "reached", "not reached", "not decided", "no target was set"
UNKNOWN = "cannot be told from these data"
COLUMNS = ["standard", "whom", "people", "of", "share", "low", "high", "target", "verdict"]


def standards(
    people: pd.DataFrame, changed_enough: Any, targets: Mapping[str, float], confidence: float = 0.95
) -> Part:  # fmt: skip
    """Hold what was found against what was aimed at, by the interval and not by the figure alone.

    Parameters
    ----------
    people : DataFrame
        One row a person due, with state (:func:`truechange.programme.flow.with_states`).
    changed_enough : int or None
        How many of them changed enough; None where that cannot be said.
    targets : mapping of str to float
        Share aimed at (0 to 1), for any of ``STANDARDS``.
    confidence : float, optional
        Level of the intervals (Wilson).

    Returns
    -------
    Part
        Table: standard, whom, people, of, share, low, high, target, verdict ("reached" where the whole interval lies at
        or above the target, "not reached" where it lies below, else "not decided").

    Raises
    ------
    ChoiceError
        A target for something else, or one that is no share.
    """
    for name, target in targets.items():
        check_choice("targets", name, tuple(STANDARDS))
        if not 0 < target <= 1:
            raise ChoiceError(f"The target for {name} is {target!r}; give a share above 0 and at most 1, such as 0.85.")
    state, due = people["state"].value_counts(), len(people)
    both = int(state.get(COMPARED, 0) + state.get(UNLIKE, 0))
    counts = {"tested": (both + int(state.get(UNABLE, 0) + state.get(DOOR, 0)), due),
              "same_way": (int(state.get(COMPARED, 0)), both), "changed_enough": (changed_enough, due)}  # fmt: skip
    rows = []
    for name, (k, n) in counts.items():
        target = targets.get(name, nan)
        if k is None or not n:
            k, low, high, verdict = nan, nan, nan, UNKNOWN
        else:
            low, high = (float(edge) for edge in wilson_limits(k, n, confidence))
            verdict = NO_TARGET if target != target else REACHED if low >= target else MISSED if high < target else OPEN
        words, whom = STANDARDS[name]
        rows.append(dict(zip(COLUMNS, (words, whom, k, n, k / max(n, 1), low, high, target, verdict), strict=True)))
    return _told(pd.DataFrame(rows, columns=COLUMNS))


def _told(frame: pd.DataFrame, *, hide: bool = True) -> Part:
    """Return the standards with their words, from the numbers that may be told."""
    aimed = frame[frame["target"].notna() & (frame["share"] != HIDDEN)]
    says = [
        f"{row['standard'].capitalize()}, {row['whom']}: "
        + f"{with_interval(row['share'], row['low'], row['high'])}, " * (row["share"] == row["share"])
        + f"target {percent(row['target'])}: {row['verdict']}."
        for row in aimed.to_dict("records")
    ] or ["No target was set."]
    notes = {"Whether a target is reached is told from the whole interval, not from the figure alone.": len(aimed)}
    return Part({"rows": frame}, frame, tuple(says), told(notes), ("newcombe1998a",),
                hide=partial(_hidden, frame) if hide else None)  # fmt: skip


def _hidden(frame: pd.DataFrame) -> Part:
    """Return the standards without shares that would tell of fewer than five people."""
    small = few(frame["people"]) | few(frame["of"] - frame["people"])
    return _told(masked(frame, small, ["people", "share", "low", "high", "verdict"]), hide=False)
