"""``truechange inspect``, ``template``, ``measures``, ``validate``, ``notebooks``: files, tests, worked examples."""

import argparse
import json
import os
import sys
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from truechange.cli.shared import print_json, print_rows, progress, reading
from truechange.foundation.errors import ChoiceError, OutcomeError, listed, needs
from truechange.foundation.numbers import people

if TYPE_CHECKING:
    import pandas as pd

    from truechange.records.reading import Records
    from truechange.validation.run import Check

SHOWN, PLACES = 40, 3
# The ninth notebook stays in the repository beside its data, a genuine trial under another licence.
FOLDERS = {"notebooks": ("0[1-8]_*.ipynb", "*.md"), "data_synthetic": ("*.csv", "*.xlsx", "*.json", "*.md")}


def run_inspect(args: argparse.Namespace) -> int:
    """Say what is wrong in a clinic's file, where, and how to mend it; return 1 when something needs a person."""
    from truechange.records.reading import read

    if args.fix and args.pseudonyms:
        raise ChoiceError("--fix would copy names as they stand; delete the names first, or leave out --fix.")
    path = Path(args.file)
    with progress(2, f"reading {path.name}") as step:
        step(f"reading and checking {path.name}")
        new = args.map and args.words is not None and not args.words.exists()
        records = read(path, **reading(args) | ({"words": None} if new else {}))
        step("writing copies")
        written = _write_copies(path, records, args)
    if args.json:
        print_json(_as_json(records, written))
    else:
        _print_problems(records, notes=args.notes)
        print(*written.values(), sep="\n", end="\n" if written else "")
    return int(records.needs_a_person)


def _write_copies(path: Path, records: "Records", args: argparse.Namespace) -> dict[str, str]:
    """Write the copies asked for; return a line about each."""
    from truechange.records.copies import write_marked, write_repaired
    from truechange.records.synonyms import FILE, write_map

    written = {}
    if args.map:
        word_map = args.words or (path if path.is_dir() else path.parent) / FILE
        lines = write_map(word_map, records.unmapped, records.columns)
        written["map"] = f"Word map: {word_map}, {people(lines, 'lines', 'line')} to fill in."
    suffix = "" if path.is_dir() else path.suffix
    base = path.with_suffix("") if suffix else path
    marked_unasked = not args.json and path.suffix.lower() != ".parquet"
    if records.needs_a_person and (args.marked or marked_unasked):
        copy = write_marked(path, records, args.marked or f"{base}_marked.xlsx", pseudonyms=args.pseudonyms)
        written["marked"] = f"Marked copy: {copy} (the original is as it was)."
    if args.fix:
        repairs = write_repaired(path, records, f"{base}_repaired{suffix}")
        count = people(len(repairs), "repairs", "repair")
        written["repaired"] = f"Repaired copy: {base}_repaired{suffix}, {count} that lost nothing."
        if not args.json:
            _print_frame(repairs)
    return written


def _as_json(records: "Records", written: dict[str, str]) -> dict[str, object]:
    ledger, frames = records.ledger, ("unmapped", "columns", "words", "problems")
    return {
        "file": records.name, "needs_a_person": records.needs_a_person,
        "rows_read": ledger.rows_read, "rows_used": ledger.rows_used,
        "set_aside": ledger.set_aside.to_dict("records"),
        "counts": records.problems.groupby("kind").size().to_dict(),
        **{name: getattr(records, name).to_dict("records") for name in frames}, "written": written,
    }  # fmt: skip


def _print_problems(records: "Records", *, notes: bool) -> None:
    problems = records.problems
    only_notes = problems["severity"] == "note"
    taken = records.columns[["sheet", "column", "holds"]]
    _print_frame(taken.assign(holds=taken["holds"].str.strip("{} ").str.replace('"', "") + records.columns["sure"].map(
        {True: "", False: " ?"})).rename(columns={"holds": "is taken for"}))  # fmt: skip
    shown = problems if notes else problems[~only_notes]
    where = shown["column"] + " " + shown["row"].astype(str)
    alike = shown.assign(where=where).groupby(["severity", "sheet", "problem", "remedy"], sort=False)["where"]
    places = alike.agg(lambda cells: ", ".join(cells.head(PLACES)) + " ..." * (len(cells) > PLACES))
    frame = alike.size().reset_index(name="cells").assign(first=places.to_numpy())
    frame["problem → remedy"] = frame["problem"] + " → " + frame["remedy"]
    _print_frame(frame[["severity", "sheet", "cells", "first", "problem → remedy"]], None if notes else SHOWN)
    counts = problems.groupby(["severity", "kind"], sort=False).size().reset_index(name="count")
    if len(counts):
        print()
        _print_frame(counts.assign(kind=counts["kind"].str.replace("_", " ")))
    print("", *records.sentences(), sep="\n")
    for row in records.unmapped.to_dict("records"):
        guess = f" ({row['guess']}?)" if row["guess"] else ""
        rows = people(row["rows"], "rows", "row")
        print(f"Not understood: {row['column']} “{row['word']}”, {rows}{guess}. --map writes clinic.toml to fill in.")
    if only_notes.any() and not notes:
        print(f"{people(only_notes.sum(), 'notes', 'note')} on what was read without loss: --notes shows them.")
    print("Nothing needs a person." if not records.needs_a_person else "Something needs a person: see above.")


def _print_frame(frame: "pd.DataFrame", most: int | None = None) -> None:
    if len(frame):
        print_rows(list(frame.columns), list(frame.head(most or len(frame)).itertuples(index=False)))
    if most and len(frame) > most:
        print(f"... and {len(frame) - most} more kinds, all of them in the marked copy.")


def run_template(args: argparse.Namespace) -> int:
    """Write the empty workbook to fill in; return the exit status."""
    from truechange.records.copies import write_template

    workbook = write_template(args.file, visits=args.visits)
    sheet = "visits, one row a person and visit" if args.visits else "assessments at least"
    print(f"{workbook}: fill in the sheet {sheet}, then: truechange inspect {workbook}")
    return 0


def run_measures(args: argparse.Namespace) -> int:
    """Print the tests, one test in full, or what was published about it; return the exit status."""
    from truechange.measures.catalogue import OWN, list_measures, measure
    from truechange.measures.literature import published

    if args.published:
        frame = published(args.measure, None if args.published == "all" else args.published)
    elif args.measure:
        one = measure(args.measure)
        if args.json:
            print_json({name: getattr(one, name) for name in one.__slots__}, default=dict)
            return 0
        print(f"{one.name} ({one.key}): {one.unit or 'no unit'}, {one.better} is better")
        print(f"Read to {one.resolution:g}; refused outside {one.hard_low:g} to {one.hard_high:g}, ", end="")
        print(f"questioned outside {one.soft_low:g} to {one.soft_high:g}.")
        print(f"Two scores are compared only if these match: {', '.join(one.protocol) or 'nothing beyond the test'}.")
        print(*(f"  - {caution}\n" for caution in one.cautions), sep="", end="")
        if one.key not in OWN:
            print(f"Published values: truechange measures {one.key} --published")
        return 0
    else:
        frame = list_measures()
    if args.json:
        print(frame.to_json(orient="records", indent=1, force_ascii=False))
    elif args.published:
        _print_published(frame)
    else:
        rows = frame.reset_index()[["measure", "name", "unit", "better"]]
        print_rows(("key", "test", "unit", "better"), rows.to_numpy().tolist())
        print("\nOne test in full: truechange measures chair_stand_30s")
    return 0


def _print_published(values: "pd.DataFrame") -> None:
    if values.empty:
        print("No published value of that kind is known here.")
        return
    for row in values.to_dict("records"):
        has = {name for name, cell in row.items() if cell == cell and cell != ""}
        interval = f" ({row['ci_low']:g} to {row['ci_high']:g})" if "ci_low" in has else ""
        people = f", n = {row['n']:.0f}" if "n" in has else ""
        unit = f" {row['unit']}" if row["unit"] == row["unit"] else ""
        print(f"{row['measure']} {row['quantity']}: {row['value']:g}{unit}{interval} [{row['status']}]")
        print(f"    {row['population']}{people}; {row['citation']}")
        for name, words in {"why_not": "not used: ", "note": "", "seen": "looked up: "}.items():
            if name in has:
                print(f"    {words}{row[name]}")
    print("\nA value holds for its population, protocol and time between tests; prefer one from your own retests.")


def run_validate(args: argparse.Namespace) -> int:
    """Recompute the worked examples, write the page; return 1 if anything disagrees."""
    from truechange.validation.run import DISAGREES, all_checks, checks_table, headline, page

    waiting = list(all_checks((args.only or "").lower()))
    if not waiting:
        raise ChoiceError(f"No case or topic contains {args.only!r}; run without --only to see them all.")
    checks: list[Check] = []
    with progress(len(waiting), "worked examples") as step:
        for name, work in waiting:
            step(name)
            checks += work()
    args.out.parent.mkdir(parents=True, exist_ok=True)
    args.out.write_text(page(checks), encoding="utf-8")
    if args.json:
        rows = checks_table(checks).to_json(orient="records", double_precision=15)
        print_json({"headline": headline(checks), "checks": json.loads(rows)})
    else:
        print(headline(checks))
        _print_checks(checks)
        print(f"\nThe page: {args.out}")
    return int(any(check.verdict == DISAGREES for check in checks))


def _print_checks(checks: "list[Check]") -> None:
    from truechange.validation.run import AGREES, not_computed

    for case, rows in groupby((check for check in checks if check.digits is not None), key=lambda check: check.case):
        of_case = list(rows)
        first, agree = of_case[0], {check.verdict for check in of_case} == {AGREES}
        print(f"\n{case} [{first.came}] {first.source}\n  ours through {first.by}")
        if agree and len(of_case) > SHOWN:
            least = min(check.digits or 0 for check in of_case)
            print(f"  {len(of_case)} numbers agree, to {least} digits or more; the page has each")
            continue
        for check in of_case:
            digits, why = f"{check.digits} digits", f": {check.reason}" * bool(check.reason)
            said = f"{check.printed:>18}  ours {check.ours:<18.10g} {digits:<12} {check.verdict}{why}"
            print(f"  {check.name:<28} {said}")
    if spare := not_computed(checks):
        print("\nPrinted numbers that were not computed, and why")
        print("\n".join(f"  {line}" for line in spare))


def run_notebooks(args: argparse.Namespace) -> int:
    """Copy and say how to open them."""
    targets = [args.dir / folder / source.name for folder in FOLDERS for source in _sources(folder)]
    there = [str(target) for target in targets if target.exists()]
    if there and not args.overwrite:
        raise OutcomeError(f"Already there: {listed(there)}. Choose another folder, or add --overwrite.")
    for folder in FOLDERS:
        copy_material(folder, args.dir / folder)
    books = sum(target.suffix == ".ipynb" for target in targets)
    print(f"{books} notebooks and their invented data are in {args.dir}.")
    print(f"Open them with: python -m jupyter lab {args.dir / 'notebooks'} (extra: truechange[notebooks]).")
    return 0


def copy_material(folder: str, target: Path) -> None:
    """Copy the stored files of ``notebooks`` or ``data_synthetic`` into `target`, replacing those of the same name."""
    from shutil import copyfile

    target.mkdir(parents=True, exist_ok=True)
    for source in _sources(folder):
        copyfile(source, target / source.name)


def _sources(folder: str) -> list[Path]:
    """List the files to copy: from the wheel's own copy, or from the top of a checkout."""
    for place in (Path(__file__).parent / "material", Path(__file__).parents[3]):
        if all((place / name).is_dir() for name in FOLDERS):
            return [path for pattern in FOLDERS[folder] for path in sorted((place / folder).glob(pattern))]
    raise OutcomeError("This copy of truechange came without its notebooks; install it from its wheel or a checkout.")


def notebook_page(path: Path, seconds: int = 300) -> str:
    """Run a notebook in its own folder and return one self-contained HTML page: no script, no network, no code.

    Parameters
    ----------
    path : Path
        The notebook; it is read, never written.
    seconds : int, optional
        Longest time one cell may take.

    Raises
    ------
    OutcomeError
        A cell failed: the message names the notebook and the last line of the error.
    MissingPartError
        The extra ``notebooks`` is not installed.
    """
    import asyncio  # here, as each of these two would slow the help of every command of this module

    from truechange.foundation.drawing import document

    try:
        import nbformat
        from nbclient import NotebookClient
        from nbclient.exceptions import CellExecutionError
        from nbconvert import HTMLExporter
    except ImportError as missing:
        raise needs("What runs notebooks", "notebooks") from missing

    if sys.platform == "win32":  # the kernel's sockets need the selector loop there
        asyncio.set_event_loop_policy(asyncio.WindowsSelectorEventLoopPolicy())
    book = nbformat.read(path, as_version=4)
    quiet = ["--IPKernelApp.log_level=40"]  # loopback is meant: no warning a notebook about it
    place = {"metadata": {"path": str(path.parent)}}
    one_thread = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}  # notebooks run beside each other
    client = NotebookClient(
        book, timeout=seconds, record_timing=False, kernel_name="python3", extra_arguments=quiet, resources=place
    )
    try:
        # a loop of its own, closed after it: pages are made two at a time
        asyncio.run(client.async_execute(env=one_thread | dict(os.environ)))
    except CellExecutionError as failed:
        last = str(failed).strip().splitlines()[-1]
        raise OutcomeError(f"{path.name} stopped: {last}") from failed
    hidden = ("exclude_input", "exclude_input_prompt", "exclude_output_prompt", "exclude_anchor_links")
    body, _ = HTMLExporter(template_name="basic", **dict.fromkeys(hidden, True)).from_notebook_node(book)
    words = [line for cell in book.cells if cell.cell_type == "markdown" for line in cell.source.splitlines()]
    return document(next((line[2:].strip() for line in words if line.startswith("# ")), path.stem), body)
