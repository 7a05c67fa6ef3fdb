"""Reading a clinic's file into four tables with the ledger of rows; columns of huge files batch by batch (streamed)."""

import csv
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from truechange.foundation.errors import DataError, RefusedError, check_choice, check_kind, listed, needs
from truechange.foundation.result import Result, told
from truechange.measures.catalogue import OWN, declare
from truechange.records import headings, persons, synonyms
from truechange.records.formats import frame_sheets, open_sheets
from truechange.records.headings import NONE, WIDE, Own
from truechange.records.pairing import Pairs, pair
from truechange.records.rules import COLUMNS, TABLES, Findings, Ledger, refused, sheet_names, squeezed, word_list
from truechange.records.synonyms import IN_MEMORY, NOT_LISTED, WordMap, as_visit
from truechange.records.table import build, check_all, empty
from truechange.records.values import ORDERS, Sheet

if TYPE_CHECKING:
    import pyarrow as pa

    from truechange.measures.catalogue import Measure


@dataclass(frozen=True)
class Records(Result):
    """What a clinic brought, checked.

    Parameters
    ----------
    people, assessments, ratings, sessions : DataFrame
        The rows in use, typed, with the declared columns and ``source_row``. Notes are never read on.
    problems : DataFrame
        Everything noticed: ``sheet, row, column, value, problem, remedy, severity, kind, repair``.
    ledger : Ledger
        Rows read = rows used + rows set aside by reason.
    set_aside : DataFrame
        The same for the assessments alone: ``reason``, ``count``.
    name : str
        Name of the file.
    aside : DataFrame
        Rows of assessments set aside: person, occasion, measure (as far as they could be read), tested (whether
        something was written under score or result), reason. For counting who was tested; nothing of it is printed.
    words : DataFrame
        Words read as others by the clinic's map or by their order: column, word, read_as, by, rows.
    unmapped : DataFrame
        Words that are not understood: column, word, guess, rows.
    columns : DataFrame
        What the columns of a wide sheet were taken for: sheet, column, holds, cells, sure (False: it is asked).
    own : tuple of Measure
        Tests of the clinic's own among the scores, as they were declared when the scores were read.
    """

    people: pd.DataFrame
    assessments: pd.DataFrame
    ratings: pd.DataFrame
    sessions: pd.DataFrame
    problems: pd.DataFrame
    ledger: Ledger
    set_aside: pd.DataFrame
    name: str
    aside: pd.DataFrame
    words: pd.DataFrame
    unmapped: pd.DataFrame
    columns: pd.DataFrame
    own: tuple["Measure", ...] = ()

    def refuse_unmapped(self, *allowed: str) -> None:
        """Refuse to count around words or dates that are not understood; `allowed` visits were asked for by name.

        Raises
        ------
        DataError
            Names the words, how many rows each has, and how to say what they mean.
        """
        for test in self.own:  # these scores were read by that declaration, whatever was declared since
            declare(test)
        synonyms.refuse_unknown(self.name, self.problems, self.unmapped, [self.visit(name) for name in allowed])

    def visit(self, name: str) -> str:
        """Return the occasion that `name` stands for: the clinic's words for its visits are understood here too."""
        read = self.words[self.words["column"] == "occasion"]
        mapped = read.loc[[squeezed(as_visit(word)) == squeezed(as_visit(name)) for word in read["word"]], "read_as"]
        return str(next(iter(mapped), word_list("occasion").get(squeezed(name), as_visit(name))))

    @property
    def needs_a_person(self) -> bool:
        """Whether anything noticed asks for a decision (errors and warnings)."""
        return bool((self.problems["severity"] != "note").any() or len(self.unmapped))

    @property
    def cautions(self) -> tuple[str, ...]:  # type: ignore[override]
        """One sentence when something asks for a decision."""
        counts = self.problems["severity"].value_counts()
        errors, warnings = int(counts.get("error", 0)), int(counts.get("warning", 0))
        counted = f"{errors} to correct (errors) and {warnings} to look at (warnings)"
        how = ".problems lists them" if self.name == IN_MEMORY else "truechange inspect lists them"
        return (f"{self.name}: {counted}; {how}.",) if errors + warnings else ()

    def pairs(self, measure: "str | Measure", *, before: str, after: str, trials: str = "refuse") -> Pairs:
        """Pair each person's score at `before` with the one at `after`; see :func:`truechange.records.pairing.pair`.

        Words and dates that are not understood are refused first (:meth:`refuse_unmapped`).
        """
        self.refuse_unmapped(before, after, NOT_LISTED)
        return pair(self, measure, before=self.visit(before), after=self.visit(after), trials=trials)

    def table(self) -> pd.DataFrame:
        """Return the problems."""
        return self.problems

    def sentences(self) -> tuple[str, ...]:
        """Say what was read."""
        people, tests = self.assessments["person"].nunique(), self.assessments["measure"].nunique()
        return *told({f"{people} people, {tests} tests, {len(self.assessments)} scores.": 1}), *self.ledger.sentences()


def read(
    path: "str | Path | pd.DataFrame | Mapping[str, pd.DataFrame]",
    *,
    dates: str | None = None,
    pseudonyms: str | Path | None = None,
    words: str | Path | None = None,
) -> Records:
    """Read and check a workbook (.xlsx), a CSV file, a folder of CSV files, parquet (.gz too), or a DataFrame.

    Parameters
    ----------
    path : str, Path, DataFrame or mapping of DataFrame
        A workbook with the sheets people, assessments, ratings and sessions (only assessments is required); a folder
        with ``assessments.csv`` and the others; or one file of assessments. A frame is read as a sheet would be, long
        (a row a score) or wide (a row a person, columns such as "TUG pre"); frames by name, as a workbook:
        ``{"assessments": scores, "people": people, "ratings": ratings}``. Findings name the frame's columns and rows:
        the label of an unnamed index of whole numbers, else the place counted from 0; -1 stands for the headings.
    dates : {"day first", "month first"}, optional
        How 03/04/2025 is meant. Without it the column decides if it can; if it cannot, such rows are set aside.
    pseudonyms : str or Path, optional
        File with a secret key (made if missing; keep it away from the data). People are replaced by codes made with
        it, and columns that say who someone is are left out instead of being refused.
    words : str or Path, optional
        The clinic's word map; ``clinic.toml`` beside a file is found by itself, none is looked for beside a frame.

    A label (site, therapist, programme ...) that reads like a person's name is read as a number until ``[labels]`` in
    the ``clinic.toml`` beside the file says how it is printed: ``site = { "as typed" = "as printed" }``.

    Returns
    -------
    Records
        ``.people .assessments .ratings .sessions .problems .ledger``.

    Raises
    ------
    DataError
        The file cannot be read as a whole: missing, damaged, protected, too large, without assessments, with required
        columns missing, or with columns that identify people.
    ChoiceError
        `dates` is not one of the listed values.
    """
    if dates is not None:
        check_choice("dates", dates, ORDERS)
    remedy = "the name of a file or folder in quotes, such as 'clinic.xlsx', a DataFrame, or a dict of DataFrames"
    check_kind("path", path, (str, PathLike, pd.DataFrame, Mapping), remedy, DataError)
    check_kind("pseudonyms", pseudonyms, (str, PathLike, type(None)), "the name of the file that holds the key")
    check_kind("words", words, (str, PathLike, type(None)), "the name of the file that says what words mean")
    place = Path(path) if isinstance(path, str | PathLike) else None
    findings, name = Findings(), place.name if place else IN_MEMORY
    key = persons.read_key(pseudonyms) if pseudonyms else None
    told = synonyms.open_map(words, place)
    sheets = open_sheets(place, told.columns) if place else frame_sheets(path, told.columns)
    by_table = choose_sheets(sheets, findings, name, told.columns)
    if key is None:  # a code made with a key folds case and spaces; without one there are no names here
        by_table = persons.one_spelling(by_table, told, findings)
    chosen = persons.guard(_one_sheet_each(by_table, told, findings), findings, key, persons.labels_of(words, place))
    return _read_sheets(chosen, findings, name, told, dates=dates or "", undated=WIDE in by_table)


def records_of(data: Any) -> Records:
    """Return records as they are, and read anything else: a file, a folder, a frame, frames by table."""
    return data if isinstance(data, Records) else read(data)


def from_wide(
    path: "str | Path | pd.DataFrame",
    *,
    mapping: str | Path,
    dates: str | None = None,
    pseudonyms: str | Path | None = None,
) -> Records:
    """Read a wide sheet, one row a person or one a visit, by what a file says of its columns.

    :func:`read` does the same with the ``clinic.toml`` beside the sheet. Where `mapping` is not there yet, what each
    column was taken for is written into it, and nothing is read before somebody has seen that.

    Parameters
    ----------
    path : str, Path or DataFrame
        Workbook (.xlsx), text file (.csv) or frame.
    mapping : str or Path
        TOML file; ``[columns]`` says what each column holds, a guess stands behind a #.
    dates, pseudonyms
        As in :func:`truechange.read`.

    Returns
    -------
    Records
        As from :func:`truechange.read`; problems name rows and columns of the wide sheet.

    Raises
    ------
    RefusedError
        The file `mapping` is new.
    DataError
        The sheet cannot be read, or a line of `mapping` says nothing that can be read.
    """
    place, new = Path(mapping), not Path(mapping).exists()
    records = read(path, dates=dates, pseudonyms=pseudonyms, words=None if new else place)
    if new:
        synonyms.write_map(place, records.unmapped, records.columns)
        raise refused("mapping_new", RefusedError, file=records.name, mapping=place.name)
    return records


def _read_sheets(
    chosen: dict[str, Sheet], findings: Findings, name: str, words: WordMap, *, dates: str, undated: bool
) -> Records:
    """Read and check the sheets chosen for the tables."""
    how: dict[str, Any] = {"order": dates, "undated": undated}
    tables = {table: build(sheet, table, findings, words, **how) for table, sheet in chosen.items()}
    check_all(tables, findings)
    frames = {table: tables.get(table, empty(table)).frame(findings) for table in TABLES}
    brought = {table: sheet for table, sheet in tables.items() if not findings.is_derived(sheet.sheet)}
    if "people" in tables:
        frames["people"] = synonyms.add_unlisted(words, frames["people"], frames["assessments"]["person"])
    reasons = {table: Counter(findings.aside(sheet.sheet)) for table, sheet in brought.items()}
    together: Counter[str] = sum(reasons.values(), Counter())
    lines = [(table, sheet.rows_read, len(frames[table])) for table, sheet in brought.items()]
    by_table = pd.DataFrame(lines, columns=["table", "rows_read", "rows_used"])
    ledger = Ledger.of(int(by_table["rows_read"].sum()), together, by_table)
    aside = Ledger.of(tables["assessments"].rows_read, reasons["assessments"]).set_aside
    left, tested = tables["assessments"].left(findings), set(frames["assessments"]["measure"])
    about = {"words": words.frame("read"), "unmapped": words.frame("unknown"), "columns": words.frame("seen")}
    own = tuple(test for key, test in OWN.items() if key in tested)
    return Records(**frames, problems=findings.frame(), ledger=ledger, set_aside=aside, name=name, aside=left, **about,
                   own=own)  # fmt: skip


def choose_sheets(sheets: list[Sheet], findings: Findings, file: str, own: Own = NONE) -> dict[str, list[Sheet]]:
    """Return which sheets hold which table, or are wide.

    Raises
    ------
    DataError
        No sheet holds assessments, or two hold the same table.
    """
    kinds = [headings.table_of(sheet.name, sheet.header, own) for sheet in sheets]
    if WIDE in kinds:  # a sheet that is only called so holds no assessments
        kinds = ["" if kind == "assessments" and headings.header_score(sheet.header, kind) < 3 else kind
                 for kind, sheet in zip(kinds, sheets, strict=True)]  # fmt: skip
    if "assessments" in kinds:  # a wide sheet beside them is a summary
        kinds = [headings.table_of(sheet.name, sheet.header, own, wide=False) for sheet in sheets]
    elif WIDE not in kinds:
        kinds = [WIDE if kind in ("", "people") and headings.looks_wide(sheet.header, own, by_visit=False) else kind
                 for kind, sheet in zip(kinds, sheets, strict=True)]  # fmt: skip
    by_table: dict[str, list[Sheet]] = {}
    for kind, sheet in zip(kinds, sheets, strict=True):
        by_table.setdefault(kind, []).append(sheet)
    for sheet in by_table.pop("", []):
        findings.add("sheet_left_out", sheet.name, 1)
    for table, alike in by_table.items():
        if len(alike) > 1 and any(squeezed(sheet.name) in sheet_names() for sheet in alike):
            raise refused("two_sheets", file=file, one=alike[0].name, other=alike[1].name, table=table)
    if not by_table.keys() & {"assessments", WIDE}:
        needed = ", ".join(column.name for column in COLUMNS["assessments"].values() if column.required)
        found = listed([sheet.name for sheet in sheets]) or "nothing"
        raise refused("no_assessments", file=file, found=found, needed=needed)
    return by_table


def _one_sheet_each(by_table: dict[str, list[Sheet]], words: WordMap, findings: Findings) -> dict[str, Sheet]:
    """Return one long sheet a table: wide sheets made long, several of a kind stacked, facts of people taken out."""
    chosen = {table: sheets[0] for table, sheets in by_table.items() if table != WIDE and len(sheets) == 1}
    blocks = {table: headings.with_site([headings.as_block(sheet, table) for sheet in sheets], table, findings)
              for table, sheets in by_table.items() if table != WIDE and len(sheets) > 1}  # fmt: skip
    for sheet in by_table.get(WIDE, ()):
        for table, rows in headings.lengthened(sheet, words, findings).items():
            blocks.setdefault(table, []).extend(rows)
    told = blocks.pop("people", []) if WIDE in by_table else []
    for table, rows in blocks.items():
        brought = [headings.as_block(chosen[table], table)] if table in chosen and rows else []
        if rows:
            chosen[table] = headings.stacked(brought + rows, table, findings)
    people = None
    if told:
        together = headings.stacked(headings.with_site(told, "people", findings), "people", findings)
        people = persons.one_row_each(together, findings)
    if WIDE not in by_table:
        chosen["assessments"], people = persons.split_people(chosen["assessments"], findings)
    if people is not None:
        chosen["people"] = persons.join_people(chosen["people"], people, findings) if "people" in chosen else people
    return {table: chosen[table] for table in TABLES if table in chosen}


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
