"""``truechange inspect``: what is wrong in a clinic's file, where, and how to mend it."""

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from truechange.cli.reading import add_reading, reading
from truechange.foundation.errors import ChoiceError

if TYPE_CHECKING:
    import pandas as pd

    from truechange.records import Records

HELP = "check a workbook or CSV file cell by cell, and write a marked copy"
EXAMPLE = (
    "examples:\n"
    "  truechange inspect data_synthetic/clinic_messy.xlsx --marked marked.xlsx\n"
    "  truechange inspect data_synthetic/assessments.csv --json\n"
    "Exit status 0: nothing needs a person; 1: something does."
)
SHOWN = 40


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of the command on `parser`."""
    parser.add_argument("file", metavar="FILE", help="workbook (.xlsx), text (.csv), parquet, or a folder of CSV files")
    add_reading(parser)
    parser.add_argument("--map", action="store_true", help="write unknown words into clinic.toml, to be filled in")
    parser.add_argument("--fix", choices=("safe",), help="also write a copy with the repairs that lose nothing")
    parser.add_argument("--notes", action="store_true", help="also show what was read without loss")
    parser.add_argument("--marked", metavar="COPY.xlsx", help="name of the marked copy (default FILE_marked.xlsx)")
    parser.add_argument("--json", action="store_true", help="print for another program; writes no copy unless named")


def run(arguments: argparse.Namespace) -> int:
    """Check the file and print what was found; return 1 when something needs a person."""
    from truechange.cli.progress import progress
    from truechange.records import read

    if arguments.fix and arguments.pseudonyms:
        raise ChoiceError("--fix would copy names as they stand; delete the names first, or leave out --fix.")
    path = Path(arguments.file)
    with progress(2, f"reading {path.name}") as step:
        step(f"reading and checking {path.name}")
        records = read(path, **reading(arguments))
        step("writing copies")
        written = _copies(path, records, arguments)
    if arguments.json:
        print(json.dumps(_as_json(records, written), indent=1, ensure_ascii=False))
    else:
        _show(records, notes=arguments.notes)
        for line in written.values():
            print(line)
    return int(records.needs_a_person)


def _copies(path: Path, records: "Records", arguments: argparse.Namespace) -> dict[str, str]:
    """Write the copies asked for; return a line about each."""
    from truechange.records.marked import write_marked, write_repaired
    from truechange.records.words import FILE, write_map

    written = {}
    if arguments.map:
        place = arguments.words or (path if path.is_dir() else path.parent) / FILE
        written["map"] = f"Word map: {place}, {write_map(place, records.unmapped)} words to fill in."
    kind = "" if path.is_dir() else path.suffix
    base = path.with_suffix("") if kind else path
    wanted = not arguments.json and path.suffix.lower() != ".parquet"
    if records.needs_a_person and (arguments.marked or wanted):
        copy = write_marked(path, records, arguments.marked or f"{base}_marked.xlsx", pseudonyms=arguments.pseudonyms)
        written["marked"] = f"Marked copy: {copy} (the original is as it was)."
    if arguments.fix:
        made = write_repaired(path, records, f"{base}_repaired{kind}")
        written["repaired"] = f"Repaired copy: {base}_repaired{kind}, {len(made)} repairs that lose nothing."
        if not arguments.json:
            _print_frame(made, len(made))
    return written


def _as_json(records: "Records", written: dict[str, str]) -> dict[str, object]:
    ledger = records.ledger
    return {
        "file": records.name,
        "needs_a_person": records.needs_a_person,
        "rows_read": ledger.rows_read,
        "rows_used": ledger.rows_used,
        "set_aside": ledger.set_aside.to_dict("records"),
        "counts": records.problems.groupby("kind").size().to_dict(),
        "unmapped": records.unmapped.to_dict("records"),
        "words": records.words.to_dict("records"),
        "problems": records.problems.to_dict("records"),
        "written": written,
    }


def _show(records: "Records", *, notes: bool) -> None:
    problems = records.problems
    shown = problems[problems["severity"] != "note"]
    listed = shown[["severity", "sheet", "row", "column", "value"]]
    _print_frame(listed.assign(**{"problem → remedy": shown["problem"] + " → " + shown["remedy"]}), SHOWN)
    if notes:  # alike ones together: "F read as female, 160 cells"
        alike = problems[problems["severity"] == "note"].groupby(["sheet", "column", "problem"], sort=False).size()
        _print_frame(alike.reset_index(name="cells"), len(alike))
    counts = problems.groupby(["severity", "kind"], sort=False).size().reset_index(name="count")
    if len(counts):
        print()
        _print_frame(counts.assign(kind=counts["kind"].str.replace("_", " ")), len(counts))
    print()
    print("\n".join(records.sentences()))
    for row in records.unmapped.itertuples():
        guess = f" ({row.guess}?)" if row.guess else ""
        print(
            f"Not understood: {row.column} “{row.word}”, {row.rows} rows{guess}. --map writes clinic.toml to fill in."
        )
    quiet = int((problems["severity"] == "note").sum())
    if quiet and not notes:
        print(f"{quiet} notes on what was read without loss: --notes shows them.")
    print("Nothing needs a person." if not records.needs_a_person else "Something needs a person: see above.")


def _print_frame(frame: "pd.DataFrame", most: int) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(*frame.columns, box=None, pad_edge=False)
    for row in frame.head(most).itertuples(index=False):
        table.add_row(*(Text(str(value)) for value in row))
    console = Console(highlight=False)
    if len(frame):
        console.print(table)
    if len(frame) > most:
        print(f"... and {len(frame) - most} more, all of them in the marked copy.")
