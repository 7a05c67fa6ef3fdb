"""Word map (synonyms): what a clinic's own words for visits, tests, programmes and results mean, and which are unknown.

Known synonyms stand in ``rules.toml`` and the catalogue. What only the clinic can say stands in ``clinic.toml`` beside
the file: under ``[words.occasion]``, ``[words.measure]``, ``[words.programme]``, ``[words.result]`` their word = ours.
"""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from truechange.foundation.errors import DataError, listed
from truechange.measures import catalogue
from truechange.records.coded import Coded
from truechange.records.rules import nearest, squeezed, word_list

FILE, EMPTY, LEFT_OUT = "clinic.toml", "(empty)", "leave out"
COLUMNS = ("occasion", "measure", "programme", "result")
_WEEK = re.compile(r"(?:w|wks?|weeks?)\W*(\d+)|(\d+)\W*(?:/\s*52|w|wks?|weeks?)")
_NUMBERED = re.compile(r"(?:t|time|time ?point|visit|v|assessment|test)\W*(\d)")
_ORDERED = {2: ("baseline", "discharge"), 3: ("baseline", "midway", "discharge")}


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
    meant : dict
        Visit words settled by the column of the assessments: word as read, occasion.
    """

    file: str = ""
    own: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    read: list[dict[str, Any]] = field(default_factory=list)
    unknown: list[dict[str, Any]] = field(default_factory=list)
    meant: dict[str, str] = field(default_factory=dict)

    def mapped(self, column: str, word: str) -> str | None:
        """Return what the clinic's map says `word` means; None where it says nothing."""
        return self.own.get(column, {}).get(_key(word))

    def note(self, column: str, word: str, read_as: str, rows: int, by: str = "") -> None:
        """Remember that `word` was read as another."""
        self.read.append({"column": column, "word": word, "read_as": read_as, "rows": rows, "by": by or self.file})

    def ask(self, column: str, word: str, rows: int, guess: str = "") -> None:
        """Remember that `word` is not understood."""
        self.unknown.append({"column": column, "word": word, "rows": rows, "guess": guess or ""})

    def frame(self, name: str) -> pd.DataFrame:
        """Return ``read`` or ``unknown`` with equal words counted together."""
        lists = {
            "read": (self.read, ["column", "word", "read_as", "by"]),
            "unknown": (self.unknown, ["column", "word", "guess"]),
        }
        rows, keys = lists[name]
        whole = pd.DataFrame(rows, columns=[*keys, "rows"])
        return whole.groupby(keys, sort=False, as_index=False)["rows"].sum() if len(whole) else whole


def _key(word: str) -> str:
    return "" if word.strip() in ("", EMPTY) else squeezed(word) or word.strip()


def clinic_file(path: str | Path | None, beside: str | Path) -> tuple[str, dict[str, Any]]:
    """Read what a clinic says of itself: the file named, or ``clinic.toml`` beside the data; its name and content.

    Raises
    ------
    DataError
        The file named is missing, or is no TOML.
    """
    source = Path(beside)
    place = Path(path) if path is not None else (source if source.is_dir() else source.parent) / FILE
    if path is None and not place.is_file():
        return "", {}
    try:
        return place.name, tomllib.loads(place.read_text(encoding="utf-8"))
    except OSError as trouble:
        raise DataError(f"{place.name}: the word map cannot be read ({trouble.strerror}).") from trouble
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as trouble:
        raise DataError(
            f"{place.name} is no valid TOML: {trouble}. Mend that line, or move the file away."
        ) from trouble


def open_map(path: str | Path | None, beside: str | Path) -> WordMap:
    """Read the clinic's word map from its file.

    Raises
    ------
    DataError
        It cannot be read, or maps a word to something the library does not know.
    """
    name, told = clinic_file(path, beside)
    words = told.get("words", {})
    if strange := sorted(set(words) - set(COLUMNS)):
        raise DataError(f"{name}: [words.{strange[0]}] is not known; there are {', '.join(COLUMNS)}.")
    own: dict[str, dict[str, str]] = {}
    for column, pairs in words.items():
        for theirs, ours in pairs.items():
            own.setdefault(column, {})[_key(theirs)] = _target(name, column, theirs, ours)
    return WordMap(name, own)


def _target(file: str, column: str, theirs: str, ours: Any) -> str:
    allowed = {"measure": (*catalogue(), LEFT_OUT), "result": tuple(dict.fromkeys(word_list("result").values()))}
    known = allowed.get(column)
    if not isinstance(ours, str) or not ours.strip() or (known and ours not in known):
        choices = f"one of {listed(known, 20)}" if known else "a word in quotes"
        raise DataError(f'{file}, [words.{column}]: "{theirs}" = {ours!r} is not understood; give {choices}.')
    return ours.strip()


def week_of(word: str) -> int | None:
    """Return the week a visit word names, as clinics write it; None where it names none.

    Examples
    --------
    >>> [week_of(word) for word in ("12/52", "wk 12", "Week 12", "12 weeks", "12", "discharge")]
    [12, 12, 12, 12, None, None]
    """
    found = _WEEK.fullmatch(word.strip().lower())
    return int(found[1] or found[2]) if found else None


def as_visit(text: str) -> str:
    """Return a visit word as it is kept: weeks in one form, anything else in lower case."""
    week = week_of(text)
    return " ".join(text.lower().split()) if week is None else f"week {week}"


def _counts(column: Coded) -> list[int]:
    """Return how many rows each word of a column has."""
    return np.bincount(column.codes[~column.empty], minlength=len(column.words)).tolist()


def settle_occasions(words: WordMap, occasions: Coded, people: Coded) -> dict[str, str]:
    """Read visit words that only the whole column explains: numbered visits by their order, weeks by being the last.

    Parameters
    ----------
    words : WordMap
        Takes note of what was read and what is asked.
    occasions, people : Coded
        The columns of the assessments, occasions already read word by word.

    Returns
    -------
    dict of str to str
        Word as read so far: the occasion it stands for. A word that stays unknown is not in it.
    """
    known = {*word_list("occasion").values(), *words.own.get("occasion", {}).values()}
    open_words = [word for word in occasions.words if word not in known]
    rows = dict(zip(occasions.words, _counts(occasions), strict=True))
    meant = {word: words.meant[word] for word in open_words if word in words.meant}
    open_words = [word for word in open_words if word not in meant]
    numbered = {word: int(found[1]) for word in open_words if (found := _NUMBERED.fullmatch(word))}
    if numbered and not {"baseline", "discharge"} & set(occasions.words):
        order = sorted(set(numbered.values()))
        names = dict(zip(order, _ORDERED.get(len(order), ()), strict=False))
        meant |= {word: names[number] for word, number in numbered.items() if number in names}
    weeks = {word: week for word in open_words if (week := week_of(word)) is not None}
    meant |= {word: "baseline" for word, week in weeks.items() if week == 0}
    later = {week for week in weeks.values() if week > 0}
    if len(later) == 1:
        same = [word for word, week in weeks.items() if week > 0]
        if not _both(occasions, people, same, ["discharge"]):
            meant |= dict.fromkeys(same, "discharge")
    for word in open_words:
        if word in meant:
            words.note("occasion", word, meant[word], int(rows[word]), "order of visits")
        else:
            close = nearest(squeezed(word), list(word_list("occasion")), 0.6)
            guess = word_list("occasion").get(close, "")
            if word in weeks:
                guess = "discharge" if weeks[word] == max(later) else "midway"
            words.ask("occasion", word, int(rows[word]), guess)
    return meant


def _both(occasions: Coded, people: Coded, one: list[str], other: list[str]) -> bool:
    """Whether anybody has a visit by a word of `one` and another by a word of `other`."""
    seen = [
        set(people.codes[occasions.spread([word in names for word in occasions.words], False)].tolist()) - {-1}
        for names in (one, other)
    ]
    return bool(seen[0] & seen[1])


def unite_programmes(words: WordMap, column: Coded) -> Coded:
    """Read programme names: one spelling where only case, spaces or marks differ; blanks are asked."""
    counts = _counts(column)
    usual: dict[str, str] = {}
    for word in sorted(column.words, key=lambda word: -counts[column.words.index(word)]):
        usual.setdefault(squeezed(word) or word, word)
    read = [words.mapped("programme", word) or usual[squeezed(word) or word] for word in column.words]
    for word, ours, rows in zip(column.words, read, counts, strict=True):
        if ours != word:
            words.note(
                "programme", word, ours, int(rows), "" if words.mapped("programme", word) else "another spelling"
            )
    blank = int(column.empty.sum())
    if not blank or not column.words:
        return column.renamed(read)
    if own := words.mapped("programme", ""):
        words.note("programme", EMPTY, own, blank)
        return Coded.of(np.where(column.empty, len(read), column.codes), [*read, own])
    words.ask("programme", EMPTY, blank)
    return column.renamed(read)


def refuse_unknown(file: str, unknown: pd.DataFrame, undated: int, allowed: tuple[str, ...] = ()) -> None:
    """Refuse to count around words or dates that are not understood.

    Parameters
    ----------
    file : str
        Name of the file.
    unknown : DataFrame
        column, word, guess, rows.
    undated : int
        Rows set aside because day and month could not be told apart.
    allowed : tuple of str
        Visit words that were asked for by name.

    Raises
    ------
    DataError
        Names the words, how many rows each has, and how to say what they mean.
    """
    if undated:
        raise DataError(
            f"{file}: in {undated} rows 03/04 could be 3 April or 4 March, so nobody's visits can be counted. Say how "
            "dates are meant: --dates day-first or --dates month-first (in Python: tc.read(..., dates='day first'))."
        )
    left = unknown[~((unknown["column"] == "occasion") & unknown["word"].isin(allowed))]
    if left.empty:
        return
    told = [
        f"{row.column} “{row.word}” ({row.rows} rows{f'; {row.guess}?' if row.guess else ''})"
        for row in left.itertuples()
    ]
    raise DataError(
        f"{file}: not understood, and counting around it would lose people: {listed(told, 8)}. Say what each means in "
        f"{FILE} beside the file; truechange inspect {file} --map writes it with every word to fill in."
    )


def write_map(path: Path, unknown: pd.DataFrame) -> int:
    """Add every unknown word to a clinic's map as a line to fill in; lines that stand there stay as they are.

    Returns
    -------
    int
        Words added.
    """
    import tomlkit

    text = path.read_text(encoding="utf-8") if path.is_file() else ""
    document = tomlkit.parse(text)
    if not text:
        document.add(
            tomlkit.comment("What this clinic's words mean: their word = ours. Take the # away where the guess")
        )
        document.add(
            tomlkit.comment("is right, or write what is. truechange reads this file beside the data by itself.")
        )
    words = document.setdefault("words", tomlkit.table(is_super_table=True))
    added = 0
    for row in unknown.itertuples():
        line = f'"{row.word}" = "{row.guess}"'
        if line in text:
            continue
        table = words.setdefault(row.column, tomlkit.table())
        table.add(tomlkit.comment(f"{line}  # {row.rows} rows"))
        added += 1
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
    return added
