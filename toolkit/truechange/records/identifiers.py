"""What says who someone is: recognised by header and pattern, refused, or replaced by codes made with a secret key."""

import hmac
import os
import re
from base64 import b32encode
from collections.abc import Mapping
from dataclasses import replace
from itertools import count
from pathlib import Path
from secrets import token_hex
from types import MappingProxyType

from truechange.foundation.errors import ChoiceError, DataError
from truechange.records.formats import Sheet
from truechange.records.rules import (
    COLUMNS,
    IDENTIFYING,
    IDENTIFYING_HEADERS,
    NAME,
    Findings,
    match_column,
    names_someone,
    reads_on,
    squeezed,
)
from truechange.records.values import Coded
from truechange.records.words import clinic_file

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
    if squeezed(header) in IDENTIFYING_HEADERS:
        return f"“{header}”"
    name = match_column(header, table)[0]
    kind = COLUMNS[table][name].kind if name else "unknown"
    if kind == "text":
        return ""  # notes are never read on
    if name == "person":
        looked_for = list(IDENTIFYING)
    else:
        looked_for = [what for what in IDENTIFYING if what != NAME] if kind in ("label", "word", "unknown") else [MAIL]
    every = re.compile("|".join(f"(?:{IDENTIFYING[what].pattern})" for what in looked_for))
    codes = all(map(str.isalnum, texts.words)) and not any(map(str.isdigit, texts.words))  # no pattern fits those
    hit = "" if codes else next((text for text in texts.words if every.fullmatch(text)), "")
    if hit:
        return next(what for what in looked_for if IDENTIFYING[what].fullmatch(hit))
    whole = [text for text in texts.words if kind == "unknown" and IDENTIFYING[NAME].fullmatch(text)]
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
    whose = {table: [identifying(header, column, table) for header, column in zip(
        sheet.header, sheet.columns, strict=True)] for table, sheet in sheets.items()}  # fmt: skip
    if any(map(any, whose.values())) and key is None:
        places = "; ".join(
            f"sheet {sheet.name}, column {header!r}: {what}"
            for table, sheet in sheets.items()
            for header, what in zip(sheet.header, whose[table], strict=True)
            if what
        )
        raise DataError(
            f"Columns that say who someone is are not read: {places}. Delete them and use codes (P001), "
            "or let people be replaced by codes that only your key can make again: --pseudonyms KEYFILE "
            "(in Python: pseudonyms=KEYFILE)."
        )
    if key is None:
        return sheets
    return {table: _replaced(sheet, table, whose[table], findings, key) for table, sheet in sheets.items()}


def _replaced(sheet: Sheet, table: str, whose: list[str], findings: Findings, key: bytes) -> Sheet:
    header, columns = list(sheet.header), list(sheet.columns)
    for place, (title, what) in enumerate(zip(sheet.header, whose, strict=True)):
        if match_column(title, table)[0] == "person":
            columns[place] = columns[place].renamed([pseudonym(text, key) for text in columns[place].words])
        elif what:
            header[place] = ""
            columns[place] = Coded(columns[place].codes * 0 - 1, [])
            findings.add("identifier_left_out", sheet.name, sheet.header_row, title, facts={"what": what})
    return replace(sheet, header=header, columns=columns)


def _labelled(
    sheets: dict[str, Sheet], findings: Findings, key: bytes | None, given: Mapping[str, Mapping[str, str]]
) -> dict[str, Sheet]:
    """Put the text to print in place of every label as it was typed."""
    shown: dict[str, dict[str, str]] = {name: dict(given.get(name, {})) for name in LABELS}
    places = [(table, at, match_column(header, table)[0]) for table, sheet in sheets.items()
              for at, header in enumerate(sheet.header)]  # fmt: skip
    places = [(table, at, name) for table, at, name in places if name in LABELS]
    taken = {word for table, at, _ in places for word in sheets[table].columns[at].words}
    for table, at, name in places:
        sheet, texts = sheets[table], sheets[table].columns[at]
        for code, text in enumerate(texts.words):
            if text in shown[name] or not (names_someone(text) or reads_on(text)):
                continue
            words = (f"{name.replace('_', ' ').capitalize()} {number}" for number in count(1))
            label = pseudonym(text, key) if key else next(word for word in words if word not in taken)
            taken.add(label)
            shown[name][text], first = label, sheet.rows[(texts.codes == code).argmax()]
            facts = {"column": name, "shown": label}
            findings.add("label_withheld", sheet.name, first, sheet.header[at], values=[text], facts=facts)
        columns = list(sheet.columns)
        columns[at] = texts.renamed([shown[name].get(text, text) for text in texts.words])
        sheets = sheets | {table: replace(sheet, columns=columns)}
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
            raise DataError(
                f'{file}, [labels] {name}: write one of {", ".join(LABELS)} as site = {{ "as typed" = "as printed" }}.'
            )
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
    plain = " ".join(text.casefold().split()).encode()
    return "X" + b32encode(hmac.digest(key, plain, "sha256"))[:10].decode()


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
        raise ChoiceError(
            f"The key in {place.name} is shorter than {SHORTEST_KEY} bytes; "
            "name a file that does not exist yet to have one made."
        )
    return key
