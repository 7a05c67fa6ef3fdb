"""What the commands share: their options from one table, how a clinic's file is read, a progress bar, printing."""

import argparse
import csv
import os.path  # pathlib would triple the cost of a cold start
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

FILE = "clinic.toml"  # as in measures.settings, which costs a third of a bare start
HERE = os.path.dirname(__file__)


def purpose_and_example(command: str) -> tuple[str, str]:
    """Return what a command does, in one line, and the examples below its help."""
    with open(os.path.join(HERE, "commands", f"{command}.txt"), encoding="utf-8") as file:
        purpose, _, example = file.read().partition("\n\n")
    return purpose, example


def parser_of(command: str) -> argparse.ArgumentParser:
    """Return the parser of one command, with its options from ``options.csv``."""
    purpose, example = purpose_and_example(command)
    # each new option asks for a formatter, and one without a width loads shutil: a fifth of a bare start
    quick = partial(argparse.RawDescriptionHelpFormatter, width=80)
    parser = argparse.ArgumentParser(
        prog=f"truechange {command}", description=purpose, epilog=example, formatter_class=quick, allow_abbrev=False
    )
    with open(os.path.join(HERE, "options.csv"), encoding="utf-8", newline="") as table:
        for row in csv.DictReader(table):
            if command in row.pop("command").split():
                _add_option(parser, **row)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    return parser


def _path(text: str) -> "Path":
    from pathlib import Path

    return Path(text)


def _one_or_several(text: str) -> str | tuple[str, ...]:
    words = tuple(text.split())
    return words if len(words) > 1 else text


def _number_or_sign(nargs: str) -> int | str:
    return int(nargs) if nargs.isdigit() else nargs


READ_CELL: dict[str, Callable[[str], Any]] = {
    "type": {"int": int, "float": float, "path": _path}.__getitem__,
    "nargs": _number_or_sign,
    "choices": str.split,
    "default": _one_or_several,
    "required": bool,
    "metavar": _one_or_several,
}


def _add_option(parser: argparse.ArgumentParser, option: str, **cells: str) -> None:
    """Add one row of the table; an empty cell says nothing, the default ``empty`` is no text or no values."""
    settings = {column: READ_CELL.get(column, str)(cell) for column, cell in cells.items() if cell}
    if settings.get("default") == "empty":
        settings["default"] = [] if "nargs" in settings or settings.get("action") == "append" else ""
    parser.add_argument(*option.split(), **settings)


def reading(args: argparse.Namespace) -> dict[str, Any]:
    """Return how a clinic's file is read, as arguments of ``truechange.read``."""
    dates = args.dates.replace("-", " ") if args.dates else None
    return {"dates": dates, "pseudonyms": args.pseudonyms, "words": args.words}


def own_tests(args: argparse.Namespace) -> None:
    """Make the tests of one's own known that ``clinic.toml`` here describes, then those of a file of settings named."""
    for path in (FILE, getattr(args, "settings", None), getattr(args, "thresholds", None)):
        if path and os.path.exists(path):
            from truechange.measures.catalogue import declare_all
            from truechange.measures.settings import content_of

            declare_all(str(path), content_of(str(path)).get("tests", {}))


@contextmanager
def progress(total: int, words: str) -> Iterator[Callable[[str], None]]:
    """Yield ``step(words)``, to be called as each of `total` parts begins.

    On a terminal a bar is drawn on standard error; elsewhere, in a file or a pipe, nothing is printed.
    """
    if not sys.stderr.isatty():
        yield lambda _words: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description:<44}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(words, total=total)
        begun = False

        def step(now: str) -> None:
            nonlocal begun
            bar.update(task, description=now[:44], advance=1 if begun else 0)
            begun = True

        yield step
        bar.update(task, completed=total)


def print_json(content: object, **options: Any) -> None:
    """Print for another program."""
    import json

    print(json.dumps(content, indent=1, ensure_ascii=False, **options))


def print_rows(columns: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """Print a table without borders, as wide as the terminal; what stands in brackets is text, not markup."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(*columns, box=None, pad_edge=False)
    for row in rows:
        table.add_row(*(Text(str(value)) for value in row))
    Console(highlight=False).print(table)
