"""Every table of an audit as it may leave the house: unrounded, no person, no therapist's name, small counts hidden."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from truechange.foundation.result import Result
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.dose import Dose
from truechange.reporting.audit_enough import frame_in_words, threshold_choice, tipping
from truechange.reporting.audit_training import training_tables
from truechange.reporting.small_cells import HIDDEN, suppress, without_few

if TYPE_CHECKING:
    import pandas as pd

PERSONAL = ("person", "name", "birth", "date")
UNIT_NUMBERS = ("share", "low", "high", "shrunken", "outside", "mean", "mean_low", "mean_high", "mean_shrunken")


def audit_tables(audit: ProgrammeAudit, *, small_cells: bool = False, names: bool = False) -> "dict[str, pd.DataFrame]":
    """Return the tables that go into any export.

    Parameters
    ----------
    audit : ProgrammeAudit
        The audit; nothing is computed anew.
    small_cells : bool, optional
        Keep counts of one to four people in breakdowns; by default they are hidden with their complements.
        Totals of the whole programme are always shown.
    names : bool, optional
        Name therapists as the records do; by default they are numbered.

    Returns
    -------
    dict of str to DataFrame
        Name of the table and its rows.
    """
    import pandas as pd

    parts: dict[str, Result] = {
        "flow": audit.flow, "rows": audit.quality, "protocols": audit.protocols,
        "baseline": audit.baseline, "error and importance": audit.known, "change": audit.change,
        "changed enough": audit.responders, "missing": audit.missing, "comparison": audit.comparison,
        "start and regression": audit.regression, "training": audit.dose, "sites": audit.sites,
        "therapists": audit.therapists,
    }  # fmt: skip
    held = {"tests": audit.table()} | {name: part.table() for name, part in parts.items()}
    held["cautions"] = pd.DataFrame({"caution": audit.cautions if small_cells else map(without_few, audit.cautions)})
    held |= {"threshold choice": threshold_choice(audit), "tipping point": tipping(audit)}
    if isinstance(audit.dose, Dose):
        held |= training_tables(audit.dose, small_cells=small_cells)
    if names and "unit" in held["therapists"]:
        known = audit.people["therapist"].dropna().astype(str)
        held["therapists"] = held["therapists"].assign(unit=sorted(known[known != ""].unique()))
    for name in ("sites", "therapists"):
        held[name] = held[name].rename(columns={"unit": name.removesuffix("s")})
    if not small_cells:
        held = {name: _hide(name, frame) if len(frame) else frame for name, frame in held.items()}
    return {name: frame_in_words(_impersonal(frame)) for name, frame in held.items() if len(frame)}


def caution_list(tables: "dict[str, pd.DataFrame]") -> list[str]:
    """Return every caution of the audit as it may be shown."""
    return tables["cautions"]["caution"].tolist() if "cautions" in tables else []


def _impersonal(frame: "pd.DataFrame") -> "pd.DataFrame":
    return frame[[name for name in frame.columns if str(name).lower() not in PERSONAL]]


def _hide(name: str, frame: "pd.DataFrame") -> "pd.DataFrame":
    if name == "flow" and "step" in frame:
        return _each(frame, ["measure"], _hide_lost)
    if name == "baseline" and "count" in frame:
        known = _each(
            frame,
            ["group", "fact", "level"],
            lambda part: suppress(part, {"missing": "started"}, with_them={"missing": ["n"]}),
        )
        return _each(
            known, ["group", "fact"], lambda part: suppress(part, {"count": "n"}, with_them={"count": ["share"]})
        )
    if name == "threshold choice":
        return _each(
            frame, ["measure"], lambda part: suppress(part, {"people": "of"}, with_them={"people": UNIT_NUMBERS})
        )
    if name in ("sites", "therapists") and "changed_enough" in frame:
        return suppress(frame, {"changed_enough": "due"}, with_them={"changed_enough": UNIT_NUMBERS})
    return frame


def _hide_lost(part: "pd.DataFrame") -> "pd.DataFrame":
    """Hide small reasons; then the steps between first and last too, whose differences would give them away."""
    step = part["step"].astype(str)
    lost = suppress(part[step.str.startswith("not compared")], {"people": None}, with_them={"people": ["share_of_due"]})
    steps = part[~step.str.startswith("not compared")]
    if (lost["people"] == HIDDEN).any():
        steps = steps.astype(object)
        steps.loc[step.isin(["tested before", "not yet due", "due"]), ["people", "share_of_due"]] = HIDDEN
    import pandas as pd

    return pd.concat([steps.astype(object), lost.astype(object)])


def _each(frame: "pd.DataFrame", keys: list[Any], hide: "Callable[[pd.DataFrame], pd.DataFrame]") -> "pd.DataFrame":
    import pandas as pd

    pieces = [hide(part) for _, part in frame.groupby(keys, sort=False, dropna=False)]
    return pd.concat([piece.astype(object) for piece in pieces]).sort_index()


def measure_rows(held: "pd.DataFrame", measure: str) -> "pd.DataFrame":
    """Return the rows of one test, without the column that names it."""
    if "measure" not in held:
        return held
    return held[held["measure"] == measure].drop(columns="measure").reset_index(drop=True)
