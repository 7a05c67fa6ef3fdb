"""One sheet becomes one typed table: headers matched, rows that are no records put aside, columns read in order."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from truechange.foundation.errors import DataError, listed
from truechange.records.cells import Cells, limits_of, read_column, read_scores, read_units
from truechange.records.formats import Sheet
from truechange.records.rules import COLUMNS, Findings, match_column
from truechange.records.values import Coded
from truechange.records.words import WordMap, settle_occasions

TOTALS = {"total", "totals", "sum", "mean", "average", "sd", "median", "n", "count"}
RESULTS = ["", "measured", "unable", "refused", "not_done"]
MEASURED, UNABLE, NOT_DONE = 1, 2, 4


@dataclass(frozen=True)
class Table:
    """One typed table: name, sheet, header of each column read, number of records, row numbers, columns."""

    name: str
    sheet: str
    headers: dict[str, str]
    rows_read: int
    rows: Any
    columns: dict[str, Any]

    def note(self, findings: Findings, kind: str, places: Any, column: str, facts: Any, values: Any = None) -> None:
        """Note `kind` at the rows at `places`, in `column` as the sheet calls it."""
        findings.add(kind, self.sheet, self.rows[places], self.headers.get(column, ""), values=values, facts=facts)

    def frame(self, findings: Findings) -> pd.DataFrame:
        """Return the rows in use: words as text, yes and no as booleans."""
        keep = ~np.isin(self.rows, findings.aside(self.sheet).index)
        shown: dict[str, Any] = {}
        for column in COLUMNS[self.name].values():
            if column.kind == "text":
                continue
            texts = self.columns[column.name]
            if column.kind == "yes_no":
                answers = pd.array([word == "yes" for word in texts.words], dtype="boolean")
                shown[column.name] = answers.take(texts.codes[keep], allow_fill=True)
            else:
                shown[column.name] = texts.where(keep).texts() if isinstance(texts, Coded) else texts[keep]
        rows = self.rows[keep]
        if findings.place(self.sheet, 0) != (self.sheet, 0, ""):
            rows = np.array([findings.place(self.sheet, row)[1] for row in rows.tolist()], dtype=np.int64)
        return pd.DataFrame(shown | {"source_row": rows}, copy=False)

    def left(self, findings: Findings) -> pd.DataFrame:
        """Return the rows set aside: person, occasion, measure as far as they could be read, tested, reason."""
        reason = findings.aside(self.sheet)
        keep = np.isin(self.rows, reason.index)
        words = {name: self.columns[name].where(keep).texts() for name in ("person", "occasion", "measure")}
        why = reason.loc[self.rows[keep]].tolist()
        return pd.DataFrame(words).assign(tested=self.columns["tested"][keep], reason=why)


def build(
    sheet: Sheet, table: str, findings: Findings, words: WordMap, *, order: str = "", undated: bool = False
) -> Table:
    """Read `sheet` as `table`, words by the map; with `undated` it may do without dates.

    Raises
    ------
    DataError
        A required column is missing, or two columns mean the same.
    """
    for note in sheet.notes:
        findings.add(note.kind, sheet.name, note.row, facts=note.facts)
    matched = _match(sheet, table, findings, undated)
    keep = _records(sheet, matched["person"][0], findings)
    rows = sheet.rows if keep.all() else sheet.rows[keep]
    cells = {}
    for name, (place, unit) in matched.items():
        texts = sheet.columns[place] if keep.all() else sheet.columns[place].where(keep)
        cells[name] = Cells(sheet.header[place], texts, unit, sheet.name, rows, findings)
    columns: dict[str, Any] = {}
    for column in COLUMNS[table].values():
        if column.kind not in ("text", "value", "unit"):
            columns[column.name] = read_column(cells.get(column.name), column, order, len(rows), words)
        if column.required and column.kind != "value" and column.name in cells:
            held = cells[column.name]
            kind = "undated" if undated and column.name == "date" else "missing_required"
            findings.add(kind, sheet.name, rows[held.texts.empty], held.header)
    if "occasion" in cells:
        columns["occasion"] = _occasions(cells["occasion"], columns, words)
    if table == "assessments":
        columns |= _scores(cells, columns)
    headers = {name: sheet.header[place] for name, (place, _) in matched.items()}
    return Table(table, sheet.name, headers, len(sheet.rows), rows, columns)


def empty(table: str) -> Table:
    """Return a table that was not brought: its declared columns without rows."""
    columns = {column.name: read_column(None, column, "", 0, WordMap()) for column in COLUMNS[table].values()}
    return Table(table, "", {}, 0, np.empty(0, dtype=np.int64), columns)


def _match(sheet: Sheet, table: str, findings: Findings, undated: bool) -> dict[str, tuple[int, str]]:
    """Return place and stated unit of each column found, sure matches ahead of guesses."""
    found: dict[str, tuple[int, str]] = {}
    sure = {place: match_column(header, table) for place, header in enumerate(sheet.header) if header}
    for place, header in enumerate(sheet.header):
        if not header and sheet.columns[place].words:
            where, facts = f"(column {place + 1}, no heading)", {"known": "give it a heading"}
            findings.add("column_unknown", sheet.name, sheet.header_row, where, facts=facts)
    for place in sorted(sure, key=lambda place: sure[place][2] == "guess"):
        (name, unit, how), header = sure[place], sheet.header[place]
        if name and name in found and how != "guess":
            raise DataError(
                f"Sheet {sheet.name}: the columns “{sheet.header[found[name][0]]}” and “{header}” both read as {name}. "
                "Rename or delete one of them."
            )
        if not name or name in found:
            facts = {"known": ", ".join(column for column in COLUMNS[table] if column not in found)}
            findings.add("column_unknown", sheet.name, sheet.header_row, header, facts=facts)
            continue
        found[name] = (place, unit)
        if how != "same":
            kind = "column_guess" if how == "guess" else "column_renamed"
            findings.add(kind, sheet.name, sheet.header_row, header, facts={"column": name})
    missing = [column.name for column in COLUMNS[table].values() if column.required and column.name not in found]
    if undated and "date" in missing:
        missing.remove("date")
        findings.add("undated", sheet.name, sheet.header_row)
    if missing:
        where = f", header in row {sheet.header_row}" if sheet.header_row > 0 else ""
        raise DataError(
            f"Sheet {sheet.name}{where}: no column for {listed(missing)}. It has: "
            f"{listed([header for header in sheet.header if header], 12)}. Rename the columns, or start "
            "from truechange template FILE.xlsx."
        )
    return found


def _records(sheet: Sheet, person: int, findings: Findings) -> Any:
    """Return which rows are records: not the template's example, not a repeated header, not a row of totals."""
    texts, header = sheet.columns[person], sheet.header[person]
    kinds: dict[int, str] = {}
    for code, text in enumerate(texts.words):
        if text[-1].isdigit() and text[0] not in "eE" and text != header:
            continue  # a code, the usual case
        word = text.casefold()
        if word == header.casefold():
            kinds[code] = "header_again"
        elif word.startswith("example"):
            kinds[code] = "example"
        elif word.rstrip(":. ") in TOTALS:
            kinds[code] = "total_row"
    keep = np.ones(len(sheet.rows), dtype=bool)
    for code, kind in kinds.items():
        which = texts.codes == code
        findings.add(kind, sheet.name, sheet.rows[which], header)
        keep &= ~which
    return keep


def _occasions(cells: Cells, columns: dict[str, Any], words: WordMap) -> Coded:
    """Settle visit words that only the whole column explains; what stays unknown is a finding."""
    column: Coded = columns["occasion"]
    meant = words.meant = settle_occasions(words, column, columns["person"], columns["date"])
    unknown = {row["word"]: row["guess"] for row in words.unknown if row["column"] == "occasion"}
    for kind, found in (("word_settled", meant), ("word_unmapped", unknown)):
        places = column.spread([word in found for word in column.words], False).nonzero()[0]
        shown = [column.words[code] for code in column.codes[places]]
        facts = [{"word": found[word], "guess": f"; {found[word]}?" if found[word] else ""} for word in shown]
        cells.findings.add(kind, cells.sheet, cells.rows[places], cells.header, values=shown, facts=facts)
    return column.renamed([meant.get(word, word) for word in column.words])


def _scores(cells: dict[str, Cells], columns: dict[str, Any]) -> dict[str, Any]:
    """Read scores with their units, and hold score and result against each other."""
    tests, results, scores = columns["measure"], columns["result"], cells["value"]
    units = read_units(cells["unit"], tests) if "unit" in cells else Coded(np.full(len(tests), -1), [])
    said = results.spread([RESULTS.index(word) for word in results.words], 0, np.int8)
    zero = scores.texts.spread([not text.strip("0.,") for text in scores.texts.words], False)
    codes = np.where(zero & (said == UNABLE), -1, scores.texts.codes)  # 0 by rule is unable, not a score of none
    values, written = read_scores(scores._replace(texts=Coded(codes, scores.texts.words)), tests, units)
    under = written.spread([RESULTS.index(word) for word in written.words], 0, np.int8)
    scored, found = ~np.isnan(values), np.where(said == 0, under, said)
    found[(found == 0) & scored] = MEASURED
    clash = np.where(scored, found != MEASURED, (under != 0) & (said != 0) & (under != said)).nonzero()[0]
    facts = [{"result": RESULTS[code]} for code in found[clash]]
    texts = [scores.texts.words[code] for code in scores.texts.codes[clash]]
    scores.findings.add("result_conflict", scores.sheet, scores.rows[clash], scores.header, values=texts, facts=facts)
    nothing = (scores.texts.empty | (under == MEASURED)) & (found <= MEASURED)
    scores.findings.add("no_value", scores.sheet, scores.rows[nothing], scores.header)
    return {
        "value": values,
        "tested": ~scores.texts.empty | ((found > 0) & (found != NOT_DONE)),  # a row typed ahead of the visit is not
        "result": Coded.of(found, RESULTS),
        "unit": tests.renamed([limits_of(key).unit for key in tests.words]),
    }
