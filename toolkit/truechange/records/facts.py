"""Facts of a person (programme, site, sex, age ...) in the rows of the assessments: read as the people table."""

from dataclasses import replace

import numpy as np

from truechange.records.coded import Coded
from truechange.records.findings import Findings
from truechange.records.formats import Sheet
from truechange.records.rules import match_column

NOT_FACTS = ("person", "note")


def person_facts(sheet: Sheet) -> dict[int, str]:
    """Return which columns of a sheet of assessments hold a fact of the person: place, column of the people table."""
    found: dict[int, str] = {}
    for place, header in enumerate(sheet.header):
        if not header or match_column(header, "assessments")[0]:
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
    facts = person_facts(sheet)
    person = next(
        (place for place, header in enumerate(sheet.header) if match_column(header, "assessments")[0] == "person"), None
    )
    if not facts or person is None:
        return sheet, None
    people = sheet.columns[person]
    first_row = np.full(len(people.words), -1)
    for place in np.flatnonzero(~people.empty)[::-1]:
        first_row[people.codes[place]] = place
    keep = first_row[first_row >= 0]
    columns, header = [people.where(keep)], [sheet.header[person]]
    for place, name in facts.items():
        column = sheet.columns[place]
        findings.add("column_of_people", sheet.name, sheet.header_row, sheet.header[place], facts={"column": name})
        columns.append(_one_each(sheet, people, column, sheet.header[place], findings).where(keep))
        header.append(sheet.header[place])
    rest = [place for place in range(len(sheet.header)) if place not in facts]
    left = replace(sheet, header=[sheet.header[at] for at in rest], columns=[sheet.columns[at] for at in rest])
    return left, Sheet(sheet.name, header, columns, sheet.rows[keep], sheet.header_row, [])


def _one_each(sheet: Sheet, people: Coded, column: Coded, header: str, findings: Findings) -> Coded:
    """Give every row its person's first entry in `column`, and find the rows that say something else."""
    filled = np.flatnonzero(~people.empty & ~column.empty)
    first = np.full(len(people.words) + 1, -1)
    first[people.codes[filled[::-1]]] = filled[::-1]
    at = first[people.codes[filled]]
    differs = filled[column.codes[filled] != column.codes[at]]
    where = first[people.codes[differs]]
    findings.add(
        "fact_differs", sheet.name, sheet.rows[differs], header,
        values=[column.words[code] for code in column.codes[differs]],
        facts=[{"first": column.words[column.codes[place]], "row": int(sheet.rows[place])} for place in where],
    )  # fmt: skip
    codes = np.full(len(people.codes), -1)
    known = ~people.empty & (first[people.codes] >= 0)
    codes[known] = column.codes[first[people.codes[known]]]
    return Coded(codes, column.words)


def compare_people(brought: Sheet, told: Sheet, findings: Findings) -> None:
    """Hold the facts in the rows of assessments against a people sheet that was brought as well."""
    names = {match_column(header, "people")[0]: place for place, header in enumerate(brought.header) if header}
    if "person" not in names:
        return
    rows = {word: place for place, word in enumerate(_texts(brought.columns[names["person"]]))}
    for header, column in zip(told.header[1:], told.columns[1:], strict=True):
        place = names.get(match_column(header, "people")[0])
        if place is None:
            continue
        theirs, ours = _texts(brought.columns[place]), _texts(column)
        for at, word in enumerate(_texts(told.columns[0])):
            other = rows.get(word)
            if other is not None and ours[at] and theirs[other] and ours[at].casefold() != theirs[other].casefold():
                findings.add("fact_differs", told.name, told.rows[at], header, values=[ours[at]],
                             facts={"first": theirs[other], "row": int(brought.rows[other])})  # fmt: skip


def _texts(column: Coded) -> list[str]:
    return ["" if code < 0 else column.words[code] for code in column.codes.tolist()]
