"""Write an audit: one self-contained page, an accessible PDF, a workbook, JSON, a director's page, counts to keep."""

import json
from collections.abc import Callable, Iterable, Mapping
from functools import cached_property, partial
from itertools import chain
from math import inf
from pathlib import Path
from typing import Any

import pandas as pd

from truechange.figures import changes_beside_error
from truechange.foundation import INFORMS, drawing
from truechange.foundation.estimate import Threshold
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Part, Refused, Result, in_singular, told
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.change import left_out
from truechange.programme.known import got_worse, share_of
from truechange.programme.periods import saved_rows
from truechange.reporting import audit_exhibits as exhibits
from truechange.reporting.audit_exhibits import MEAN, SHARE, OneTest, audit_tables, measure_rows
from truechange.reporting.files import Stamp, whole_folder, write_each, write_workbook
from truechange.reporting.files import stamp as make_stamp
from truechange.reporting.methods import in_words, plain
from truechange.reporting.page import Block, Columns, Figures, Picture, Section, Words, page_html, write_pdf
from truechange.reporting.references import audit_facts, checklist, cite, wording
from truechange.reporting.tables import ReadyTable, interval_cells, ready_table

TITLE = "Programme audit"
LISTS = ("consort_outcomes", "consort_pro")
TABLES_ONLY = ("effect size (average SD)", "correlation", "p (paired t)")  # in the workbook, or said in a sentence
UNIT_COLUMNS = ("site", "therapist", "due", "changed_enough", "share", "low", "high", exhibits.EQUAL_START)
NOT_TOLD = "–"
ENDLESS = {inf: "infinite", -inf: "-infinite"}  # JSON has no word for them
NEXT = ReadyTable("What we do next: to be filled in and signed",
                  ("what", "who is responsible", "by when (date)"), (("", "", ""),) * 3)  # fmt: skip


class AuditReport:
    """One audit as its documents show it: the public numbers, laid out once and written in every format.

    Parameters
    ----------
    audit : ProgrammeAudit
        What was computed.
    stamp : Stamp, optional
        Files and options of the run; by default versions and seed alone.
    **shown : bool
        ``small_cells`` and ``names``, as in :meth:`ProgrammeAudit.public`, from which alone the report is made.
    """

    def __init__(self, audit: ProgrammeAudit, stamp: Stamp | None = None, **shown: bool) -> None:
        self.audit = audit.public(**shown)
        self.stamp = stamp or make_stamp(options={"seed": audit.seed, "confidence": audit.confidence})
        self.lead = scope(self.audit, self.stamp)
        self.answer = tuple(map(in_words, self.audit.sentences()))
        self.cautions = tuple(map(in_words, self.audit.cautions))

    @cached_property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Every table, unrounded."""
        return audit_tables(self.audit)

    @cached_property
    def sections(self) -> list[Section]:
        """The report, section by section: the answer first, then every part, last how to get the numbers again."""
        audit, primary = self.audit, OneTest(self.audit)
        lists = [checklist(name, audit_facts(audit)) for name in LISTS]
        sources, parts = cite(audit, *lists), _parts(primary, self.tables)
        methods = dict.fromkeys(f"{one.title} {sources.marks(*part.sources)}" for part, one in parts if part.sources)
        told, answer, refused = [section for _, section in parts], _answer(self, primary), _refusals(audit)
        run = [f"{fact}: {value}" for fact, value in self.stamp.rows]
        files = [line for line in run if line.startswith("SHA-256")]  # a line each, everything else one together
        stamped = ["; ".join(line for line in run if line not in files), *files]
        return [
            first_page(primary), answer,
            Section("Words used", [Words(words_used([answer, *told]), "list")]), *told,
            Section("Appendix: cautions", [Words(self.cautions, "list")]),
            *([Section("Appendix: not computed, and why", [Words(refused, "list")])] if refused else []),
            Section("Appendix: methods and references",
                    [Words(["; ".join(methods) + "."]), Words(sources.sentences(), "references")]),
            Section("Appendix: reporting checklists",
                    [block for one in lists for block in (Words(one.sentences()), one.ready())]),
            Section("Appendix: to get the same numbers again", [Words(stamped, "references")]),
        ]  # fmt: skip

    def page(self) -> str:
        """Return one self-contained page."""
        return page_html(TITLE, self.lead, self.sections)

    def html(self, path: Path) -> None:
        """Write the page."""
        Path(path).write_text(self.page(), encoding="utf-8")

    def pdf(self, path: Path) -> None:
        """Write the report as a tagged PDF."""
        write_pdf(TITLE, self.lead, self.sections, path)

    def summary(self, path: Path) -> None:
        """Write the first page alone, for a director."""
        write_pdf(TITLE, self.lead, self.sections[:1], path)

    def excel(self, path: Path) -> None:
        """Write every table into a workbook, formulas inert."""
        write_workbook(path, {
            "answer": pd.DataFrame({"answer": self.answer}), **self.tables,
            "cautions": pd.DataFrame({"caution": (*self.cautions, *cannot_show(self.audit))}),
            "stamp": pd.DataFrame(self.stamp.rows, columns=["fact", "value"]),
        })  # fmt: skip

    def data(self) -> str:
        """Return JSON: answer, tables (rows of unrounded values), cautions, refusals, references, stamp."""
        content = {
            "scope": self.lead, "answer": self.answer, "cannot_show": cannot_show(self.audit),
            "cautions": self.cautions, "tables": {name: _records(frame) for name, frame in self.tables.items()},
            "not_computed": [{"part": part.part, "reason": in_words(part.reason)} for part in self.audit.refused],
            "references": cite(self.audit).sentences(), "stamp": dict(self.stamp.rows),
        }  # fmt: skip
        return json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False, default=str) + "\n"

    def json(self, path: Path) -> None:
        """Write the JSON."""
        Path(path).write_text(self.data(), encoding="utf-8")

    def counts(self, path: Path) -> None:
        """Write the counts of every test and period, without any person, for the trend of the next audit."""
        about = {name: getattr(self.audit, name) for name in ("programme", "before", "after")}
        parts = {key: part for key, part in self.audit.periods.parts.items() if isinstance(part, Part)}
        rows = [saved_rows(part, test=key, **about) for key, part in parts.items()]
        pd.concat(rows, ignore_index=True).to_csv(path, index=False)

    def write(
        self, out: Path, step: Callable[[str], None] = lambda _words: None
    ) -> tuple[tuple[Path, ...], tuple[str, ...]]:
        """Write ``audit.html``, ``audit.pdf``, ``audit.xlsx`` and ``audit.json`` into a folder, all or none.

        Beside them ``summary.pdf``, the first page alone, and ``counts.csv``, from which the next audit draws its
        trend.

        Parameters
        ----------
        out : Path
            The folder; other files in it are left alone.
        step : callable, optional
            Told what is being written.

        Returns
        -------
        tuple of Path, tuple of str
            The files, and what was left out because a part is not installed.
        """
        step("drawing the pictures")
        writers = {"audit.html": self.html, "audit.pdf": self.pdf, "audit.xlsx": self.excel, "audit.json": self.json,
                   "summary.pdf": self.summary, "counts.csv": self.counts}  # fmt: skip
        with whole_folder(out) as aside:
            return write_each(writers, aside, out, step)


def _records(frame: pd.DataFrame) -> list[dict[Any, Any]]:
    flat = frame if isinstance(frame.index, pd.RangeIndex) else frame.reset_index()
    told = flat.map(lambda cell: ENDLESS.get(cell, cell)).astype(object).where(flat.notna(), None)
    return told.rename(columns=str).to_dict("records")


def cannot_show(audit: ProgrammeAudit) -> tuple[str, ...]:
    """Return what this audit cannot show."""
    compared = any(not isinstance(part, Refused) for part in audit.comparison.parts.values())
    return tuple(wording("limits")[name] for name in ("compared" if compared else "alone", "changed", "who", "informs"))


def scope(audit: ProgrammeAudit, stamp: Stamp | None = None) -> str:
    """Say in one line what was audited (title block): clinic, programme, people, visits, day of the count, tests."""
    run = dict(stamp.rows) if stamp else {}
    names, day = audit.flow.names, audit.rule.as_of
    others = [names[measure] for measure in audit.measures if measure != audit.primary]
    return " · ".join(told({
        run.get("clinic", ""): "clinic" in run,
        audit.programme + (f" compared with {audit.compare}" if audit.compare else ""): True,
        f"people who {audit.period}": audit.period, f"{audit.before} to {audit.after}": True,
        f"counted on {day:%Y-%m-%d}" if day else "": day, f"primary test: {names[audit.primary]}": True,
        f"also looked at: {', '.join(others)}": others, f"responsible: {run.get('author', '')}": "author" in run,
    }))  # fmt: skip


def words_used(sections: Iterable[Section]) -> list[str]:
    """Explain each trade word that stands in the sections (glossary), once."""
    text = " ".join(repr(block) for section in sections for block in section.blocks
                    if isinstance(block, Words | ReadyTable))  # fmt: skip
    return list(dict.fromkeys(meaning for word, meaning in wording("words_used").items() if word in text))


def first_page(test: OneTest) -> Section:
    """Lay the first page out, for a director: one sentence, four numbers, one picture, targets, what limits it."""
    blocks: list[Block] = [Words([headline(test)], "headline"), Figures(_numbers(test))]
    if test.change is not None:
        blocks.append(_beside_error(test))
    targets, found = test.standards.rows, interval_cells(test.standards.rows, SHARE)
    aimed = [percent(target) if target == target else NOT_TOLD for target in targets["target"]]
    rows = zip(targets["standard"], targets["whom"], aimed, found, targets["verdict"], strict=True)
    head = ("what we set out to do", "of whom", "target", "found (95% CI)", "")
    blocks.append(ReadyTable("Targets", head, tuple(rows), test.standards.cautions))
    versus, gaps = test.comparison, test.missing
    lost = (*([gaps.sentence()] if gaps else []), *(left_out(test.change) if test.change else []))
    fell = {key: got_worse(getattr(part, "facts", {})) for key, part in test.audit.responders.parts.items()}
    worse = [f"{test.audit.flow.names[key]}: " * (key != test.key) + text
             for key, says in fell.items() if len(says) > 1 for text in says]  # fmt: skip
    # the last are rows set aside
    limits = [*worse, versus.sentence() if versus else wording("limits")["alone"], *lost, *test.quality.cautions]
    if test.counted is not None:
        limit: Threshold = test.counted.threshold
        size = f"{limit.kind.upper()} {limit}, on this scale {test.size}"
        limits.append(f"Held against: {size}; {limit.origin.sentence()}.")
    return Section("", [*blocks, Words(["Before you rely on it:"]), plain([*limits, INFORMS], "list"), NEXT])


def headline(test: OneTest) -> str:
    """Say in one plain sentence how many of whom changed enough, and how many error alone would give of whom."""
    counted, error = test.counted, test.error
    if counted is None:
        if test.change is not None:
            return f"How many changed enough cannot be told. {test.change.sentence()}"
        return in_words(f"What changed cannot be told: {test.audit.change[test.key].reason}")  # type: ignore[attr-defined]
    k, n = (int(counted.rows[name].iloc[0]) for name in ("changed_enough", "started"))
    alone = "what measurement error alone would give is not known"
    if error is not None:
        alone = f"measurement error alone would give about {fixed(error.expected, 0)} of the {error.n} tested twice"
    return in_singular(f"{k} of the {n} people due improved by {test.size}; {alone}.")


def _numbers(test: OneTest) -> list[tuple[str, str, str, str]]:
    flow, counted, error, change, measured = test.flow, test.counted, test.error, test.change, "of those tested twice"
    ahead = f"; {flow.not_yet_due} more not yet due" if flow.not_yet_due else ""
    share = percent(flow.compared / flow.due) if flow.due else NOT_TOLD
    lost = f"{share} of those due; {flow.due - flow.compared} not{ahead}"
    enough = (NOT_TOLD, "of those due", "changed enough", "not computed; the reason stands on a later page")
    alone = (NOT_TOLD, measured, "from measurement error alone", "not computed")
    gain = (NOT_TOLD, f"{test.unit}, {measured}", "mean improvement", "not computed")
    if counted is not None:
        whole, one = share_of(counted), counted.rows.iloc[0]
        how = f"{int(one['changed_enough'])} of {int(one['started'])}; {100 * whole.confidence:g}% CI "
        limits = f"{percent(whole.low)} to {percent(whole.high)}"
        enough = (percent(whole.value), "of those due", f"improved by {test.size}", how + limits)
    if error is not None:
        how = f"about {fixed(error.expected, 0)} of {error.n}"
        limits = f"; {percent(error.share.low)} to {percent(error.share.high)}" if error.share.has_interval else ""
        alone = (percent(error.proportion), *alone[1:3], how + limits)
    if change is not None:
        mean, low, high = (fixed(end, test.places) for end in (change.mean.value, change.mean.low, change.mean.high))
        gap = getattr(test.comparison, "adjusted", None)
        if gap is not None:
            word = "less" if gap.value < 0 else "more"
            high += f"; {fixed(abs(gap.value), test.places)} {word} than {test.audit.compare}"
        gain = (("+" if change.mean.value > 0 else "") + mean, *gain[1:3], f"{low} to {high}")
    return [(str(flow.due), "people due", f"{flow.compared} tested twice", lost), enough, alone, gain]


def _beside_error(test: OneTest) -> Picture:
    """Draw everyone's change beside what error alone would give."""
    counted, measure = test.counted, test.measure
    drawn = changes_beside_error(
        test.audit.pairs[test.key]["improvement"], None if counted is None else counted.threshold, test.sem,
        practice=0.0 if test.practice is None else test.practice.value, unit=measure.unit,
        resolution=measure.resolution, ax=drawing.axes(width=6.6, height=2.5))  # fmt: skip
    dark = "" if counted is None else f" Dark: improved by {test.size}."
    line = "" if test.sem is None else " Line: what measurement error alone would give."
    caption = f"How many of the people tested twice improved by how much.{dark}{line}"
    return Picture(drawn, f"{caption} {test.change.sentence()}", caption)


def _answer(report: AuditReport, test: OneTest) -> Section:
    flow = measure_rows(report.tables["flow"], test.key)
    right = [exhibits.steps(test, flow), exhibits.shares(test)]
    columns = [column for one in ([exhibits.changes(test)], right) if (column := [each for each in one if each])]
    limits = Words(cannot_show(report.audit), "caution")
    return Section("The answer in full", [Words(report.answer, "answer"), Columns(columns), limits], starts_page=True)


Rows = Mapping[str, pd.DataFrame]  # by name, of the test test


def _laid(part: Any, *tables: ReadyTable, pictures: Iterable[Picture] = (), texts: Iterable[str] = ()) -> list[Block]:
    """Lay a part out: its words (or these texts of it), its tables, its pictures beside each other."""
    beside = [[picture] for picture in pictures]
    return [plain(texts or part.sentences()), *tables, *([Columns(beside)] if beside else [])]


def _table(part: Any, rows: pd.DataFrame, title: str, **how: Any) -> ReadyTable:
    return ready_table(rows.dropna(axis="columns", how="all"), title, notes=part.cautions, **how)


def _flow(part: Any, test: OneTest, rows: Rows) -> list[Block]:
    title = f"From starting to being counted: {test.name}"
    return _laid(part, _table(part, rows["flow"], title), texts=part.sentences()[:1])


def _quality(part: Any, test: OneTest, rows: Rows) -> list[Block]:
    """Say where the rows of the file went, and what of the protocol was recorded and the same."""
    done = test.audit.protocols[test.key]
    tables = [ready_table(rows["rows"], "Rows of the file", notes=part.cautions)]
    if "fact" in rows.get("protocols", ()):
        facts = rows["protocols"].assign(fact=rows["protocols"]["fact"].str.replace("_", " "))
        tables.append(ready_table(facts, f"How it was done: {test.name}", notes=done.cautions))
    return _laid(part, *tables, texts=[*part.sentences(), done.sentence()])


def _baseline(part: Any, _test: OneTest, rows: Rows) -> list[Block]:
    return _laid(part, exhibits.baseline(rows["baseline"]))


def _change(part: Any, test: OneTest, rows: Rows) -> list[Block]:
    told = rows["change"][~rows["change"]["quantity"].isin(TABLES_ONLY)].reset_index(drop=True)
    return _laid(part, _table(part, told, f"Change: {test.name}", resolution=test.measure.resolution))


def _regression(part: Any, _test: OneTest, _rows: Rows) -> list[Block]:
    asked = () if part.from_selection is not None else (wording("limits")["no_rule"],)
    return _laid(part, texts=(*part.sentences(), *part.cautions, *asked))


def _responders(part: Any, test: OneTest, rows: Rows) -> list[Block]:
    counted = exhibits.counted_rows(rows["changed enough"], test)
    table = ready_table(counted, f"Improved by at least a threshold: {test.name}", notes=part.cautions)
    choice = rows.get("threshold choice")
    return _laid(part, table, pictures=() if choice is None else exhibits.how_many_changed(test, choice))


def _missing(part: Any, test: OneTest, rows: Rows) -> list[Block]:
    table = _table(part, rows["missing"], "Share that changed enough, by what is assumed of the missing")
    if part.mean is None or not part.missing:
        return _laid(part, table)
    falls = exhibits.tipping_table(rows["tipping point"], test)
    return _laid(part, table, falls, pictures=exhibits.how_far_it_holds(test))


def _comparison(part: Any, _test: OneTest, _rows: Rows) -> list[Block]:
    return _laid(part, *exhibits.comparison_tables(part))


def _all_tests(_part: Any, test: OneTest, _rows: Rows) -> list[Block]:
    return [exhibits.all_tests(test.audit)] if len(test.audit.measures) > 1 else []


def _known(part: Any, test: OneTest, rows: Rows) -> list[Block]:
    if "estimate" not in rows["error and importance"].dropna(axis="columns", how="all"):
        return _laid(part)
    title = f"What a change is held against: {test.name}"
    return _laid(part, _table(part, rows["error and importance"], title, resolution=test.measure.resolution))


def _periods(part: Any, test: OneTest, rows: Rows) -> list[Block]:
    if len(part.usable) < 2:
        return []
    trend = exhibits.trend_rows(rows["periods"], test.places)
    table = ready_table(trend, f"By the {part.every} in which people started", notes=part.cautions)
    return _laid(part, table, pictures=exhibits.trend_charts(part))


def _dose(part: Any, _test: OneTest, _rows: Rows) -> list[Block]:
    return [*_laid(part, pictures=exhibits.training(part)), exhibits.training_table(part)]


def _units(name: str, title: str, part: Any, test: OneTest, rows: Rows) -> list[Block]:
    shown, pictures = rows[name], exhibits.units(part, rows[name], name.removesuffix("s"))
    if not pictures and "mean" in shown:  # drawn, or one more column
        shown = shown.assign(**{exhibits.EQUAL_START: interval_cells(shown, MEAN, test.places)})
    return _laid(part, ready_table(shown, title, names=UNIT_COLUMNS, notes=part.cautions), pictures=pictures)


SECTIONS: tuple[tuple[str, str, Callable[[Any, OneTest, Rows], list[Block]]], ...] = (
    ("flow", "Who could be compared", _flow),
    ("quality", "The rows behind it, and how the test was done", _quality),
    ("baseline", "Who they were", _baseline),
    ("change", "How much the group changed", _change),
    ("regression", "Did they come at their worst", _regression),
    ("responders", "Who changed enough", _responders),
    ("missing", "People without a follow-up", _missing),
    ("comparison", "Compared with others", _comparison),
    ("change", "All tests looked at", _all_tests),
    ("known", "Measurement error and the change that matters", _known),
    ("periods", "From period to period", _periods),
    ("dose", "Training done", _dose),
    ("sites", "Sites", partial(_units, "sites", "Sites, in order of their names")),
    ("therapists", "Therapists", partial(_units, "therapists", "Therapists, numbered")),
)


def _parts(test: OneTest, tables: Rows) -> list[tuple[Result, Section]]:
    """Return every part that was computed with its section; a refused one is told under "Not computed"."""
    rows = {name: measure_rows(frame, test.key) for name, frame in tables.items()}
    return [
        (getattr(test.audit, name), Section(title, blocks))
        for name, title, lay in SECTIONS
        # other tests may be told where the change of the test one is not
        if ((part := getattr(test, name)) is not None or lay is _all_tests) and (blocks := lay(part, test, rows))
    ]


def _refusals(audit: ProgrammeAudit) -> list[str]:
    """Say each reason once, with the parts and the tests it stops."""
    parts = (audit.known, audit.change, audit.responders, audit.missing, audit.comparison, audit.regression)
    refused = [
        (audit.flow.names[measure], one)
        for part in parts
        for measure, piece in part.parts.items()
        for one in ([piece] if isinstance(piece, Refused) else getattr(piece, "refused", ()))
    ]
    refused += [("", whole) for whole in (audit.dose, audit.sites, audit.therapists) if isinstance(whole, Refused)]
    reasons: dict[str, dict[str, list[str]]] = {}
    for test, one in refused:
        reasons.setdefault(in_words(one.reason), {}).setdefault(test, []).append(one.part.lower())
    told = []
    for reason, tests in reasons.items():
        names, parts_stopped = ", ".join(filter(None, tests)), dict.fromkeys(chain(*tests.values()))
        told.append(f"{names}{': ' if names else ''}{', '.join(parts_stopped)}. {reason}")
    return told
