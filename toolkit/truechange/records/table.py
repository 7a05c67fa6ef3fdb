"""Typed tables: headers matched, rows that are no records put aside, columns read in order; checks across rows."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from truechange.foundation.errors import listed
from truechange.measures.catalogue import catalogue
from truechange.records.cells import Cells, limits_of, read_column, read_scores, read_units
from truechange.records.rules import COLUMNS, DECLARED, LIMITS, Findings, known_word, match_column, refused, word_list
from truechange.records.synonyms import WordMap, settle_occasions
from truechange.records.values import Coded, Sheet

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
            column_cells = cells[column.name]
            kind = "undated" if undated and column.name == "date" else "missing_required"
            findings.add(kind, sheet.name, rows[column_cells.texts.empty], column_cells.header)
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
            raise refused("two_columns", sheet=sheet.name, one=sheet.header[found[name][0]], other=header, name=name)
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
        there = listed([header for header in sheet.header if header], 12)
        raise refused("no_column", sheet=sheet.name, where=where, missing=listed(missing), there=there)
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


# ---- checks across rows and tables, on codes and arrays: a million rows take no longer than reading them ------------
IDENTITY: dict[str, list[str]] = DECLARED["identity"]  # what one row of a table stands for
REPEATABLE = ("sessions",)  # two entries a day for one exercise are possible, two identical ones are not


def check_all(tables: dict[str, Table], findings: Findings) -> None:
    """Run every check on the tables read."""
    for table in tables.values():
        doubled(table, findings)
    people_known(tables, findings)
    visits_in_order(tables["assessments"], findings)
    protocol_within_people(tables["assessments"], findings)
    if "ratings" in tables:
        rating_scales(tables["ratings"], findings)
    if "people" in tables:
        ages(tables["people"], findings)
        if "sessions" in tables:
            sessions_after_start(tables["sessions"], tables["people"], findings)


def _keys(table: Table, names: Iterable[str]) -> Any:
    """Return one number a row, equal where the named columns are equal; -1 where a text among them is missing."""
    key, missing = np.zeros(len(table.rows), dtype=np.int64), np.zeros(len(table.rows), dtype=bool)
    for name in names:
        column = table.columns[name]
        if isinstance(column, Coded):
            codes, size = column.codes.astype(np.int64), len(column.words)
            missing |= codes < 0
        else:
            codes, distinct = pd.factorize(column)
            size = len(distinct)
        key = key * (size + 1) + codes + 1
    key[missing] = -1
    return key


def doubled(table: Table, findings: Findings) -> None:
    """Find rows for the same thing: a repetition is set aside, rows that differ are all set aside."""
    names = IDENTITY[table.name]
    key = _keys(table, names)
    places = np.flatnonzero(pd.Series(key).duplicated(keep=False).to_numpy() & (key >= 0))
    first: dict[int, int] = {}
    entries: dict[tuple[Any, ...], int] = {}
    repeated, differing = dict[int, int](), dict[int, int]()  # a row and the one it is held against
    texts = {name: _shown(column, places) for name, column in table.columns.items()}
    for order, place in enumerate(places.tolist()):
        same = (key[place], *(text[order] for text in texts.values()))
        if same in entries:
            repeated[place] = entries[same]
        elif key[place] in first and table.name not in REPEATABLE:
            differing |= {place: first[key[place]], first[key[place]]: place}
        entries.setdefault(same, place)
        first.setdefault(key[place], place)
    kind = "person_twice" if table.name == "people" else "doubled_differs"
    for name, pairs in (("doubled", repeated), (kind, differing)):
        rows = [(int(table.rows[other]), int(table.rows[place])) for place, other in pairs.items()]
        facts = [{"first": findings.other_row(table.sheet, *both), "what": ", ".join(names)} for both in rows]
        table.note(findings, name, list(pairs), "person", facts)


def _shown(column: Any, places: Any) -> list[str]:
    if isinstance(column, Coded):
        return [column.words[code] if code >= 0 else "" for code in column.codes[places]]
    if np.issubdtype(column.dtype, np.datetime64):
        return [str(day) for day in column[places].astype("datetime64[D]")]
    return [f"{value:g}" for value in column[places]]


def _typed(name: str, column: Any, places: Any) -> list[str]:
    """Return what is shown there, a word only where it is a known one."""
    words = _shown(column, places)
    return [known_word(name, word) for word in words] if isinstance(column, Coded) and name != "arms_used" else words


def people_known(tables: dict[str, Table], findings: Findings) -> None:
    """Find people who are not in the people table."""
    if "people" not in tables:
        return
    known = set(tables["people"].columns["person"].words)
    for table in tables.values():
        column = table.columns["person"]
        places = column.spread([word not in known for word in column.words], False).nonzero()[0]
        table.note(findings, "person_unknown", places, "person", {}, _shown(column, places))


def _days(column: Any) -> Any:
    """Return dates as day numbers, NaN where there is none."""
    return np.where(np.isnat(column), np.nan, column.astype("datetime64[D]").astype(np.int64))


def _earliest(days: Any, which: Any, *columns: Coded) -> "pd.Series[float]":
    """Return for every row the earliest of the days of `which` rows with the same texts in the columns."""
    return pd.Series(days).where(which).groupby([column.codes for column in columns]).transform("min")


def visits_in_order(table: Table, findings: Findings) -> None:
    """Find follow-ups before or on the day of baseline, and one occasion spread over many days."""
    people, tests, occasions = (table.columns[name] for name in ("person", "measure", "occasion"))
    days = _days(table.columns["date"])
    is_first = occasions.spread([word == "baseline" for word in occasions.words], False)
    later = set(word_list("occasion").values()) - {"baseline"}
    is_later = occasions.spread([word in later for word in occasions.words], False) & ~people.empty
    of_test, of_person = _earliest(days, is_first, people, tests), _earliest(days, is_first, people)
    baseline = of_test.fillna(of_person).to_numpy()
    early = is_later & (days < baseline)
    for kind, which in (("follow_up_first", early), ("same_day", is_later & (days == baseline))):
        places = np.flatnonzero(which)
        dates = [_iso(day) for day in days[places]]
        each = zip(_shown(occasions, places), dates, map(_iso, baseline[places]), strict=True)
        facts = [dict(zip(("occasion", "date", "baseline"), one, strict=True)) for one in each]
        table.note(findings, kind, places, "date", facts, dates)
    apart = days - _earliest(days, ~early, people, occasions).to_numpy()
    places = np.flatnonzero((apart > LIMITS["visit_days"]) & ~people.empty & ~occasions.empty)
    named = zip(_shown(occasions, places), places, strict=True)
    said = [{"occasion": name, "days": int(apart[place])} for name, place in named]
    table.note(findings, "occasion_dates_differ", places, "date", said, [_iso(days[place]) for place in places])


def _iso(day: Any) -> str:
    return str(np.datetime64(int(day), "D"))


def protocol_within_people(table: Table, findings: Findings) -> None:
    """Find facts of a test's protocol that are not the same on all of a person's visits."""
    people, tests, occasions = (table.columns[name] for name in ("person", "measure", "occasion"))
    size = max(1, len(tests.words))
    key = np.where(people.empty | tests.empty, -1, people.codes.astype(np.int64) * size + tests.codes)
    facts_of = {key: catalogue()[key] for key in tests.words}
    for name in dict.fromkeys(fact for test in facts_of.values() for fact in test.protocol):
        column = table.columns[name]
        values = np.where(column.empty, np.nan, column.codes) if isinstance(column, Coded) else column
        slack = tests.spread([test.tolerances.get(name, 0.0) for test in facts_of.values()], np.inf)
        matters = tests.spread([name in test.protocol for test in facts_of.values()], False)
        places = np.flatnonzero(matters & ~np.isnan(values) & (key >= 0))
        first = np.empty(len(people.words) * size, dtype=np.int64)
        first[key[places[::-1]]] = places[::-1]  # the last assignment stays: the first row of each person and test
        before = first[key[places]]
        off = places[np.abs(values[places] - values[before]) > slack[places] + 1e-9]
        start = first[key[off]]
        was = zip(_typed(name, column, start), _shown(occasions, start), strict=True)
        said = [{"before": old, "occasion_before": visit or "the first visit"} for old, visit in was]
        table.note(findings, "protocol_changed", off, name, said, _typed(name, column, off))


def rating_scales(table: Table, findings: Findings) -> None:
    """Find ratings outside their scale, and ratings on another scale than most."""
    rating, low, high = (table.columns[name] for name in ("rating", "scale_low", "scale_high"))
    given = np.flatnonzero(~np.isnan(low) & ~np.isnan(high))
    if not len(given):
        return
    scales = pd.Series(list(zip(low[given], high[given], strict=True)))
    most = scales.value_counts().index[0]
    outside = given[(rating[given] < low[given]) | (rating[given] > high[given])]
    other = given[(scales != most).to_numpy()]
    for kind, places in (("rating_off_scale", outside), ("rating_other_scale", other)):
        facts = [{"low": low[p], "high": high[p], "most_low": most[0], "most_high": most[1]} for p in places]
        table.note(findings, kind, places, "rating", facts, _shown(rating, places))


def ages(table: Table, findings: Findings) -> None:
    """Find ages that do not go with the birth year."""
    age, year = table.columns["age"], table.columns["birth_year"]
    start = pd.DatetimeIndex(table.columns["start_date"]).year.to_numpy(float)
    places = np.flatnonzero(np.abs(start - year - age) > 2)
    facts = [{"age": age[place], "birth_year": year[place]} for place in places]
    table.note(findings, "age_conflict", places, "age", facts)


def sessions_after_start(sessions: Table, people: Table, findings: Findings) -> None:
    """Find sessions dated before the person's start."""
    known = _shown(people.columns["person"], range(len(people.rows)))
    starts = dict(zip(known, _days(people.columns["start_date"]), strict=True))
    column, dates = sessions.columns["person"], sessions.columns["date"]
    start = column.spread([starts.get(word, np.nan) for word in column.words], np.nan, float)
    places = np.flatnonzero(_days(dates) < start)
    facts = [{"start": _iso(start[place])} for place in places]
    sessions.note(findings, "date_before_start", places, "date", facts, _shown(dates, places))
