"""From texts to values, column by column: each distinct text is read once and its answer spread over the rows."""

import re
from collections.abc import Sequence
from math import isnan, nan
from typing import Any, NamedTuple

import numpy as np

from truechange.measures.catalogue import Measure, catalogue, kept
from truechange.records import values as reader
from truechange.records.headings import test_names
from truechange.records.rules import Column, Findings, nearest, squeezed, unit_named, word_list
from truechange.records.synonyms import COLUMNS, KNOWN, LEFT_OUT, WordMap, as_visit, unite_programmes
from truechange.records.values import Answer, Coded, combined, status_word


class Cells(NamedTuple):
    """One column of one sheet: its header, its texts, the unit its header states, and where findings go."""

    header: str
    texts: Coded
    unit: str
    sheet: str
    rows: Any
    findings: Findings

    def report(self, codes: Any, texts: Sequence[str], answers: Sequence[Answer], *, aside: bool) -> None:
        """Report every answer that has something to say, at all rows whose code points to it."""
        for kind in sorted({answer.kind for answer in answers} - {""}):
            places = Coded(codes, []).spread([answer.kind == kind for answer in answers], False).nonzero()[0]
            values = [texts[code] for code in codes[places]]
            found = [answers[code] for code in codes[places]]
            facts, repairs = [answer.facts for answer in found], [answer.repair for answer in found]
            about: dict[str, Any] = {"values": values, "facts": facts, "repairs": repairs, "aside": aside}
            self.findings.add(kind, self.sheet, self.rows[places], self.header, **about)


def read_column(cells: Cells | None, column: Column, order: str, count: int, words: WordMap) -> Any:
    """Read a column of any kind but units and scores; one that was not brought has `count` empty rows."""
    if cells is None:
        if column.kind == "date":
            return np.full(count, "NaT", dtype="datetime64[s]")
        return np.full(count, np.nan) if column.kind in ("number", "value") else Coded(np.full(count, -1), [])
    if column.kind in ("id", "label"):
        texts = cells.texts.renamed([" ".join(text.split()) if "  " in text else text for text in cells.texts.words])
        return unite_programmes(words, texts) if column.name == "programme" else texts
    if column.kind == "date":
        return _dates(cells, order, required=column.required)
    if column.kind == "measure":
        return _measures(cells, words)
    return _numbers(cells, column) if column.kind == "number" else _words(cells, column, words)


def _words(cells: Cells, column: Column, words: WordMap) -> Coded:
    """Read a column of words: the usual ones by any of their names, others kept when the column is open."""
    known, answers = word_list("yes_no" if column.kind == "yes_no" else column.name), []
    for text, rows in zip(cells.texts.words, cells.texts.counts(), strict=True):
        plain = squeezed(text) or text
        visit = as_visit(text) if column.name == "occasion" else text
        own = words.mapped(column.name, text) or words.mapped(column.name, visit)
        word = own or known.get(plain)
        guessing = word is None and len(plain) > 3 and not any(letter.isdigit() for letter in plain)
        close = known.get(nearest(plain, list(known), 0.75)) if guessing else None
        if word and (own or (column.name in COLUMNS and squeezed(text) != squeezed(word))):
            words.note(column.name, text, word, rows, "" if own else KNOWN)
        if word:
            kind = "" if plain == squeezed(word) or column.kind == "yes_no" else "word_read"
            answers.append(Answer(word, kind, {"word": word}, word if kind else ""))
        elif column.name == "occasion":  # settled or asked when the whole column is known
            answers.append(Answer(visit))
        elif column.open:
            answers.append(Answer(" ".join(text.lower().split()), "word_guess" if close else "", {"guess": close}))
        else:
            if column.name == "result":
                words.ask("result", text, rows, close or "")
            answers.append(Answer(None, "word_unknown", {"allowed": ", ".join(dict.fromkeys(known.values()))}))
    cells.report(cells.texts.codes, cells.texts.words, answers, aside=column.required or column.name == "result")
    return cells.texts.renamed([answer.value for answer in answers])


def _measures(cells: Cells, words: WordMap) -> Coded:
    """Read a column of test names as keys of the catalogue."""
    known, answers = test_names(), []
    for text, rows in zip(cells.texts.words, cells.texts.counts(), strict=True):
        own, bare = words.mapped("measure", text), without_unit(text)
        if own == LEFT_OUT:
            words.note("measure", text, LEFT_OUT, rows)
            answers.append(Answer(None, "measure_left_out"))
            continue
        key = own or known.get(squeezed(text)) or known.get(squeezed(bare))
        if text == key:
            answers.append(Answer(key))
        elif key:
            words.note("measure", text, key, rows, "" if own else KNOWN)
            answers.append(Answer(key, "word_read", {"word": key}, key))
        else:
            close = known.get(nearest(squeezed(text), list(known), 0.7), "")
            words.ask("measure", text, rows, close)
            answers.append(Answer(None, "measure_unknown", {"guess": f"; did you mean {close}?" if close else ""}))
    cells.report(cells.texts.codes, cells.texts.words, answers, aside=True)
    return cells.texts.renamed([answer.value for answer in answers])


def without_unit(text: str) -> str:
    """Return a test's name without its short form or its unit in brackets; anything else there is another test.

    Examples
    --------
    >>> without_unit("Timed up and go (TUG)"), without_unit("TUG (s)"), without_unit("TUG (cognitive)")
    ('Timed up and go', 'TUG', 'TUG (cognitive)')
    """
    parts = re.fullmatch(r"(.+?)\s*\(([^()]*)\)\s*", text)
    key = test_names().get(squeezed(parts[1])) if parts else None
    if not parts or not key:
        return text
    same = test_names().get(squeezed(parts[2])) == key or unit_named(parts[2]) == limits_of(key).unit
    return parts[1] if same else text


def _dates(cells: Cells, order: str, *, required: bool) -> Any:
    """Read a column of dates as days; `order` is the user's word on 03/04, otherwise the column's own evidence."""
    known = order or reader.order_of(cells.texts.words)
    answers = [reader.read_date(text, known) for text in cells.texts.words]
    cells.report(cells.texts.codes, cells.texts.words, answers, aside=required)
    days = [answer.value or "NaT" for answer in answers]
    return cells.texts.spread(days, "NaT", "datetime64[D]").astype("datetime64[s]")


def _numbers(cells: Cells, column: Column) -> Any:
    """Read a column of numbers in its declared unit and hold them against its bounds; words for missing are empty."""
    texts, comma = cells.texts.words, reader.comma_is_decimal(cells.texts.words)
    answers = [reader.read_number(text, column.unit, cells.unit, comma=comma)
               if status_word(text) != "not_done" else Answer(nan) for text in texts]  # fmt: skip
    values = _judged(cells, cells.texts.codes, texts, answers, [column] * len(answers))
    return cells.texts.spread(values, nan)


def read_scores(cells: Cells, tests: Coded, units: Coded) -> tuple[Any, Coded]:
    """Read the scores, each in its test's unit; return them (NaN where there is none) and results written instead."""
    inner, pairs = combined(tests, units)
    codes, triples = combined(cells.texts, Coded(inner, [""] * len(pairs)))
    how = {"comma": reader.comma_is_decimal(cells.texts.words), "minutes": reader.minutes_typed(cells.texts.words)}
    texts, keys, given = ([*column.words, ""] for column in (cells.texts, tests, units))  # the code -1: nothing
    answers, limits, words = [], [], []
    for text_code, pair_code in triples:
        text, key, unit = texts[text_code], keys[pairs[pair_code][0]], given[pairs[pair_code][1]]
        limits.append(limits_of(key) if key else Column(name="", kind="value"))
        words.append(status_word(text) if text and key else "")
        if words[-1]:
            answers.append(Answer(nan, "status_in_value", {"result": words[-1]}, words[-1]))
        elif text and key:
            answers.append(reader.read_number(text, limits[-1].unit, unit or cells.unit, **how))
        else:
            answers.append(Answer(nan))
    values = _judged(cells, codes, [texts[code] for code, _ in triples], answers, limits)
    return Coded(codes, []).spread(values, nan), Coded.of(codes, words)


def _judged(
    cells: Cells, codes: Any, texts: Sequence[str], answers: Sequence[Answer], limits: Sequence[Column]
) -> list[float]:
    """Report what answers and bounds have to say; return the possible values, NaN for the others."""
    named = []
    for answer, column in zip(answers, limits, strict=True):
        if answer.kind == "decimal_comma" and column.whole and answer.value % 1:
            answer = Answer(None, "two_values")
        facts = {"measure": column.name, "unit": column.unit, **answer.facts} if answer.kind else answer.facts
        named.append(answer._replace(facts=facts))
    bounds = [beyond(answer, column) for answer, column in zip(named, limits, strict=True)]
    needed = limits[0].kind == "value" or limits[0].required if limits else False
    cells.report(codes, texts, named, aside=needed)
    cells.report(codes, texts, bounds, aside=needed)
    return [
        nan if answer.value is None or bound.kind == "hard_bound" else answer.value
        for answer, bound in zip(named, bounds, strict=True)
    ]


@kept
def limits_of(key: str) -> Column:
    """Return a test's unit and bounds in the form a column has them."""
    test: Measure = catalogue()[key]
    hard, soft = (test.hard_low, test.hard_high), (test.soft_low, test.soft_high)
    return Column(name=key, kind="value", unit=test.unit, hard=hard, soft=soft, whole=test.whole)


def beyond(answer: Answer, limits: Column) -> Answer:
    """Hold one value against the bounds of a test or column, and name the likely slip of one outside."""
    value, (low, high) = answer.value, limits.soft
    if value is None or isnan(value) or (low <= value <= high and not (limits.whole and value % 1)):
        return Answer(value)
    facts: dict[str, Any] = {"shown": f"{value:g} {limits.unit}".strip(), "measure": limits.name, "slip": ""}
    if low <= value <= high:
        return Answer(value, "not_whole", facts)
    raw = answer.facts.get("raw", value)
    if raw != value and low <= raw <= high:
        facts["slip"] = f"; {raw:g} already in {limits.unit}?"
    elif raw == value and answer.kind in ("", "words_dropped", "decimal_comma"):
        facts["slip"] = reader.likely_slip(value, limits.unit, low, high)
    possible = limits.hard[0] <= value <= limits.hard[1]
    facts |= {"low": low, "high": high} if possible else {"low": limits.hard[0], "high": limits.hard[1]}
    return Answer(value, "soft_bound" if possible else "hard_bound", facts)


def read_units(cells: Cells, tests: Coded) -> Coded:
    """Read the unit column; names that two dimensions share are settled by the test of the row."""
    codes, pairs = combined(cells.texts, tests)
    texts = [[*cells.texts.words, ""][code] for code, _ in pairs]
    answers = []
    for text, (_, test_code) in zip(texts, pairs, strict=True):
        unit = limits_of(tests.words[test_code]).unit if test_code >= 0 else ""
        named = unit if text == unit else unit_named(text, unit) if text else ""
        kind = "unit_unknown" if text and not named else ""
        answers.append(Answer(named, kind, {"given": text, "unit": unit or "a unit of the test"}))
    cells.report(codes, texts, answers, aside=True)
    return Coded.of(codes, [answer.value for answer in answers])
