"""Text files: how large, which encoding, which separator; well-formed ones in one go, others row by row."""

import csv
import gzip
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from truechange.foundation.errors import DataError
from truechange.records.coded import Coded
from truechange.records.header import LOOKED_AT, find_header
from truechange.records.rules import LIMITS, TOO_LARGE

SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
WORTHWHILE = 1 << 20  # bytes; below it the row-by-row reader is as quick
_MARKS = {b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16", b"\xef\xbb\xbf": "utf-8-sig"}


class Text(NamedTuple):
    """A text file: its bytes as UTF-8, what separates its cells, and how it was read when that is worth saying."""

    data: bytes
    separator: str
    how: str

    def rows(self, first: int | None = None) -> list[list[str]]:
        """Return the rows of cells, all or only the first ones.

        Raises
        ------
        DataError
            The file is no table (a cell without end).
        """
        text = self.data.decode() if first is None else self.data[:200_000].decode(errors="ignore")
        lines = io.StringIO(text, newline="") if first is None else text.splitlines()[:first]
        try:
            return [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=self.separator)]
        except csv.Error as trouble:
            raise DataError(f"The file cannot be read as a table ({trouble}). Export it again as CSV.") from trouble


def open_text(place: Path) -> Text:
    """Read, unpack and decode a text file and find its separator.

    Raises
    ------
    DataError
        It is damaged, not text, or larger than the limits.
    """
    data, encoding = _decoded(_unpacked(place), place.name)
    if data[:4].lower() == b"sep=":
        data = data.split(b"\n", 1)[-1]
    tried = {mark: Text(data, mark, "").rows(LOOKED_AT) for mark in SEPARATORS}
    separator = max(SEPARATORS, key=lambda mark: (find_header(tried[mark])[1], sum(map(len, tried[mark][:5]))))
    said = [f"{SEPARATORS[separator]}-separated"] * (separator != ",") + [f"{encoding} text"] * (encoding != "utf-8")
    return Text(data, separator, ", ".join(said))


def quick_columns(opened: Text) -> tuple[int, list[str], list[Coded]] | None:
    """Return place of the header, header and columns of a large well-formed file; None otherwise or without pyarrow."""
    try:
        import pyarrow as pa
        from pyarrow import csv as arrow
    except ImportError:
        return None
    if len(opened.data) < WORTHWHILE:
        return None
    first = opened.rows(LOOKED_AT)
    at, _ = find_header(first)
    header = first[at] if first else []
    quoted = b'"' in opened.data
    odd = quoted and any('"' in cell or "\n" in cell for row in first[: at + 1] for cell in row)
    if odd or not header or not all(header):
        return None
    names = [str(place) for place in range(len(header))]
    try:
        table = arrow.read_csv(
            pa.BufferReader(pa.py_buffer(opened.data)),
            arrow.ReadOptions(skip_rows=at + 1, column_names=names),
            arrow.ParseOptions(delimiter=opened.separator, newlines_in_values=quoted, ignore_empty_lines=False),
            arrow.ConvertOptions(
                column_types=dict.fromkeys(names, pa.dictionary(pa.int32(), pa.string())),
                strings_can_be_null=True,
                null_values=[""],
            ),
        )
    except pa.ArrowInvalid:
        return None
    columns = []
    for name in names:
        whole = table.column(name).unify_dictionaries().combine_chunks()
        codes = whole.indices.fill_null(-1).to_numpy(zero_copy_only=False)
        columns.append(Coded.of(codes, whole.dictionary.to_pylist()))
    return at, header, columns


def _unpacked(place: Path) -> bytes:
    most = LIMITS["text_mb"] << 20
    try:
        with gzip.open(place) if place.suffix.lower() == ".gz" else place.open("rb") as stream:
            data = stream.read(most + 1)
    except (OSError, EOFError) as trouble:
        raise DataError(f"{place.name} is damaged ({trouble}). Export or copy it again.") from trouble
    if len(data) > most or data.count(b"\n") > LIMITS["rows"]:
        raise DataError(
            f"{place.name} is too large to check row by row "
            f"(more than {LIMITS['rows']:,} rows or {LIMITS['text_mb']} MB). {TOO_LARGE}"
        )
    return data


def _decoded(data: bytes, name: str) -> tuple[bytes, str]:
    """Return the bytes as UTF-8 without byte-order mark, and the encoding they came in."""
    known = next((coding for mark, coding in _MARKS.items() if data.startswith(mark)), "")
    if not known and b"\x00" in data[:200]:
        known = "utf-16-le" if data[1:2] == b"\x00" else "utf-16-be" if data[:1] == b"\x00" else "binary"
    for coding in (known,) if known else ("utf-8", "cp1252", "latin-1"):
        try:
            text = data.decode(coding)
        except (UnicodeDecodeError, LookupError):
            continue
        return data if coding == "utf-8" else text.encode(), coding.removesuffix("-sig")
    raise DataError(f"{name} is not a text file. Export it as CSV (UTF-8) or save it as .xlsx.")


def filled(columns: Sequence[Coded]) -> Any:
    """Return which rows hold anything."""
    return np.logical_or.reduce([~column.empty for column in columns])
