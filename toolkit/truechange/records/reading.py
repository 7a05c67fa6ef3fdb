"""Read a clinic's file: the four tables, everything noticed on the way, and the ledger of the rows."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from truechange.foundation.errors import DataError, check_choice, listed
from truechange.foundation.result import Result
from truechange.records.checks import check_all
from truechange.records.dates import ORDERS
from truechange.records.findings import Findings
from truechange.records.formats import Sheet, open_sheets
from truechange.records.header import table_of
from truechange.records.ledger import Ledger
from truechange.records.rules import COLUMNS, TABLES
from truechange.records.table import Table, build

if TYPE_CHECKING:
    from truechange.measures import Measure
    from truechange.records.pairing import Pairs


@dataclass(frozen=True)
class Records(Result):
    """What a clinic brought, checked.

    Parameters
    ----------
    people, assessments, ratings, sessions : DataFrame
        The rows in use, typed, with the declared columns and ``source_row``. Notes are never read on.
    problems : DataFrame
        Everything noticed: ``sheet, row, column, value, problem, remedy, severity, kind``.
    ledger : Ledger
        Rows read = rows used + rows set aside by reason.
    name : str
        Name of the file.
    """

    people: pd.DataFrame
    assessments: pd.DataFrame
    ratings: pd.DataFrame
    sessions: pd.DataFrame
    problems: pd.DataFrame
    ledger: Ledger
    name: str = ""
    set_aside: pd.DataFrame = field(default_factory=pd.DataFrame)  # of the assessments: reason, count

    @property
    def needs_a_person(self) -> bool:
        """Whether anything noticed asks for a decision (errors and warnings)."""
        return bool((self.problems["severity"] != "note").any())

    @property
    def cautions(self) -> tuple[str, ...]:  # type: ignore[override]
        """One sentence when rows were set aside or are doubtful."""
        counts = self.problems["severity"].value_counts()
        errors, warnings = int(counts.get("error", 0)), int(counts.get("warning", 0))
        if not errors + warnings:
            return ()
        counted = f"{errors} to correct (errors) and {warnings} to look at (warnings)"
        return (f"{self.name}: {counted}; truechange inspect lists them.",)

    def pairs(self, measure: "str | Measure", *, before: str, after: str, trials: str = "refuse") -> "Pairs":
        """Pair each person's score at `before` with the one at `after`; see :func:`truechange.records.pairing.pair`."""
        from truechange.records.pairing import pair

        return pair(self, measure, before=before, after=after, trials=trials)

    def table(self) -> pd.DataFrame:
        """Return the problems."""
        return self.problems

    def sentences(self) -> tuple[str, ...]:
        """Say what was read."""
        tests = self.assessments["measure"].nunique()
        people = self.assessments["person"].nunique()
        return (f"{people} people, {tests} tests, {len(self.assessments)} scores.", *self.ledger.sentences())


def read(path: str | Path, *, dates: str | None = None) -> Records:
    """Read and check a workbook (.xlsx), a CSV file, a folder of CSV files, or parquet; .gz too.

    Parameters
    ----------
    path : str or Path
        A workbook with the sheets people, assessments, ratings and sessions (only assessments is required); a folder
        with ``assessments.csv`` and the others; or one file of assessments.
    dates : {"day first", "month first"}, optional
        How 03/04/2025 is meant. Without it the column decides if it can; if it cannot, such rows are set aside.

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
    findings, sheets = Findings(), open_sheets(path)
    chosen = choose_sheets(sheets, findings, Path(path).name)
    tables = {name: build(sheet, name, findings, order=dates or "") for name, sheet in chosen.items()}
    check_all(tables, findings)
    return _records(tables, findings, Path(path).name)


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
            findings.add("sheet_left_out", sheet.name, 1, "", "", {})
        elif table in chosen:
            raise DataError(
                f"{file}: the sheets {chosen[table].name} and {sheet.name} both hold {table}. Put the rows "
                "into one sheet (a column site can tell them apart), or rename the one that should not be read."
            )
        else:
            chosen[table] = sheet
    if "assessments" not in chosen:
        needed = [column.name for column in COLUMNS["assessments"].values() if column.required]
        names = listed([sheet.name for sheet in sheets]) or "nothing"
        raise DataError(
            f"{file}: no sheet of assessments; found {names}. It needs the columns {', '.join(needed)}: start from "
            "truechange template FILE.xlsx, or read a wide sheet (one column a test and visit) with records.from_wide."
        )
    return {table: chosen[table] for table in TABLES if table in chosen}


def _records(tables: dict[str, Table], findings: Findings, name: str) -> Records:
    frames, lines, reasons = {}, [], {}
    for table in TABLES:
        held = tables.get(table)
        if held is None:
            frames[table] = pd.DataFrame(
                columns=[*(c.name for c in COLUMNS[table].values() if c.kind != "text"), "source_row"]
            )
            continue
        frames[table] = _plain(held.used(findings), table)
        lines.append((table, held.rows_read, len(frames[table]), held.rows_read - len(frames[table])))
        reasons[table] = findings.reasons(held.sheet)
    by_table = pd.DataFrame(lines, columns=["table", "rows_read", "rows_used", "rows_set_aside"])
    together: dict[str, int] = {}
    for counts in reasons.values():
        for reason, count in counts.items():
            together[reason] = together.get(reason, 0) + count
    ledger = Ledger.of(int(by_table["rows_read"].sum()), together, by_table)
    aside = Ledger.of(tables["assessments"].rows_read, reasons["assessments"]).set_aside
    return Records(**frames, problems=findings.frame(), ledger=ledger, name=name, set_aside=aside)


def _plain(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Return words as text and yes/no as booleans."""
    kinds = {column.name: column.kind for column in COLUMNS[table].values()}
    plain = {}
    for name in frame:
        if kinds.get(name) == "yes_no":
            plain[name] = frame[name].map({"yes": True, "no": False}).astype("boolean")
        elif isinstance(frame[name].dtype, pd.CategoricalDtype):
            plain[name] = frame[name].astype("str")
        else:
            plain[name] = frame[name]
    return pd.DataFrame(plain)
