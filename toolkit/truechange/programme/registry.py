"""Responders by site, sex, age band and test in a registry of millions of rows, from a frame or straight from files."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api.types import union_categoricals

from truechange.foundation.errors import DataError, check_confidence, listed
from truechange.foundation.numbers import percent, reaches
from truechange.foundation.result import Part
from truechange.measures import measure as measure_of
from truechange.numerics.intervals import FEW, wilson_limits
from truechange.records.streaming import BATCH, streamed

Chunk = tuple[NDArray[np.integer], NDArray[np.integer], NDArray[np.integer], NDArray[np.float64]]
COLUMNS = ("person", "measure", "occasion", "value")
WHERE = ("of other occasions", "of other tests", "of unknown people", "without a number")


def responder_registry(
    assessments: "pd.DataFrame | str | Path",
    people: "pd.DataFrame | str | Path",
    thresholds: Mapping[str, float],
    *,
    by: Sequence[str] = ("site", "sex"),
    before: str = "baseline",
    after: str = "discharge",
    confidence: float = 0.95,
) -> Part:
    """Count responders by group and test at the scale of a registry.

    Parameters
    ----------
    assessments : DataFrame or path of a CSV or parquet file
        person, occasion, measure, value; one score for each person, occasion and test. A file is streamed and
        never held whole.
    people : DataFrame or path
        One row a person who started: person and the columns of `by`.
    thresholds : mapping of str to float
        Key of the test: smallest change that counts, in the test's unit.
    by : sequence of str, optional
        Columns of `people` that make the groups.
    before, after : str, optional
        Occasions compared.
    confidence : float, optional
        Level of the intervals.

    Returns
    -------
    Part
        Table and ``rows``: measure, the groups' columns, started, measured, changed_enough, proportion, low, high
        (Wilson, of those who started). ``account`` (dict: where the assessment rows went; ``rows read`` is the sum of
        all others), ``people`` (in the people table: they started).

    Raises
    ------
    DataError
        A person twice in `people`, two scores for one person, occasion and test, or a missing column.
    ChoiceError
        A test is not in the catalogue.
    MissingPartError
        A file was given and the extra ``scale`` is not installed.

    Notes
    -----
    Scores are scattered into two dense tables of test by person (16 bytes a person and test); a second score for the
    same place is found because fewer places are filled than scores were put.

    Examples
    --------
    >>> people = pd.DataFrame({"person": [1, 2, 3], "site": ["N", "N", "S"]})
    >>> scores = pd.DataFrame({
    ...     "person": [1, 1, 2, 2, 3], "occasion": ["baseline", "discharge"] * 2 + ["baseline"],
    ...     "measure": "chair_stand_30s", "value": [9, 13, 10, 11, 12],
    ... })
    >>> found = responder_registry(scores, people, {"chair_stand_30s": 2}, by=["site"])
    >>> found.table()[["site", "started", "measured", "changed_enough"]].values.tolist()
    [['N', 2, 2, 1], ['S', 1, 0, 0]]
    """
    check_confidence(confidence)
    keys = list(thresholds)
    signs = np.array([measure_of(key).sign for key in keys], dtype=float)
    held, group, labels = _groups(people, list(by))
    n = len(held)
    scores = np.full(2 * len(keys) * n, np.nan)
    account = dict.fromkeys(("rows read", "used", *WHERE), 0)
    for person, test, occasion, value in _chunks(assessments, held, keys, (before, after)):
        account["rows read"] += value.size
        unused = (occasion < 0, test < 0, person < 0, np.isnan(value))
        if (bad := np.logical_or.reduce(unused)).any():
            for why, count in zip(WHERE, _first_reason(unused), strict=True):
                account[why] += count
            occasion, test, person, value = (part[~bad] for part in (occasion, test, person, value))
        account["used"] += value.size
        scores[(occasion * len(keys) + test) * n + person] = value
    if doubled := account["used"] - sum(int(np.isfinite(part).sum()) for part in _slices(scores)):
        raise DataError(
            f"{doubled} scores share person, occasion and test with another one. Keep one score of each, or say how "
            "trials become one score, before counting."
        )
    rows = _count(scores.reshape(2, len(keys), n), signs, list(thresholds.values()), group, len(labels))
    table = pd.concat(
        [labels.assign(measure=key, started=rows[0], measured=rows[1][at], changed_enough=rows[2][at])
         for at, key in enumerate(keys)], ignore_index=True,
    )  # fmt: skip
    low, high = wilson_limits(table["changed_enough"], table["started"], confidence)
    table = table.assign(proportion=table["changed_enough"] / table["started"], low=low, high=high)
    table = table[["measure", *(name for name in table if name != "measure")]]
    facts = {"rows": table, "account": account, "people": n}
    return Part(facts, table, _says(table, account), _cautions(table), ("newcombe1998a",))


def _says(table: pd.DataFrame, account: Mapping[str, int]) -> tuple[str, ...]:
    """Say each test's share over all groups, and where the rows went."""
    sums = table.groupby("measure", sort=False)[["changed_enough", "started"]].sum()
    said = [
        f"{measure_of(str(key)).name}: {k} of {n} people who started changed enough ({percent(k / n)})."
        for key, k, n in sums.itertuples(name=None)
    ]
    others = ", ".join(f"{count} {why}" for why, count in account.items() if why != "rows read" and count)
    return (*said, f"{account['rows read']} assessment rows: {others}.")


def _count(
    scores: NDArray[np.float64], signs: NDArray[np.float64], limits: list[float], group: NDArray[Any], groups: int
) -> tuple[NDArray[Any], list[NDArray[Any]], list[NDArray[Any]]]:
    measured, enough = (np.zeros((len(signs), groups), dtype=int) for _ in range(2))
    pieces = zip(_slices(scores[0].T), _slices(scores[1].T), _slices(group), strict=True)
    for before, after, where in pieces:
        for at, (sign, limit) in enumerate(zip(signs, limits, strict=True)):
            gain = sign * (after[:, at] - before[:, at])
            measured[at] += np.bincount(where[np.isfinite(gain)], minlength=groups)
            enough[at] += np.bincount(where[reaches(gain, limit)], minlength=groups)
    return np.bincount(group, minlength=groups), list(measured), list(enough)


def _first_reason(unused: Sequence[NDArray[np.bool_]]) -> list[int]:
    """Count each reason over the rows that no earlier reason has taken."""
    taken, counts = np.zeros_like(unused[0]), []
    for rows in unused:
        counts.append(int((rows & ~taken).sum()))
        taken |= rows
    return counts


def _slices(array: NDArray[Any]) -> Iterator[NDArray[Any]]:
    """Yield `array` piece by piece, so that no temporary is as large as it."""
    return (array[start : start + BATCH] for start in range(0, len(array), BATCH))


def _groups(people: Any, by: list[str]) -> tuple[pd.Index, NDArray[Any], pd.DataFrame]:
    """Return the people as an index, the group of each, and the groups' labels."""
    if not isinstance(people, pd.DataFrame):
        people = _people_from_file(people, by)
    _check_columns("people", people, ("person", *by))
    held = pd.Index(people["person"])
    if not held.is_unique:
        raise DataError(f"More than one row in the people table for {listed(held[held.duplicated()].unique())}.")
    if not by:
        return held, np.zeros(len(held), dtype=np.int32), pd.DataFrame(index=[0])
    place, levels = np.zeros(len(held), dtype=np.intp), []
    for name in by:
        codes, seen = pd.factorize(people[name])
        words = sorted(seen)
        levels.append([*words, "not known"])
        place = place * len(levels[-1]) + np.append(pd.Index(words).get_indexer(pd.Index(seen)), len(words))[codes]
    there = np.flatnonzero(np.bincount(place))
    labels, rest = {}, there
    for name, words in zip(reversed(by), reversed(levels), strict=True):
        rest, code = np.divmod(rest, len(words))
        labels[name] = [words[at] for at in code]
    rank = np.zeros(there[-1] + 1, dtype=np.int32)
    rank[there] = np.arange(there.size)
    return held, rank[place], pd.DataFrame(labels)[by]


def _people_from_file(path: "str | Path", by: list[str]) -> pd.DataFrame:
    table = _joined(streamed(path, ["person", *by], coded=by), by)
    if pd.api.types.is_integer_dtype(table["person"].dtype):
        return table
    return _joined(streamed(path, ["person", *by], coded=by, text=["person"]), by)


def _joined(parts: Iterator[pd.DataFrame], by: list[str]) -> pd.DataFrame:
    """Join people, the groups as small codes, so that no text table is held whole."""
    held: dict[str, list[Any]] = {name: [] for name in ("person", *by)}
    for part in parts:
        held["person"].append(part["person"])
        for name in by:
            held[name].append(pd.Categorical(part[name]))
    if not held["person"]:
        raise DataError("The people table has no rows: there is nobody to count.")
    groups = {name: union_categoricals(held[name]) for name in by}
    return pd.DataFrame({"person": pd.concat(held["person"], ignore_index=True)} | groups)


def _placer(held: pd.Index) -> Callable[[pd.Series], NDArray[np.integer]]:
    """Return what finds each person's row in the people table, -1 for the unknown; by look-up in a compact range."""
    numbers = pd.api.types.is_integer_dtype(held.dtype)

    def by_search(persons: pd.Series) -> NDArray[np.integer]:
        codes, unique = pd.factorize(persons)
        return np.append(held.get_indexer(pd.Index(unique)), -1)[codes]

    low, high = (int(held.min()), int(held.max())) if numbers and len(held) else (0, 0)
    if not numbers or high - low >= 4 * len(held) + 1000:
        return by_search
    lookup = np.full(high - low + 3, -1, dtype=np.int32)
    lookup[held.to_numpy() - low + 1] = np.arange(len(held))

    def by_lookup(persons: pd.Series) -> NDArray[np.integer]:
        if not pd.api.types.is_integer_dtype(persons.dtype):
            return by_search(pd.to_numeric(persons, errors="coerce"))
        place = persons.to_numpy() - (low - 1)
        return lookup[np.clip(place, 0, high - low + 2, out=place)]

    return by_lookup


def _codes(column: pd.Series, words: Sequence[str]) -> NDArray[np.integer]:
    if isinstance(column.dtype, pd.CategoricalDtype):
        codes, unique = column.cat.codes.to_numpy(), column.cat.categories
    else:
        codes, unique = pd.factorize(column)
    return np.append(pd.Index(words).get_indexer(pd.Index(unique)), -1)[codes]


def _chunks(assessments: Any, held: pd.Index, keys: list[str], occasions: tuple[str, str]) -> Iterator[Chunk]:
    if isinstance(assessments, pd.DataFrame):
        _check_columns("assessments", assessments, COLUMNS)
        parts: Iterator[pd.DataFrame] = (
            assessments.iloc[start : start + BATCH] for start in range(0, len(assessments), BATCH)
        )
    else:
        text = () if pd.api.types.is_integer_dtype(held.dtype) else ("person",)
        parts = streamed(assessments, COLUMNS, coded=("measure", "occasion"), text=text)
    places = _placer(held)
    for part in parts:
        value = pd.to_numeric(part["value"], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        yield places(part["person"]), _codes(part["measure"], keys), _codes(part["occasion"], occasions), value


def _check_columns(name: str, table: pd.DataFrame, wanted: Sequence[str]) -> None:
    if lacking := [column for column in wanted if column not in table]:
        raise DataError(f"The {name} table has no column {listed(lacking)}.")


def _cautions(table: pd.DataFrame) -> tuple[str, ...]:
    notes = [
        "Protocol facts (seat, arms, aid, steps) are not compared at this scale: give only scores that may be compared."
    ]
    if small := int((table["started"] < FEW).sum()):
        notes.append(
            f"{small} groups have fewer than {FEW} people: hide them before publishing, and what gives them away."
        )
    return tuple(notes)
