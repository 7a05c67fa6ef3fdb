"""Columns of a CSV or parquet file too large for checks row by row, batch by batch and never held whole."""

import csv
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from truechange.foundation.errors import DataError, listed, needs

if TYPE_CHECKING:
    import pyarrow as pa

PIECE = 16_000_000  # bytes of a CSV parsed at once, some hundred thousand rows
BLOCK = PIECE // 4  # bytes parsed by one thread
BATCH = 500_000  # rows of a parquet file


def streamed(
    path: "str | Path", columns: Sequence[str], *, coded: Sequence[str] = (), text: Sequence[str] = ()
) -> Iterator[pd.DataFrame]:
    """Yield `columns` of a file, some hundred thousand rows at a time.

    Parameters
    ----------
    path : str or Path
        A parquet file, or a CSV file: UTF-8, a comma between columns, their names in the first line, no line break
        within a cell.
    columns : sequence of str
        Their names in the file.
    coded : sequence of str, optional
        Columns of few distinct words; they arrive as categories.
    text : sequence of str, optional
        Columns of a CSV to be taken as they are written, ``007`` as ``007``; others become numbers where all cells
        of a piece are numbers.

    Yields
    ------
    DataFrame
        The columns in the order asked for; an empty cell is missing.

    Raises
    ------
    DataError
        No such file, a missing column, or a line that does not fit the header.
    MissingPartError
        The extra ``scale`` is not installed.
    """
    try:
        import pyarrow as pa
    except ImportError as missing:
        raise needs("pyarrow, which streams large files,", "scale") from missing
    place = Path(path)
    if not place.is_file():
        raise DataError(f"There is no file {place}.")
    batches = _csv if place.suffix.lower() == ".csv" else _parquet
    try:
        parts = (batch.to_pandas() for batch in batches(place, list(columns), coded, text))
        yield from _ahead(parts) if batches is _csv else parts  # parsing text takes longer than any use of it
    except DataError:
        raise
    except (OSError, ValueError, pa.ArrowException) as trouble:
        raise DataError(f"{place.name} cannot be read: {trouble}. Export it again as CSV or parquet.") from trouble


def _ahead(parts: Iterator[pd.DataFrame]) -> Iterator[pd.DataFrame]:
    """Yield `parts`, reading the next while the caller works on this one."""
    with ThreadPoolExecutor(1) as reader:
        waiting = reader.submit(next, parts, None)
        while (part := waiting.result()) is not None:
            waiting = reader.submit(next, parts, None)
            yield part


def _parquet(place: Path, columns: list[str], coded: Sequence[str], _: Sequence[str]) -> Iterator["pa.RecordBatch"]:
    import pyarrow as pa
    from pyarrow import parquet

    schema = parquet.read_schema(place)
    _check(place, columns, schema.names)
    words = [
        name for name in coded if pa.types.is_string(kind := schema.field(name).type) or pa.types.is_large_string(kind)
    ]
    file = parquet.ParquetFile(place, read_dictionary=words, pre_buffer=False)
    yield from file.iter_batches(BATCH, columns=columns)


def _csv(place: Path, columns: list[str], coded: Sequence[str], text: Sequence[str]) -> Iterator["pa.Table"]:
    import pyarrow as pa
    from pyarrow import csv as reader

    kinds: dict[str, Any] = dict.fromkeys(coded, pa.dictionary(pa.int32(), pa.string()))
    kinds |= dict.fromkeys(text, pa.string())
    chosen = reader.ConvertOptions(
        include_columns=columns, column_types=kinds, null_values=[""], strings_can_be_null=True
    )
    with place.open("rb") as stream:
        names = next(csv.reader([stream.readline().decode("utf-8-sig")]), [])
        _check(place, columns, names)
        layout = reader.ReadOptions(column_names=names, block_size=BLOCK)
        while piece := stream.read(PIECE) + stream.readline():
            yield reader.read_csv(pa.py_buffer(piece), layout, convert_options=chosen).unify_dictionaries()


def _check(place: Path, wanted: list[str], there: Sequence[str]) -> None:
    if lacking := [name for name in wanted if name not in there]:
        raise DataError(f"{place.name} has no column {listed(lacking)}; it has {listed(list(there))}.")
