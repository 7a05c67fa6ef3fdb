"""Run a notebook where it stands and turn it into one self-contained page: no script, no network, code left out."""

import asyncio
import sys
from pathlib import Path

from truechange.foundation.errors import OutcomeError, needs
from truechange.foundation.html import document


def notebook_page(path: Path, seconds: int = 300) -> str:
    """Execute the notebook at `path` in its own folder and return its page as HTML.

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
        client.execute()
    except CellExecutionError as failed:
        last = str(failed).strip().splitlines()[-1]
        raise OutcomeError(f"{path.name} stopped: {last}") from failed
    exporter = HTMLExporter(template_name="basic", exclude_input=True, exclude_input_prompt=True)
    exporter.exclude_output_prompt = True
    exporter.exclude_anchor_links = True
    body, _ = exporter.from_notebook_node(book)
    return document(_title(book, path), body)


def _title(book: object, path: Path) -> str:
    for cell in book.cells:  # type: ignore[attr-defined]
        for line in cell.source.splitlines():
            if cell.cell_type == "markdown" and line.startswith("# "):
                return line[2:].strip()
    return path.stem
