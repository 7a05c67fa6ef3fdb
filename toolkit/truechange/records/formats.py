"""Files and frames to sheets: encoding and separator, workbook opened safely, the header row found, cells as text."""

import csv
import gzip
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, datetime, time
from pathlib import Path
from typing import Any, NamedTuple
from warnings import catch_warnings, simplefilter
from zipfile import ZipFile

import numpy as np
import pandas as pd

from truechange.foundation.errors import DataError, check_kind, listed, needs
from truechange.records.headings import LOOKED_AT, NONE, Header, Own, find_header
from truechange.records.rules import DECLARED, LIMITS, refused, sheet_names, squeezed
from truechange.records.values import Coded, Note, Sheet

PARTS = re.compile(r"xl/worksheets/[^/]+[.]xml|xl/(workbook|sharedStrings)[.]xml|\[Content_Types\][.]xml")
CLOSED = re.compile(rb"</(\w+:)?(worksheet|workbook|sst|Types)>\s*\Z|<sst[^>]*/>\s*\Z")
ROW, COLUMN = re.compile(rb'<row [^>]*?\br="(\d+)"'), re.compile(rb'<c [^>]*?\br="([A-Z]+)')
ODD = re.compile(rb'hidden="(1|true)"|state="(h|veryH)idden"|<mergeCell |t="e"')  # in the parts of a workbook
_PROTECTED = b"\xd0\xcf\x11\xe0"  # a workbook with a password, or the old binary kind, is such a container


@contextmanager
def _guarded(place: Path) -> Iterator[None]:
    """Refuse a workbook that is protected or unpacks to more than the limit; say so of one that proves damaged.

    Raises
    ------
    DataError
        As the above.
    """
    with place.open("rb") as stream:
        if stream.read(4) == _PROTECTED:
            raise refused("protected", file=place.name)
    try:
        with ZipFile(place) as packed:
            size = sum(part.file_size for part in packed.infolist())
            if size > LIMITS["workbook_mb"] << 20:
                raise refused("unpacks", file=place.name, size=size >> 20)
        yield
    except DataError:
        raise
    except Exception as trouble:  # a damaged part can fail anywhere inside the reader
        raise refused("damaged_workbook", file=place.name, trouble=f"{type(trouble).__name__}") from trouble


def load(place: Path, *, values: bool = True) -> Any:
    """Return the openpyxl workbook, with stored values or with formulas; refusals as in :func:`_guarded`."""
    from openpyxl import load_workbook

    with _guarded(place), place.open("rb") as stream, catch_warnings():  # by a path, a damaged one would stay open
        simplefilter("ignore")  # openpyxl reports what it cannot draw; values are not touched by that
        return load_workbook(stream, data_only=values, keep_links=False)


def _is_plain(place: Path) -> bool:
    """Say whether every part is whole, and no cell hidden, merged or an error: a reader of values misses nothing."""
    from openpyxl.utils import column_index_from_string

    with ZipFile(place) as packed:
        parts = [packed.read(name) for name in packed.namelist() if PARTS.fullmatch(name)]
    for part in parts:
        letters = max(set(COLUMN.findall(part)), key=lambda word: (len(word), word), default=b"A").decode()
        room = max(map(int, ROW.findall(part)), default=1) * column_index_from_string(letters)
        if room > LIMITS["workbook_cells"] or not CLOSED.search(part) or ODD.search(part):
            return False  # the fast reader makes room for every cell up to the last one
    return bool(parts)


def workbook_rows(place: Path) -> Iterator[tuple[str, list[list[str]], list[tuple[str, int, dict[str, Any]]]]]:
    """Yield name, rows of texts, and notes on hidden and merged cells of every sheet with cells."""
    for name, cells, notes in _opened(place):
        rows = [[plain_text(value) for value in row] for row in cells]
        if any(any(row) for row in rows):
            yield name, rows, list(notes)


def _opened(place: Path) -> Iterator[tuple[str, Iterable[Iterable[Any]], Iterable[tuple[str, int, dict[str, Any]]]]]:
    """Return name, cells and oddities of every sheet, all within the limit: values read fast where nothing is odd."""
    from python_calamine import CalamineWorkbook

    with _guarded(place):
        plain = CalamineWorkbook.from_path(place) if _is_plain(place) else None
        quick = [plain.get_sheet_by_name(name) for name in plain.sheet_names] if plain else []
    if plain:
        for sheet in quick:
            _check_area(place, sheet.name, sheet.total_height, sheet.total_width)
        return ((sheet.name, sheet.to_python(skip_empty_area=False), ()) for sheet in quick)
    filled = [sheet for sheet in load(place).worksheets if sheet.max_row and sheet.max_column]
    for sheet in filled:
        _check_area(place, sheet.title, sheet.max_row, sheet.max_column)
    return ((sheet.title, sheet.iter_rows(values_only=True), _oddities(sheet)) for sheet in filled)


def _check_area(place: Path, name: str, rows: int, columns: int) -> None:
    if rows * columns > LIMITS["workbook_cells"]:
        raise refused("used_area", file=place.name, sheet=name, height=rows, width=columns)


def _oddities(sheet: Any) -> Iterator[tuple[str, int, dict[str, Any]]]:
    rows = sorted(number for number, facts in sheet.row_dimensions.items() if facts.hidden)
    columns = sorted(name for name, facts in sheet.column_dimensions.items() if facts.hidden)
    hidden = {"the sheet is": sheet.sheet_state != "visible", f"rows {listed(rows)} are": rows,
              f"columns {listed(columns)} are": columns}  # fmt: skip
    for what, holds in hidden.items():
        if holds:
            yield "hidden", rows[0] if holds is rows else 1, {"what": what}
    for area in sheet.merged_cells.ranges:
        yield "merged_cells", area.min_row, {"range": area.coord, "last_row": area.max_row}


def plain_text(value: Any) -> str:
    """Return a cell as text: dates year-month-day, whole numbers whole, yes and no for true and false."""
    if value is None or isinstance(value, bool | np.bool_):
        return "" if value is None else "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.15g}"
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(" ")
    return value.isoformat() if isinstance(value, date | time) else str(value).strip()


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
            raise refused("no_table", trouble=trouble) from trouble


def open_text(place: Path, own: Own = NONE) -> Text:
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
    separator = max(SEPARATORS, key=lambda mark: (find_header(tried[mark], own).score, sum(map(len, tried[mark][:5]))))
    said = [f"{SEPARATORS[separator]}-separated"] * (separator != ",") + [f"{encoding} text"] * (encoding != "utf-8")
    return Text(data, separator, ", ".join(said))


def quick_columns(opened: Text, own: Own = NONE) -> tuple[Header, list[Coded]] | None:
    """Return header and columns of a large well-formed file; None otherwise or without pyarrow."""
    try:
        import pyarrow as pa
        from pyarrow import csv as arrow
    except ImportError:
        return None
    if len(opened.data) < WORTHWHILE:
        return None
    first = opened.rows(LOOKED_AT)
    header = find_header(first, own)
    quoted = b'"' in opened.data
    odd = quoted and any('"' in cell or "\n" in cell for row in first[: header.at + 1] for cell in row)
    if odd or not header.headings or not all(header.headings):
        return None
    names = [str(place) for place in range(len(header.headings))]
    kinds = dict.fromkeys(names, pa.dictionary(pa.int32(), pa.string()))
    try:
        table = arrow.read_csv(
            pa.BufferReader(pa.py_buffer(opened.data)),
            arrow.ReadOptions(skip_rows=header.at + 1, column_names=names),
            arrow.ParseOptions(delimiter=opened.separator, newlines_in_values=quoted, ignore_empty_lines=False),
            arrow.ConvertOptions(column_types=kinds, strings_can_be_null=True, null_values=[""]),
        )
    except pa.ArrowInvalid:
        return None
    columns = []
    for name in names:
        whole = table.column(name).unify_dictionaries().combine_chunks()
        codes = whole.indices.fill_null(-1).to_numpy(zero_copy_only=False)
        columns.append(Coded.of(codes, whole.dictionary.to_pylist()))
    return header, columns


def _unpacked(place: Path) -> bytes:
    most = LIMITS["text_mb"] << 20
    try:
        with gzip.open(place) if place.suffix.lower() == ".gz" else place.open("rb") as stream:
            data = stream.read(most + 1)
    except (OSError, EOFError) as trouble:
        raise refused("damaged_text", file=place.name, trouble=trouble) from trouble
    if len(data) > most or data.count(b"\n") > LIMITS["rows"]:
        raise refused("too_large", file=place.name)
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
    raise refused("no_text", file=name)


WORKBOOKS, TEXTS = (".xlsx", ".xlsm"), (".csv", ".tsv", ".txt")


def open_sheets(path: str | Path, own: Own = NONE) -> list[Sheet]:
    """Read every sheet of a workbook (.xlsx), a text file (.csv .tsv .txt), parquet, or a folder of them; also .gz.

    Raises
    ------
    DataError
        The file is missing, empty, too large, damaged, protected, or of a kind that is not read; says what to do.
    """
    place = Path(path)
    if place.is_dir():
        kinds = (*TEXTS, ".parquet")
        files = [file for file in sorted(place.iterdir()) if squeezed(stem(file)) in sheet_names()
                 and _ending(file) in kinds]  # fmt: skip
        if not files:
            raise refused("empty_folder", file=place.name)
        return [sheet for file in files for sheet in open_sheets(file, own)]
    kind = checked_kind(place)
    if kind in TEXTS:
        opened = open_text(place, own)
        notes = [Note("how_read", 1, {"how": opened.how})] if opened.how else []
        if quick := quick_columns(opened, own):
            return [headed(stem(place), *quick, notes)]
        return [sheet_from_rows(stem(place), opened.rows(), notes, own)]
    if kind == ".parquet":
        return [_read_parquet(place)]
    return [
        sheet_from_rows(name, rows, [Note(*note) for note in said], own) for name, rows, said in workbook_rows(place)
    ]


def checked_kind(place: Path) -> str:
    """Return a file's ending (that before .gz).

    Raises
    ------
    DataError
        The file is missing, empty, or of a kind that is not read.
    """
    if not place.is_file():
        raise refused("no_file", file=place)
    kind = _ending(place)
    if kind not in (*WORKBOOKS, *TEXTS, ".parquet"):
        advice = DECLARED["advice"].get(kind, "Save it as .xlsx or .csv.")
        raise refused("other_kind", file=place.name, kind=kind or "without an ending", advice=advice)
    if not place.stat().st_size:
        raise refused("empty_file", file=place.name)
    return kind


def _ending(file: Path) -> str:
    endings = [ending.lower() for ending in file.suffixes]
    return "".join(endings[-2:-1] if endings[-1:] == [".gz"] else endings[-1:])


def stem(file: Path) -> str:
    """Return the name of a file without its endings."""
    return file.name.split(".")[0]


def sheet_from_rows(name: str, rows: Sequence[Sequence[str]], notes: Sequence[Note] = (), own: Own = NONE) -> Sheet:
    """Return a sheet from rows of cells; rows with more cells than the header are noted."""
    header = find_header(rows, own)
    body, width = rows[header.at + 1 :], len(header.headings)
    wide = [Note("ragged", header.at + 2 + place, {}) for place, row in enumerate(body) if any(row[width:])]
    columns = [Coded.read([row[place] if place < len(row) else "" for row in body]) for place in range(width)]
    return headed(name, header, columns, [*notes, *wide])


def headed(name: str, header: Header, columns: list[Coded], notes: list[Note]) -> Sheet:
    """Return a sheet without its blank rows; marks that end above the records' header are no concern of ours."""
    at = header.at
    said = [note for note in notes if note.facts.get("last_row", at + 2) > at + header.joined]
    if at > header.joined:
        said.append(Note("header_row", at + 1, {"row": at + 1}))
    rows = np.arange(len(columns[0]) if columns else 0, dtype=np.int64) + at + 2
    if columns and not (keep := ~np.logical_and.reduce([column.empty for column in columns])).all():
        columns, rows = [column.where(keep) for column in columns], rows[keep]
    return Sheet(name, header.headings, columns, rows, at + 1, said)


def _read_parquet(place: Path) -> Sheet:
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError as missing:
        raise needs("pyarrow, which reads parquet,", "scale") from missing
    try:
        count = parquet.read_metadata(place).num_rows
        frame = pd.read_parquet(place) if count <= LIMITS["rows"] else None
    except (OSError, ValueError, pa.ArrowException) as trouble:
        raise refused("damaged_parquet", file=place.name, trouble=f"{type(trouble).__name__}") from trouble
    if frame is None:
        raise refused("too_long", file=place.name, count=count)
    return headed(stem(place), find_header([[str(name) for name in frame.columns]]), coded(frame), [])


def coded(frame: pd.DataFrame) -> list[Coded]:
    """Return the columns of a frame as texts, each distinct value written once."""
    columns = []
    for at, name in enumerate(frame.columns):
        column = frame.iloc[:, at]
        try:
            codes, distinct = pd.factorize(column.dt.tz_localize(None) if hasattr(column.dtype, "tz") else column)
        except TypeError as trouble:
            raise refused("lists", column=name) from trouble
        columns.append(Coded.of(codes, [plain_text(value) for value in distinct]))
    return columns


# ---- data in memory --------------------------------------------------------------------------------------------------
HEADINGS = -1  # the row that findings about a column of a frame name: its rows are counted from 0


def frame_sheets(data: Any, own: Own = NONE) -> list[Sheet]:
    """Return the sheets of data in memory: one frame, or frames by the name of their table.

    A named index is a column (``rename_axis("person")``); levels of columns are joined, as a row of visits above a row
    of tests is. Rows go by the label of an unnamed index of whole numbers, else by their place, counted from 0.

    Raises
    ------
    DataError
        It is no frame, has too many rows, or has a column of things that are no single values.
    """
    frames = data if isinstance(data, Mapping) else {"frame": data}
    for name, frame in frames.items():
        check_kind(f"data[{name!r}]", frame, pd.DataFrame, "a DataFrame for each table", DataError)
    return [_frame_sheet(str(name), frame, own) for name, frame in frames.items()]


def _frame_sheet(name: str, frame: pd.DataFrame, own: Own) -> Sheet:
    if len(frame) > LIMITS["rows"]:
        raise refused("too_long", file=name, count=len(frame))
    index, rows = frame.index, np.arange(len(frame), dtype=np.int64)
    plain = index.nlevels == 1 and index.name is None and index.dtype.kind in "iu"
    if plain and index.is_unique and (index >= 0).all():
        rows = index.to_numpy(np.int64)
    whole = frame if plain else pd.concat([index.to_frame(index=False), frame.reset_index(drop=True)], axis="columns")
    names = ["index"] * (not plain and index.nlevels == 1 and index.name is None)
    names += [_heading(title) for title in whole.columns[len(names) :]]
    sheet = headed(name, find_header([names], own)._replace(at=HEADINGS - 1), coded(whole), [])
    return replace(sheet, rows=rows[sheet.rows])


def _heading(title: Any) -> str:
    """Return a column's title as a sheet would write it; of several levels those that say something."""
    parts = [plain_text(part) for part in (title if isinstance(title, tuple) else (title,)) if not pd.isna(part)]
    return " ".join(part for part in parts if part and not part.startswith("Unnamed:"))
