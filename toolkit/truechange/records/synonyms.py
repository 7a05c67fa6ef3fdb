"""Word map (synonyms): what a clinic's own words for visits, tests, programmes and columns mean, and which are unknown.

Known synonyms stand in ``rules.toml`` and the catalogue. What only the clinic can say stands in ``clinic.toml`` beside
the file: under ``[words.occasion]``, ``[words.measure]``, ``[words.programme]``, ``[words.result]``, ``[words.person]``
their word = ours, and under ``[columns]`` what a column of a wide sheet holds:
``"TUG (s) pre" = { score = "timed_up_and_go", at = "baseline", unit = "s" }``.
"""

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from json import dumps
from math import isnan, nan
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from truechange.foundation.errors import listed
from truechange.measures.catalogue import catalogue, declare_all
from truechange.records import rules
from truechange.records.rules import column_names, fit_to_show, match_column, nearest, refused, squeezed, word_list
from truechange.records.values import Coded

IN_MEMORY = "the data in memory"  # in place of a file's name
FILE, EMPTY, NOT_LISTED, LEFT_OUT = "clinic.toml", "(empty)", "(not among the people)", "leave out"
KNOWN = "known synonym"
HEAD: dict[str, list[str]] = rules.DECLARED["clinic_file"]
COLUMNS = ("occasion", "measure", "programme", "result", "person")
HOLDS = ("person", "visit", "people", "score", "fact", "rating", "leave_out")  # what a column of a wide sheet can hold
WEEK = re.compile(r"(?:w|wks?|weeks?)\W*(\d+)|(\d+)\W*(?:/\s*52|w|wks?|weeks?)")
NUMBERED = re.compile(r"(?:t|time|time ?point|visit|v|assessment|test)\W*(\d)")
_ORDERED = {2: ("baseline", "discharge"), 3: ("baseline", "midway", "discharge")}
_NEAR = 1 / 3  # a week this far from the usual time of discharge is another visit
_RARE = 0.1  # a programme this rare beside one spelt much like it may be a slip


@dataclass
class WordMap:
    """Words and what they are read as, gathered while a file is read.

    Parameters
    ----------
    file : str
        Name of the clinic's own map; empty if there is none.
    own : mapping
        Column: their word, squeezed: ours.
    read : list of dict
        Words that were mapped: column, word, read_as, rows, by.
    unknown : list of dict
        Words that were not: column, word, rows, guess.
    columns : mapping
        What the clinic says that columns of wide sheets hold, by squeezed heading.
    seen : list of dict
        Columns of wide sheets: sheet, column, holds, cells, sure.
    meant : dict
        Visit words settled by the column of the assessments: word as read, occasion.
    days : float
        Usual days from baseline to discharge, as the assessments have them; NaN where no dates say so.
    """

    file: str = ""
    own: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    read: list[dict[str, Any]] = field(default_factory=list)
    unknown: list[dict[str, Any]] = field(default_factory=list)
    columns: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    seen: list[dict[str, Any]] = field(default_factory=list)
    meant: dict[str, str] = field(default_factory=dict)
    days: float = nan

    def mapped(self, column: str, word: str) -> str | None:
        """Return what the clinic's map says `word` means; None where it says nothing."""
        return self.own.get(column, {}).get(_key(column, word))

    def note(self, column: str, word: str, read_as: str, rows: int, by: str = "") -> None:
        """Remember that `word` was read as another."""
        if rows:
            about = {"column": column, "word": fit_to_show(word), "read_as": read_as, "rows": rows}
            self.read.append({**about, "by": by or self.file})

    def ask(self, column: str, word: str, rows: int, guess: str = "") -> None:
        """Remember that `word` is not understood."""
        if rows:
            self.unknown.append({"column": column, "word": word, "rows": rows, "guess": guess or ""})

    def take(self, sheet: str, column: str, holds: Mapping[str, Any], cells: int, *, sure: bool) -> None:
        """Remember what a column of a wide sheet was taken for, and ask where that is a guess."""
        text = f"{{ {', '.join(f'{name} = {_quoted(value)}' for name, value in holds.items())} }}"
        self.seen.append({"sheet": sheet, "column": column, "holds": text, "cells": cells, "sure": sure})
        if not sure:
            self.ask("column", column, cells, text)

    def frame(self, name: str) -> pd.DataFrame:
        """Return ``read`` or ``unknown`` with equal words counted together, or ``seen`` as it is."""
        if name == "seen":
            return pd.DataFrame(self.seen, columns=["sheet", "column", "holds", "cells", "sure"])
        keys = ["column", "word", *(["read_as", "by"] if name == "read" else ["guess"])]
        whole = pd.DataFrame(self.read if name == "read" else self.unknown, columns=[*keys, "rows"])
        return whole.groupby(keys, sort=False)["rows"].sum().reset_index() if len(whole) else whole


def _quoted(text: Any) -> str:
    return dumps(text, ensure_ascii=False)


def _key(column: str, word: str) -> str:
    text = as_visit(word) if column == "occasion" else word.strip()
    return "" if text in ("", EMPTY) else squeezed(text) or text


def clinic_file(path: str | Path | None, beside: str | Path | None) -> tuple[str, dict[str, Any]]:
    """Read what a clinic says of itself: the file named, or ``clinic.toml`` beside the data; its name and content.

    Nothing lies beside data in memory (`beside` is None).

    Raises
    ------
    DataError
        The file named is missing, or is no TOML.
    """
    source = Path(beside or "")
    place = Path(path) if path is not None else (source if source.is_dir() else source.parent) / FILE
    if path is None and (beside is None or not place.is_file()):
        return "", {}
    try:
        return place.name, tomllib.loads(place.read_text(encoding="utf-8"))
    except OSError as trouble:
        raise refused("map_unread", file=place.name, trouble=trouble.strerror) from trouble
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as trouble:
        raise refused("no_toml", file=place.name, trouble=trouble) from trouble


def open_map(path: str | Path | None, beside: str | Path | None) -> WordMap:
    """Read the clinic's word map from its file.

    Raises
    ------
    DataError
        It cannot be read, or maps a word to something the library does not know.
    """
    name, told = clinic_file(path, beside)
    declare_all(name, told.get("tests", {}))
    words = told.get("words", {})
    if strange := sorted(set(words) - set(COLUMNS)):
        raise refused("words_table", file=name, name=strange[0], known=", ".join(COLUMNS))
    own: dict[str, dict[str, str]] = {}
    for column, pairs in words.items():
        for theirs, ours in pairs.items():
            own.setdefault(column, {})[_key(column, theirs)] = _target(name, column, theirs, ours)
    return WordMap(name, own, columns=dict(_columns(name, told)))


def _columns(file: str, told: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Yield what the clinic says that its columns hold, by squeezed heading."""
    known = {"score": set(catalogue()), **{of: set(column_names(table).values()) for of, table in
             (("people", "people"), ("fact", "assessments"))}}  # fmt: skip
    columns = told.get("columns", {})
    if told.get("confirmed") is False:  # as the mapping of a wide sheet was agreed before
        raise refused("not_confirmed", file=file)
    for heading, facts in columns.items() if isinstance(columns, dict) else [("", columns)]:
        kinds = [kind for kind in HOLDS if kind in facts] if isinstance(facts, dict) else []
        if len(kinds) != 1 or set(facts) - {*kinds, "at", "unit", "test", "trial"}:
            raise refused("columns_line", file=file, heading=heading, known=listed(HOLDS, 9))
        if (what := facts[kinds[0]]) not in known.get(kinds[0], (what,)):
            targets = listed(sorted(known[kinds[0]]), 40)
            raise refused("columns_target", file=file, heading=heading, given=what, kind=kinds[0], known=targets)
        yield squeezed(heading), facts


def _target(file: str, column: str, theirs: str, ours: Any) -> str:
    known = (*catalogue(), LEFT_OUT) if column == "measure" else tuple(dict.fromkeys(word_list(column).values()))
    itself = column == "occasion" and isinstance(ours, str) and _key(column, ours) == _key(column, theirs)
    if not isinstance(ours, str) or not ours.strip() or not (ours in known or itself or not known):
        also = ", or the word itself for a visit of its own" if column == "occasion" else ""
        choices = f"one of {listed(known, 20)}{also}" if known else "a word in quotes"
        raise refused("words_target", file=file, column=column, theirs=theirs, ours=ours, choices=choices)
    return as_visit(ours) if itself else ours.strip()


def own_columns(columns: pd.DataFrame) -> dict[str, Mapping[str, Any]]:
    """Return what the columns of a wide sheet were taken for, in the form the clinic's file says it."""
    texts = zip(columns["column"], columns["holds"], strict=True)
    return {squeezed(column): tomllib.loads(f"it = {holds}")["it"] for column, holds in texts}


def week_of(word: str) -> int | None:
    """Return the week a visit word names, as clinics write it; None where it names none.

    Examples
    --------
    >>> [week_of(word) for word in ("12/52", "wk 12", "Week 12", "12 weeks", "12", "discharge")]
    [12, 12, 12, 12, None, None]
    """
    found = WEEK.fullmatch(word.strip().lower())
    return int(found[1] or found[2]) if found else None


def as_visit(text: str) -> str:
    """Return a visit word as it is kept: weeks in one form, anything else in lower case."""
    week = week_of(text)
    return " ".join(text.lower().split()) if week is None else f"week {week}"


def settle_occasions(words: WordMap, occasions: Coded, people: Coded, dates: Any) -> dict[str, str]:
    """Read visit words that only the whole column explains: numbered visits by their order, weeks by being the last.

    Parameters
    ----------
    words : WordMap
        Takes note of what was read and what is asked.
    occasions, people : Coded
        The columns of the assessments, occasions already read word by word.
    dates : array of datetime64
        Their dates: a week is the discharge only where discharges are about that many weeks after baseline.

    Returns
    -------
    dict of str to str
        Word as read so far: the occasion it stands for. A word that stays unknown is not in it.
    """
    known = {*word_list("occasion").values(), *words.own.get("occasion", {}).values()}
    open_words = [word for word in occasions.words if word not in known]
    rows = dict(zip(occasions.words, occasions.counts(), strict=True))
    meant = {word: words.meant[word] for word in open_words if word in words.meant}
    open_words = [word for word in open_words if word not in meant]
    numbered = {word: int(found[1]) for word in open_words if (found := NUMBERED.fullmatch(word))}
    if numbered and not {"baseline", "discharge"} & set(occasions.words):
        order = sorted(set(numbered.values()))
        names = dict(zip(order, _ORDERED.get(len(order), ()), strict=False))
        meant |= {word: names[number] for word, number in numbered.items() if number in names}
    weeks = {word: week for word in open_words if (week := week_of(word)) is not None}
    meant |= {word: "baseline" for word, week in weeks.items() if week == 0}
    later = {week for week in weeks.values() if week > 0}
    settled = occasions.renamed([meant.get(word, word) for word in occasions.words])
    if len(later) == 1:
        same = [word for word, week in weeks.items() if week > 0]
        usual = words.days if isnan(told := _days(settled, people, dates)) else told
        near = "discharge" not in settled.words if isnan(usual) else _near(min(later), usual)
        if near and not _both(settled, people, same, ["discharge"]):
            meant |= dict.fromkeys(same, "discharge")
    days = _days(occasions.renamed([meant.get(word, word) for word in occasions.words]), people, dates)
    words.days = words.days if isnan(days) else days
    for word in open_words:
        if word in meant:
            words.note("occasion", word, meant[word], int(rows[word]), "order of visits")
        else:
            close = nearest(squeezed(word), list(word_list("occasion")), 0.6)
            guess = word_list("occasion").get(close, "")
            if word in weeks:
                usual = 7 * max(later) if isnan(words.days) else words.days
                before = "midway" if 7 * weeks[word] < usual else "follow_up"
                guess = "discharge" if _near(weeks[word], usual) else before
            words.ask("occasion", word, int(rows[word]), guess)
    return meant


def _near(week: int, days: float) -> bool:
    return abs(7 * week - days) <= _NEAR * days


def _days(occasions: Coded, people: Coded, dates: Any) -> float:
    """Return the median of the days from a person's first baseline to discharge; NaN where no dates say it."""
    days = dates.astype("datetime64[D]").astype(float)
    days[np.isnat(dates) | people.empty] = nan
    first = np.full(len(people.words) + 1, nan)
    start = np.flatnonzero(occasions.spread([word == "baseline" for word in occasions.words], False) & ~np.isnan(days))
    np.fmin.at(first, people.codes[start], days[start])
    gaps = (days - first[people.codes])[occasions.spread([word == "discharge" for word in occasions.words], False)]
    return float(np.median(gaps[~np.isnan(gaps)])) if (~np.isnan(gaps)).any() else nan


def _both(occasions: Coded, people: Coded, one: list[str], other: list[str]) -> bool:
    """Whether anybody has a visit by a word of `one` and another by a word of `other`."""

    def those(names: list[str]) -> set[int]:
        return {*people.codes[occasions.spread([word in names for word in occasions.words], False)].tolist()} - {-1}

    return bool(those(one) & those(other))


def unite_programmes(words: WordMap, column: Coded) -> Coded:
    """Read programme names: one spelling where only case, spaces or marks differ; blanks and likely slips are asked."""
    counts = column.counts()
    usual: dict[str, str] = {}
    for word, _ in sorted(zip(column.words, counts, strict=True), key=lambda pair: -pair[1]):
        usual.setdefault(_key("", word), word)
    told = [words.mapped("programme", word) for word in column.words]
    both = zip(column.words, told, strict=True)
    read = [usual.get(squeezed(own), own) if own else usual[_key("", word)] for word, own in both]
    total: dict[str, int] = {}
    for word, ours, own, rows in zip(column.words, read, told, counts, strict=True):
        total[ours] = total.get(ours, 0) + rows
        if ours != word:
            words.note("programme", word, ours, rows, "" if own else "another spelling")
    settled = {ours for ours, own in zip(read, told, strict=True) if own}
    for word in [word for word in total if word not in settled]:
        digits = re.sub(r"\D", "", word)  # stage 1 and stage 2 are two programmes
        common = {squeezed(name): name for name in total
                  if total[word] <= _RARE * total[name] and re.sub(r"\D", "", name) == digits}  # fmt: skip
        if close := nearest(squeezed(word), list(common), 0.85):
            words.ask("programme", word, total[word], common[close])
    blank = int(column.empty.sum())
    if not blank or not column.words:
        return column.renamed(read)
    if own := words.mapped("programme", ""):
        words.note("programme", EMPTY, own, blank)
        return Coded.of(np.where(column.empty, len(read), column.codes), [*read, own])
    words.ask("programme", EMPTY, blank)
    return column.renamed(read)


def add_unlisted(words: WordMap, people: pd.DataFrame, tested: "pd.Series[str]") -> pd.DataFrame:
    """Ask for the programme of people who were tested and are not on the people sheet; add them once the map says it.

    Parameters
    ----------
    words : WordMap
        Takes note of them under ``(not among the people)``.
    people : DataFrame
        The people sheet as read.
    tested : Series of str
        The person of each row of the assessments.

    Returns
    -------
    DataFrame
        `people`, and below them the others where the map gives their programme.
    """
    strangers = sorted(set(tested) - set(people["person"]))
    there = people["programme"].dropna().unique()
    if not strangers:
        return people
    own, rows = words.mapped("programme", NOT_LISTED), int(tested.isin(strangers).sum())
    if own is None:
        words.ask("programme", NOT_LISTED, rows, there[0] if len(there) == 1 else "")
        return people
    words.note("programme", NOT_LISTED, own, rows)
    if own == LEFT_OUT:
        return people
    usual = next((name for name in there if squeezed(name) == squeezed(own)), own)
    more = pd.DataFrame({"person": strangers, "programme": usual if len(there) else None, "source_row": 0})
    return pd.concat([people, more.astype(people[["person", "programme", "source_row"]].dtypes)], ignore_index=True)


def refuse_unknown(file: str, problems: pd.DataFrame, unknown: pd.DataFrame, allowed: Iterable[str] = ()) -> None:
    """Refuse to count around words, dates or programmes that are not understood.

    Parameters
    ----------
    file : str
        Name of the file.
    problems : DataFrame
        What was noticed at the door: kind, column.
    unknown : DataFrame
        column, word, guess, rows.
    allowed : iterable of str
        Visit words that were asked for by name; ``(not among the people)`` where the people sheet plays no part.

    Raises
    ------
    DataError
        Names the words, how many rows each has, and how to say what they mean.
    """
    kinds, inside = problems["kind"], "tc.read(...).problems" if file == IN_MEMORY else ""
    if undated := int((kinds == "date_unclear").sum()):
        raise refused("dates_open", file=file, count=undated)
    headings = problems.loc[kinds == "fact_differs", "column"]
    if two := sum(match_column(heading, "people")[0] == "programme" for heading in headings):
        raise refused("two_programmes", file=file, count=two, inside=inside or f"truechange inspect {file}")
    left = unknown[~(unknown["column"].isin(("occasion", "programme")) & unknown["word"].isin(list(allowed)))]
    if left.empty:
        return
    told = [
        f"{row.column} “{fit_to_show(str(row.word))}” ({row.rows} rows{f'; {row.guess}?' if row.guess else ''})"  # type: ignore[str-bytes-safe]
        for row in left.itertuples()
    ]
    how = f"{FILE} beside the file; truechange inspect {file} --map writes it with every word to fill in."
    if inside:
        how = f"{FILE} and give words={FILE!r} (tc.from_wide(frame, mapping={FILE!r}) writes it), or rename it."
    raise refused("not_understood", file=file, told=listed(told, 8), how=how)


def write_map(path: Path, unknown: pd.DataFrame, columns: pd.DataFrame | None = None) -> int:
    """Add to a clinic's map every unknown word as a line to fill in, and every column of a wide sheet as it was taken.

    Lines that stand there stay as they are.

    Returns
    -------
    int
        Words and columns to fill in that were added.
    """
    import tomlkit

    text = path.read_text(encoding="utf-8") if path.is_file() else ""
    document = tomlkit.parse(text)
    if not text:
        for line in HEAD[""]:
            document.add(tomlkit.comment(line))
    added = 0
    for row in columns.itertuples() if columns is not None else ():
        if row.sure and row.column not in document.get("columns", {}):
            _table(document, "columns").add(str(row.column), tomlkit.value(str(row.holds)))
    for row in unknown.itertuples():
        line = f"{_quoted(row.word)} = {str(row.guess) if row.column == 'column' else _quoted(row.guess)}"
        if line not in text:
            where = ("columns",) if row.column == "column" else ("words", row.column)
            _table(document, *where).add(tomlkit.comment(f"{line}  # {row.rows} rows"))
            added += 1
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
    return added


def _table(document: Any, name: str, inner: str = "") -> Any:
    """Return a table of a document of settings, made if it is not there yet, with a line on what stands in it."""
    import tomlkit

    if name not in document:
        document[name] = tomlkit.table(is_super_table=bool(inner))
        for line in HEAD.get(name, ()):
            document[name].add(tomlkit.comment(line))
    return _table(document[name], inner) if inner else document[name]
