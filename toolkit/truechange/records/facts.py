"""People: one spelling for each; their facts (programme, site, sex ...) taken out of the rows of assessments."""

import re
from collections import Counter
from dataclasses import replace
from itertools import chain

import numpy as np

from truechange.records.formats import Sheet
from truechange.records.headings import NONE, Own
from truechange.records.rules import DECLARED, Findings, column_names, fit_to_show, match_column, squeezed, word_list
from truechange.records.values import Coded
from truechange.records.words import WordMap, counts_of

NOT_FACTS = ("person", "note")
MAY_DIFFER: dict[str, float] = DECLARED["facts"]


def person_facts(sheet: Sheet) -> dict[int, str]:
    """Return which columns of a sheet of assessments hold a fact of the person: place, column of the people table."""
    found: dict[int, str] = {}
    for place, header in enumerate(sheet.header):
        of_test, _, sure = match_column(header, "assessments") if header else ("", "", "")
        if not header or (of_test and sure != "guess"):
            continue
        name, _, how = match_column(header, "people")
        if name and how != "guess" and name not in NOT_FACTS and name not in found.values():
            found[place] = name
    return found


def split_people(sheet: Sheet, findings: Findings) -> tuple[Sheet, Sheet | None]:
    """Take the facts of people out of a sheet of assessments.

    Parameters
    ----------
    sheet : Sheet
        Of assessments.
    findings : Findings
        Takes note of the columns, and of every row where a person's fact is not the one it was before.

    Returns
    -------
    Sheet, Sheet or None
        The assessments without those columns; the people they speak of, one row each, None where there are none.
    """
    facts, person = person_facts(sheet), person_place(sheet)
    if not facts or person is None:
        return sheet, None
    for place, name in facts.items():
        findings.add("column_of_people", sheet.name, sheet.header_row, sheet.header[place], facts={"column": name})
    left, about = sheet.only([at for at in range(len(sheet.header)) if at not in facts]), sheet.only([person, *facts])
    about = replace(about, name=findings.derived(sheet.name, "people"), notes=[])
    return left, one_row_each(about, findings)


def person_place(sheet: Sheet, own: Own = NONE) -> int | None:
    """Return which column of a sheet holds the person, the clinic's own word first; None where none does."""
    names = [squeezed(header) for header in sheet.header]
    known = column_names("people")
    sure = (at for ours in (lambda name: "person" in own.get(name, ()), lambda name: known.get(name) == "person")
            for at, name in enumerate(names) if ours(name))  # fmt: skip
    close = (at for at, header in enumerate(sheet.header) if match_column(header, "assessments")[0] == "person")
    return next(chain(sure, close), None)


def one_row_each(sheet: Sheet, findings: Findings) -> Sheet:
    """Return the people of a sheet, one row each: a person's first entry in every column; others are found."""
    people = sheet.columns[0]
    first_row = np.full(len(people.words), -1)
    for place in np.flatnonzero(~people.empty)[::-1]:
        first_row[people.codes[place]] = place
    keep = first_row[first_row >= 0]
    columns = [people, *(_first_entry(sheet, place, findings) for place in range(1, len(sheet.header)))]
    return replace(sheet, columns=[column.where(keep) for column in columns], rows=sheet.rows[keep])


def _first_entry(sheet: Sheet, place: int, findings: Findings) -> Coded:
    """Give every row its person's first entry in a column, and find the rows that say something else."""
    people, column, name = sheet.columns[0], sheet.columns[place], match_column(sheet.header[place], "people")[0]
    filled = np.flatnonzero(~people.empty & ~column.empty)
    first = np.full(len(people.words) + 1, -1)
    first[people.codes[filled[::-1]]] = filled[::-1]
    where = first[people.codes[filled]]
    other = np.flatnonzero(column.codes[filled] != column.codes[where])
    pairs = [(column.words[column.codes[filled[at]]], column.words[column.codes[where[at]]]) for at in other]
    differs = [(at, here, there) for at, (here, there) in zip(other, pairs, strict=True) if _differ(name, here, there)]
    findings.add(
        "fact_differs", sheet.name, sheet.rows[filled[[at for at, _, _ in differs]]], sheet.header[place],
        values=[here for _, here, _ in differs],
        facts=[{"first": fit_to_show(there), "of": "", "row": findings.other_row(
            sheet.name, int(sheet.rows[where[at]]), int(sheet.rows[filled[at]]))} for at, _, there in differs],
    )  # fmt: skip
    codes = np.full(len(people.codes), -1)
    known = ~people.empty & (first[people.codes] >= 0)
    codes[known] = column.codes[first[people.codes[known]]]
    return Coded(codes, column.words)


def _differ(name: str, one: str, other: str) -> bool:
    """Whether two entries say different things of one person: as they are read, and beyond what time alone changes."""
    if name in MAY_DIFFER:
        try:
            return abs(float(one.replace(",", ".")) - float(other.replace(",", "."))) > MAY_DIFFER[name]
        except ValueError:
            pass
    known = word_list(name)
    one, other = (squeezed(text) or text for text in (one, other))
    return known.get(one, one) != known.get(other, other)


def join_people(brought: Sheet, told: Sheet, findings: Findings) -> Sheet:
    """Add the facts in the rows of assessments to a people sheet that was brought, and find where the two differ.

    Parameters
    ----------
    brought, told : Sheet
        The people sheet, and what :func:`split_people` took out of the assessments.
    findings : Findings
        Takes note of every fact that is not the same in both.

    Returns
    -------
    Sheet
        The people sheet; a column it lacks, or a cell that is empty there, is taken from the assessments.
    """
    names = {match_column(header, "people")[0]: place for place, header in enumerate(brought.header) if header}
    if "person" not in names:
        return brought
    rows = {word: place for place, word in enumerate(texts_of(brought.columns[names["person"]])) if word}
    of_row = [rows.get(word) for word in texts_of(told.columns[0])]
    headers, columns = list(brought.header), list(brought.columns)
    for header, column in zip(told.header[1:], told.columns[1:], strict=True):
        name = match_column(header, "people")[0]
        place = names.get(name, len(headers))
        if place == len(headers):
            headers.append(header)
            columns.append(Coded(np.full(len(brought.rows), -1), []))
        texts = texts_of(columns[place])
        for row, text, here in zip(of_row, texts_of(column), told.rows, strict=True):
            if row is None or not text:
                continue
            if texts[row] and _differ(name, text, texts[row]):
                facts = {"first": fit_to_show(texts[row]), "row": int(brought.rows[row]), "of": f" of {brought.name}"}
                findings.add("fact_differs", told.name, here, header, values=[text], facts=facts)
            texts[row] = texts[row] or text
        columns[place] = Coded.read(texts)
    return replace(brought, header=headers, columns=columns)


def texts_of(column: Coded) -> list[str]:
    """Return the text of every row, empty where there is none."""
    return ["" if code < 0 else column.words[code] for code in column.codes.tolist()]


_ALIKE = str.maketrans({" ": None, "_": "-", ".": "-", "/": "-", "o": "0", "l": "1", "i": "1"})


def one_spelling(held: dict[str, list[Sheet]], words: WordMap, findings: Findings) -> dict[str, list[Sheet]]:
    """Read every person by one spelling: by the clinic's map, or where only case and spaces differ; others are asked.

    Parameters
    ----------
    held : dict of str to list of Sheet
        Sheets by table; the spelling on the people sheet is the right one, otherwise the most frequent.
    words : WordMap
        Says who is meant; takes note of what was read and what is asked.
    findings : Findings
        Takes note of both, cell by cell.
    """
    places = [(table, at, person_place(sheet, words.columns)) for table, sheets in held.items()
              for at, sheet in enumerate(sheets)]  # fmt: skip
    columns = [(table, held[table][at].columns[place]) for table, at, place in places if place is not None]
    if not words.own.get("person") and _unmistakable({word for _, column in columns for word in column.words}):
        return held
    rows, listed = Counter[str](), {word for table, column in columns if table == "people" for word in column.words}
    for _, column in columns:
        rows.update(dict(zip(column.words, counts_of(column), strict=True)))
    read = {word: own for word in rows if (own := words.mapped("person", word))}

    def likely(word: str) -> tuple[bool, int, int]:
        return word in listed, sum(map(str.isdigit, word)), rows[word]

    spellings: dict[str, list[str]] = {}
    for word in (word for word in rows if word not in read):
        spellings.setdefault("".join(word.casefold().split()), []).append(word)
    usual = [max(alike, key=likely) for alike in spellings.values()]
    asked = {word: max(alike, key=likely) for alike in _alike(usual) for word in alike}
    for word, alike in zip(usual, spellings.values(), strict=True):
        read |= dict.fromkeys(alike, word)
        if asked.get(word, word) != word:
            words.ask("person", word, sum(rows[other] for other in alike), asked[word])
    united = {table: list(sheets) for table, sheets in held.items()}
    for table, at, place in places:
        if place is not None:
            united[table][at] = _respelled(held[table][at], place, read, asked, findings)
    return united


def _respelled(sheet: Sheet, place: int, read: dict[str, str], asked: dict[str, str], findings: Findings) -> Sheet:
    column = sheet.columns[place]
    for kind, found, fact in (("word_read", read, "word"), ("person_look_alike", asked, "other")):
        at = column.spread([found.get(word, word) != word for word in column.words], False).nonzero()[0]
        shown = [column.words[code] for code in column.codes[at]]
        other = [found[word] for word in shown]
        findings.add(kind, sheet.name, sheet.rows[at], sheet.header[place], values=shown,
                     facts=[{fact: word} for word in other], repairs=other if kind == "word_read" else ())  # fmt: skip
    columns = list(sheet.columns)
    columns[place] = column.renamed([read.get(word, word) for word in column.words])
    return replace(sheet, columns=columns)


def _unmistakable(words: set[str]) -> bool:
    """Whether no code can be mistaken for another, as usual: equally long, capitals and digits without O, I and L."""
    together = "".join(words)
    plain = together.isascii() and together.isalnum() and together.isupper() and set("OIL").isdisjoint(together)
    return plain and len(set(map(len, words))) == 1


def _alike(words: list[str]) -> list[list[str]]:
    """Return the groups of codes that differ only in case, spaces, marks, leading zeros, O for 0, or I and l for 1."""
    equally_long, groups = len(set(map(len, words))) == 1, dict[str, list[str]]()
    for word in words:
        key = word.casefold().translate(_ALIKE)
        groups.setdefault(key if equally_long else re.sub(r"(?<!\d)0+(?=\d)", "", key), []).append(word)
    return [group for group in groups.values() if len(group) > 1]
