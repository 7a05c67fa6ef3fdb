"""Did this person, or this programme, really get better, and is it enough to matter?

The rooms, left to right: foundation, numerics, measures, records, reliability,
meaningful_change, individual, responders, programme, planning, figures,
reporting, validation, page, cli. A room imports only from rooms on its left.
Public names load on first use, so importing the package costs little.
"""

from collections.abc import Callable
from importlib import import_module
from typing import TYPE_CHECKING, Any

from truechange.foundation import WRITERS

if TYPE_CHECKING:
    from pathlib import Path

    from truechange.programme.audit_result import ProgrammeAudit
    from truechange.programme.studying import Study

__version__ = "0.1.0"

_NAMES = {  # module: its public names
    "foundation.errors": "OutcomeError DataError ChoiceError RefusedError",
    "foundation.entry": "Entry",
    "foundation.estimate": "Estimate Origin Threshold",
    "numerics.true_change": "settle_entry",
    "measures.catalogue": "list_measures measure sit_to_stand_power stair_power",
    "measures.literature": "published published_threshold",
    "measures.settings": "settings",
    "records.reading": "read from_wide",
    "reliability.icc": "icc icc_table choose_icc variance_components",
    "reliability.error": "measurement_error session_reliability",
    "reliability.agreement": "limits_of_agreement",
    "reliability.raters": "weighted_kappa rater_agreement rater_limits",
    "reliability.transport": "transport_check",
    "meaningful_change.ratings": "anchor_check",
    "meaningful_change.study": "mcid",
    "meaningful_change.draws": "cross_fit_mcid",
    "meaningful_change.companions": "baseline_dependence compare_scales",
    "meaningful_change.beside": "credibility_sheet",
    "individual.assess": "person_change",
    "individual.score_error": "Programme reliable_change",
    "individual.several_visits": "visits",
    "individual.seats": "ladder",
    "responders.counting": "proportion count_responders responders_from_error",
    "responders.comparing": "compare_responders",
    "responders.true_share": "true_responder_share cumulative_change responder_definitions",
    "programme.auditing": "audit",
    "programme.registry": "responder_registry",
    "programme.studying": "study",
    "programme.comparison": "compare_groups",
    "planning.power": "plan_change plan_two_programmes plan_two_shares plan_paired_shares",
    "planning.precision": "plan_responders plan_icc plan_error plan_agreement plan_mcid plan_true_share",
    "figures": "changes_against_thresholds",
    "reporting.references": "cite checklist reliability_facts",
    "reporting.methods": "methods_paragraph",
    "reporting.page": "picture tell",
    "reporting.tables": "ready_table",
    "validation": "simulated",
}
_HOME = {name: module for module, names in _NAMES.items() for name in names.split()}

__all__ = ["__version__", *_HOME]


def __getattr__(name: str) -> Any:
    """Fetch a public name from its module when it is first asked for (lazy import)."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = globals()[name] = getattr(import_module(f"truechange.{_HOME[name]}"), name)
    return value


def _audit_writer(kind: str) -> "Callable[..., Path]":
    def write(audit: "ProgrammeAudit", path: "Path", **options: Any) -> "Path":
        from truechange.reporting import audit_report  # the last rooms load only when somebody writes a report

        getattr(audit_report.AuditReport(audit, **options), kind)(path)
        return path

    return write


def _study_writer(name: str) -> "Callable[..., Any]":
    def write(study: "Study", *place: "Path", **options: Any) -> Any:
        from truechange.reporting import study_report

        return getattr(study_report, name)(study, *place, **options)

    return write


WRITERS.update({kind: _audit_writer(kind) for kind in ("html", "pdf", "excel")})
WRITERS.update({"study": _study_writer("write_study"), "methods": _study_writer("study_methods")})


def __dir__() -> list[str]:
    return sorted(__all__)
