"""Facts of a person (programme, site, sex, age ...) in the rows of the assessments: read as the people table."""

from dataclasses import replace

import numpy as np

from truechange.records.formats import Sheet
from truechange.records.rules import DECLARED, Findings, fit_to_show, match_column, squeezed, word_list
from truechange.records.values import Coded

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
        findings.add("column_of_people", sheet.name, sheet.header_row, sheet.header[place], facts={"column": name})
        columns.append(_one_each(sheet, people, place, name, findings).where(keep))
        header.append(sheet.header[place])
    rest = [place for place in range(len(sheet.header)) if place not in facts]
    left = replace(sheet, header=[sheet.header[at] for at in rest], columns=[sheet.columns[at] for at in rest])
    told = Sheet(findings.derived(sheet.name, "people"), header, columns, sheet.rows[keep], sheet.header_row, [])
    return left, told


def _one_each(sheet: Sheet, people: Coded, place: int, name: str, findings: Findings) -> Coded:
    """Give every row its person's first entry in a column, and find the rows that say something else."""
    column = sheet.columns[place]
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
        facts=[{"first": fit_to_show(there), "row": int(sheet.rows[where[at]]), "of": ""} for at, _, there in differs],
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
    rows = {word: place for place, word in enumerate(_texts(brought.columns[names["person"]])) if word}
    at = [rows.get(word) for word in _texts(told.columns[0])]
    headers, columns = list(brought.header), list(brought.columns)
    for header, column in zip(told.header[1:], told.columns[1:], strict=True):
        name = match_column(header, "people")[0]
        theirs = _texts(columns[names[name]]) if name in names else [""] * len(brought.rows)
        for here, (row, text) in enumerate(zip(at, _texts(column), strict=True)):
            if row is None or not text:
                continue
            if theirs[row] and _differ(name, text, theirs[row]):
                facts = {
                    "first": fit_to_show(theirs[row]),
                    "row": int(brought.rows[row]),
                    "of": f" of {brought.name}",
                }
                findings.add("fact_differs", told.name, told.rows[here], header, values=[text], facts=facts)
            theirs[row] = theirs[row] or text
        if name in names:
            columns[names[name]] = Coded.read(theirs)
        else:
            headers.append(header)
            columns.append(Coded.read(theirs))
    return replace(brought, header=headers, columns=columns)


def _texts(column: Coded) -> list[str]:
    return ["" if code < 0 else column.words[code] for code in column.codes.tolist()]
