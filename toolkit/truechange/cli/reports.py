"""``truechange audit``, ``settings``, ``study``, ``demo``: a clinic's file in; a report, or its own numbers, out."""

import argparse
import sys
from collections.abc import Collection
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pandas as pd
import tomlkit

from truechange.cli.data import copy_material, notebook_page
from truechange.cli.shared import progress, reading
from truechange.figures import overview
from truechange.foundation import INFORMS, drawing
from truechange.foundation.entry import FIELDS
from truechange.foundation.errors import ChoiceError, RefusedError
from truechange.foundation.result import Refused
from truechange.individual.assess import person_change
from truechange.individual.change import PersonChange
from truechange.individual.score_error import Programme
from truechange.meaningful_change.study import McidStudy
from truechange.measures.catalogue import measure
from truechange.measures.settings import FILE, settings
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.auditing import audit
from truechange.programme.known import missing_words, own_numbers
from truechange.programme.studying import error_of_pairs, mcid_of_pairs, records_of_programme, study
from truechange.records.pairing import Pairs
from truechange.records.reading import read
from truechange.reliability.agreement import limits_of_agreement
from truechange.reliability.error import MeasurementError
from truechange.reporting.audit_report import AuditReport
from truechange.reporting.files import published_thresholds, read_thresholds, stamp, write_worklist
from truechange.reporting.methods import in_words
from truechange.reporting.page import edited

RETEST = ("sem", "practice")  # what a retest study tells
STATED = ("entry", "target", "mcid_worse")  # what only the clinic can say of a test
PASSED_ON = ("primary", "programme", "compare", "subgroups", "trials", "as_of", "weeks", "every", "seed", "label_seed")
STAMPED = (
    *("before", "after", "measures", "primary", "programme", "compare", "seed", "resamples", "trials", "as_of"),
    *("weeks", "every", "started_from", "started_to", "dates", "clinic", "author"),
)
READING = ("dates", "words")
NOT_SETTINGS = ("retest", "change", "out", "overwrite", "pseudonyms")
DEMO: dict[str, Any] = {"primary": "chair_stand_30s", "programme": "leg power", "compare": "waiting list"}


def run_audit(args: argparse.Namespace) -> int:
    """Read, audit, write; 1 when rows had to be set aside as errors."""
    with progress(16, "reading") as step:
        step(f"reading {args.file.name}")
        records = read(args.file, **reading(args))
        retest = read(args.retest, **reading(args)).assessments if args.retest else None
        thresholds, targets, used = _clinic(args, args.measures or set(records.assessments["measure"]), retest)
        whole = audit(
            records, args.before, args.after, args.measures, **{name: getattr(args, name) for name in PASSED_ON},
            thresholds=thresholds, targets=targets, started=(args.started_from, args.started_to),
            saved=_saved_counts(args), retest=retest, entry=_entry_rules(args.entry), n_boot=args.resamples,
            on_step=step,
        )  # fmt: skip
        audited = whole.public(small_cells=args.show_small_cells, names=args.show_therapists)
        report = AuditReport(audited, stamp([path for path in (args.file, args.retest, used) if path], _options(args)))
        written, left_out = report.write(args.out, step) if args.out else ((), ())
        kept_inside = write_worklist(whole, args.worklist) if args.worklist else ()
    if args.json:
        print(report.data(), end="")
    else:
        sentences = (*audited.sentences(), *(f"Caution: {text}" for text in audited.cautions))
        print("\n".join(map(in_words, sentences)))
        if written:
            print("\nWritten:", *written, sep="\n  ")
        if kept_inside:
            print("\nFor use inside the clinic only, people by their codes:", *kept_inside, sep="\n  ")
    print(*left_out, *records.cautions, sep="\n", file=sys.stderr)
    return int((records.problems["severity"] == "error").any())


def _clinic(
    args: argparse.Namespace, tests: Collection[str], retest: pd.DataFrame | None
) -> tuple[dict[str, Any], dict[str, float], Path | None]:
    """Return thresholds and targets, from what was typed or else ``clinic.toml``, and the file they come from.

    A retest study that is given goes before the error a clinic once noted. Name and author are set where not typed.
    """
    places = [args.thresholds] if args.thresholds else [args.file.parent / FILE, Path(FILE)]
    used = next((path for path in places if path.exists() or args.thresholds), None)
    thresholds = read_thresholds(used, tests) if used else {}
    tested_again = set() if retest is None else set(retest["measure"])
    if not args.thresholds:
        thresholds = {key: {name: one for name, one in numbers.items() if name not in RETEST or key not in tested_again}
                      for key, numbers in thresholds.items()}  # fmt: skip
    if args.published:
        thresholds = published_thresholds(tests, thresholds, tested_again)
    clinic = settings(str(used)) if used and used.name == FILE else None
    facts, targets = (dict(clinic.clinic), dict(clinic.targets)) if clinic else ({}, {})
    args.clinic = args.clinic or facts.get("name") or None
    args.author = args.author or facts.get("author") or None
    if clinic and "target" in clinic.measures.get(args.primary, {}):
        targets["changed_enough"] = clinic.measures[args.primary]["target"]
    return thresholds, targets | dict(map(_target, args.target)), used


def _target(typed: str) -> tuple[str, float]:
    name, _, share = typed.partition("=")
    try:
        number = float(share.strip().removesuffix("%"))
    except ValueError as trouble:
        raise ChoiceError(f"--target {typed}: write NAME=SHARE, such as tested=85% or tested=0.85.") from trouble
    return name.strip(), number / 100 if share.strip().endswith("%") else number


def _saved_counts(args: argparse.Namespace) -> pd.DataFrame | None:
    """Return what earlier audits counted: the file that was named, or the one beside the report."""
    path = args.counts or (args.out / "counts.csv" if args.out else None)
    if path is None or not (path.exists() or args.counts):
        return None
    try:
        return pd.read_csv(path)
    except (OSError, ValueError) as trouble:
        raise ChoiceError(f"--counts {path} cannot be read: {trouble}.") from trouble


def _entry_rules(typed: list[list[str]]) -> dict[str, dict[str, float]]:
    rules = {}
    for test, *numbers in typed:
        try:
            rules[test] = dict(zip(FIELDS[: len(numbers)], map(float, numbers), strict=True))
        except ValueError as trouble:
            words = f"--entry {test} {' '.join(numbers)}: after the test come one to four numbers"
            raise ChoiceError(f"{words} ({', '.join(FIELDS)}).") from trouble
    return rules


def _options(args: argparse.Namespace) -> dict[str, Any]:
    """Return the options of this run as the report states them."""
    return {name: getattr(args, name) for name in STAMPED} | {
        "subgroups": " ".join(args.subgroups) or None, "entry": "; ".join(map(" ".join, args.entry)) or None,
        "target": " ".join(args.target) or None,
        "measures": " ".join(args.measures) if args.measures else "all with both occasions",
    }  # fmt: skip


def run_settings(args: argparse.Namespace) -> int:
    """Estimate, write, and say what could not be; 1 where nothing could."""
    with progress(12, "reading") as step:
        records = read(args.file, **reading(args))
        retest = None if args.retest is None else read(args.retest, **reading(args)).assessments
        there = args.out.exists()
        already = settings(str(args.out)).measures if there else {}
        here = already.keys() & set(records.assessments["measure"])
        rules = {key: already[key]["entry"] for key in here if "entry" in already[key]}
        choices = {"programme": args.programme, "retest": retest, "trials": args.trials, "entry": rules}
        audited = audit(records, args.before, args.after, **choices, on_step=step)
    known = own_numbers(audited)
    estimated = sum(not {"sem", "mcid"}.isdisjoint(about) for about in known["measures"].values())  # not how it is done
    document = tomlkit.parse(args.out.read_text(encoding="utf-8")) if there else tomlkit.document()
    for key, stated in already.items():
        by_clinic = {name: stated[name] for name in STATED if name in stated}
        known["measures"][key] = by_clinic | known["measures"].get(key, {})
    clinic = {name: getattr(args, name) for name in ("name", "author") if getattr(args, name)}
    document |= ({"clinic": clinic} if clinic else {}) | known
    args.out.write_text(tomlkit.dumps(document), encoding="utf-8")
    print(f"{'Renewed' if there else 'Written'}: {args.out} (tests with an error or MCID: "
          f"{estimated}, with a programme's spread: {len(known['programme'])}).")  # fmt: skip
    print("".join(f"{in_words(text)}\n" for text in missing_words(audited)), end="")
    return 0 if estimated else 1


def run_study(args: argparse.Namespace) -> int:
    """Compute the study and write it; 1 when an edited document was left as it is."""
    stated = {name: value for name, value in vars(args).items() if name not in NOT_SETTINGS and value not in (None, "")}
    made = stamp([args.retest, args.change], stated)
    chosen = {name: value for name, value in stated.items() if name not in READING}
    left_as_edited = not args.overwrite and edited(args.out / "study.docx")
    with progress(14, "reading") as step:
        step("reading")
        tables = (read(file, **reading(args)) for file in (args.retest, args.change))
        done = study(*tables, **chosen, on_step=step)
        written, left_out = done.write(args.out, stamp=made, overwrite=args.overwrite, step=step)
    print(*done.sentences(), sep="\n")
    print("\nWritten:", *written, f"{args.out}/figures, {args.out}/tables", sep="\n  ")
    print(*left_out, sep="\n", file=sys.stderr)
    return int(left_as_edited)


def run_demo(args: argparse.Namespace) -> int:
    """Run the whole chain on an invented clinic, write its reports, print a summary; return the exit status."""
    out: Path = args.out
    out.mkdir(parents=True, exist_ok=True)
    # the notebooks of a checkout; an installed copy without them runs the rest
    notebooks = [] if args.without_notebooks else sorted(Path("notebooks").glob("0*.ipynb"))
    test = measure(DEMO["primary"])
    with progress(6 + len(notebooks), "the clinic") as step, ThreadPoolExecutor(2) as two:
        pages = two.map(notebook_page, notebooks)  # from now on, beside the rest: a notebook's kernel is a process
        step("reading the workbook")
        folder = args.data or demo_data(out)
        files = [folder / "clinic.xlsx", folder / "retest.csv"]
        records, retest = map(read, files)
        step("the test's error, from people who did not change")
        # in the clinic, too, the scored trial follows a practice trial
        twice = retest.pairs(test, before="retest1", after="retest2", trials="last")
        error = error_of_pairs(twice, "consistency", interval="1 week")
        agreement = limits_of_agreement(twice.usable["after"], twice.usable["before"], unit=test.unit)
        step("the change that matters, from the clinic's own ratings")
        trained = records_of_programme(records, DEMO["programme"], DEMO["compare"])
        change = trained.pairs(test, before="baseline", after="discharge")
        matters = mcid_of_pairs(change, error.sem, "discharge")
        step("one person")
        who, person = _one_person(change, error, matters)
        step("the programme")
        programme = audit(records, **DEMO, retest=retest.assessments, label_seed=0)
        step("writing the audit")
        picture = overview(error, agreement, matters, person, *_shares(programme))
        (out / "overview.png").write_bytes(drawing.png(picture, dpi=130))
        _, left_out = AuditReport(programme, stamp(files, DEMO | {"seed": 0})).write(out / "audit")
        for path, page in zip(notebooks, pages, strict=True):
            step(path.stem)
            target = out / "notebooks" / f"{path.stem}.html"
            target.parent.mkdir(exist_ok=True)
            target.write_text(page, encoding="utf-8")
    print(
        "An invented clinic, the 30-second chair stand, baseline to discharge:",
        f"  rows      {records.ledger}",
        f"  error     {error.sentence()}",
        f"  matters   {matters.sentence()}",
        f"  {who}      {person.sentence()}",
        *(f"  programme {line}" for line in programme.sentences()[1:4]),
        f"Look at {out / 'audit' / 'audit.html'} (also pdf, xlsx, json) and {out / 'overview.png'}"
        + (f"; {len(notebooks)} notebooks as pages in {out / 'notebooks'}." if notebooks else "."),
        *(INFORMS, *left_out),
        sep="\n",
    )
    return 0


def demo_data(out: Path) -> Path:
    """Use the folder that came with the checkout; elsewhere copy the stored files beside the reports."""
    here = Path("data_synthetic")
    if (here / "clinic.xlsx").is_file():
        return here

    copy_material("data_synthetic", out / "data")
    return out / "data"


def _one_person(change: Pairs, error: MeasurementError, matters: McidStudy) -> tuple[str, PersonChange]:
    """Take the person in the middle of those who changed by about the MCID: where a bare threshold says least."""
    group, limit = change.usable, matters.recommended
    if limit is None:
        raise RefusedError(f"The ratings of this clinic give no MCID: {' '.join(matters.cautions)}")
    row = group.loc[(group["improvement"] - float(limit)).abs().sort_values(kind="stable").index[0]]
    programme = Programme.of(group["before"], group["after"], sem=error.sem)
    scale: dict[str, Any] = {"unit": change.measure.unit, "resolution": change.measure.resolution}
    before, after = float(row["before"]), float(row["after"])
    return str(row["person"]), person_change(before, after, sem=error.sem, mcid=limit, programme=programme, **scale)


def _shares(programme: ProgrammeAudit) -> tuple[Any, Any]:
    """Return the share whose true change matters and the share error alone would give."""
    enough: Any = programme.responders[DEMO["primary"]]
    if isinstance(getattr(enough, "true_share", enough), Refused):
        raise RefusedError("The share whose true change matters cannot be computed from these data.")
    if isinstance(enough.from_error, Refused):
        raise RefusedError(enough.from_error.reason)
    return enough.true_share, enough.from_error
