"""From texts to values, column by column: each distinct text is read once and its answer spread over the rows."""

from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from math import isnan, nan
from typing import Any

import numpy as np
import pandas as pd

from truechange.measures import Measure, catalogue
from truechange.records.dates import order_of, read_date
from truechange.records.findings import Findings
from truechange.records.rules import Column, nearest, squeezed, unit_named, word_list
from truechange.records.values import Answer, comma_is_decimal, likely_slip, read_number, status_word


class Place:
    """Where answers are reported: a sheet, the numbers of its rows, and the collector of findings."""

    def __init__(self, sheet: str, rows: "np.ndarray", findings: Findings) -> None:
        self.sheet, self.rows, self.findings = sheet, rows, findings

    def report(
        self, column: str, codes: "np.ndarray", texts: Sequence[str], answers: Sequence[Answer], *, aside: bool
    ) -> None:
        """Report every answer that has something to say, at all rows whose code points to it."""
        kinds = {answer.kind for answer in answers} - {""}
        for kind in sorted(kinds):
            said = np.array([answer.kind == kind for answer in answers] + [False])
            places = np.flatnonzero(said[codes])
            which = codes[places]
            self.findings.add(
                kind,
                self.sheet,
                self.rows[places],
                column,
                [texts[code] for code in which],
                [answers[code].facts for code in which],
                aside=aside,
            )


def spread(codes: "np.ndarray", values: Iterable[Any], missing: Any, dtype: Any) -> "np.ndarray":
    """Return one value a row: the value its code points to, `missing` where there is no text."""
    return np.array([*values, missing], dtype=dtype)[codes]


def merged(codes: "np.ndarray", words: Sequence[str | None]) -> pd.Categorical:
    """Return a categorical of `words` (None = missing), equal words made one."""
    places: dict[str, int] = {}
    new = np.array([-1 if word is None else places.setdefault(word, len(places)) for word in words] + [-1])
    return pd.Categorical.from_codes(new[codes], list(places))


def read_words(place: Place, header: str, texts: pd.Categorical, column: Column) -> pd.Categorical:
    """Read a column of words: the usual ones by any of their names, others kept when the column is open."""
    distinct, known = list(texts.categories), word_list("yes_no" if column.kind == "yes_no" else column.name)
    answers = []
    for text in distinct:
        word = known.get(squeezed(text) or text)
        close = nearest(squeezed(text), list(known), 0.75) if word is None and len(squeezed(text)) > 3 else ""
        if word:
            answers.append(Answer(word))
        elif column.open:
            guess = {"guess": known.get(close, "")}
            answers.append(Answer(" ".join(text.lower().split()), "word_guess" if close else "", guess))
        else:
            allowed = ", ".join(dict.fromkeys(known.values()))
            answers.append(Answer(None, "word_unknown", {"allowed": allowed}))
    codes = texts.codes.astype(np.int64)
    place.report(header, codes, distinct, answers, aside=column.required)
    return merged(codes, [answer.value for answer in answers])


def read_measures(place: Place, header: str, texts: pd.Categorical) -> pd.Categorical:
    """Read a column of test names as keys of the catalogue."""
    known, distinct, answers = test_names(), list(texts.categories), []
    for text in distinct:
        key = known.get(squeezed(text))
        close = "" if key else known.get(nearest(squeezed(text), list(known), 0.7), "")
        guess = f"; did you mean {close}?" if close else ""
        answers.append(Answer(key) if key else Answer(None, "measure_unknown", {"guess": guess}))
    codes = texts.codes.astype(np.int64)
    place.report(header, codes, distinct, answers, aside=True)
    return merged(codes, [answer.value for answer in answers])


@cache
def test_names() -> Mapping[str, str]:
    """Return every name of every test, squeezed, with its key."""
    return {squeezed(name): test.key for test in catalogue().values() for name in (test.key, test.name, *test.also)}


def read_dates(place: Place, header: str, texts: pd.Categorical, order: str, *, required: bool) -> "np.ndarray":
    """Read a column of dates as days; `order` is the user's word on 03/04, otherwise the column's own evidence."""
    distinct = list(texts.categories)
    known = order or order_of(distinct)
    answers = [read_date(text, known) for text in distinct]
    codes = texts.codes.astype(np.int64)
    place.report(header, codes, distinct, answers, aside=required)
    values = [answer.value if answer.value else "NaT" for answer in answers]
    return spread(codes, values, "NaT", "datetime64[D]").astype("datetime64[s]")


def read_numbers(place: Place, header: str, texts: pd.Categorical, column: Column, given: str) -> "np.ndarray":
    """Read a column of numbers in its declared unit and hold them against its bounds; words for missing are empty."""
    distinct = list(texts.categories)
    comma = comma_is_decimal(distinct)
    answers = [
        Answer(nan) if status_word(text) == "not_done" else read_number(text, column.unit, given, comma=comma)
        for text in distinct
    ]
    bounds = [beyond(answer, column) for answer in answers]
    codes = texts.codes.astype(np.int64)
    answers = [
        answer._replace(facts={"measure": column.name, **answer.facts}) if answer.kind else answer for answer in answers
    ]
    place.report(header, codes, distinct, answers, aside=column.required)
    place.report(header, codes, distinct, bounds, aside=column.required)
    values = [_possible(answer, bound) for answer, bound in zip(answers, bounds, strict=True)]
    return spread(codes, values, nan, float)


def _possible(answer: Answer, bound: Answer) -> float:
    return nan if answer.value is None or bound.kind == "hard_bound" else answer.value


def limits_of(test: Measure) -> Column:
    """Return a test's unit and bounds in the form a column has them."""
    hard, soft = (test.hard_low, test.hard_high), (test.soft_low, test.soft_high)
    return Column(name=test.key, kind="value", unit=test.unit, hard=hard, soft=soft, whole=test.whole)


def beyond(answer: Answer, limits: Column) -> Answer:
    """Hold one value against the bounds of a test or column; a converted value is not suspected of a slip."""
    value, (low, high) = answer.value, limits.soft
    if value is None or isnan(value) or (low <= value <= high and not (limits.whole and value % 1)):
        return Answer(value)
    facts = {"shown": f"{value:g} {limits.unit}".strip(), "measure": limits.name, "slip": ""}
    if not answer.kind and not low <= value <= high:
        facts["slip"] = likely_slip(value, limits.unit, low, high)
    if not limits.hard[0] <= value <= limits.hard[1]:
        return Answer(value, "hard_bound", facts | {"low": limits.hard[0], "high": limits.hard[1]})
    if not low <= value <= high:
        return Answer(value, "soft_bound", facts | {"low": low, "high": high})
    return Answer(value, "not_whole", facts)


def read_units(place: Place, header: str, texts: pd.Categorical, tests: pd.Categorical) -> pd.Categorical:
    """Read the unit column; names that two dimensions share are settled by the test of the row."""
    test_of = [catalogue()[key] for key in tests.categories]
    codes, pairs = _combined(texts.codes, tests.codes, len(tests.categories))
    answers, shown = [], []
    for text_code, test_code in pairs:
        text = texts.categories[text_code] if text_code >= 0 else ""
        unit = test_of[test_code].unit if test_code >= 0 else ""
        named = unit if text == unit else unit_named(text, unit) if text else ""
        shown.append(text)
        unknown = bool(text) and not named
        answers.append(Answer(named or None, "unit_unknown" if unknown else "", {"given": text, "unit": unit}))
    place.report(header, codes, shown, answers, aside=True)
    return merged(codes, [answer.value for answer in answers])


def _combined(first: "np.ndarray", second: "np.ndarray", size: int) -> tuple["np.ndarray", list[tuple[int, int]]]:
    """Return codes of the distinct pairs of two code arrays, and the pairs."""
    codes, distinct = pd.factorize(first.astype(np.int64) * (size + 1) + second + 1)
    return codes, [(int(pair) // (size + 1), int(pair) % (size + 1) - 1) for pair in distinct]


def read_scores(
    place: Place, header: str, texts: pd.Categorical, tests: pd.Categorical, units: pd.Categorical, given: str
) -> tuple["np.ndarray", pd.Categorical]:
    """Read the scores, each in its test's unit.

    Returns
    -------
    values : array
        Scores, NaN where there is none.
    results : Categorical
        Results written under the score (unable ...).
    """
    inner, pairs = _combined(tests.codes, units.codes, len(units.categories))
    codes, triples = _combined(texts.codes, inner, len(pairs))
    comma = comma_is_decimal(texts.categories)
    answers, bounds, words, shown = [], [], [], []
    for text_code, pair_code in triples:
        test_code, unit_code = pairs[pair_code]
        text = texts.categories[text_code] if text_code >= 0 else ""
        word = status_word(text) if text else ""
        test = catalogue()[tests.categories[test_code]] if test_code >= 0 else None
        unit = units.categories[unit_code] if unit_code >= 0 else given
        answer = _score(text, word, test, unit, comma)
        answers.append(answer)
        bounds.append(beyond(answer, limits_of(test)) if test else Answer(nan))
        words.append(word or None)
        shown.append(text)
    place.report(header, codes, shown, answers, aside=True)
    place.report(header, codes, shown, bounds, aside=True)
    values = [_possible(answer, bound) for answer, bound in zip(answers, bounds, strict=True)]
    return spread(codes, values, nan, float), merged(codes, words)


def _score(text: str, word: str, test: Measure | None, unit: str, comma: bool) -> Answer:
    if not text or test is None:
        return Answer(nan)
    if word:
        return Answer(nan, "status_in_value", {"result": word})
    answer = read_number(text, test.unit, unit, comma=comma)
    return answer._replace(facts={"measure": test.key, "unit": test.unit, **answer.facts}) if answer.kind else answer


def clean_labels(texts: pd.Categorical) -> pd.Categorical:
    """Return labels with runs of spaces made one."""
    return merged(texts.codes.astype(np.int64), [" ".join(text.split()) for text in texts.categories])
