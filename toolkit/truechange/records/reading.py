"""Reading a clinic's file: the four tables, everything noticed on the way, and the ledger of rows (used, set aside)."""

from collections import Counter
from dataclasses import dataclass, field
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from truechange.foundation.errors import DataError, check_choice, check_kind, listed
from truechange.foundation.result import Result
from truechange.records.checks import check_all
from truechange.records.facts import join_people, split_people
from truechange.records.formats import Sheet, open_sheets, table_of
from truechange.records.identifiers import guard, labels_of, read_key
from truechange.records.pairing import Pairs, pair
from truechange.records.rules import COLUMNS, TABLES, Findings, Ledger, squeezed, word_list
from truechange.records.table import WIDE, build, empty
from truechange.records.values import ORDERS
from truechange.records.words import NOT_LISTED, WordMap, add_unlisted, as_visit, open_map, refuse_unknown

if TYPE_CHECKING:
    from truechange.measures import Measure


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
    """

    people: pd.DataFrame
    assessments: pd.DataFrame
    ratings: pd.DataFrame
    sessions: pd.DataFrame
    problems: pd.DataFrame
    ledger: Ledger
    set_aside: pd.DataFrame
    name: str
    aside: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(columns=["person", "occasion", "measure", "tested", "reason"])
    )

    words: pd.DataFrame = field(default_factory=lambda: WordMap().frame("read"))
    unmapped: pd.DataFrame = field(default_factory=lambda: WordMap().frame("unknown"))

    def refuse_unmapped(self, *allowed: str) -> None:
        """Refuse to count around words or dates that are not understood; `allowed` visits were asked for by name.

        Raises
        ------
        DataError
            Names the words, how many rows each has, and how to say what they mean.
        """
        refuse_unknown(self.name, self.problems, self.unmapped, [self.visit(name) for name in allowed])

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
        return (f"{self.name}: {counted}; truechange inspect lists them.",) if errors + warnings else ()

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
        return (f"{people} people, {tests} tests, {len(self.assessments)} scores.", *self.ledger.sentences())


def read(
    path: str | Path, *, dates: str | None = None, pseudonyms: str | Path | None = None, words: str | Path | None = None
) -> Records:
    """Read and check a workbook (.xlsx), a CSV file, a folder of CSV files, or parquet; .gz too.

    Parameters
    ----------
    path : str or Path
        A workbook with the sheets people, assessments, ratings and sessions (only assessments is required); a folder
        with ``assessments.csv`` and the others; or one file of assessments.
    dates : {"day first", "month first"}, optional
        How 03/04/2025 is meant. Without it the column decides if it can; if it cannot, such rows are set aside.
    pseudonyms : str or Path, optional
        File with a secret key (made if missing; keep it away from the data). People are replaced by codes made with
        it, and columns that say who someone is are left out instead of being refused.
    words : str or Path, optional
        The clinic's word map; ``clinic.toml`` beside the file is found by itself.

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
    check_kind(
        "path", path, (str, PathLike), "the name of a file or folder in quotes, such as 'clinic.xlsx'", DataError
    )
    check_kind("pseudonyms", pseudonyms, (str, PathLike, type(None)), "the name of the file that holds the key")
    check_kind("words", words, (str, PathLike, type(None)), "the name of the file that says what words mean")
    findings, name, key = Findings(), Path(path).name, read_key(pseudonyms) if pseudonyms else None
    chosen = choose_sheets(open_sheets(path), findings, name)
    chosen["assessments"], told = split_people(chosen["assessments"], findings)
    if told is not None and "people" in chosen:
        chosen["people"] = join_people(chosen["people"], told, findings)
    elif told is not None:
        chosen = {"people": told, **chosen}
    chosen = guard(chosen, findings, key, labels_of(words, path))
    return read_sheets(chosen, findings, name, open_map(words, path), dates=dates or "")


def read_sheets(
    chosen: dict[str, Sheet], findings: Findings, name: str, words: WordMap, *, dates: str = "", undated: bool = False
) -> Records:
    """Read and check the sheets chosen for the tables."""
    tables = {
        table: build(sheet, table, findings, words, order=dates, undated=undated) for table, sheet in chosen.items()
    }
    check_all(tables, findings)
    frames = {table: tables.get(table, empty(table)).frame(findings) for table in TABLES}
    brought = {table: held for table, held in tables.items() if not findings.is_derived(held.sheet)}
    if "people" in tables:
        frames["people"] = add_unlisted(words, frames["people"], frames["assessments"]["person"])
    reasons = {table: findings.reasons(held.sheet) for table, held in brought.items()}
    together: Counter[str] = sum((Counter(counts) for counts in reasons.values()), Counter())
    lines = [(table, held.rows_read, len(frames[table])) for table, held in brought.items()]
    by_table = pd.DataFrame(lines, columns=["table", "rows_read", "rows_used"])
    ledger = Ledger.of(int(by_table["rows_read"].sum()), together, by_table)
    aside = Ledger.of(tables["assessments"].rows_read, reasons["assessments"]).set_aside
    left = tables["assessments"].left(findings)
    return Records(**frames, problems=findings.frame(), ledger=ledger, set_aside=aside, name=name, aside=left,
                   words=words.frame("read"), unmapped=words.frame("unknown"))  # fmt: skip


def choose_sheets(sheets: list[Sheet], findings: Findings, file: str) -> dict[str, Sheet]:
    """Return which sheet is which table.

    Raises
    ------
    DataError
        No sheet holds assessments, or two hold the same table.
    """
    chosen: dict[str, Sheet] = {}
    for sheet in sheets:
        table = table_of(sheet.name, sheet.header)
        if not table:
            findings.add("sheet_left_out", sheet.name, 1)
        elif table in chosen:
            raise DataError(
                f"{file}: the sheets {chosen[table].name} and {sheet.name} both hold {table}. Put the rows "
                "into one sheet (a column site can tell them apart), or rename the one that should not be read."
            )
        else:
            chosen[table] = sheet
    if "assessments" not in chosen:
        needed = ", ".join(column.name for column in COLUMNS["assessments"].values() if column.required)
        found = listed([sheet.name for sheet in sheets]) or "nothing"
        raise DataError(
            f"{file}: no sheet of assessments; found {found}. It needs the columns {needed}: start from "
            f"truechange template FILE.xlsx, or {WIDE}."
        )
    return {table: chosen[table] for table in TABLES if table in chosen}
