"""Worklist (recall list): who is due, overdue, tested otherwise, worse or unable; for use inside the clinic only."""

from typing import TYPE_CHECKING, Any

import pandas as pd

from truechange.foundation.errors import RefusedError
from truechange.foundation.estimate import Threshold
from truechange.foundation.numbers import decimals_of, fixed
from truechange.foundation.result import Part
from truechange.measures import measure as measure_of
from truechange.programme.flow import DOOR, NO_FIRST, NOT_YET, UNABLE, UNLIKE, UNTESTED, start_of

if TYPE_CHECKING:
    from truechange.programme.audit_result import ProgrammeAudit

WORSE = "worse by more than error allows"
ORDER = ("overdue", UNABLE, WORSE, UNLIKE, DOOR, NO_FIRST, NOT_YET)
COLUMNS = ["person", "test", "what", "since", "detail"]
WORDS = {
    "unit": "your label in the report", "due": "people due", "changed_enough": "of them changed enough",
    "share": "share of those due", "low": "its interval from", "high": "to", "outside": "outside the limits for chance",
    "mean": "mean improvement at equal score before", "mean_low": "interval from", "mean_high": "interval to",
    "share_of_everyone": "share of everyone due",
}  # fmt: skip


def worklist(audit: "ProgrammeAudit") -> pd.DataFrame:
    """List the people somebody should look at, by their codes.

    Parameters
    ----------
    audit : ProgrammeAudit
        As computed, not as :meth:`~truechange.programme.audit_result.ProgrammeAudit.public` returns it.

    Returns
    -------
    DataFrame
        One row a person, test and matter, the most urgent first: person, test, what ("overdue", "unable at follow-up",
        "worse by more than error allows", "not comparable", ...), since (day the follow-up was or will be due, or was
        done), detail, and therapist where the records name one. It never belongs into a report.

    Raises
    ------
    RefusedError
        The audit is the public one, which holds nobody.
    """
    if audit.published:
        raise RefusedError("A worklist names people by their codes: take it from the audit before it is made public.")
    rows: list[dict[str, Any]] = []
    for key in audit.measures:
        test, frame, known = measure_of(key), audit.pairs[key], audit.known.parts[key]
        places = decimals_of(test.resolution)
        frame = frame.assign(due_on=start_of(frame) + pd.Timedelta(days=audit.rule.days or 0))
        limit = getattr(known, "mdc", None)
        mdc = limit.value if isinstance(limit, Threshold) else None
        for row in frame.to_dict("records"):
            what = "overdue" if row["state"] == UNTESTED else row["state"]
            detail = row["why"] or row["why_not"]
            ahead = row["due_on"] if audit.rule.days else pd.NaT
            since = row["after_date"] if row["after_date"] == row["after_date"] else ahead
            if mdc is not None and row["improvement"] <= -mdc:
                scores = " to ".join(fixed(row[name], places) for name in ("before", "after"))
                what, detail = WORSE, f"{scores} {test.unit}; error allows {fixed(mdc, places + 1)}"
            if what in ORDER:
                about = {"person": row["person"], "test": test.name, "what": what, "since": since, "detail": detail}
                rows.append(about | {name: row[name] for name in ("therapist",) if name in frame})
    found = pd.DataFrame(rows, columns=[*COLUMNS, *(["therapist"] if "therapist" in audit.people else [])])
    return found.sort_values(
        ["what", "since", "person"], key=lambda column: column.map(ORDER.index) if column.name == "what" else column,
        kind="stable", ignore_index=True,
    )  # fmt: skip


def private_sheets(audit: "ProgrammeAudit") -> dict[str, dict[str, pd.DataFrame]]:
    """Return a sheet for each therapist: own line beside everyone's, and own people to look at; by the report's label.

    Whose label is whose stands only in ``labels``, which stays with the lead.
    """
    units, listed = audit.therapists, worklist(audit)
    if not isinstance(units, Part):
        return {}
    labels = dict(zip(units.rows["unit"], units.labels or units.rows["unit"], strict=True))
    sheets = {"labels": {"labels": pd.DataFrame(labels.items(), columns=["label", "therapist"])}}
    hidden = [name for name in units.rows if name.startswith("limit") or name in ("shrunken", "mean_shrunken")]
    for label, name in labels.items():
        own = units.rows[units.rows["unit"] == label].drop(columns=hidden).assign(share_of_everyone=units.overall)
        numbers = own.rename(columns=WORDS).T.reset_index().set_axis(["what", "number"], axis="columns")
        mine = listed[listed["therapist"].astype(str) == str(name)].drop(columns="therapist")
        sheets[label] = {"numbers": numbers, "people": mine}
    return sheets
