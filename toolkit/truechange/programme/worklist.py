"""Worklist: whom somebody should look at, by code, and each therapist's own sheet; neither leaves the clinic."""

from typing import TYPE_CHECKING

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
ORDERED = ["person", "test", "what", "since", "detail"]
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
    rows, more = [], ["therapist"] if "therapist" in audit.people else []
    for key in audit.measures:
        test, frame, known = measure_of(key), audit.pairs[key], audit.known.parts[key]
        places, limit = decimals_of(test.resolution), getattr(known, "mdc", None)
        frame = frame.assign(due_on=start_of(frame) + pd.Timedelta(days=audit.rule.days or 0))
        for row in frame.to_dict("records"):
            what, detail = row["state"], row["why"] or row["why_not"]
            ahead = row["due_on"] if audit.rule.days else pd.NaT
            since = row["after_date"] if row["after_date"] == row["after_date"] else ahead
            if isinstance(limit, Threshold) and row["improvement"] <= -limit.value:
                scores = " to ".join(fixed(row[name], places) for name in ("before", "after"))
                what, detail = WORSE, f"{scores} {test.unit}; error allows {fixed(limit.value, places + 1)}"
            what = "overdue" if what == UNTESTED else what
            if what in ORDER:
                about = (row["person"], test.name, what, since, detail)
                rows.append(dict(zip(ORDERED, about, strict=True)) | {name: row.get(name) for name in more})
    people = pd.DataFrame(rows, columns=[*ORDERED, *more])
    return people.sort_values(
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
