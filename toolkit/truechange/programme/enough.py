"""Responders of one test: counted, against measurement error alone, and with error taken out (true share)."""

from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from truechange.foundation.entry import Entry
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.result import Part, Spoken, gathered, told
from truechange.programme.parts import Refused, attempt, sources_of
from truechange.responders import count_responders, cumulative_change, responders_from_error, true_responder_share
from truechange.responders.counting import ErrorOnly, Responders

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MEANINGS = {
    "counted": "changed by at least the MCID",
    "beyond_error": "changed beyond measurement error (MDC95)",
    "from_error": "expected from measurement error alone",
    "true_share": "true change above the MCID",
}
NO_CURVE = "The curve of true change is left out: it would not allow for the entry rule."
COLUMNS = ["quantity", "threshold", "people", "of", "share", "low", "high", "note"]


def changed_enough(
    improvement: Any, known: Part, resolution: float, confidence: float, *, before: Any = None,
    entry: Entry | None = None, seed: int = 0,
) -> Part:  # fmt: skip
    """Count and estimate responders of one test, never without what error alone would give.

    Parameters
    ----------
    improvement : array-like, shape (n,)
        One entry a person due; NaN without a usable follow-up.
    known : Part
        SEM and MCID, or why there are none (:func:`truechange.programme.known.known_of`).
    resolution : float
        Step in which the test is scored.
    confidence : float
        Level of the intervals.
    before, entry, seed : array-like, Entry, int, optional
        First scores of the same people and the rule by which they were taken in, for the true share.

    Returns
    -------
    Part
        Results, or refused: ``counted`` (changed by at least the MCID, of those due), ``beyond_error`` (by at least
        the MDC95), ``from_error`` (expected to reach the MCID, or without one the MDC95, by error alone),
        ``true_share`` (true change above the MCID), ``curve`` (share that changed by at least x, for every x);
        ``refused`` (those that could not be computed).
    """
    values, mcid, sem, mdc = np.asarray(improvement, dtype=float), known.mcid, known.sem, known.mdc
    has_mcid, has_sem = isinstance(mcid, Threshold), isinstance(sem, Estimate)
    found: dict[str, Any] = {
        "counted": _refusal("Responders", mcid), "beyond_error": _refusal("Change beyond error", sem),
        "from_error": _refusal("Expected from error alone", sem),
        "true_share": _refusal("True share", mcid if has_sem else sem),
    }  # fmt: skip
    limits: list[Threshold] = []
    if has_mcid:
        found["counted"] = count_responders(values, mcid, confidence=confidence, whom="due")
        limits.append(mcid)
    if has_sem:
        if mdc.value > 0:
            found["beyond_error"] = count_responders(values, mdc, confidence=confidence, whom="due")
            limits.append(mdc)
        found["from_error"] = responders_from_error(
            mcid if has_mcid else mdc, sem=sem, n=int(np.isfinite(values).sum()), resolution=resolution,
            practice=0.0 if known.practice is None else known.practice.value, retest=known.retest_gains,
            confidence=confidence,
        )  # fmt: skip
        if has_mcid:
            found["true_share"] = attempt(
                lambda: true_responder_share(
                    values, sem=sem, mcid=mcid, confidence=confidence, before=before, entry=entry, seed=seed
                ),
                "True share",
            )
    curve = attempt(
        lambda: cumulative_change(
            values,
            thresholds=tuple(limits),
            sem=sem if has_sem and entry is None else None,
            confidence=confidence,
            whom="due",
        ),
        "Cumulative curve",
    )  # fmt: skip
    parts = (*found.values(), curve)
    refused = tuple(part for part in parts if isinstance(part, Refused))
    rows = [{"quantity": words, **_row(found[name])} for name, words in MEANINGS.items()]
    says = _says(found)
    shown = {words: share_of(found[name]) for name, words in MEANINGS.items() if found[name] not in refused}
    return Spoken(
        {**found, "curve": curve, "refused": refused}, pd.DataFrame(rows).reindex(columns=COLUMNS), says,
        gathered(told({NO_CURVE: entry}), *parts), sources_of(*parts), draw=partial(_draw, shown),
        height=0.9 + 0.34 * len(shown),
    )  # fmt: skip


def _refusal(part: str, missing: Any) -> Refused:
    return Refused(part, missing.reason if isinstance(missing, Refused) else "Nothing to hold the change against.")


def share_of(part: Any) -> Estimate:
    """Return the share a part stands for, with its interval."""
    return part.share() if isinstance(part, Responders) else part.share if isinstance(part, ErrorOnly) else part


def _row(part: Any) -> dict[str, Any]:
    """Return one row of the table: how many, of how many of whom, as a share."""
    if isinstance(part, Refused):
        return {"note": part.reason}
    if isinstance(part, Responders):
        first = part.rows.iloc[0]
        numbers = first[["changed_enough", "started", "proportion", "low", "high"]]
        named = dict(zip(COLUMNS[2:7], numbers, strict=True))
        return {"threshold": part.threshold.value, **named, "note": "of those due"}
    share, error = share_of(part), isinstance(part, ErrorOnly)
    row = {"threshold": part.threshold.value} if error else {}
    return row | {"people": part.expected if error else part.value * part.n, "of": part.n, "low": share.low,
                  "share": part.proportion if error else part.value, "high": share.high,
                  "note": "of those measured twice" if error else "of those measured"}  # fmt: skip


def _says(found: dict[str, Any]) -> tuple[str, ...]:
    """Say the counted share, what error alone gives, and the true share; each reason for a refusal once."""
    counted, from_error = found["counted"], found["from_error"]
    parts = [
        counted,
        *([found["beyond_error"]] if isinstance(counted, Refused) else []),
        from_error,
        found["true_share"],
    ]
    says: dict[str, str] = {}
    for part in parts:
        whole = " ".join(part.sentences()) if part is from_error and not isinstance(part, Refused) else part.sentence()
        says.setdefault(part.reason if isinstance(part, Refused) else whole, whole)
    return tuple(says.values())


def _draw(shown: dict[str, Estimate], ax: "Axes") -> "Axes":
    """Draw counted, expected from error, and true share as rows on one axis."""
    from truechange.foundation import drawing

    ax = drawing.interval_rows(list(shown), list(shown.values()), ax=ax, strong=(0,))
    ax.set_xlim(0, 1)
    drawing.percent_axis(ax)
    ax.set_xlabel("share of people")
    return ax
