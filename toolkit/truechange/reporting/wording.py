"""Sentences that stand on every report (scope, limits), and what an analysis knows of itself for the checklists."""

from collections.abc import Iterable
from typing import Any

from truechange.foundation.estimate import Estimate, Threshold
from truechange.measures import Measure
from truechange.measures import measure as measure_named
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.parts import ByMeasure, Refused

INFORMS = (
    "These numbers inform a judgement; they do not diagnose. Local rules and a licensed clinician decide about any one "
    "person."
)
CHANGED = (
    "“Changed by at least” is meant as it stands. It does not say that a person responded to the programme: one score "
    "before and one after cannot tell a person's own response from chance and from a good or bad day."
)
ALONE = (
    "Nobody here was compared with people left alone. People also change by themselves, by repeating a test, and "
    "because they come when they are at their worst; none of that can be taken out of a before-after comparison."
)
COMPARED = (
    "The people compared with were not chosen by lot, unless you know that they were: differences between the groups "
    "that nobody measured remain in the result."
)
WHO = (
    "Nor can it say for whom the programme works best: that would need each person measured several times with and "
    "without it."
)


def cannot_show(audit: ProgrammeAudit) -> tuple[str, ...]:
    """Return what this audit cannot show."""
    compared = any(not isinstance(part, Refused) for part in audit.comparison.parts.values())
    return (COMPARED if compared else ALONE, CHANGED, WHO, INFORMS)


def scope(audit: ProgrammeAudit) -> str:
    """Say in one line what was audited."""
    versus = f" compared with {audit.compare}" if audit.compare else ""
    names = audit.flow.names
    others = [names[measure] for measure in audit.measures if measure != audit.primary]
    more = f"; also looked at: {', '.join(others)}" if others else ""
    return f"{audit.programme}{versus}, {audit.before} to {audit.after}. Primary test: {names[audit.primary]}{more}."


def concerning(part: object, measure: str) -> object:
    """Return what a part says about one test, or the part itself where it is not split by test."""
    return part.parts.get(measure) if isinstance(part, ByMeasure) else part


def once(texts: Iterable[str]) -> tuple[str, ...]:
    """Return the texts, each once, in order."""
    return tuple(dict.fromkeys(texts))


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
