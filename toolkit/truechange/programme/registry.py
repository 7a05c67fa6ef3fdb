"""Responders by site, sex, age band and test in a registry of millions of rows, from a frame or straight from files."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from truechange.foundation.errors import DataError, check_confidence, listed, needs
from truechange.foundation.numbers import percent, reaches
from truechange.foundation.result import Result
from truechange.measures import measure as measure_of
from truechange.numerics.shares import wilson_limits
from truechange.responders.shares import FEW

Chunk = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]
BATCH = 1_000_000
WHERE = ("used", "of other occasions", "of other tests", "of unknown people", "without a number")


@dataclass(frozen=True)
class RegistryShares(Result):
    """Responder shares of every group and test.

    Parameters
    ----------
    rows : DataFrame
        The columns of :meth:`table`.
    account : dict of str to int
        Where the assessment rows went; ``rows read`` is the sum of all others.
    people : int
        People in the people table: they started.
    cautions : tuple of str
        What a reader must know.
    """

    rows: pd.DataFrame
    account: dict[str, int]
    people: int
    cautions: tuple[str, ...]
    sources = ("newcombe1998a",)

    def table(self) -> pd.DataFrame:
        """Return one row a test and group: measure, the groups' columns, started, measured, changed_enough, proportion,
        low, high (Wilson, of those who started).
        """  # noqa: D205
        return self.rows.copy()

    def sentences(self) -> tuple[str, ...]:
        """Say each test's share over all groups, and where the rows went."""
        said = []
        for key, part in self.rows.groupby("measure", sort=False):
            k, n = int(part["changed_enough"].sum()), int(part["started"].sum())
            said.append(
                f"{measure_of(str(key)).name}: {k} of {n} people who started changed enough ({percent(k / n)})."
            )
        others = ", ".join(f"{count} {why}" for why, count in self.account.items() if why != "rows read" and count)
        return (*said, f"{self.account['rows read']} assessment rows: {others}.")


def responder_registry(
    assessments: "pd.DataFrame | str | Path",
    people: "pd.DataFrame | str | Path",
    thresholds: Mapping[str, float],
    *,
    by: Sequence[str] = ("site", "sex"),
    before: str = "baseline",
    after: str = "discharge",
    confidence: float = 0.95,
) -> RegistryShares:
    """Count responders by group and test at the scale of a registry.

    Parameters
    ----------
    assessments : DataFrame or path of a CSV or parquet file
        person, occasion, measure, value; one score for each person, occasion and test. A file is streamed through
        duckdb and never held whole.
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
    RegistryShares

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
    scores = np.full((2, len(keys) * n), np.nan)
    account = dict.fromkeys(("rows read", *WHERE), 0)
    for person, test, occasion, value in _chunks(assessments, held, keys, (before, after)):
        account["rows read"] += value.size
        left = np.ones(value.size, dtype=bool)
        for why, bad in (("of other occasions", occasion < 0), ("of other tests", test < 0),
                         ("of unknown people", person < 0), ("without a number", np.isnan(value))):  # fmt: skip
            account[why] += int((left & bad).sum())
            left &= ~bad
        account["used"] += int(left.sum())
        scores[occasion[left], test[left].astype(np.int64) * n + person[left]] = value[left]
    if doubled := account["used"] - sum(int(np.isfinite(part).sum()) for part in _slices(scores.ravel())):
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
    return RegistryShares(
        table[["measure", *(name for name in table if name != "measure")]], account, n, _cautions(table)
    )


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


def _slices(array: NDArray[Any]) -> Iterator[NDArray[Any]]:
    """Yield `array` piece by piece, so that no temporary is as large as it."""
    return (array[start : start + BATCH] for start in range(0, len(array), BATCH))


def _groups(people: Any, by: list[str]) -> tuple[pd.Index, NDArray[Any], pd.DataFrame]:
    """Return the people as an index, the group of each, and the groups' labels."""
    if not isinstance(people, pd.DataFrame):
        people = _people_from_file(_file(people), by)
    if lacking := [name for name in ("person", *by) if name not in people]:
        raise DataError(f"The people table has no column {listed(lacking)}.")
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


def _people_from_file(path: str, by: list[str]) -> pd.DataFrame:
    """Read person and groups batch by batch, the groups as small codes, so that no text table is held whole."""
    names = ", ".join(f'"{name}"' for name in ("person", *by))
    persons: list[Any] = []
    words: dict[str, dict[Any, int]] = {name: {} for name in by}
    codes: dict[str, list[NDArray[np.int16]]] = {name: [] for name in by}
    for batch in _duckdb().sql(f"SELECT {names} FROM '{path}'").to_arrow_reader(BATCH):
        persons.append(batch.column(0).to_pandas())
        for at, name in enumerate(by, start=1):
            code, seen = pd.factorize(batch.column(at).to_pandas())
            known = [words[name].setdefault(word, len(words[name])) for word in seen]
            codes[name].append(np.array([*known, -1], dtype=np.int16)[code])
    columns = {name: pd.Categorical.from_codes(np.concatenate(codes[name]), pd.Index(list(words[name]))) for name in by}
    return pd.DataFrame({"person": pd.concat(persons, ignore_index=True)} | columns)


def _placer(held: pd.Index) -> Callable[[Any], NDArray[np.int64]]:
    """Return what finds each person's row in the people table, -1 for the unknown; by look-up in a compact range."""

    def by_search(persons: Any) -> NDArray[np.int64]:
        codes, unique = pd.factorize(persons)
        return np.append(held.get_indexer(pd.Index(unique)), -1)[codes]

    if not pd.api.types.is_integer_dtype(held.dtype):
        return by_search
    low, high = int(held.min()), int(held.max())
    if high - low >= 4 * len(held) + 1000:
        return by_search
    lookup = np.full(high - low + 3, -1, dtype=np.int32)
    lookup[held.to_numpy() - low + 1] = np.arange(len(held))

    def by_lookup(persons: Any) -> NDArray[np.int64]:
        if not pd.api.types.is_integer_dtype(np.asarray(persons).dtype):
            return by_search(persons)
        return lookup[np.clip(np.asarray(persons) - low + 1, 0, high - low + 2)].astype(np.int64)

    return by_lookup


def _codes(column: Any, words: Sequence[str]) -> NDArray[np.int64]:
    codes, unique = pd.factorize(column)
    return np.append(pd.Index(words).get_indexer(pd.Index(unique)), -1)[codes]


def _chunks(assessments: Any, held: pd.Index, keys: list[str], occasions: tuple[str, str]) -> Iterator[Chunk]:
    if isinstance(assessments, pd.DataFrame):
        places = _placer(held)
        for start in range(0, len(assessments), BATCH):
            part = assessments.iloc[start : start + BATCH]
            value = pd.to_numeric(part["value"], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
            yield (
                places(part["person"]),
                _codes(part["measure"], keys),
                _codes(part["occasion"], occasions),
                value,
            )
        return
    yield from _from_file(_file(assessments), held, keys, occasions)


def _from_file(path: str, held: pd.Index, keys: list[str], occasions: tuple[str, str]) -> Iterator[Chunk]:
    """Stream codes and scores out of a file; the join with the people happens in duckdb unless persons are numbers."""
    connection = _duckdb()
    test, occasion = (_case(name, words) for name, words in (("measure", keys), ("occasion", occasions)))
    value = "coalesce(try_cast(value AS DOUBLE), 'nan'::DOUBLE) AS value"
    numbers, places = pd.api.types.is_integer_dtype(held.dtype), _placer(held)
    if numbers:
        found = connection.sql(f"SELECT person, {test}, {occasion}, {value} FROM '{path}'")
    else:
        listed_people = pd.DataFrame({"person": held.astype(str), "place": np.arange(len(held), dtype=np.int32)})
        connection.register("listed_people", listed_people)
        found = connection.sql(
            f"SELECT coalesce(place, -1) AS place, {test}, {occasion}, {value} "
            f"FROM '{path}' a LEFT JOIN listed_people l ON a.person::VARCHAR = l.person"
        )
    for batch in found.to_arrow_reader(BATCH):
        person, tests, when, value_now = (batch.column(at).to_numpy(zero_copy_only=False) for at in range(4))
        yield (places(person) if numbers else person), tests, when, value_now


def _case(column: str, words: Sequence[str]) -> str:
    cases = " ".join(f"WHEN '{word.replace(chr(39), chr(39) * 2)}' THEN {at}" for at, word in enumerate(words))
    return f"(CASE {column} {cases} ELSE -1 END)::TINYINT AS {column}"


def _file(path: "str | Path") -> str:
    if not Path(path).is_file():
        raise DataError(f"There is no file {path}.")
    return str(path).replace("'", "''")


def _duckdb() -> Any:
    try:
        import duckdb
        import pyarrow  # noqa: F401
    except ImportError as missing:
        raise needs("What streams large files", "scale") from missing
    connection = duckdb.connect()
    connection.execute("SET preserve_insertion_order = false")
    return connection


def _cautions(table: pd.DataFrame) -> tuple[str, ...]:
    notes = [
        "Protocol facts (seat, arms, aid, steps) are not compared at this scale: give only scores that may be compared."
    ]
    if small := int((table["started"] < FEW).sum()):
        notes.append(
            f"{small} groups have fewer than {FEW} people: hide them before publishing, and what gives them away."
        )
    return tuple(notes)
