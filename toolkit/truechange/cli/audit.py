"""``truechange audit`` and ``settings``: a clinic's file in; a report for its lead, or its own numbers, out."""

import argparse
import sys
from typing import Any

from truechange.cli.shared import progress, reading
from truechange.foundation.entry import FIELDS
from truechange.foundation.errors import ChoiceError

PASSED_ON = ("primary", "programme", "compare", "subgroups", "trials", "as_of", "weeks", "seed", "label_seed")
STATED = ("entry", "target", "mcid_worse")  # what only the clinic can say of a test
STAMPED = (
    *("before", "after", "measures", "primary", "programme", "compare"),
    *("seed", "resamples", "trials", "as_of", "weeks", "dates"),
)


def run_audit(args: argparse.Namespace) -> int:
    """Read, audit, write; 1 when rows had to be set aside as errors."""
    from truechange.programme import audit
    from truechange.records import read
    from truechange.reporting.audit_report import audit_json, write_audit
    from truechange.reporting.audit_tables import in_words
    from truechange.reporting.files import stamp
    from truechange.reporting.thresholds import read_thresholds

    with progress(16, "reading") as step:
        step(f"reading {args.file.name}")
        records = read(args.file, **reading(args))
        tests = args.measures or set(records.assessments["measure"])
        audited = audit(
            records,
            args.before,
            args.after,
            args.measures,
            **{name: getattr(args, name) for name in PASSED_ON},
            thresholds=read_thresholds(args.thresholds, tests) if args.thresholds else None,
            retest=read(args.retest, **reading(args)).assessments if args.retest else None,
            entry=_entry_rules(args.entry),
            n_boot=args.resamples,
            on_step=step,
        ).public(small_cells=args.show_small_cells, names=args.show_therapists)
        made = stamp([path for path in (args.file, args.retest, args.thresholds) if path], _options(args))
        written, left_out = write_audit(audited, args.out, stamp=made, step=step) if args.out else ((), ())
    if args.json:
        print(audit_json(audited, stamp=made), end="")
    else:
        sentences = (*audited.sentences(), *(f"Caution: {text}" for text in audited.cautions))
        print("\n".join(map(in_words, sentences)))
        if written:
            print("\nWritten:", *written, sep="\n  ")
    print(*left_out, *records.cautions, sep="\n", file=sys.stderr)
    return int((records.problems["severity"] == "error").any())


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
    options |= {"subgroups": " ".join(args.subgroups) or None, "entry": "; ".join(map(" ".join, args.entry)) or None}
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
        held = settings(str(args.out)).measures if there else {}
        here = held.keys() & set(records.assessments["measure"])
        rules = {key: held[key]["entry"] for key in here if "entry" in held[key]}
        choices = {"programme": args.programme, "retest": retest, "trials": args.trials, "entry": rules}
        audited = audit(records, args.before, args.after, **choices, on_step=step)
    known = own_numbers(audited)
    estimated = len(known["measures"])
    document = tomlkit.parse(args.out.read_text(encoding="utf-8")) if there else tomlkit.document()
    for key, said in held.items():
        known["measures"][key] = {name: said[name] for name in STATED if name in said} | known["measures"].get(key, {})
    clinic = {name: getattr(args, name) for name in ("name", "author") if getattr(args, name)}
    document |= ({"clinic": clinic} if clinic else {}) | known
    args.out.write_text(tomlkit.dumps(document), encoding="utf-8")
    print(f"{'Renewed' if there else 'Written'}: {args.out} (tests with an error or MCID: "
          f"{estimated}, with a programme's spread: {len(known['programme'])}).")  # fmt: skip
    for text in missing_words(audited):
        print(in_words(text))
    return 0 if estimated else 1
