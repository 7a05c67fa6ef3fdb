"""The first page of an audit, for a director: one sentence, four numbers, one picture, targets, what limits it."""

from typing import Any

from truechange.figures import changes_beside_error
from truechange.foundation import drawing
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.numbers import decimals_of, fixed, percent, with_interval
from truechange.foundation.result import Part
from truechange.measures import measure as measure_named
from truechange.numerics.small_cells import HIDDEN
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.enough import share_of
from truechange.programme.parts import Refused
from truechange.reporting.audit_tables import in_words
from truechange.reporting.page import Block, Figures, Picture, Section, Words
from truechange.reporting.tables import ReadyTable
from truechange.responders.counting import ErrorOnly, Responders

NOT_TOLD = "–"
INFORMS = "It informs a judgement; it does not diagnose. Local rules and a licensed clinician decide."
NEXT = ReadyTable(
    "What we do next: to be filled in and signed", ("what", "who is responsible", "by when (date)"), (("", "", ""),) * 3
)


def first_page(audit: ProgrammeAudit, alone: str) -> Section:
    """Lay the first page out.

    Parameters
    ----------
    audit : ProgrammeAudit
        The public audit.
    alone : str
        What is to be said where nobody was compared with people left alone.
    """
    blocks: list[Block] = [Words([headline(audit)], "headline"), Figures(_numbers(audit))]
    drawn = _picture(audit)
    before = Words(["Before you rely on it:"]), Words([*_limits(audit, alone), INFORMS], "list")
    return Section("", [*blocks, *([drawn] if drawn else []), _targets(audit), *before, NEXT])


def _counted(audit: ProgrammeAudit) -> tuple[Responders | None, ErrorOnly | None, str]:
    """Return who reached the threshold, what error alone gives, and the threshold in the steps of the test."""
    enough: Any = audit.responders[audit.primary]
    counted = getattr(enough, "counted", None)
    counted = counted if isinstance(counted, Responders) else getattr(enough, "beyond_error", None)
    if not isinstance(counted, Responders):
        return None, None, ""
    error, step = enough.from_error, measure_named(audit.primary).resolution
    same = isinstance(error, ErrorOnly) and abs(error.threshold.value - counted.threshold.value) < 1e-9
    return counted, error if same else None, counted.threshold.shown(step)


def headline(audit: ProgrammeAudit) -> str:
    """Say in one plain sentence how many of whom changed enough, and how many error alone would give of whom."""
    counted, error, size = _counted(audit)
    if counted is None:
        change: Any = audit.change[audit.primary]
        if isinstance(change, Part):
            return f"How many changed enough cannot be told. {change.sentence()}"
        return in_words(f"What changed cannot be told: {getattr(change, 'reason', '')}")
    k, n = (int(counted.rows[name].iloc[0]) for name in ("changed_enough", "started"))
    said = f"{k} of the {n} people due improved by {size}"
    if error is None:
        return f"{said}; what measurement error alone would give is not known."
    return f"{said}; measurement error alone would give about {fixed(error.expected, 0)} of the {error.n} tested twice."


def _numbers(audit: ProgrammeAudit) -> list[tuple[str, str, str, str]]:
    flow: Any = audit.flow[audit.primary]
    change: Any = audit.change[audit.primary]
    counted, error, size = _counted(audit)
    test = measure_named(audit.primary)
    ahead = f"; {flow.not_yet_due} more not yet due" if flow.not_yet_due else ""
    lost = flow.due - flow.compared
    share = percent(flow.compared / flow.due) if flow.due else NOT_TOLD
    cells = [(str(flow.due), "people due", f"{flow.compared} tested twice", f"{share} of those due; {lost} not{ahead}")]
    if counted is None:
        cells.append((NOT_TOLD, "of those due", "changed enough", "not computed; the reason stands on a later page"))
    else:
        whole, one = share_of(counted), counted.rows.iloc[0]
        how = f"{int(one['changed_enough'])} of {int(one['started'])}; {_interval(whole)}"
        cells.append((percent(whole.value), "of those due", f"improved by {size}", how))
    if error is None:
        cells.append((NOT_TOLD, "of those tested twice", "from measurement error alone", "not computed"))
    else:
        how = f"about {fixed(error.expected, 0)} of {error.n}"
        limits = f"; {percent(error.share.low)} to {percent(error.share.high)}" if error.share.has_interval else ""
        cells.append((percent(error.proportion), "of those tested twice", "from measurement error alone", how + limits))
    if not isinstance(change, Part):
        cells.append((NOT_TOLD, f"{test.unit}, of those tested twice", "mean improvement", "not computed"))
        return cells
    places = decimals_of(test.resolution) + 1
    versus: Any = audit.comparison.parts.get(audit.primary)
    gap = getattr(versus, "adjusted", None)
    beside = f"; {fixed(gap.value, places)} more than {audit.compare}" if isinstance(gap, Estimate) else ""
    mean = change.mean
    edges = f"{fixed(mean.low, places)} to {fixed(mean.high, places)}"
    cells.append((("+" if mean.value > 0 else "") + fixed(mean.value, places), f"{test.unit}, of those tested twice",
                  "mean improvement", edges + beside))  # fmt: skip
    return cells


def _interval(share: Estimate) -> str:
    return f"{100 * share.confidence:g}% CI {percent(share.low)} to {percent(share.high)}"


def _picture(audit: ProgrammeAudit) -> Picture | None:
    """Draw everyone's change beside what error alone would give; None where the change may not be told."""
    if isinstance(audit.change[audit.primary], Refused):
        return None
    test, known = measure_named(audit.primary), audit.known.parts[audit.primary]
    counted, _, size = _counted(audit)
    sem, practice = getattr(known, "sem", None), getattr(known, "practice", None)
    drawn = changes_beside_error(
        audit.pairs[audit.primary]["improvement"], None if counted is None else counted.threshold,
        sem if isinstance(sem, Estimate) else None, practice=0.0 if practice is None else practice.value,
        unit=test.unit, resolution=test.resolution, ax=drawing.axes(width=6.6, height=2.5),
    )  # fmt: skip
    dark = "" if counted is None else f" Dark: improved by {size}."
    line = " Line: what measurement error alone would give." if isinstance(sem, Estimate) else ""
    caption = f"How many of the people tested twice improved by how much.{dark}{line}"
    return Picture(drawn, f"{caption} {audit.change[audit.primary].sentence()}", caption)


def _targets(audit: ProgrammeAudit) -> ReadyTable:
    """Set what was aimed at beside what was found, of whom, and whether the interval decides."""
    rows = []
    for row in audit.standards.rows.to_dict("records"):
        found = HIDDEN if row["share"] == HIDDEN else NOT_TOLD
        if isinstance(row["share"], float) and row["share"] == row["share"]:
            found = with_interval(row["share"], row["low"], row["high"])
        target = percent(row["target"]) if row["target"] == row["target"] else NOT_TOLD
        rows.append((row["standard"], row["whom"], target, found, row["verdict"]))
    head = ("what we set out to do", "of whom", "target", "found (95% CI)", "")
    return ReadyTable("Targets", head, tuple(rows), audit.standards.cautions)


def _limits(audit: ProgrammeAudit, alone: str) -> list[str]:
    """Say what limits the answer: no comparison, people unknown, rows set aside, where the threshold comes from."""
    versus: Any = audit.comparison.parts.get(audit.primary)
    gaps: Any = audit.missing[audit.primary]
    said = [versus.sentence() if isinstance(versus, Part) else alone]
    if isinstance(gaps, Part):
        said.append(gaps.sentence())
    said += audit.quality.cautions  # rows set aside
    counted, _, scale = _counted(audit)
    if counted is not None:
        limit: Threshold = counted.threshold
        whence = limit.origin.sentence().rstrip(".")
        said.append(f"Held against: {limit.kind.upper()} {limit}, on this scale {scale}; {whence}.")
    return [in_words(text) for text in said]
