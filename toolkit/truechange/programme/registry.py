"""Responders by site, sex, age band and test in a registry of millions of rows: frames, files or a database."""

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from math import nan
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api.types import union_categoricals

from truechange.foundation.errors import ChoiceError, DataError, check_confidence, check_kind, listed
from truechange.foundation.numbers import percent, reaches
from truechange.foundation.result import Part, gathered, told
from truechange.measures.catalogue import measure as measure_of
from truechange.numerics.intervals import FEW, wilson_limits
from truechange.numerics.small_cells import HIDDEN, SAID, few, protect
from truechange.programme.warehouse import DAY, PERIODS, START, WHERE, counts_asked, safe_to_show
from truechange.records.reading import BATCH, streamed
from truechange.responders.counting import responders_from_error

if TYPE_CHECKING:
    import ibis

    from truechange.foundation.estimate import Estimate

Chunk = tuple[NDArray[np.integer], NDArray[np.integer], NDArray[np.integer], NDArray[np.float64]]
COLUMNS = ("person", "measure", "occasion", "value")
COUNTS = ("started", "measured", "changed_enough")
FROM_ERROR = ("expected_from_error", "net_of_error", "net_low", "net_high")
UNKNOWN, NOBODY = "not known", "The people table has no rows: there is nobody to count."


def responder_registry(
    assessments: "pd.DataFrame | str | Path | ibis.Table", people: "pd.DataFrame | str | Path | ibis.Table",
    thresholds: Mapping[str, float], *, by: Sequence[str] = ("site", "sex"), before: str = "baseline",
    after: str = "discharge", sem: "Mapping[str, Estimate | float] | None" = None, confidence: float = 0.95,
) -> Part:  # fmt: skip
    """Count responders by group and test at the scale of a registry.

    Parameters
    ----------
    assessments : DataFrame, path of a CSV or parquet file, or ibis table
        person, occasion, measure, value; one score for each person, occasion and test. A file is streamed and
        never held whole. A table of a database is counted inside it: only counts come back.
    people : DataFrame, path or ibis table
        One row a person who started: person and the columns of `by`. Both tables are ibis tables of one database, or
        neither is.
    thresholds : mapping of str to float
        Key of the test: smallest change that counts, in the test's unit.
    by : sequence of str, optional
        Columns of `people` that make the groups. ``start_month``, ``start_quarter`` and ``start_year`` are made of its
        ``start_date``: a date, or text beginning ``2025-01-31``.
    before, after : str, optional
        Occasions compared.
    sem : mapping of str to Estimate or float, optional
        Standard error of measurement of one score by test, in its unit: shares net of error are then told.
    confidence : float, optional
        Level of the intervals.

    Returns
    -------
    Part
        Table and ``rows``: measure, the groups' columns, started, measured, changed_enough, proportion, low, high
        (Wilson, of those who started); with `sem` also expected_from_error (people of those measured whom error alone
        would carry over the threshold, had nobody changed) and net_of_error, net_low, net_high (the share and its
        limits less those). ``account`` (dict: where the assessment rows went; ``rows read`` is the sum of
        all others), ``people`` (in the people table: they started), ``query`` (what the database was asked, as SQL;
        empty for files). ``public()`` hides counts of one to four people and what would give them away; from a database
        they come hidden.

    Raises
    ------
    DataError
        A person twice in `people`, two scores for one person, occasion and test, nobody at all, or a missing column.
    ChoiceError
        A test is not in the catalogue; persons as groups; a table of another kind.
    MissingPartError
        A file was given and the extra ``scale`` is not installed.

    Notes
    -----
    Of frames and files, scores are scattered into two dense tables of test by person (16 bytes a person and test); a
    second score for the same place is found because fewer places are filled than scores were put. For a database the
    same count is one query (extra ``warehouse``), written for DuckDB, PostgreSQL, Spark and others by ibis.

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
    if "person" in by:
        raise ChoiceError("by=['person'] makes a group of each person: nothing is counted, and codes would be shown.")
    if unused := [*(sem or {}).keys() - thresholds.keys()] or ([] if thresholds else ["thresholds={}"]):
        raise ChoiceError(f"There is no threshold to count against: {listed(unused)}. Give one for each test.")
    limits = [(key, float(measure_of(key).sign), limit) for key, limit in thresholds.items()]
    database: Any = sys.modules.get("ibis")  # who holds such a table has imported it
    inside = database is not None and isinstance(assessments, database.Table)
    kinds, wanted = (pd.DataFrame, str, Path), "a DataFrame, a path, or two ibis tables"
    if inside:
        kinds, wanted = database.Table, "an ibis table as well"
    check_kind("assessments", assessments, kinds, wanted)
    check_kind("people", people, kinds, wanted)
    facts = (_counted_inside if inside else _counted_here)(assessments, people, limits, list(by), (before, after))
    errors = {key: responders_from_error(thresholds[key], sem=error, n=facts["whole"][key][0],
                                         resolution=measure_of(key).resolution, confidence=confidence)
              for key, error in (sem or {}).items()}  # fmt: skip
    return _told({**facts, "errors": errors, "by": list(by), "confidence": confidence, "hidden": inside})


def _counted_here(
    assessments: Any, people: Any, limits: list[tuple[str, float, float]], by: list[str], occasions: tuple[str, str]
) -> dict[str, Any]:
    """Return the counts of frames or files, where the rows went, and how many of a test changed enough in all."""
    keys = [key for key, *_ in limits]
    people_at, group, labels = _groups(people, by)
    n = len(people_at)
    scores = np.full(2 * len(keys) * n, np.nan)
    used, left_out = 0, np.zeros(len(WHERE), dtype=int)
    for person, test, occasion, value in _chunks(assessments, people_at, keys, occasions):
        unused = (occasion < 0, test < 0, person < 0, ~np.isfinite(value))
        if (bad := np.logical_or.reduce(unused)).any():
            first_reason = np.select(unused, np.arange(len(WHERE), dtype=np.int8))[bad]
            left_out += np.bincount(first_reason, minlength=len(WHERE))
            occasion, test, person, value = (part[~bad] for part in (occasion, test, person, value))
        used += value.size
        scores[(occasion * len(keys) + test) * n + person] = value
    _refuse_doubled(used - sum(int(np.isfinite(part).sum()) for part in _slices(scores)))
    reasons = dict(zip(WHERE, left_out.tolist(), strict=True))
    account = {"rows read": sum(reasons.values()) + used, "used": used, **reasons}
    rows = _count(scores.reshape(2, len(keys), n), limits, group, len(labels))
    table = pd.concat(
        [labels.assign(measure=key, started=rows[0], measured=rows[1][at], changed_enough=rows[2][at])
         for at, key in enumerate(keys)], ignore_index=True,
    )  # fmt: skip
    whole = {key: (int(rows[1][at].sum()), int(rows[2][at].sum())) for at, key in enumerate(keys)}
    return {"counts": table, "account": account, "people": n, "whole": whole, "query": ""}


def _counted_inside(
    assessments: Any, people: Any, limits: list[tuple[str, float, float]], by: list[str], occasions: tuple[str, str]
) -> dict[str, Any]:
    """Return the same from a database, small counts and what would give them away missing."""
    import ibis

    _check_columns("assessments", assessments.columns, COLUMNS)
    _check_columns("people", people.columns, ("person", *_columns_of(by)))
    asked = counts_asked(assessments, people, limits, by, occasions)
    rows = asked.to_pyarrow().to_pylist()
    if not rows or not rows[0]["people"]:
        raise DataError(NOBODY)
    first, names = rows[0], {name: f"g{at}" for at, name in enumerate(by)}
    if first["twice"]:
        raise DataError(f"More than one row in the people table for somebody: {first['twice']} rows too many.")
    _refuse_doubled(int(first["doubled"]))
    rows.sort(key=lambda row: [row["place"], *((row[name] is None, row[name] or 0) for name in names.values())])
    counts = dict(zip(COUNTS, ("started", "measured", "changed"), strict=True))
    table: list[dict[str, Any]] = [
        {"measure": limits[row["place"]][0]}
        | {label: UNKNOWN if row[own] is None else row[own] for label, own in names.items()}
        | {label: nan if row[own] is None else int(row[own]) for label, own in counts.items()}
        for row in rows
    ]
    read = {"rows read": "rows_read", "used": "used"} | {why: f"why{at}" for at, why in enumerate(WHERE)}
    return {
        "counts": pd.DataFrame(table), "account": {why: int(first[own] or 0) for why, own in read.items()},
        "people": int(first["people"]), "query": str(ibis.to_sql(asked)),
        "whole": {limits[row["place"]][0]: (int(row["seen"]), int(row["reached"])) for row in rows},
    }  # fmt: skip


def _refuse_doubled(doubled: int) -> None:
    if doubled:
        raise DataError(
            f"{doubled} scores share person, occasion and test with another one. Keep one score of each, or say how "
            "trials become one score, before counting."
        )


def _told(facts: Mapping[str, Any]) -> Part:
    """Return the result from the counts that may be told: shares, what error alone would give, words and cautions."""
    errors, hidden = facts["errors"], facts["hidden"]
    table = facts["counts"][["measure", *facts["by"], *COUNTS]]
    started, measured, changed = (table[name].to_numpy(float) for name in COUNTS)
    shares = dict(zip(("low", "high"), wilson_limits(changed, started, facts["confidence"]), strict=True))
    shares = {"proportion": changed / started, **shares}
    if errors:
        alone = {key: error.share.value for key, error in errors.items()}
        expected = measured * table["measure"].map(alone).to_numpy(float)
        net = (share - expected / started for share in shares.values())
        shares |= dict(zip(FROM_ERROR, (expected, *net), strict=True))
    table = table.assign(**shares)
    if hidden:
        nothing = ~table["measure"].isin([*errors])  # no SEM: there is no number to hide
        table = table.assign(**{
            name: table[name].astype("Int64" if name in COUNTS else float).astype(object).where(
                table[name].notna() | (nothing & (name in FROM_ERROR)), HIDDEN)
            for name in (*COUNTS, *shares)
        })  # fmt: skip
    return Part(
        {"rows": table, **{name: facts[name] for name in ("account", "people", "query")}}, table, _says(facts),
        _cautions(facts), ("newcombe1998a",), hide=None if hidden else partial(_hidden, facts),
    )  # fmt: skip


def _hidden(facts: Mapping[str, Any]) -> Part:
    """Return the result with small counts hidden, test by test, by the rule that a database follows."""
    counts = facts["counts"].astype(dict.fromkeys(COUNTS, float))
    for rows in counts.groupby("measure").indices.values():
        started, measured, changed = (counts[name].to_numpy()[rows] for name in COUNTS)
        hide = safe_to_show(started, measured, changed, few, protect)
        for name, mask in zip(("started", "changed_enough", "measured"), hide, strict=True):
            counts.loc[rows[mask], name] = nan
    return _told({**facts, "counts": counts, "hidden": True})


def _says(facts: Mapping[str, Any]) -> tuple[str, ...]:
    """Say each test's share over all groups, what error alone would give, and where the rows went."""
    said, account, n = [], facts["account"], facts["people"]
    for key, (_, k) in facts["whole"].items():
        said.append(f"{measure_of(key).name}: {k} of {n} people who started changed enough ({percent(k / n)}).")
        said += [facts["errors"][key].sentence()] if key in facts["errors"] else []
    others = ", ".join(f"{count} {why}" for why, count in account.items() if why != "rows read" and count)
    return (*said, f"{account['rows read']} assessment rows: {others}.")


def _columns_of(by: Sequence[str]) -> list[str]:
    """Return the columns that the groups are made of, each once."""
    return list(dict.fromkeys(START if name in PERIODS else name for name in by))


def _with_periods(people: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """Return the people with the periods of `by` in which they started, each distinct date read once."""
    if not (wanted := [name for name in PERIODS if name in by]):
        return people
    codes, days = pd.factorize(people[START])
    parts = pd.Series(days, dtype=object).astype(str).str.extract(DAY).to_numpy(dtype=object)
    words = [(f"{year}-{month}", f"{year} Q{(int(month) + 2) // 3}", year) if year == year else (None,) * 3
             for year, month in parts]  # fmt: skip
    named = np.array([*words, (None,) * 3], dtype=object)[codes]
    return people.assign(**{name: named[:, PERIODS.index(name)] for name in wanted})


def _count(
    scores: NDArray[np.float64], limits: list[tuple[str, float, float]], group: NDArray[Any], groups: int
) -> tuple[NDArray[Any], list[NDArray[Any]], list[NDArray[Any]]]:
    measured, enough = (np.zeros((len(limits), groups), dtype=int) for _ in range(2))
    pieces = zip(_slices(scores[0].T), _slices(scores[1].T), _slices(group), strict=True)
    for before, after, where in pieces:
        for at, (_, sign, limit) in enumerate(limits):
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
        people = _people_from_file(people, by)
    else:
        _check_columns("people", people, ("person", *_columns_of(by)))
        people = _with_periods(people, by)
    if people.empty:
        raise DataError(NOBODY)
    person = pd.Index(people["person"])
    if not person.is_unique:
        raise DataError(f"More than one row in the people table for {listed(person[person.duplicated()].unique())}.")
    if not by:
        return person, np.zeros(len(person), dtype=np.int32), pd.DataFrame(index=[0])
    words = {name: people[name].cat for name in by if isinstance(people[name].dtype, pd.CategoricalDtype)}
    in_order = {name: column.reorder_categories(sorted(column.categories)) for name, column in words.items()}
    groups = people.assign(**in_order).groupby(by, sort=True, dropna=False, observed=True)
    labels = groups.size().index.to_frame(index=False).astype(object)
    return person, groups.ngroup().to_numpy(np.int32), labels.where(labels.notna(), UNKNOWN).infer_objects()


def _people_from_file(path: "str | Path", by: list[str]) -> pd.DataFrame:
    columns = _columns_of(by)
    table = _joined(streamed(path, ["person", *columns], coded=columns), by)
    if pd.api.types.is_integer_dtype(table["person"].dtype):
        return table
    return _joined(streamed(path, ["person", *columns], coded=columns, text=["person"]), by)


def _joined(parts: Iterator[pd.DataFrame], by: list[str]) -> pd.DataFrame:
    """Join people, the groups as small codes, so that no text table is held whole."""
    columns: dict[str, list[Any]] = {name: [] for name in ("person", *by)}
    for part in (_with_periods(part, by) for part in parts):
        columns["person"].append(part["person"])
        for name in by:
            columns[name].append(pd.Categorical(part[name]))
    if not columns["person"]:
        raise DataError(NOBODY)
    groups = {name: union_categoricals(columns[name]) for name in by}
    return pd.DataFrame({"person": pd.concat(columns["person"], ignore_index=True)} | groups)


def _placer(person: pd.Index) -> Callable[[pd.Series], NDArray[np.integer]]:
    """Return what finds each person's row in the people table, -1 for the unknown; by look-up in a compact range."""
    numbers = pd.api.types.is_integer_dtype(person.dtype)
    low, high = (int(person.min()), int(person.max())) if numbers and len(person) else (0, 0)
    if not numbers or high - low >= 4 * len(person) + 1000:
        return partial(_codes, words=person)
    lookup = np.full(high - low + 3, -1, dtype=np.int32)
    lookup[person.to_numpy() - low + 1] = np.arange(len(person))

    def by_lookup(persons: pd.Series) -> NDArray[np.integer]:
        if not pd.api.types.is_integer_dtype(persons.dtype):
            return _codes(pd.to_numeric(persons, errors="coerce"), person)
        place = persons.to_numpy() - (low - 1)
        return lookup[np.clip(place, 0, high - low + 2, out=place)]

    return by_lookup


def _codes(column: pd.Series, words: pd.Index) -> NDArray[np.integer]:
    """Return the place of each cell in `words`, -1 where it is not among them; each distinct cell is looked up once."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        codes, unique = column.cat.codes.to_numpy(), column.cat.categories
    else:
        codes, unique = pd.factorize(column)
    return np.append(words.get_indexer(pd.Index(unique)), -1)[codes]


def _chunks(assessments: Any, person: pd.Index, keys: list[str], occasions: tuple[str, str]) -> Iterator[Chunk]:
    if isinstance(assessments, pd.DataFrame):
        _check_columns("assessments", assessments, COLUMNS)
        parts: Iterator[pd.DataFrame] = (
            assessments.iloc[start : start + BATCH] for start in range(0, len(assessments), BATCH)
        )
    else:
        text = () if pd.api.types.is_integer_dtype(person.dtype) else ("person",)
        parts = streamed(assessments, COLUMNS, coded=("measure", "occasion"), text=text)
    places, tests, visits = _placer(person), pd.Index(keys), pd.Index(occasions)
    for part in parts:
        value = pd.to_numeric(part["value"], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        yield places(part["person"]), _codes(part["measure"], tests), _codes(part["occasion"], visits), value


def _check_columns(name: str, table: Any, wanted: Sequence[str]) -> None:
    if lacking := [column for column in wanted if column not in table]:
        raise DataError(f"The {name} table has no column {listed(lacking)}.")


def _cautions(facts: Mapping[str, Any]) -> tuple[str, ...]:
    counts, errors = facts["counts"], facts["errors"]
    small = int((counts["started"] < FEW).sum())
    own = told({
        "Protocol facts (seat, arms, aid, steps) are not compared at this scale: give only scores that may be "
        "compared.": True,
        f"{small} groups have fewer than {FEW} people: hide them before publishing, and what gives them away.":
            small and not facts["hidden"],
        SAID: facts["hidden"],
        "Tables by other groups of the same people can give away together what each of them hides.": facts["hidden"],
        "Those who started last may not be due for their second test yet: a low share there can be that alone.":
            set(PERIODS) & set(facts["by"]),
        "Net of error is the count less what error alone would give had nobody changed. It is not the share whose true "
        "change matters, which needs the scores themselves (true_responder_share); its limits hold the count's chance, "
        "not how well the error is known.": errors,
    })  # fmt: skip
    return gathered(own, *errors.values())
