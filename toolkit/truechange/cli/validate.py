"""``truechange validate``: recompute every worked example and say in how many digits it agrees."""

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from truechange.cli.progress import progress

if TYPE_CHECKING:
    from truechange.validation.run import Check

HELP = "recompute every published example and show source, printed value, our value, digits agreed"
EXAMPLE = "example:\n  truechange validate --only icc --out validation.html"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of the command on `parser`."""
    parser.add_argument("--only", metavar="WORD", help="only cases whose name or topic contains this word")
    parser.add_argument(
        "--out", metavar="PAGE", type=Path, default=Path("reports/validation.html"), help="page to write"
    )
    parser.add_argument("--json", action="store_true", help="print for another program instead of for reading")


def run(arguments: argparse.Namespace) -> int:
    """Run the checks, write the page; return 1 if anything disagrees."""
    from truechange.foundation.errors import ChoiceError
    from truechange.validation.page import checks_table, headline, page
    from truechange.validation.run import DISAGREES

    checks = _checks(arguments)
    if not checks:
        raise ChoiceError(f"No case or topic contains {arguments.only!r}; run without --only to see them all.")
    arguments.out.parent.mkdir(parents=True, exist_ok=True)
    arguments.out.write_text(page(checks), encoding="utf-8")
    if arguments.json:
        rows = checks_table(checks).to_json(orient="records", double_precision=15)
        print(json.dumps({"headline": headline(checks), "checks": json.loads(rows)}, indent=1, ensure_ascii=False))
    else:
        print(headline(checks))
        _print(checks)
        print(f"\nThe page: {arguments.out}")
    return 1 if any(check.verdict == DISAGREES for check in checks) else 0


def _checks(arguments: argparse.Namespace) -> "list[Check]":
    from truechange.validation.run import all_checks

    word = (arguments.only or "").lower()
    waiting = list(all_checks(word))
    checks: list[Check] = []
    with progress(len(waiting), "worked examples") as step:
        for name, work in waiting:
            step(name)
            checks += work()
    return checks


def _print(checks: "list[Check]") -> None:
    from truechange.validation.page import not_computed

    last = ""
    for check in checks:
        if check.digits is None:
            continue
        if check.case != last:
            last = check.case
            print(f"\n{check.case} [{check.came}] {check.source}\n  ours through {check.by}")
        digits = f"{check.digits} digits"
        why = f": {check.reason}" if check.reason else ""
        print(f"  {check.name:<28} {check.printed:>18}  ours {check.ours:<18.10g} {digits:<12} {check.verdict}{why}")
    if spare := not_computed(checks):
        print("\nPrinted numbers that were not computed, and why")
        print("\n".join(f"  {line}" for line in spare))
