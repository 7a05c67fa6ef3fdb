"""Checks across rows and tables; on codes and arrays, so that a million rows take no longer than reading them."""

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from truechange.measures import catalogue
from truechange.records.rules import LIMITS, Findings, known_word, word_list
from truechange.records.table import Table
from truechange.records.values import Coded

IDENTITY = {
    "people": ("person",),
    "assessments": ("person", "occasion", "measure", "trial"),
    "ratings": ("person", "occasion"),
    "sessions": ("person", "date", "exercise"),
}
REPEATABLE = ("sessions",)  # two entries a day for one exercise are possible, two identical ones are not


def check_all(tables: dict[str, Table], findings: Findings) -> None:
    """Run every check on the tables read."""
    for table in tables.values():
        doubled(table, findings)
    people_known(tables, findings)
    visits_in_order(tables["assessments"], findings)
    protocol_within_people(tables["assessments"], findings)
    if "ratings" in tables:
        rating_scales(tables["ratings"], findings)
    if "people" in tables:
        ages(tables["people"], findings)
        if "sessions" in tables:
            sessions_after_start(tables["sessions"], tables["people"], findings)


def _keys(table: Table, names: Iterable[str]) -> Any:
    """Return one number a row, equal where the named columns are equal; -1 where a text among them is missing."""
    key, missing = np.zeros(len(table.rows), dtype=np.int64), np.zeros(len(table.rows), dtype=bool)
    for name in names:
        column = table.columns[name]
        if isinstance(column, Coded):
            codes, size = column.codes.astype(np.int64), len(column.words)
            missing |= codes < 0
        else:
            codes, distinct = pd.factorize(column)
            size = len(distinct)
        key = key * (size + 1) + codes + 1
    key[missing] = -1
    return key


def doubled(table: Table, findings: Findings) -> None:
    """Find rows for the same thing: a repetition is set aside, rows that differ are all set aside."""
    names = IDENTITY[table.name]
    key = _keys(table, names)
    places = np.flatnonzero(pd.Series(key).duplicated(keep=False).to_numpy() & (key >= 0))
    first: dict[int, int] = {}
    entries: dict[tuple[Any, ...], int] = {}
    repeated, differing = [], []
    texts = {name: _shown(column, places) for name, column in table.columns.items()}
    for order, place in enumerate(places.tolist()):
        same = (key[place], *(text[order] for text in texts.values()))
        if same in entries:
            repeated.append((place, entries[same]))
        elif key[place] in first and table.name not in REPEATABLE:
            differing += [(place, first[key[place]]), (first[key[place]], place)]
        entries.setdefault(same, place)
        first.setdefault(key[place], place)
    kind = "person_twice" if table.name == "people" else "doubled_differs"
    what = ", ".join(names)
    for name, pairs in (("doubled", repeated), (kind, list({pair[0]: pair for pair in differing}.values()))):
        rows = [(int(table.rows[other]), int(table.rows[place])) for place, other in pairs]
        facts = [{"first": findings.other_row(table.sheet, *both), "what": what} for both in rows]
        table.note(findings, name, [place for place, _ in pairs], "person", facts)


def _shown(column: Any, places: Any) -> list[str]:
    if isinstance(column, Coded):
        return [column.words[code] if code >= 0 else "" for code in column.codes[places]]
    if np.issubdtype(column.dtype, np.datetime64):
        return [str(day) for day in column[places].astype("datetime64[D]")]
    return [f"{value:g}" for value in column[places]]


def _typed(name: str, column: Any, places: Any) -> list[str]:
    """Return what is shown there, a word only where it is a known one."""
    words = _shown(column, places)
    return [known_word(name, word) for word in words] if isinstance(column, Coded) and name != "arms_used" else words


def people_known(tables: dict[str, Table], findings: Findings) -> None:
    """Find people who are not in the people table."""
    if "people" not in tables:
        return
    known = set(tables["people"].columns["person"].words)
    for table in tables.values():
        column = table.columns["person"]
        places = column.spread([word not in known for word in column.words], False).nonzero()[0]
        table.note(findings, "person_unknown", places, "person", {}, _shown(column, places))


def _days(column: Any) -> Any:
    """Return dates as day numbers, NaN where there is none."""
    return np.where(np.isnat(column), np.nan, column.astype("datetime64[D]").astype(np.int64))


def _earliest(days: Any, which: Any, *columns: Coded) -> "pd.Series[float]":
    """Return for every row the earliest of the days of `which` rows with the same texts in the columns."""
    return pd.Series(days).where(which).groupby([column.codes for column in columns]).transform("min")


def visits_in_order(table: Table, findings: Findings) -> None:
    """Find follow-ups before or on the day of baseline, and one occasion spread over many days."""
    people, tests, occasions = (table.columns[name] for name in ("person", "measure", "occasion"))
    days = _days(table.columns["date"])
    is_first = occasions.spread([word == "baseline" for word in occasions.words], False)
    later = set(word_list("occasion").values()) - {"baseline"}
    is_later = occasions.spread([word in later for word in occasions.words], False) & ~people.empty
    of_test, of_person = _earliest(days, is_first, people, tests), _earliest(days, is_first, people)
    baseline = of_test.fillna(of_person).to_numpy()
    early = is_later & (days < baseline)
    for kind, which in (("follow_up_first", early), ("same_day", is_later & (days == baseline))):
        places = np.flatnonzero(which)
        facts = [
            {"occasion": occasion, "date": _iso(days[place]), "baseline": _iso(baseline[place])}
            for occasion, place in zip(_shown(occasions, places), places, strict=True)
        ]
        table.note(findings, kind, places, "date", facts, [fact["date"] for fact in facts])
    apart = days - _earliest(days, ~early, people, occasions).to_numpy()
    places = np.flatnonzero((apart > LIMITS["visit_days"]) & ~people.empty & ~occasions.empty)
    named = zip(_shown(occasions, places), places, strict=True)
    said = [{"occasion": name, "days": int(apart[place])} for name, place in named]
    table.note(findings, "occasion_dates_differ", places, "date", said, [_iso(days[place]) for place in places])


def _iso(day: Any) -> str:
    return str(np.datetime64(int(day), "D"))


def protocol_within_people(table: Table, findings: Findings) -> None:
    """Find facts of a test's protocol that are not the same on all of a person's visits."""
    people, tests, occasions = (table.columns[name] for name in ("person", "measure", "occasion"))
    size = max(1, len(tests.words))
    key = np.where(people.empty | tests.empty, -1, people.codes.astype(np.int64) * size + tests.codes)
    facts_of = {key: catalogue()[key] for key in tests.words}
    for name in dict.fromkeys(fact for test in facts_of.values() for fact in test.protocol):
        column = table.columns[name]
        values = np.where(column.empty, np.nan, column.codes) if isinstance(column, Coded) else column
        slack = tests.spread([test.tolerances.get(name, 0.0) for test in facts_of.values()], np.inf)
        matters = tests.spread([name in test.protocol for test in facts_of.values()], False)
        places = np.flatnonzero(matters & ~np.isnan(values) & (key >= 0))
        first = np.empty(len(people.words) * size, dtype=np.int64)
        first[key[places[::-1]]] = places[::-1]  # the last assignment stays: the first row of each person and test
        before = first[key[places]]
        off = places[np.abs(values[places] - values[before]) > slack[places] + 1e-9]
        start = first[key[off]]
        was = zip(_typed(name, column, start), _shown(occasions, start), strict=True)
        said = [{"before": old, "occasion_before": visit or "the first visit"} for old, visit in was]
        table.note(findings, "protocol_changed", off, name, said, _typed(name, column, off))


def rating_scales(table: Table, findings: Findings) -> None:
    """Find ratings outside their scale, and ratings on another scale than most."""
    rating, low, high = (table.columns[name] for name in ("rating", "scale_low", "scale_high"))
    given = np.flatnonzero(~np.isnan(low) & ~np.isnan(high))
    if not len(given):
        return
    scales = pd.Series(list(zip(low[given], high[given], strict=True)))
    most = scales.value_counts().index[0]
    outside = given[(rating[given] < low[given]) | (rating[given] > high[given])]
    other = given[(scales != most).to_numpy()]
    for kind, places in (("rating_off_scale", outside), ("rating_other_scale", other)):
        facts = [{"low": low[p], "high": high[p], "most_low": most[0], "most_high": most[1]} for p in places]
        table.note(findings, kind, places, "rating", facts, _shown(rating, places))


def ages(table: Table, findings: Findings) -> None:
    """Find ages that do not go with the birth year."""
    age, year = table.columns["age"], table.columns["birth_year"]
    start = pd.DatetimeIndex(table.columns["start_date"]).year.to_numpy(float)
    places = np.flatnonzero(np.abs(start - year - age) > 2)
    facts = [{"age": age[place], "birth_year": year[place]} for place in places]
    table.note(findings, "age_conflict", places, "age", facts)


def sessions_after_start(sessions: Table, people: Table, findings: Findings) -> None:
    """Find sessions dated before the person's start."""
    known = _shown(people.columns["person"], range(len(people.rows)))
    starts = dict(zip(known, _days(people.columns["start_date"]), strict=True))
    column, dates = sessions.columns["person"], sessions.columns["date"]
    start = column.spread([starts.get(word, np.nan) for word in column.words], np.nan, float)
    places = np.flatnonzero(_days(dates) < start)
    facts = [{"start": _iso(start[place])} for place in places]
    sessions.note(findings, "date_before_start", places, "date", facts, _shown(dates, places))
