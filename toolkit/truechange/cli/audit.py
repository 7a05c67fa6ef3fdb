"""``truechange audit`` and ``settings``: a clinic's file in; a report for its lead, or its own numbers, out."""

import argparse
import sys
from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING, Any

from truechange.cli.shared import progress, reading
from truechange.foundation.entry import FIELDS
from truechange.foundation.errors import ChoiceError

if TYPE_CHECKING:
    import pandas as pd

RETEST = ("sem", "practice")  # what a retest study tells
STATED = ("entry", "target", "mcid_worse")  # what only the clinic can say of a test
PASSED_ON = ("primary", "programme", "compare", "subgroups", "trials", "as_of", "weeks", "every", "seed", "label_seed")
STAMPED = (
    *("before", "after", "measures", "primary", "programme", "compare", "seed", "resamples", "trials", "as_of"),
    *("weeks", "every", "started_from", "started_to", "dates", "clinic", "author"),
)


def run_audit(args: argparse.Namespace) -> int:
    """Read, audit, write; 1 when rows had to be set aside as errors."""
    from truechange.programme import audit
    from truechange.records import read
    from truechange.reporting.audit_report import AuditReport, write_audit, write_worklist
    from truechange.reporting.audit_tables import in_words
    from truechange.reporting.files import stamp

    with progress(16, "reading") as step:
        step(f"reading {args.file.name}")
        records = read(args.file, **reading(args))
        retest = read(args.retest, **reading(args)).assessments if args.retest else None
        thresholds, targets, used = _clinic(args, args.measures or set(records.assessments["measure"]), retest)
        whole = audit(
            records,
            args.before,
            args.after,
            args.measures,
            **{name: getattr(args, name) for name in PASSED_ON},
            thresholds=thresholds,
            targets=targets,
            started=(args.started_from, args.started_to),
            saved=_saved_counts(args),
            retest=retest,
            entry=_entry_rules(args.entry),
            n_boot=args.resamples,
            on_step=step,
        )
        audited = whole.public(small_cells=args.show_small_cells, names=args.show_therapists)
        made = stamp([path for path in (args.file, args.retest, used) if path], _options(args))
        written, left_out = write_audit(audited, args.out, stamp=made, step=step) if args.out else ((), ())
        kept_inside = write_worklist(whole, args.worklist) if args.worklist else ()
    if args.json:
        print(AuditReport(audited, made).data(), end="")
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
    args: argparse.Namespace, tests: Collection[str], retest: "pd.DataFrame | None"
) -> tuple[dict[str, Any], dict[str, float], "Path | None"]:
    """Return thresholds and targets, from what was typed or else ``clinic.toml``, and the file they come from.

    A retest study that is given goes before the error a clinic once noted. Name and author are set where not typed.
    """
    from truechange.measures.settings import FILE, settings
    from truechange.reporting.thresholds import published_thresholds, read_thresholds

    places = [args.thresholds] if args.thresholds else [args.file.parent / FILE, Path(FILE)]
    used = next((path for path in places if path.exists() or args.thresholds), None)
    thresholds = read_thresholds(used, tests) if used else {}
    tested_again = set() if retest is None else set(retest["measure"])
    if not args.thresholds:
        thresholds = {key: {name: one for name, one in numbers.items() if name not in RETEST or key not in tested_again}
                      for key, numbers in thresholds.items()}  # fmt: skip
    clinic = settings(str(used)) if used and used.name == FILE else None
    for name in ("clinic", "author"):
        said = dict(clinic.clinic).get("name" if name == "clinic" else name) if clinic else None
        setattr(args, name, getattr(args, name) or said or None)
    targets = dict(clinic.targets) if clinic else {}
    if clinic and "target" in clinic.measures.get(args.primary, {}):
        targets["changed_enough"] = clinic.measures[args.primary]["target"]
    if args.published:
        thresholds = published_thresholds(tests, thresholds, tested_again)
    return thresholds, targets | dict(map(_target, args.target)), used


def _target(typed: str) -> tuple[str, float]:
    name, _, share = typed.partition("=")
    try:
        number = float(share.strip().removesuffix("%"))
    except ValueError as trouble:
        raise ChoiceError(f"--target {typed}: write NAME=SHARE, such as tested=85% or tested=0.85.") from trouble
    return name.strip(), number / 100 if share.strip().endswith("%") else number


def _saved_counts(args: argparse.Namespace) -> "pd.DataFrame | None":
    """Return what earlier audits counted: the file that was named, or the one beside the report."""
    import pandas as pd

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
    options = {name: getattr(args, name) for name in STAMPED}
    options |= {"subgroups": " ".join(args.subgroups) or None, "entry": "; ".join(map(" ".join, args.entry)) or None,
                "target": " ".join(args.target) or None}  # fmt: skip
    return options | {"measures": " ".join(args.measures) if args.measures else "all with both occasions"}


def run_settings(args: argparse.Namespace) -> int:
    """Estimate, write, and say what could not be; 1 where nothing could."""
    import tomlkit

    from truechange.measures.settings import settings
    from truechange.programme import audit
    from truechange.programme.known import missing_words, own_numbers
    from truechange.records import read
    from truechange.reporting.audit_tables import in_words

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
    estimated = len(known["measures"])
    document = tomlkit.parse(args.out.read_text(encoding="utf-8")) if there else tomlkit.document()
    for key, said in already.items():
        known["measures"][key] = {name: said[name] for name in STATED if name in said} | known["measures"].get(key, {})
    clinic = {name: getattr(args, name) for name in ("name", "author") if getattr(args, name)}
    document |= ({"clinic": clinic} if clinic else {}) | known
    args.out.write_text(tomlkit.dumps(document), encoding="utf-8")
    print(f"{'Renewed' if there else 'Written'}: {args.out} (tests with an error or MCID: "
          f"{estimated}, with a programme's spread: {len(known['programme'])}).")  # fmt: skip
    for text in missing_words(audited):
        print(in_words(text))
    return 0 if estimated else 1
