"""Files that are whole or not there, and the stamp that tells how to get the same numbers again (reproducibility)."""

import os
import platform
import re
import shutil
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from tempfile import mkdtemp
from typing import TYPE_CHECKING, Any
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from truechange.foundation.errors import MissingPartError, OutcomeError
from truechange.records.copies import inert_frame

if TYPE_CHECKING:
    import pandas as pd

LIBRARIES = ("numpy", "pandas", "scipy", "statsmodels")


@dataclass(frozen=True)
class Stamp:
    """The reproducibility stamp of one run.

    Parameters
    ----------
    rows : tuple of (str, str)
        Fact and its value, in the order they are shown.
    """

    rows: tuple[tuple[str, str], ...]

    @property
    def software(self) -> str:
        """Programs and versions, in one clause."""
        return ", ".join(f"{name} {value}" for name, value in self.rows if name in ("truechange", "Python", *LIBRARIES))


def stamp(files: Iterable[Path] = (), options: Mapping[str, object] | None = None) -> Stamp:
    """Collect the stamp.

    Parameters
    ----------
    files : iterable of Path
        Input files; their names (not their folders) and SHA-256 are stamped. A folder stamps its files.
    options : mapping, optional
        Settings of the run, the seed among them; ``None`` values are left out.
    """
    from truechange import __version__

    rows: list[tuple[str, str]] = [("truechange", __version__), ("Python", platform.python_version())]
    rows += [(name, version(name)) for name in LIBRARIES]
    for given in files:
        path = Path(given)
        for one in sorted(p for p in path.iterdir() if p.is_file()) if path.is_dir() else [path]:
            rows.append((f"SHA-256 of {one.name}", _digest(one)))
    rows += [(name.replace("_", " "), str(value)) for name, value in (options or {}).items() if value is not None]
    return Stamp(tuple(rows))


def _digest(path: Path) -> str:
    found = sha256()
    with path.open("rb") as handle:
        while piece := handle.read(1 << 20):
            found.update(piece)
    return found.hexdigest()


SHARES = {
    "share", "share_low", "share_high", "true_share", "true_share_low", "true_share_high", "share_of_due", "shrunken",
    "limit95_low", "limit95_high", "limit998_low", "limit998_high",
}  # fmt: skip
MEANS = ("mean", "sd", "estimate", "low", "high", "threshold")
EPOCH = (1980, 1, 1, 0, 0, 0)
CLOCK = re.compile(rb"(<dcterms:(?:modified|created)[^>]*>)[^<]*")


@contextmanager
def whole_folder(out: Path) -> Iterator[Path]:
    """Yield a folder aside; its files move into `out` only when everything in it is written.

    Raises
    ------
    OutcomeError
        `out` is a file, or its place cannot be written to.
    """
    out = Path(out)
    if out.exists() and not out.is_dir():
        raise OutcomeError(f"{out} is a file; give a folder for the results.")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        aside = Path(mkdtemp(prefix=f".{out.name}-unfinished-", dir=out.parent))
    except OSError as refused:
        raise OutcomeError(f"Nothing can be written at {out}: {refused.strerror}. Choose another folder.") from refused
    try:
        yield aside
        out.mkdir(exist_ok=True)
        for made in sorted(aside.rglob("*")):
            place = out / made.relative_to(aside)
            if made.is_dir():
                place.mkdir(exist_ok=True)
            else:
                os.replace(made, place)
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def write_each(
    writers: Mapping[str, Callable[[Path], Any]], aside: Path, out: Path, step: Callable[[str], None]
) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Write each file aside; return where they will stand, and what was left out because a part is not installed."""
    made, left_out = [], []
    for name, write in writers.items():
        step(f"writing {name}")
        try:
            write(aside / name)
            made.append(Path(out) / name)
        except MissingPartError as missing:
            left_out.append(f"{name} was not written. {missing}")
    return tuple(made), tuple(left_out)


def settle_zip(path: Path) -> None:
    """Rewrite a zip-based file (xlsx, docx) without clocks, so that the same content has the same bytes."""
    with ZipFile(path) as old:
        parts = [(info.filename, CLOCK.sub(rb"\g<1>1980-01-01T00:00:00Z", old.read(info))) for info in old.infolist()]
    with ZipFile(path, "w", ZIP_DEFLATED) as new:
        for name, content in parts:
            new.writestr(ZipInfo(name, EPOCH), content, compress_type=ZIP_DEFLATED)


def _shown_as(column: str, beside: Collection[object], value: float) -> str:
    """Return a spreadsheet's number format: shares as percent, people whole, p to three places, else two."""
    if column in SHARES or (column in ("low", "high", "target") and "share" in beside):
        return "0%"
    if column in ("p", "p_holm", "p_value"):
        return "0.000"
    return "0" if float(value).is_integer() and column not in MEANS else "0.00"


def write_workbook(path: Path, sheets: "Mapping[str, pd.DataFrame]") -> Path:
    """Write tables into one workbook: values unrounded, shown to sensible digits; formulas inert, heads kept in view.

    Parameters
    ----------
    path : Path
        Where the ``.xlsx`` goes.
    sheets : mapping of str to DataFrame
        Sheet name (at most 31 characters) and table; a named index becomes the first column.
    """
    import pandas as pd
    from openpyxl.styles import Font

    with pd.ExcelWriter(path, engine="openpyxl") as writer:
        for name, frame in sheets.items():
            flat = frame if isinstance(frame.index, pd.RangeIndex) else frame.reset_index()
            inert_frame(flat).to_excel(writer, sheet_name=name[:31], index=False)
            sheet = writer.sheets[name[:31]]
            sheet.freeze_panes = "A2"
            beside = set(flat.columns)
            for column, cells in zip(flat.columns, sheet.iter_cols(), strict=True):
                cells[0].font = Font(bold=True)
                longest = max(
                    [len(str(column)), *(len(str(cell.value)) for cell in cells[1:] if cell.value is not None)]
                )
                sheet.column_dimensions[cells[0].column_letter].width = min(60, longest + 2)
                for cell in cells[1:]:
                    if isinstance(cell.value, float | int):
                        cell.number_format = _shown_as(str(column), beside, cell.value)
        writer.book.properties.creator = "truechange"
    settle_zip(Path(path))
    return Path(path)
