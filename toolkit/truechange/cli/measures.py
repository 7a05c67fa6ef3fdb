"""``truechange measures``: the tests, how they must be done to be compared, and what was published about them."""

import argparse
import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

HELP = "list the tests, their protocols, cautions and published values"
EXAMPLE = "example:\n  truechange measures chair_stand_30s --published mdc95"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of the command on `parser`."""
    parser.add_argument("measure", nargs="?", help="one test by its key; without it all are listed")
    parser.add_argument(
        "--published",
        metavar="QUANTITY",
        nargs="?",
        const="all",
        help="published values of it: icc, sem, mdc90, mdc95, mic ... or all",
    )
    parser.add_argument("--json", action="store_true", help="print for another program")


def run(arguments: argparse.Namespace) -> int:
    """Print what was asked for; return the exit status."""
    from truechange.measures import list_measures

    if arguments.published:
        quantity = None if arguments.published == "all" else arguments.published
        return _print_published(arguments.measure, quantity, as_json=arguments.json)
    if arguments.measure:
        return _print_one(arguments.measure, as_json=arguments.json)
    frame = list_measures()
    if arguments.json:
        print(frame.to_json(orient="records", indent=1, force_ascii=False))
        return 0
    from rich.table import Table

    table = Table("key", "test", "unit", "better", box=None, pad_edge=False)
    for row in frame.reset_index().to_dict("records"):
        table.add_row(row["measure"], row["name"], row["unit"], row["better"])
    _console().print(table)
    print("\nOne test in full: truechange measures chair_stand_30s")
    return 0


def _console() -> "Console":
    from rich.console import Console as RichConsole

    return RichConsole(highlight=False)


def _print_one(key: str, *, as_json: bool) -> int:
    from truechange.measures import measure

    one = measure(key)
    if as_json:
        print(
            json.dumps({name: getattr(one, name) for name in one.__slots__}, indent=1, ensure_ascii=False, default=dict)
        )
        return 0
    print(f"{one.name} ({one.key}): {one.unit or 'no unit'}, {one.better} is better")
    print(f"Read to {one.resolution:g}; refused outside {one.hard_low:g} to {one.hard_high:g}, ", end="")
    print(f"questioned outside {one.soft_low:g} to {one.soft_high:g}.")
    print(
        "Two scores are compared only if these match: " + (", ".join(one.protocol) or "nothing beyond the test") + "."
    )
    for caution in one.cautions:
        print(f"  - {caution}")
    print(f"Published values: truechange measures {one.key} --published")
    return 0


def _print_published(key: str | None, quantity: str | None, *, as_json: bool) -> int:
    from truechange.measures import published

    frame = published(key, quantity)
    if as_json:
        print(frame.to_json(orient="records", indent=1, force_ascii=False))
        return 0
    if frame.empty:
        print("No published value of that kind is known here.")
        return 0
    for row in frame.to_dict("records"):
        interval = f" ({row['ci_low']:g} to {row['ci_high']:g})" if row["ci_low"] == row["ci_low"] else ""
        people = f", n = {row['n']:.0f}" if row["n"] == row["n"] else ""
        unit = "" if row["unit"] != row["unit"] else f" {row['unit']}"
        print(f"{row['measure']} {row['quantity']}: {row['value']:g}{unit}{interval} [{row['status']}]")
        print(f"    {row['population']}{people}; {row['citation']}")
        if row["note"] == row["note"] and row["note"]:
            print(f"    {row['note']}")
    print("\nA value holds for its population, protocol and time between tests; prefer one from your own retests.")
    return 0
