"""Did this person, or this programme, really get better, and is it enough to matter?

The rooms, left to right: foundation, numerics, measures, records, reliability,
meaningful_change, individual, responders, programme, planning, figures,
reporting, validation, page, cli. A room imports only from rooms on its left.
Public names load on first use, so importing the package costs little.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from truechange.foundation.loading import AUDIT_WRITERS, on_first_use

if TYPE_CHECKING:
    from pathlib import Path

    from truechange.programme import ProgrammeAudit

__version__ = "0.1.0"

_HOME = {
    "Estimate": "foundation.estimate",
    "Threshold": "foundation.estimate",
    "Origin": "foundation.origin",
    "OutcomeError": "foundation.errors",
    "DataError": "foundation.errors",
    "ChoiceError": "foundation.errors",
    "RefusedError": "foundation.errors",
    "list_measures": "measures",
    "measure": "measures",
    "published": "measures",
    "published_threshold": "measures",
    "sit_to_stand_power": "measures",
    "stair_power": "measures",
    "settings": "measures.settings",
    "read": "records",
    "icc": "reliability",
    "icc_table": "reliability",
    "choose_icc": "reliability",
    "measurement_error": "reliability",
    "limits_of_agreement": "reliability",
    "weighted_kappa": "reliability",
    "transport_check": "reliability",
    "anchor_check": "meaningful_change",
    "mcid": "meaningful_change",
    "person_change": "individual",
    "Programme": "individual",
    "reliable_change": "individual",
    "visits": "individual",
    "ladder": "individual",
    "proportion": "responders",
    "count_responders": "responders",
    "compare_responders": "responders",
    "responders_from_error": "responders",
    "true_responder_share": "responders",
    "cumulative_change": "responders",
    "audit": "programme",
    "responder_registry": "programme",
    "plan_change": "planning",
    "plan_responders": "planning",
    "plan_icc": "planning",
    "plan_mcid": "planning",
    "cite": "reporting",
}

__all__ = ["__version__", *_HOME]


__getattr__ = on_first_use(__name__, _HOME)


def _audit_writer(kind: str) -> "Callable[..., Path]":
    def write(audit: "ProgrammeAudit", path: "Path", **options: Any) -> "Path":
        from truechange.reporting import audit_report  # the last rooms load only when somebody writes a report

        writers = {"html": audit_report.to_html, "pdf": audit_report.to_pdf, "excel": audit_report.to_excel}
        return writers[kind](audit, path, **options)

    return write


AUDIT_WRITERS.update({kind: _audit_writer(kind) for kind in ("html", "pdf", "excel")})


def __dir__() -> list[str]:
    return sorted(__all__)
