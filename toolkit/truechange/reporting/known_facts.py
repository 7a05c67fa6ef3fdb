"""What an analysis knows of itself, worded for the checklists; nothing is guessed."""

from typing import Any

from truechange.foundation.estimate import Estimate, Threshold
from truechange.measures import Measure
from truechange.measures import measure as measure_named
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.parts import Refused


def instrument(measure: str) -> str:
    """Name a test with its unit, direction and smallest step."""
    test = measure_named(measure)
    return f"{test.name} ({test.unit}, {test.better} is better, read to {test.resolution:g})"


def audit_facts(audit: ProgrammeAudit) -> dict[str, str]:
    """Return the facts of an audit by the names the checklists ask for."""
    first = audit.primary
    known: Any = audit.known[first]
    flow: Any = audit.flow[first]
    missing: Any = audit.missing[first]
    facts = {
        "outcomes": "; ".join(instrument(measure) for measure in audit.measures),
        "occasions": f"{audit.before} and {audit.after}",
        "flow": flow.sentence(),
        "looks": f"{len(audit.measures)}, all reported",
    }
    if len(audit.measures) > 1:
        facts["primary"] = f"{audit.flow.names[first]} was given as primary; whether beforehand is for you to say"
    if isinstance(known.sem, Estimate):
        facts["reliability"] = f"SEM {known.sem}, {known.sem.origin.sentence()}"
    if isinstance(known.mcid, Threshold):
        facts["mcid"] = f"{known.mcid}; {known.mcid.method.replace('_', ' ')}; {known.mcid.origin.sentence()}"
        facts["threshold"] = f"improvement of at least the MCID, compared unrounded, of all {flow.due} due"
    if not isinstance(missing, Refused):
        ways = ", ".join(missing.table()["way"].astype(str)) if "way" in missing.table() else ""
        facts["missing"] = f"shown side by side: {ways}" if ways else missing.sentence()
    return facts


def reliability_facts(error: Any, test: Measure, agreement: Any = None) -> dict[str, str]:
    """Return the facts of a retest study."""
    origin = error.sem.origin
    facts = {
        "instrument": instrument(test.key),
        "statistics": f"SEM ({error.error}): {error.sem.method}; MDC: {error.mdc95.method}",
        "included": f"{error.sem.n} people, {len(error.trials)} repeats each; testers: for you to say",
        "estimates": f"SEM {error.sem}; MDC95 {error.mdc95}",
        "meaning": error.sentence(),
        "details": "tables and figures of this report; the data stay with you",
        "shift": f"mean gain from the first to the second test {error.learning}",
        "protocol": f"fields that had to match: {', '.join(test.protocol)}" if test.protocol else "",
        "population": origin.population,
        "interval": origin.interval,
    }
    if agreement is not None:
        facts["estimates"] += f"; limits of agreement {agreement.lower} and {agreement.upper}"
    return {name: text for name, text in facts.items() if text}


def mcid_facts(study: Any) -> dict[str, str]:
    """Return the facts of an MCID study."""
    rated = f"correlation with the change {study.anchor.correlation}, {study.n} people"
    facts = {"question": rated}
    if study.recommended is not None:
        facts["mcid"] = f"{study.recommended}, chosen by a fixed rule among all estimators"
    return facts
