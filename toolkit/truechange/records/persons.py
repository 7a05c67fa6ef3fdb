"""People: what says who someone is (refused, or replaced by codes made with a key), facts and spellings of people."""

import hmac
import os
import re
from base64 import b32encode
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import chain, count
from pathlib import Path
from secrets import token_hex
from types import MappingProxyType

import numpy as np

from truechange.foundation.errors import ChoiceError
from truechange.records import rules
from truechange.records.headings import NONE, Own
from truechange.records.rules import NAME, Findings, column_names, fit_to_show, match_column, names_someone, squeezed
from truechange.records.synonyms import WordMap, clinic_file
from truechange.records.values import Coded, Sheet

MAIL = "an e-mail address"
LABELS = ("programme", "site", "therapist", "assessor", "joint", "walking_aid", "occasion")  # typed, and needed later
SHORTEST_KEY = 16


def identifying(header: str, texts: Coded, table: str) -> str:
    """Say what a column holds that says who someone is; empty when nothing was recognised.

    Examples
    --------
    >>> identifying("Surname", Coded.read(["x"]), "people")
    '“Surname”'
    >>> identifying("person", Coded.read(["P001", "a.b@example.org"]), "people")
    'an e-mail address'
    """
    if squeezed(header) in rules.IDENTIFYING_HEADERS:
        return f"“{header}”"
    name = match_column(header, table)[0]
    kind = rules.COLUMNS[table][name].kind if name else "unknown"
    if kind == "text":
        return ""  # notes are never read on
    looked_for = [MAIL]
    if name == "person" or kind in ("label", "word", "unknown"):
        looked_for = [what for what in rules.IDENTIFYING if name == "person" or what != NAME]
    every = re.compile("|".join(f"(?:{rules.IDENTIFYING[what].pattern})" for what in looked_for))
    codes = all(map(str.isalnum, texts.words)) and not any(map(str.isdigit, texts.words))  # no pattern fits those
    hit = "" if codes else next((text for text in texts.words if every.fullmatch(text)), "")
    if hit:
        return next(what for what in looked_for if rules.IDENTIFYING[what].fullmatch(hit))
    whole = [text for text in texts.words if kind == "unknown" and rules.IDENTIFYING[NAME].fullmatch(text)]
    return NAME if whole and 2 * sum(map(names_someone, whole)) >= len(texts.words) else ""


def guard(
    sheets: dict[str, Sheet],
    findings: Findings,
    key: bytes | None,
    labels: Mapping[str, Mapping[str, str]] = MappingProxyType({}),
) -> dict[str, Sheet]:
    """Return the sheets with nothing in them that says who someone is.

    Without a key such columns are refused. With one, people are replaced by codes and every other such column is left
    out. A label (site, therapist, programme ...) that reads like a name is replaced by a number, or with a key by a
    code, until `labels` gives the text to print.

    Raises
    ------
    DataError
        Something was recognised and there is no key; names sheets and columns, never a value.
    """
    sheets = _labelled(sheets, findings, key, labels)
    telling = {(table, at): what for table, sheet in sheets.items()
               for at, (header, column) in enumerate(zip(sheet.header, sheet.columns, strict=True))
               if (what := identifying(header, column, table))}  # fmt: skip
    if telling and key is None:
        places = "; ".join(f"sheet {sheets[table].name}, column {sheets[table].header[at]!r}: {what}"
                           for (table, at), what in telling.items())  # fmt: skip
        raise rules.refused("identified", places=places)
    if key is None:
        return sheets
    for table, at, name in _columns(sheets):
        sheet, column = sheets[table], sheets[table].columns[at]
        if name == "person":
            sheets[table] = sheet.put(at, column.renamed([pseudonym(text, key) for text in column.words]))
        elif what := telling.get((table, at), ""):
            findings.add("identifier_left_out", sheet.name, sheet.header_row, sheet.header[at], facts={"what": what})
            sheets[table] = sheet.put(at, Coded(column.codes * 0 - 1, []), "")
    return sheets


def _columns(sheets: dict[str, Sheet]) -> Iterator[tuple[str, int, str]]:
    """Yield every column of every sheet: table, place, the column of ours that it means."""
    for table, sheet in sheets.items():
        yield from ((table, at, match_column(header, table)[0]) for at, header in enumerate(sheet.header))


def _labelled(
    sheets: dict[str, Sheet], findings: Findings, key: bytes | None, given: Mapping[str, Mapping[str, str]]
) -> dict[str, Sheet]:
    """Put the text to print in place of every label as it was typed."""
    sheets, shown = dict(sheets), {name: dict(given.get(name, {})) for name in LABELS}
    places = [(table, at, name) for table, at, name in _columns(sheets) if name in LABELS]
    taken = {word for table, at, _ in places for word in sheets[table].columns[at].words}
    for table, at, name in places:
        sheet, texts = sheets[table], sheets[table].columns[at]
        for code, text in enumerate(texts.words):
            if text in shown[name] or not (names_someone(text) or rules.reads_on(text)):
                continue
            numbered = (f"{name.replace('_', ' ').capitalize()} {number}" for number in count(1))
            shown[name][text] = pseudonym(text, key) if key else next(word for word in numbered if word not in taken)
            taken.add(shown[name][text])
            facts, first = {"column": name, "shown": shown[name][text]}, sheet.rows[(texts.codes == code).argmax()]
            findings.add("label_withheld", sheet.name, first, sheet.header[at], values=[text], facts=facts)
        sheets[table] = sheet.put(at, texts.renamed([shown[name].get(text, text) for text in texts.words]))
    return sheets


def labels_of(words: str | Path | None, beside: str | Path | None) -> dict[str, dict[str, str]]:
    """Return how a clinic's labels are printed, from ``[labels]`` in its own file.

    Raises
    ------
    DataError
        The file is not TOML, or ``[labels]`` holds something else than ``site = { "as typed" = "as printed" }``.
    """
    file, told = clinic_file(words, beside)
    labels = told.get("labels", {})
    for name, pairs in labels.items() if isinstance(labels, dict) else [("", labels)]:
        texts = pairs.values() if isinstance(pairs, dict) else (None,)
        if name not in LABELS or not all(isinstance(text, str) for text in texts):
            raise rules.refused("labels", file=file, name=name, known=", ".join(LABELS))
    return labels


def pseudonym(text: str, key: bytes) -> str:
    """Return the code that stands for `text` under `key`: the same text and key, the same code; no way back without.

    Examples
    --------
    >>> pseudonym("Anna Example", b"sixteen bytes ..") == pseudonym(" anna  example", b"sixteen bytes ..")
    True
    """
    if text.casefold().startswith("example"):
        return text  # the example row of the template is no person
    return "X" + b32encode(hmac.digest(key, " ".join(text.casefold().split()).encode(), "sha256"))[:10].decode()


def read_key(path: str | Path) -> bytes:
    """Return the secret key in a file; a missing file is made, readable by its owner alone.

    Raises
    ------
    ChoiceError
        The file holds fewer than 16 bytes.
    """
    place = Path(path)
    if not place.exists():
        with os.fdopen(os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as stream:
            stream.write(token_hex(32) + "\n")
    key = place.read_bytes().strip()
    if len(key) < SHORTEST_KEY:
        raise rules.refused("short_key", ChoiceError, file=place.name, least=SHORTEST_KEY)
    return key


# ---- facts of people, and one spelling for each ----------------------------------------------------------------------
NOT_FACTS = ("person", "note")
MAY_DIFFER: dict[str, float] = rules.DECLARED["facts"]


def person_facts(sheet: Sheet) -> dict[int, str]:
    """Return which columns of a sheet of assessments hold a fact of the person: place, column of the people table."""
    found: dict[int, str] = {}
    for place, header in enumerate(sheet.header):
        sure = match_column(header, "assessments")[2] in ("same", "known")
        name, _, how = match_column(header, "people")
        if not sure and name and how != "guess" and name not in (*NOT_FACTS, *found.values()):
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
    told = [at for at, name in enumerate(names) if "person" in own.get(name, ())]
    sure = [at for at, name in enumerate(names) if column_names("people").get(name) == "person"]
    close = (at for at, header in enumerate(sheet.header) if match_column(header, "assessments")[0] == "person")
    return next(chain(told, sure, close), None)


def one_row_each(sheet: Sheet, findings: Findings) -> Sheet:
    """Return the people of a sheet, one row each: a person's first entry in every column; others are found."""
    people = sheet.columns[0]
    first_row = np.full(len(people.words), -1)
    for place in np.flatnonzero(~people.empty)[::-1]:
        first_row[people.codes[place]] = place
    keep = first_row[first_row >= 0]
    columns = [people.where(keep)]
    columns += [_first_entry(sheet, place, findings).where(keep) for place in range(1, len(sheet.header))]
    return replace(sheet, columns=columns, rows=sheet.rows[keep])


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
    known = ~people.empty & (first[people.codes] >= 0)
    return Coded(np.where(known, column.codes[first[people.codes]], -1), column.words)


def _differ(name: str, one: str, other: str) -> bool:
    """Whether two entries say different things of one person: as they are read, and beyond what time alone changes."""
    if name in MAY_DIFFER:
        try:
            return abs(float(one.replace(",", ".")) - float(other.replace(",", "."))) > MAY_DIFFER[name]
        except ValueError:
            pass
    known = rules.word_list(name)
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
    rows = {word: place for place, word in enumerate(brought.columns[names["person"]].cells()) if word}
    of_row = [rows.get(word) for word in told.columns[0].cells()]
    headers, columns = list(brought.header), list(brought.columns)
    for header, column in zip(told.header[1:], told.columns[1:], strict=True):
        name = match_column(header, "people")[0]
        place = names.get(name, len(headers))
        if place == len(headers):
            headers.append(header)
            columns.append(Coded(np.full(len(brought.rows), -1), []))
        texts = columns[place].cells()
        for row, text, here in zip(of_row, column.cells(), told.rows, strict=True):
            if row is None or not text:
                continue
            if texts[row] and _differ(name, text, texts[row]):
                facts = {"first": fit_to_show(texts[row]), "row": int(brought.rows[row]), "of": f" of {brought.name}"}
                findings.add("fact_differs", told.name, here, header, values=[text], facts=facts)
            texts[row] = texts[row] or text
        columns[place] = Coded.read(texts)
    return replace(brought, header=headers, columns=columns)


_ALIKE = str.maketrans({" ": None, "_": "-", ".": "-", "/": "-", "o": "0", "l": "1", "i": "1"})


def one_spelling(by_table: dict[str, list[Sheet]], words: WordMap, findings: Findings) -> dict[str, list[Sheet]]:
    """Read every person by one spelling: by the clinic's map, or where only case and spaces differ; others are asked.

    Parameters
    ----------
    by_table : dict of str to list of Sheet
        Sheets by table; the spelling on the people sheet is the right one, otherwise the most frequent.
    words : WordMap
        Says who is meant; takes note of what was read and what is asked.
    findings : Findings
        Takes note of both, cell by cell.
    """
    places = [(table, at, person_place(sheet, words.columns)) for table, sheets in by_table.items()
              for at, sheet in enumerate(sheets)]  # fmt: skip
    columns = [(table, by_table[table][at].columns[place]) for table, at, place in places if place is not None]
    if not words.own.get("person") and _unmistakable({word for _, column in columns for word in column.words}):
        return by_table
    listed = {word for table, column in columns if table == "people" for word in column.words}
    rows = Counter[str]()
    for _, column in columns:
        rows.update(dict(zip(column.words, column.counts(), strict=True)))
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
    united = {table: list(sheets) for table, sheets in by_table.items()}
    for table, at, place in places:
        if place is not None:
            united[table][at] = _respelled(by_table[table][at], place, read, asked, findings)
    return united


def _respelled(sheet: Sheet, place: int, read: dict[str, str], asked: dict[str, str], findings: Findings) -> Sheet:
    column = sheet.columns[place]
    for kind, found, fact in (("word_read", read, "word"), ("person_look_alike", asked, "other")):
        at = column.spread([found.get(word, word) != word for word in column.words], False).nonzero()[0]
        shown = [column.words[code] for code in column.codes[at]]
        other = [found[word] for word in shown]
        findings.add(kind, sheet.name, sheet.rows[at], sheet.header[place], values=shown,
                     facts=[{fact: word} for word in other], repairs=other if kind == "word_read" else ())  # fmt: skip
    return sheet.put(place, column.renamed([read.get(word, word) for word in column.words]))


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
