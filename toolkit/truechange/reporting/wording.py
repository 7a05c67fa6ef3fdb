"""Sentences that stand on every report: what was done, and what it cannot show."""

from collections.abc import Iterable

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
