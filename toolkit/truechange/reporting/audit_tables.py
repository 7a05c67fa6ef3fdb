"""Every table of an audit as it may leave the house: unrounded, no person, small counts hidden in the audit before."""

from typing import TYPE_CHECKING

from truechange.foundation.result import Part, Result
from truechange.programme.audit_result import ProgrammeAudit
from truechange.reporting.audit_enough import frame_in_words, threshold_choice, tipping

if TYPE_CHECKING:
    import pandas as pd


def audit_tables(audit: ProgrammeAudit) -> "dict[str, pd.DataFrame]":
    """Return the tables that go into any export, by name; nothing is computed anew.

    Parameters
    ----------
    audit : ProgrammeAudit
        The audit, from which :meth:`ProgrammeAudit.public` is taken where that was not done.
    """
    audit = audit.public()
    parts: dict[str, Result] = {
        "flow": audit.flow, "rows": audit.quality, "protocols": audit.protocols,
        "baseline": audit.baseline, "error and importance": audit.known, "change": audit.change,
        "changed enough": audit.responders, "missing": audit.missing, "comparison": audit.comparison,
        "start and regression": audit.regression, "training": audit.dose, "sites": audit.sites,
        "therapists": audit.therapists,
    }  # fmt: skip
    held = {"tests": audit.table()} | {name: part.table() for name, part in parts.items()}
    held |= {"threshold choice": threshold_choice(audit), "tipping point": tipping(audit)}
    if isinstance(audit.dose, Part) and isinstance(audit.dose.tolerance, Part):
        held |= {"training by week": audit.dose.tolerance.weeks, "adverse events": audit.dose.tolerance.events}
    for name in ("sites", "therapists"):
        held[name] = held[name].rename(columns={"unit": name.removesuffix("s")})
    return {name: frame_in_words(frame) for name, frame in held.items() if len(frame)}


def measure_rows(held: "pd.DataFrame", measure: str) -> "pd.DataFrame":
    """Return the rows of one test, without the column that names it."""
    if "measure" not in held:
        return held
    return held[held["measure"] == measure].drop(columns="measure").reset_index(drop=True)
