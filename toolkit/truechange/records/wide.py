"""Wide sheets, one row a person or one a visit: each column taken for what it holds, then made long; sheets stacked."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from truechange.foundation.errors import DataError
from truechange.records.facts import texts_of
from truechange.records.formats import Sheet
from truechange.records.headings import meaning, visit_of
from truechange.records.rules import IDENTIFYING_HEADERS, Findings, Place, column_names, match_column, squeezed
from truechange.records.values import Coded, status_word
from truechange.records.words import WordMap

HOW = "by test and visit, such as “TUG pre”; or say what it holds in clinic.toml (truechange inspect FILE --map)"
_SCORE = re.compile(r"-?\d+(?:[.,:]\d+)?(?:\s*[A-Za-z]+)?")
NEEDED = ("occasion", "measure", "value")
Facts = Mapping[str, Any]


class Block(NamedTuple):
    """Rows of one sheet under our names of columns, and what each is called there."""

    sheet: Sheet
    headings: Mapping[str, str]


def lengthened(sheet: Sheet, words: WordMap, findings: Findings) -> dict[str, list[Block]]:
    """Return the people, assessments and ratings of a wide sheet; a column that nobody can be sure of is asked.

    Parameters
    ----------
    sheet : Sheet
        One row a person, or one a person and visit.
    words : WordMap
        Says what its columns hold; takes note of what they were taken for and what is asked.
    findings : Findings
        Takes note of columns that are not read.

    Raises
    ------
    DataError
        No column holds the person, and none could be meant.
    """
    columns = _agreed(sheet, words, findings)
    person = next((at for at, facts in columns.items() if "person" in facts), None)
    nothing = _block(sheet, person or 0, np.zeros(len(sheet.rows), dtype=bool), dict.fromkeys(NEEDED, ""))
    if person is None and not any("person" in row["guess"] for row in words.unknown):
        raise DataError(
            f"Sheet {sheet.name}: no column says whose scores a row holds. Give it the heading person "
            "(where a frame's index holds the codes: frame.rename_axis('person'))."
        )
    if person is None:
        return {"assessments": [nothing]}
    visit = next((at for at, facts in columns.items() if "visit" in facts), None)
    about = {facts["people"]: (at, facts.get("unit", "")) for at, facts in columns.items() if "people" in facts}
    found = {"people": [_block(sheet, person, slice(None), about)], "assessments": [nothing], "ratings": []}
    beside = sorted(((at, facts) for at, facts in columns.items() if "fact" in facts), key=lambda one: "test" in one[1])
    for at, facts in columns.items():
        if "score" not in facts and "rating" not in facts:
            continue
        when, table = facts.get("at") or ("" if visit is not None else "discharge"), "ratings"
        cells: dict[str, Any] = {"occasion": when or (visit, ""), "rating": (at, "")}
        if "score" in facts:
            table = "assessments"
            cells = {"occasion": cells["occasion"], "measure": facts["score"], "value": (at, "")}
            cells |= {name: str(facts[name]) for name in ("unit", "trial") if name in facts}
            for where, fact in beside:
                if fact.get("at") in (None, "", when) and fact.get("test", facts["score"]) == facts["score"]:
                    cells[fact["fact"]] = (where, fact.get("unit", ""))
        found[table].append(_block(sheet, person, ~sheet.columns[at].empty, cells, sheet.header[at]))
    return found


def _block(sheet: Sheet, person: int, keep: Any, cells: Mapping[str, Any], heading: str = "") -> Block:
    """Return the rows to keep; a cell is a text for all of them, or a column of the sheet and its unit."""
    header, columns, headings = ["person"], [sheet.columns[person].where(keep)], {"person": sheet.header[person]}
    for name, cell in cells.items():
        header.append(name)
        if isinstance(cell, str):
            columns.append(Coded.of(np.zeros(len(columns[0]), dtype=np.int64), [cell]))
            headings[name] = heading
        else:
            column = sheet.columns[cell[0]].where(keep)
            texts = [f"{word} {cell[1]}" if word[-1].isdigit() else word for word in column.words]
            columns.append(column.renamed(texts))
            headings[name] = sheet.header[cell[0]]
    return Block(replace(sheet, header=header, columns=columns, rows=sheet.rows[keep]), headings)


def _agreed(sheet: Sheet, words: WordMap, findings: Findings) -> dict[int, Facts]:
    """Return what the columns hold that are read, and note every one: taken, left out, or asked."""
    told = [words.columns.get(squeezed(heading)) for heading in sheet.header]
    taken: list[Facts] = [own or meaning(heading) for own, heading in zip(told, sheet.header, strict=True)]
    by_row = visit_of(sheet.name) or any("visit" in facts for facts in taken)
    nobody = not any("person" in facts for facts in taken)
    agreed: dict[int, Facts] = {}
    seen: list[Facts] = []
    for at, (heading, own) in enumerate(zip(sheet.header, told, strict=True)):
        column, facts = sheet.columns[at], taken[at]
        ask: Facts | None = None
        without = {key: value for key, value in facts.items() if key not in ("at", "unit")}
        if not heading and not column.words:
            continue
        if nobody and own is None and facts.keys() & {"leave_out", "ask"} and len(column.words) == len(column) > 0:
            ask, nobody = {"person": True}, False
        elif "ask" in facts:
            scores = [text for text in column.words if _SCORE.fullmatch(text) or status_word(text)]
            ask = facts["ask"] if 2 * len(scores) > len(column.words) else None
            facts = {"leave_out": True}
        elif not by_row and not facts.get("at") and ("score" in facts or ("fact" in facts and own is None)):
            ask = {**without, "at": "discharge" if {**without, "at": "baseline"} in seen else "baseline"}
        elif own is None and "leave_out" not in facts and {**without, "at": facts.get("at")} in seen:
            ask = {"leave_out": True}
        elif isinstance(by_row, str) and "at" in facts and not facts["at"]:
            facts = {**facts, "at": by_row}
        seen.append(ask or {**without, "at": facts.get("at")})
        if heading:
            words.take(sheet.name, heading, ask or facts, int((~column.empty).sum()), sure=ask is None)
        if ask is None and "leave_out" not in facts:
            agreed[at] = facts
        elif ask is None and own is None and _worth_saying(heading):
            where, facts = heading or f"(column {at + 1}, no heading)", {"known": HOW}
            findings.add("column_unknown", sheet.name, sheet.header_row, where, facts=facts)
    return agreed


def _worth_saying(heading: str) -> bool:
    """Whether it should be said that a column is left out: not of notes, nor of what says who someone is."""
    return squeezed(heading) not in IDENTIFYING_HEADERS and column_names("people").get(squeezed(heading)) != "note"


def as_block(sheet: Sheet, table: str) -> Block:
    """Return a sheet of one of the four tables under our names of columns, where no unit stands beside the name."""
    matched = [match_column(header, table) for header in sheet.header]
    header = [name if name and not unit else text for (name, unit, _), text in zip(matched, sheet.header, strict=True)]
    return Block(replace(sheet, header=header), dict(zip(header, sheet.header, strict=True)))


def with_site(blocks: list[Block], table: str, findings: Findings) -> list[Block]:
    """Return the rows of several sheets with the name of the sheet as their site, unless a site or a visit is named."""
    names = list(dict.fromkeys(block.sheet.name for block in blocks))
    if len(names) == 1:
        return blocks
    sited = table not in ("assessments", "people") or any(map(visit_of, names))
    sited = sited or any("site" in block.sheet.header for block in blocks)
    found = []
    for sheet, headings in blocks:
        others = ", ".join(name for name in names if name != sheet.name)
        facts = {"others": others, "site": "" if sited else ", and the name of each as its site"}
        findings.add("sheets_joined", sheet.name, sheet.header_row, facts=facts)
        site = Coded.of(np.zeros(len(sheet.rows), dtype=np.int64), [sheet.name])
        more = ([], []) if sited else (["site"], [site])
        found.append(Block(replace(sheet, header=sheet.header + more[0], columns=sheet.columns + more[1]), headings))
    return found


def stacked(blocks: Sequence[Block], table: str, findings: Findings) -> Sheet:
    """Return one sheet of all rows; what is found there is told in the rows and headings they came from."""
    texts: dict[str, list[str]] = {name: [] for block in blocks for name in block.sheet.header}
    sheets = {block.sheet.name: block.sheet for block in blocks}
    first = blocks[0].sheet
    places: list[Place] = [(first.name, first.header_row, {})]
    for sheet, headings in blocks:
        here = dict(zip(sheet.header, sheet.columns, strict=True))
        for name, column in texts.items():
            column += texts_of(here[name]) if name in here else [""] * len(sheet.rows)
        places += [(sheet.name, row, headings) for row in sheet.rows.tolist()]
    where: dict[tuple[str, int], list[int]] = {}
    for number, (name, row, _) in enumerate(places):
        where.setdefault((name, row), []).append(number)
    notes = [
        note._replace(row=number) for sheet in sheets.values() for note in sheet.notes
        for number in where.get((sheet.name, note.row), [0])
    ]  # fmt: skip
    rows, columns = np.arange(1, len(places), dtype=np.int64), [Coded.read(column) for column in texts.values()]
    name = findings.derived(first.name, table, places)
    return Sheet(name, list(texts), columns, rows, 0, [] if table == "people" else notes)
