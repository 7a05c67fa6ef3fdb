"""The command ``truechange audit``: a clinic's file in, a report for its lead out."""

import argparse
import sys
from pathlib import Path
from typing import Any

from truechange.cli.progress import progress
from truechange.cli.reading import add_reading, reading
from truechange.foundation.errors import ChoiceError

HELP = "audit a programme from a workbook: who was tested, who changed, by how much, and what that shows"
EXAMPLE = """example:
  truechange audit data_synthetic/clinic.xlsx --out reports/audit --primary chair_stand_30s \\
    --programme "leg power" --retest data_synthetic/retest.csv

A thresholds file names the error and the change that matters, test by test, with their source (TOML):
  [chair_stand_30s]
  sem = 1.0
  mcid = { value = 2.0, low = 1.5, high = 2.6, source = "Author 2020, Journal 1:1-10", population = "knee OA" }
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's words."""
    add = parser.add_argument
    add("file", type=Path, metavar="FILE", help="workbook, CSV file or folder with the clinic's tables")
    add("--out", type=Path, metavar="DIR", help="folder for audit.html, audit.pdf, audit.xlsx and audit.json")
    add("--measures", nargs="+", metavar="TEST", help="tests to audit (default: all with both occasions)")
    add("--primary", metavar="TEST", help="the test that counts, chosen before looking at the data")
    add("--before", default="baseline", help="first occasion (default: baseline)")
    add("--after", default="discharge", help="second occasion (default: discharge)")
    add("--programme", help="programme to audit, where the file holds several")
    add("--compare", metavar="PROGRAMME", help="programme of the comparison group")
    add("--thresholds", type=Path, metavar="FILE", help="TOML file with sem, mcid and practice by test")
    add("--retest", type=Path, metavar="FILE", help="assessments of a retest study of unchanged people")
    add(
        "--entry",
        nargs=4,
        action="append",
        default=[],
        metavar=("TEST", "CUT", "MEAN", "SD"),
        help="people were taken in for a score worse than CUT; mean and SD of everyone who could have been; repeatable",
    )
    add(
        "--subgroups",
        nargs="+",
        default=[],
        metavar="FACT",
        help="columns of the people table by which the difference from the comparison group may differ",
    )
    add("--trials", choices=("refuse", "mean", "best", "first", "last"), default="refuse",
        help="how several trials of one visit become one score (default: refuse)")  # fmt: skip
    add("--as-of", metavar="DATE", help="day of the count, YYYY-MM-DD (default: the latest date in the file)")
    add("--weeks", type=float, help="weeks from start to follow-up (default: by when nine in ten had been tested)")
    add_reading(parser)
    add("--label-seed", type=int, help="of the numbers that stand for therapists (default: others in every report)")
    add("--seed", type=int, default=0, help="of every random step (default: 0)")
    add("--resamples", type=int, default=2000, metavar="N", help="for every resampled interval (default: 2000)")
    add("--show-small-cells", action="store_true", help="do not hide counts of one to four people in breakdowns")
    add("--show-therapists", action="store_true", help="name therapists instead of numbering them")
    add("--json", action="store_true", help="print the audit as JSON instead of sentences")


def run(args: argparse.Namespace) -> int:
    """Read, audit, write; 1 when rows had to be set aside as errors."""
    from truechange.programme import audit
    from truechange.records import read
    from truechange.reporting.audit_report import audit_json, write_audit
    from truechange.reporting.audit_tables import in_words
    from truechange.reporting.stamp import stamp
    from truechange.reporting.thresholds import read_thresholds

    shown = {"small_cells": args.show_small_cells, "names": args.show_therapists}
    with progress(16, "reading") as step:
        step(f"reading {args.file.name}")
        records = read(args.file, **reading(args))
        found = audit(
            records,
            args.before,
            args.after,
            args.measures,
            primary=args.primary,
            programme=args.programme,
            compare=args.compare,
            thresholds=read_thresholds(args.thresholds) if args.thresholds else None,
            retest=read(args.retest, **reading(args)).assessments if args.retest else None,
            entry=_entry(args.entry),
            subgroups=args.subgroups,
            trials=args.trials,
            as_of=args.as_of,
            weeks=args.weeks,
            n_boot=args.resamples,
            seed=args.seed,
            label_seed=args.label_seed,
            on_step=step,
        )
        files = [path for path in (args.file, args.retest, args.thresholds) if path]
        made = stamp(files, _options(args))
        found = found.public(**shown)
        written, left_out = write_audit(found, args.out, stamp=made, step=step) if args.out else ((), ())
    if args.json:
        print(audit_json(found, stamp=made), end="")
    else:
        print("\n".join(map(in_words, (*found.sentences(), *(f"Caution: {text}" for text in found.cautions)))))
        if written:
            print("\nWritten:", *written, sep="\n  ")
    print(*left_out, *records.cautions, sep="\n", file=sys.stderr)
    return int((records.problems["severity"] == "error").any())


def _entry(given: list[list[str]]) -> dict[str, dict[str, float]]:
    rules = {}
    for test, *numbers in given:
        try:
            rules[test] = dict(zip(("cut", "mean", "sd"), map(float, numbers), strict=True))
        except ValueError as trouble:
            raise ChoiceError(f"--entry {test} {' '.join(numbers)}: after the test come three numbers.") from trouble
    return rules


def _options(args: argparse.Namespace) -> dict[str, Any]:
    names = (
        "before",
        "after",
        "measures",
        "primary",
        "programme",
        "compare",
        "seed",
        "resamples",
        "trials",
        "as_of",
        "weeks",
        "dates",
    )
    kept = {name: getattr(args, name) for name in names}
    kept |= {"subgroups": " ".join(args.subgroups) or None, "entry": "; ".join(map(" ".join, args.entry)) or None}
    return kept | {"measures": " ".join(args.measures) if args.measures else "all with both occasions"}
