"""``truechange notebooks``: the notebooks with their small data, to open and to change; and a notebook as a page."""

import argparse
import shutil
from pathlib import Path

from truechange.foundation.errors import OutcomeError, listed, needs

# The ninth notebook stays in the repository beside its data, a genuine trial under another licence.
FOLDERS = {"notebooks": ("0[1-8]_*.ipynb", "*.md"), "data_synthetic": ("*.csv", "*.xlsx", "*.json", "*.md")}


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
    target.mkdir(parents=True, exist_ok=True)
    for source in _sources(folder):
        shutil.copyfile(source, target / source.name)


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
    import asyncio
    import sys

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
    client = NotebookClient(
        book,
        timeout=seconds,
        record_timing=False,
        kernel_name="python3",
        extra_arguments=["--IPKernelApp.log_level=40"],  # loopback is meant: no warning a notebook about it
        resources={"metadata": {"path": str(path.parent)}},
    )
    try:
        asyncio.run(client.async_execute())  # a loop of its own, closed after it: pages are made two at a time
    except CellExecutionError as failed:
        last = str(failed).strip().splitlines()[-1]
        raise OutcomeError(f"{path.name} stopped: {last}") from failed
    exporter = HTMLExporter(template_name="basic", exclude_input=True, exclude_input_prompt=True)
    exporter.exclude_output_prompt = True
    exporter.exclude_anchor_links = True
    body, _ = exporter.from_notebook_node(book)
    words = [line for cell in book.cells if cell.cell_type == "markdown" for line in cell.source.splitlines()]
    title = next((line[2:].strip() for line in words if line.startswith("# ")), path.stem)
    return document(title, body)
