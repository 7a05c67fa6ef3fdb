"""Data quality: the ledger of rows, what the door noticed, and whether a test was done the same way on everybody."""

from typing import Any

import numpy as np
import pandas as pd

from truechange.foundation.result import Part, told
from truechange.measures import Measure
from truechange.records.rules import known_word

LOOK = {"error": "to correct", "warning": "to look at", "note": "read without loss"}


def protocols_of(rows: pd.DataFrame, test: Measure) -> Part:
    """Hold the protocol facts that must match between a person's visits against those of the other people.

    Parameters
    ----------
    rows : DataFrame
        Assessments of one test behind the comparable pairs, with the protocol's columns.
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
        line = {
            "fact": fact,
            "usual": "",
            "scores": len(values),
            "other_scores": 0,
            "not_recorded": len(rows) - len(values),
        }
        if len(values):
            usual = values.mode().iloc[0]
            slack = test.tolerances.get(fact, 0.0) + 1e-9
            away = (values.astype(float) - usual).abs() > slack if _is_number(usual) else values != usual
            line |= {
                "usual": f"{usual:g}" if _is_number(usual) else _word(fact, usual),
                "other_scores": int(away.sum()),
            }
        lines.append(line)
    columns = ["fact", "usual", "scores", "other_scores", "not_recorded"]
    mixed = {line["fact"]: line for line in lines if line["other_scores"]}
    notes = {
        f"{_fact(fact).capitalize()} was not the same for everybody: {line['usual']} behind most scores, something "
        f"else behind {line['other_scores']} of {line['scores']}. People are compared with themselves, but the mean, "
        "the error and the threshold mix two tests.": True
        for fact, line in mixed.items()
    }
    says = "Every recorded fact of the protocol was the same for everybody."
    if mixed:
        says = f"Not done the same way on everybody: {', '.join(map(_fact, mixed))}."
    elif not any(line["scores"] for line in lines):
        says = "How the test was done is not recorded."
    return Part({"mixed": tuple(mixed)}, pd.DataFrame(lines, columns=columns), (says,), told(notes))


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
    ledger, problems = records.ledger, records.problems
    lines = list(ledger.table().itertuples(index=False, name=None))
    counted = problems.groupby(["severity", "kind"], sort=False).size()
    lines += [(f"{LOOK[severity]}: {kind.replace('_', ' ')}", int(n)) for (severity, kind), n in counted.items()]
    by_severity = problems["severity"].value_counts()
    found = ", ".join(f"{by_severity[name]} {words}" for name, words in LOOK.items() if name in by_severity)
    for row in records.words.itertuples():
        lines.append((f"{row.column} “{row.word}” read as {row.read_as} ({row.by})", row.rows))
    aside = int(ledger.set_aside["count"].sum())
    says = [*ledger.sentences(), f"Noticed at the door: {found or 'nothing'}."]
    if len(records.words):
        by = ", ".join(dict.fromkeys(records.words["by"]))
        says.append(f"{records.words['rows'].sum()} rows had a word that was read as another (by {by}).")
    left = f"{aside} rows were set aside when the file was read: they are in no result. truechange inspect lists them."
    return Part({"set_aside": aside}, pd.DataFrame(lines, columns=["what", "number"]), tuple(says), told({left: aside}))
