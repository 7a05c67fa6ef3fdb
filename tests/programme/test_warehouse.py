"""Counting inside a database: the file route's counts to the last one, its refusals, and nobody's row ever leaves."""

import json
import os
import pwd
import shutil
import subprocess
import tempfile
import time
from contextlib import contextmanager, suppress
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from clinics import LIMITS, damaged, registered
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from truechange.foundation.errors import ChoiceError, DataError
from truechange.measures.catalogue import measure
from truechange.numerics.small_cells import few, protect
from truechange.programme.registry import responder_registry
from truechange.programme.warehouse import _small_ones_hidden, counts_asked, safe_to_show

ibis = pytest.importorskip("ibis")
sqlglot = pytest.importorskip("sqlglot")
exp = sqlglot.exp

INSISTS = os.environ.get("TRUECHANGE_DATABASE") == "1"
INSTALLED = [
    *sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres")),
    *map(Path, filter(None, [shutil.which("postgres")])),
]
BY = ["site", "sex"]
COUNTS = ["started", "measured", "changed_enough"]
BATTERY = [(key, measure(key).sign, limit) for key, limit in LIMITS.items()]


@contextmanager
def throw_away_server():
    """Yield an ibis connection to a PostgreSQL server of this test alone: in a new folder, reached by a socket."""
    tools = INSTALLED[-1].resolve().parent
    folder = Path(tempfile.mkdtemp(prefix="truechange_", dir="/tmp"))  # a socket's path may have 107 characters
    other = {}
    if os.getuid() == 0:  # the server refuses to be root
        owner = next(entry for entry in map(_user, ("postgres", "nobody")) if entry)
        os.chown(folder, owner.pw_uid, owner.pw_gid)
        other = {"user": owner.pw_uid, "group": owner.pw_gid, "extra_groups": []}
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.STDOUT, "cwd": folder, **other}
    subprocess.run(
        [tools / "initdb", "-D", folder / "data", "-U", "tester", "--auth=trust", "--no-sync", "-E", "UTF8",
         "--locale=C"], check=True, **quiet,
    )  # fmt: skip
    server = subprocess.Popen(
        [tools / "postgres", "-D", folder / "data", "-k", folder, "-c", "listen_addresses=", "-c", "fsync=off"], **quiet
    )
    try:
        yield _reached(folder, server)
    finally:
        server.terminate()
        server.wait(timeout=60)
        shutil.rmtree(folder)


def _user(name):
    with suppress(KeyError):
        return pwd.getpwnam(name)


def _reached(folder, server):
    for _ in range(300):
        assert server.poll() is None, "the database server stopped as soon as it was started"
        with suppress(Exception):
            return ibis.postgres.connect(host=str(folder), user="tester", database="postgres")
        time.sleep(0.1)
    raise AssertionError("the database server did not answer within half a minute")


@pytest.fixture(scope="module")
def postgres():
    if not INSTALLED and not INSISTS:
        pytest.skip("no PostgreSQL server is installed (Debian: postgresql); TRUECHANGE_DATABASE=1 insists on one")
    assert INSTALLED, "TRUECHANGE_DATABASE=1 insists on a PostgreSQL server and there is none"
    with throw_away_server() as server:
        yield server
        server.disconnect()


@pytest.fixture(scope="module")
def duckdb():
    held = ibis.duckdb.connect()
    yield held
    held.disconnect()


@pytest.fixture(params=["duckdb", "postgres"])
def engine(request):
    return request.getfixturevalue(request.param)


def held_in(engine, **tables):
    """The tables in the database."""
    return [engine.create_table(name, table, overwrite=True) for name, table in tables.items()]


def same(found, expected):
    pd.testing.assert_frame_equal(found.table().astype(object), expected.table().astype(object), check_dtype=False)
    assert found.account == expected.account
    assert found.people == expected.people
    assert found.sentences() == expected.sentences()
    assert found.cautions == expected.cautions


@pytest.mark.parametrize("by", [[], ["site", "start_quarter"], ["start_month"], ["start_year", "sex"]], ids=str)
def test_the_database_gives_what_the_frames_give_with_small_counts_hidden(engine, by):
    scores, people = damaged()
    given = {"by": by, "sem": {"chair_stand_30s": 1.2}}
    expected = responder_registry(scores, people, LIMITS, **given)
    tables = held_in(engine, scores=scores, people=people)
    same(responder_registry(*tables, LIMITS, **given), expected.public())
    assert min(expected.account.values()) >= 10  # of everything that is left out there is some
    raw = counts_asked(*tables, BATTERY, by, ("baseline", "discharge"), hide=False)
    counted = raw[["started", "measured", "changed"]].to_pyarrow().to_pylist()
    assert sorted(tuple(map(int, row.values())) for row in counted) == sorted(
        map(tuple, expected.table()[COUNTS].to_numpy().tolist())
    )


def test_a_hundred_thousand_rows_give_the_same_from_files_and_from_both_databases(duckdb, postgres, tmp_path):
    scores, people = registered(people=27_000, text=False)
    assert len(scores) > 100_000
    for name, table in (("scores", scores), ("people", people)):
        table.to_csv(tmp_path / f"{name}.csv", index=False)
    expected = responder_registry(tmp_path / "scores.csv", tmp_path / "people.csv", LIMITS, by=BY)
    for engine in (duckdb, postgres):
        found = responder_registry(*held_in(engine, scores=scores, people=people), LIMITS, by=BY)
        same(found, expected.public())
        assert (found.table()[COUNTS].to_numpy() == expected.table()[COUNTS].to_numpy()).all()  # nothing is small here


VALUES = ["9", " 9.5 ", "1e1", "-.5", "12,5", "unable", "", None, "nan", "inf"]
DAYS = ["2024-01-31", "2024-04-01 10:00", "2024-13-01", "31.01.2024", "unknown", "", None]


@st.composite
def registries(draw):
    """Small registries with any mixture of what goes wrong: gaps, words, doubles, unknown people, bad dates."""
    seed, persons = draw(st.integers(0, 10**6)), draw(st.integers(1, 60))
    rng, text = np.random.default_rng(seed), draw(st.booleans())
    ids = np.array([f"p{at:02d}" for at in range(persons + 2)]) if text else np.arange(5, persons + 7)
    sites = (
        pd.array(rng.choice([0.0, 1.5, np.nan], persons)) if draw(st.booleans()) else rng.choice(["N", "s"], persons)
    )
    people = pd.DataFrame(
        {"person": ids[:persons], "site": sites, "start_date": rng.choice(np.array(DAYS, object), persons)}
    )
    wanted = [
        (one, key, when) for one in ids for key in (*LIMITS, "hopping") for when in ("baseline", "discharge", "x")
    ]
    count = draw(st.integers(0, len(wanted)))
    rows = rng.permutation(len(wanted))[:count]
    if draw(st.integers(0, 3)) == 0:
        rows = np.append(rows, rng.choice(len(wanted), 3))
    scores = pd.DataFrame([wanted[at] for at in rows], columns=["person", "measure", "occasion"])
    numbers = {
        "numbers": rng.choice([*np.arange(0, 4, 0.1).round(1), np.nan, np.inf], rows.size),
        "decimals": np.array([Decimal(int(at)) / 10 for at in rng.integers(0, 40, rows.size)], object),
        "whole": rng.integers(0, 4, rows.size), "words": rng.choice(np.array(VALUES, object), rows.size),
    }  # fmt: skip
    return scores.assign(value=numbers[draw(st.sampled_from(sorted(numbers)))]), people


def outcome(scores, people):
    """The result with small counts hidden, or the words of the refusal."""
    try:
        return responder_registry(scores, people, LIMITS, by=["site", "start_quarter"])
    except DataError as refused:
        return str(refused)


def stored(scores, people):
    """The frames as tables with a type for each column, whatever is in them."""
    kinds = {"person": pa.string() if people["person"].dtype.kind in "OT" else pa.int64()}
    kinds |= {name: pa.string() for name in ("measure", "occasion", "start_date")}
    value = scores["value"]
    kinds["value"] = {"f": pa.float64(), "i": pa.int64()}.get(
        value.dtype.kind, pa.decimal128(6, 1) if value.map(type).eq(Decimal).any() else pa.string()
    )
    kinds["site"] = pa.float64() if people["site"].dtype.kind == "f" else pa.string()
    return [pa.Table.from_pandas(table, pa.schema([(name, kinds[name]) for name in table]), preserve_index=False)
            for table in (scores, people)]  # fmt: skip


@settings(derandomize=True, deadline=None, max_examples=6, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(registries())
def test_any_registry_is_counted_or_refused_alike_by_frame_duckdb_and_postgresql(duckdb, postgres, registry):
    expected = outcome(*registry)
    for engine in (duckdb, postgres):
        scores, people = stored(*registry)
        found = outcome(*held_in(engine, scores=scores, people=people))
        if isinstance(expected, str):
            assert found == expected
        else:
            same(found, expected.public())


@pytest.mark.parametrize(
    ("damage", "error", "words"),
    [
        (lambda s, p: (pd.concat([s, s.head(3)]), p), DataError, "3 scores share person"),
        (lambda s, p: (s, pd.concat([p, p.tail(2)])), DataError, "More than one row .* 2 rows too many"),
        (lambda s, p: (s, p.head(0)), DataError, "nobody to count"),
        (lambda s, p: (s.drop(columns="occasion"), p), DataError, "assessments table has no column occasion"),
        (lambda s, p: (s, p.drop(columns="sex")), DataError, "people table has no column sex"),
        (lambda s, p: (s, p.assign(person=range(len(p)))), DataError, "person is text in one table"),
    ],
)
def test_the_database_is_refused_what_a_file_is(duckdb, damage, error, words):
    scores, people = damage(*registered(people=40))
    with pytest.raises(error, match=words):
        responder_registry(*held_in(duckdb, scores=scores, people=people), LIMITS, by=BY)


def test_a_database_and_a_file_are_not_mixed_and_persons_are_no_groups(duckdb):
    scores, people = registered(people=40)
    (held,) = held_in(duckdb, scores=scores)
    with pytest.raises(ChoiceError, match=r"people=.* an ibis table as well"):
        responder_registry(held, people, LIMITS)
    with pytest.raises(ChoiceError, match=r"people=.* two ibis tables"):
        responder_registry(scores, held, LIMITS)
    with pytest.raises(ChoiceError, match="a group of each person"):
        responder_registry(scores, people, LIMITS, by=["person"])


def of_persons(query, named, groups):
    """Whether rows of a query may stand for single people: no sum over people lies between it and the tables."""
    if isinstance(query, exp.SetOperation):
        return any(of_persons(side, named, groups) for side in (query.left, query.right))
    if isinstance(query, exp.Table):
        return query.name not in named or of_persons(named[query.name], named, groups)
    if isinstance(query, exp.Subquery):
        return of_persons(query.this, named, groups)
    named = named | {cte.alias: cte.this for cte in query.ctes}
    below = [query.args["from_"].this, *(join.this for join in query.args.get("joins") or [])]
    if not any(of_persons(one, named, groups) for one in below):
        return False
    group = query.args.get("group")
    keys = {key.name for key in group.expressions} if group else set()
    keys = {query.selects[int(key) - 1].alias_or_name if key.isdigit() else key for key in keys}
    if not keys <= groups or query.args.get("distinct"):
        return True
    counts = [one for one in query.selects if one.alias_or_name not in keys]
    sums = [one for count in counts for one in count.find_all(exp.AggFunc)]
    only = all(isinstance(one, exp.Count | exp.Sum) for one in sums) and not any(one.find(exp.Window) for one in counts)
    return not (only and all(one.find(exp.AggFunc) for one in counts))


def test_no_row_of_a_person_leaves_the_database(engine, monkeypatch):
    scores, people = damaged()
    tables, brought = held_in(engine, scores=scores, people=people), []
    run = type(engine).to_pyarrow
    monkeypatch.setattr(type(engine), "to_pyarrow", lambda *a, **kw: brought.append(run(*a, **kw)) or brought[-1])
    monkeypatch.setattr(type(engine), "execute", lambda *_, **__: pytest.fail("another way out"))
    found = responder_registry(*tables, LIMITS, by=BY)

    (rows,) = brought  # one query, and what came back is all that came back
    assert rows.num_rows == len(LIMITS) * len(people.groupby(BY, dropna=False))
    text = str(rows.to_pylist())
    assert not any(code in text for code in people["person"])
    counts = [count for name in ("started", "measured", "changed") for count in rows[name].to_pylist()]
    assert None in counts
    assert not any(count is not None and 0 < count < 5 for count in counts)

    query = sqlglot.parse_one(found.query, dialect=engine.name)
    counted = {"place", "started", "measured", "changed", "seen", "reached", "doubled", "rows_read", "used", "why0"}
    assert set(query.named_selects) == {"g0", "g1", *counted, "why1", "why2", "why3", "people", "twice"}
    assert not of_persons(query, {}, {"g0", "g1"})
    spoilt = sqlglot.parse_one(found.query.replace("COUNT(*)", "MAX(person)", 1), dialect=engine.name)
    assert of_persons(spoilt, {}, {"g0", "g1"})  # what is inspected would show a leak
    assert of_persons(query, {}, {"g0"})


def test_what_spark_counted_is_what_the_frames_give():
    # kept by tests/reference/counts_in_spark.py, which runs in an environment of its own
    kept = json.loads((Path(__file__).parents[1] / "reference/counts_in_spark.json").read_text(encoding="utf-8"))
    scores, people = damaged(people=kept["people"], seed=kept["seed"])
    for one in kept["counts"]:
        found = responder_registry(scores, people, LIMITS, by=one["by"])
        assert found.account == one["account"]
        assert sorted(found.table()[COUNTS].to_numpy().tolist()) == one["rows"]


def test_small_counts_are_hidden_by_one_rule_in_arrays_and_in_databases(engine):
    rng, cases, columns = np.random.default_rng(8), [], ["started", "measured", "changed"]
    for place in range(120):
        many = int(rng.integers(1, 7))
        started = rng.integers(1, rng.choice([4, 9, 30]), many)
        measured = rng.binomial(started, rng.choice([0.5, 0.9, 1.0]))
        changed = rng.binomial(measured, rng.choice([0.1, 0.5, 1.0]))
        names = [f"c{at}" for at in range(many)]
        cases.append(
            pd.DataFrame({"place": place, "g0": names, **dict(zip(columns, (started, measured, changed), strict=True))})
        )
    (held,) = held_in(engine, cases=pd.concat(cases, ignore_index=True))
    inside = pd.DataFrame(_small_ones_hidden(held, ["g0"]).order_by("place", "g0")[columns].to_pyarrow().to_pylist())
    at = 0
    for case in cases:
        counts = case[columns].to_numpy(float)
        sizes, enough, seen = safe_to_show(*counts.T, few, protect)
        shown = np.where(np.column_stack([sizes, seen, enough]), np.nan, counts)
        np.testing.assert_array_equal(inside.iloc[at : at + len(case)].to_numpy(float), shown)
        at += len(case)
        for first, other in (([0], [1]), ([0], [2]), ([1], [2])):
            assert not few(np.nan_to_num(shown[:, first] - shown[:, other])).any()
        assert not few(np.nan_to_num(shown)).any()
