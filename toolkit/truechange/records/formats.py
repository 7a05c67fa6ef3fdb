"""From a file to plain sheets: every cell as text, every distinct text kept once, every row with its number."""

import csv
import gzip
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from truechange.foundation.errors import DataError, MissingPartError
from truechange.records.header import LOOKED_AT, find_header
from truechange.records.rules import LIMITS, sheet_names, squeezed
from truechange.records.workbook import workbook_rows

ADVICE = {
    ".xls": "Open it and save it as .xlsx (Excel workbook) or .csv.",
    ".ods": "Save it as .xlsx or .csv.",
    ".numbers": "Export it as .xlsx or .csv.",
    ".sav": "Export it as .csv.",
    ".pdf": "Scores in a PDF cannot be read safely: export them as .xlsx or .csv where they are kept.",
    ".doc": "Copy the table into the template: truechange template FILE.xlsx.",
    ".docx": "Copy the table into the template: truechange template FILE.xlsx.",
}


@dataclass(frozen=True)
class Sheet:
    """One sheet as it is written: header texts, one categorical of texts a column, the row number of each record."""

    name: str
    header: tuple[str, ...]
    columns: tuple[pd.Categorical, ...]
    rows: "np.ndarray[Any, np.dtype[np.int64]]"
    header_row: int
    notes: tuple[tuple[str, int, str, dict[str, Any]], ...] = field(default=())  # kind, row, column, facts


def open_sheets(path: str | Path) -> list[Sheet]:
    """Read every sheet of an .xlsx workbook, a .csv/.tsv/.txt or .parquet file (also .gz), or a folder of such files.

    Raises
    ------
    DataError
        The file is missing, empty, too large, damaged, protected, or of a kind that is not read; says what to do.
    """
    place = Path(path)
    if place.is_dir():
        files = [
            file
            for file in sorted(place.iterdir())
            if squeezed(_stem(file)) in sheet_names() and _suffix(file) in READERS
        ]
        if not files:
            raise DataError(
                f"The folder {place.name} holds no assessments.csv "
                "(people.csv, ratings.csv and sessions.csv may stand beside it)."
            )
        return [sheet for file in files for sheet in open_sheets(file)]
    if not place.is_file():
        raise DataError(f"There is no file {place}. Check the name and the folder.")
    suffix = _suffix(place)
    if suffix not in READERS:
        advice = ADVICE.get(suffix, "Save it as .xlsx or .csv.")
        raise DataError(f"{place.name}: files of the kind {suffix or 'without an ending'} are not read. {advice}")
    if not place.stat().st_size:
        raise DataError(f"{place.name} is empty (0 bytes). Export it again.")
    return READERS[suffix](place)


def _suffix(file: Path) -> str:
    endings = [ending.lower() for ending in file.suffixes]
    return endings[-2] if endings[-1:] == [".gz"] and len(endings) > 1 else "".join(endings[-1:])


def _stem(file: Path) -> str:
    return file.name.split(".")[0]


def sheet_from_rows(
    name: str, rows: Iterable[Sequence[str]], notes: Sequence[tuple[str, int, str, dict]] = ()
) -> Sheet:
    """Return a sheet from rows of texts: the header found, blank rows skipped, one categorical a column."""
    held = list(rows)
    at, _ = find_header(held)
    header = list(held[at]) if held else []
    while header and not header[-1]:
        header.pop()
    width, body = len(header), held[at + 1 :]
    filled = [place for place, row in enumerate(body) if any(row)]
    said = list(notes)
    too_wide = [at + 2 + place for place in filled if any(body[place][width:])]
    said += [("ragged", row, "", {}) for row in too_wide]
    columns = []
    for place in range(width):
        texts = [body[row][place] if place < len(body[row]) else "" for row in filled]
        columns.append(categorical(pd.Series(texts, dtype=object)))
    if at:
        said.append(("header_row", at + 1, "", {"row": at + 1}))
    return Sheet(name, tuple(header), tuple(columns), np.asarray(filled, dtype=np.int64) + at + 2, at + 1, tuple(said))


def categorical(texts: pd.Series) -> pd.Categorical:
    """Return texts as a categorical; blank ones are missing."""
    codes, distinct = pd.factorize(texts)
    return tidy_categorical(codes, [str(text) for text in distinct])


def tidy_categorical(codes: "np.ndarray", distinct: Sequence[str]) -> pd.Categorical:
    """Return a categorical whose texts are stripped, blank ones missing, equal ones merged."""
    places: dict[str, int] = {}
    merged = np.array(
        [places.setdefault(text, len(places)) if (text := one.strip()) else -1 for one in distinct] + [-1]
    )
    return pd.Categorical.from_codes(merged[codes], list(places))


# ---- text files ------------------------------------------------------------------------------------------------------
def _read_text(place: Path) -> list[Sheet]:
    data = _unpacked(place)
    text, encoding = _decoded(data, place.name)
    del data
    lines = text[:200_000].splitlines()[: LOOKED_AT + 1]
    if lines and lines[0].lower().startswith("sep="):
        lines = lines[1:]
        text = text.split("\n", 1)[1]
    tried = {mark: find_header([_cells(row) for row in csv.reader(lines, delimiter=mark)]) for mark in ",;\t|"}
    delimiter = max(tried, key=lambda mark: (tried[mark][1], sum(line.count(mark) for line in lines[:5])))
    names = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
    how = [f"{names[delimiter]}-separated"] * (delimiter != ",") + [f"{encoding} text"] * (encoding != "utf-8")
    notes = [("how_read", 1, "", {"how": ", ".join(how)})] if how else []
    name = _stem(place)
    quick = _bulk(text, delimiter, lines, tried[delimiter][0])
    if quick:
        header, columns, rows = quick
        at = tried[delimiter][0]
        if at:
            notes.append(("header_row", at + 1, "", {"row": at + 1}))
        return [Sheet(name, header, columns, rows, at + 1, tuple(notes))]
    try:
        rows = [_cells(row) for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)]
    except csv.Error as trouble:
        raise DataError(f"{place.name} cannot be read as a table ({trouble}). Export it again as CSV.") from trouble
    return [sheet_from_rows(name, rows, notes)]


def _cells(row: Sequence[str]) -> list[str]:
    return [cell.strip() for cell in row]


def _unpacked(place: Path) -> bytes:
    most = LIMITS["text_mb"] << 20
    try:
        with gzip.open(place) if place.suffix.lower() == ".gz" else place.open("rb") as stream:
            data = stream.read(most + 1)
    except (OSError, EOFError) as trouble:
        raise DataError(f"{place.name} is damaged ({trouble}). Export or copy it again.") from trouble
    rows = data.count(b"\n")
    if len(data) > most or rows > LIMITS["rows"]:
        raise DataError(
            f"{place.name} is too large to check row by row "
            f"(more than {LIMITS['rows']:,} rows or {LIMITS['text_mb']} MB). Split it by site or by year."
        )
    return data


def _decoded(data: bytes, name: str) -> tuple[str, str]:
    marks = {b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16", b"\xef\xbb\xbf": "utf-8-sig"}
    marked = next((coding for mark, coding in marks.items() if data.startswith(mark)), "")
    if not marked and b"\x00" in data[:200]:
        marked = "utf-16-le" if data[1:2] == b"\x00" else "utf-16-be" if data[:1] == b"\x00" else "binary"
    for coding in (marked,) if marked else ("utf-8", "cp1252", "latin-1"):
        try:
            return data.decode(coding), coding.replace("-sig", "")
        except (UnicodeDecodeError, LookupError):
            continue
    raise DataError(f"{name} is not a text file. Export it as CSV (UTF-8) or save it as .xlsx.")


def _bulk(text: str, delimiter: str, lines: Sequence[str], at: int) -> tuple | None:
    """Read a well-formed file in one go; None when pyarrow is absent or a row has another number of cells."""
    try:
        import pyarrow as pa
        from pyarrow import csv as arrow
    except ImportError:
        return None
    header = _cells(next(csv.reader([lines[at]], delimiter=delimiter), [])) if lines else []
    if not header or not all(header) or any(line.count('"') for line in lines[: at + 1]):
        return None
    names = [str(place) for place in range(len(header))]
    body = pa.py_buffer(text.rstrip("\r\n ").encode())
    try:
        table = arrow.read_csv(
            pa.BufferReader(body),
            arrow.ReadOptions(skip_rows=at + 1, column_names=names),
            arrow.ParseOptions(delimiter=delimiter, newlines_in_values=False, ignore_empty_lines=False),
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
        columns.append(tidy_categorical(codes, whole.dictionary.to_pylist()))
    filled = np.zeros(len(table), dtype=bool)
    for column in columns:
        filled |= column.codes >= 0
    rows = np.arange(len(table), dtype=np.int64) + at + 2
    if not filled.all():
        columns, rows = [column[filled] for column in columns], rows[filled]
    return tuple(header), tuple(columns), rows


# ---- workbooks and parquet -------------------------------------------------------------------------------------------
def _read_workbook(place: Path) -> list[Sheet]:
    return [sheet_from_rows(name, rows, notes) for name, rows, notes in workbook_rows(place)]


def _read_parquet(place: Path) -> list[Sheet]:
    try:
        frame = pd.read_parquet(place)
    except ImportError as missing:
        raise MissingPartError("Reading parquet needs pyarrow: python -m pip install 'truechange[scale]'.") from missing
    except (OSError, ValueError) as trouble:
        raise DataError(f"{place.name} is not a readable parquet file ({trouble}). Export it again.") from trouble
    if len(frame) > LIMITS["rows"]:
        raise DataError(
            f"{place.name} has {len(frame):,} rows, more than {LIMITS['rows']:,}. Split it by site or by year."
        )
    columns = []
    for name in frame.columns:
        codes, distinct = pd.factorize(frame[name])
        columns.append(tidy_categorical(codes, [_plain(value) for value in distinct]))
    header = tuple(str(name) for name in frame.columns)
    return [Sheet(_stem(place), header, tuple(columns), np.arange(len(frame), dtype=np.int64) + 1, 0)]


def _plain(value: Any) -> str:
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float | np.floating):
        return f"{value:.15g}"
    return str(value).removesuffix(" 00:00:00")


READERS = {
    ".xlsx": _read_workbook,
    ".xlsm": _read_workbook,
    ".csv": _read_text,
    ".tsv": _read_text,
    ".txt": _read_text,
    ".parquet": _read_parquet,
}
