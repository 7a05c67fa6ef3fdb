"""Speed and memory of the programme's heavy work, each beside a peer in the same run.

By hand: ``python tests/benchmarks/bench_programme.py --rows 1e7 --huge 1e8``.

Ratios hold from machine to machine, seconds do not. Every run is a fresh process; the
median of `--repeats` is shown, reading and imports included. Data are invented and written once.

    shares of a registry (site × sex × age band × test), whole process, CSV and parquet
        peer: plain pandas (merge, pivot, loop over groups with statsmodels' Wilson interval)
    the same out of core, `--huge ROWS` of parquet and CSV; peer: one duckdb query, memory as it likes
    two shares tested exactly; peer: scipy's permutation test with 9,999 permutations
"""

import argparse
import json
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from measuring import Row, alone, fresh

THRESHOLDS = {
    "chair_stand_30s": 2.0, "sit_to_stand_5": 2.0, "timed_up_and_go": 1.5, "walk_40m_fast": 0.5, "stair_climb": 2.0,
}  # fmt: skip
LOWER_IS_BETTER = ("sit_to_stand_5", "timed_up_and_go", "stair_climb")
SUMS = ("started", "measured", "changed_enough")
GOALS = {("plain_pandas", "csv"): 5, ("plain_pandas", "parquet"): 5, ("one_query", "csv"): 1,
         ("one_query", "parquet"): 2.5}  # fmt: skip
BY = ["site", "sex", "age_band"]


def write_registry(path: Path, rows: int) -> None:
    """Write about `rows` assessments of rows/10 people, five tests, two occasions, one in ten follow-ups missing."""
    import numpy as np
    import pandas as pd
    import pyarrow as pa
    import pyarrow.csv as pc
    import pyarrow.parquet as pq

    people, rng = rows // 10, np.random.default_rng(1)
    ids = np.arange(1, people + 1)
    table = pd.DataFrame(
        {
            "person": ids,
            "site": rng.choice(["North", "South", "East", "West"], people),
            "sex": rng.choice(["female", "male"], people),
            "age_band": rng.choice(["50-59", "60-69", "70-79", "80+"], people),
        }
    )
    table.to_parquet(f"{path}_people.parquet", index=False)
    table.to_csv(f"{path}_people.csv", index=False)
    writers, keys = [], list(THRESHOLDS)
    for block in np.array_split(ids, max(1, people // 200_000)):
        m = len(block)
        first = rng.normal(11, 3, (m, 5)).round(1)
        scores = np.stack([first, (first + rng.normal(1.5, 2.5, (m, 5))).round(1)], axis=2).reshape(-1)
        occasion = np.tile(["baseline", "discharge"], 5 * m)
        kept = rng.random(scores.size) > 0.1 * (occasion == "discharge")
        part = pa.table(
            {
                "person": np.repeat(block, 10)[kept],
                "occasion": pa.array(occasion[kept]).dictionary_encode(),
                "measure": pa.array(np.tile(np.repeat(keys, 2), m)[kept]).dictionary_encode(),
                "value": scores[kept],
            }
        )
        writers = writers or [
            pc.CSVWriter(f"{path}.csv", part.schema, write_options=pc.WriteOptions(quoting_style="needed")),
            pq.ParquetWriter(f"{path}.parquet", part.schema),
        ]
        for writer in writers:
            writer.write_table(part)
    for writer in writers:
        writer.close()


def ours(path: str, kind: str) -> dict[str, float]:
    """Run the library's registry on one file."""
    from truechange.programme.registry import responder_registry

    return _sums(responder_registry(f"{path}.{kind}", f"{path}_people.{kind}", THRESHOLDS, by=BY).table())


def plain_pandas(path: str, kind: str) -> dict[str, float]:
    """Do the same as one would in pandas: merge, pivot, loop over the groups."""
    import pandas as pd
    from statsmodels.stats.proportion import proportion_confint

    read = pd.read_csv if kind == "csv" else pd.read_parquet
    scores, people = read(f"{path}.{kind}"), read(f"{path}_people.{kind}")
    wide = scores.pivot_table(index=["person", "measure"], columns="occasion", values="value").reset_index()
    wide = wide.merge(people, on="person")
    gain = (wide["discharge"] - wide["baseline"]).round(6)
    wide["gain"] = gain.where(~wide["measure"].isin(LOWER_IS_BETTER), -gain)
    started = people.groupby(BY).size()
    rows = []
    for name, part in wide.groupby(["measure", *BY]):
        k, n, measured = (part["gain"] >= THRESHOLDS[name[0]]).sum(), started[name[1:]], part["gain"].notna().sum()
        low, high = proportion_confint(k, n, method="wilson")
        rows.append({"changed_enough": k, "started": n, "measured": measured, "low": low, "high": high})
    return _sums(pd.DataFrame(rows))


def one_query(path: str, kind: str) -> dict[str, float]:
    """Do the same as one duckdb query over the file."""
    import duckdb

    limit = " ".join(f"WHEN '{key}' THEN {value}" for key, value in THRESHOLDS.items())
    sign = f"CASE WHEN measure IN {LOWER_IS_BETTER} THEN -1 ELSE 1 END"
    query = f"""
        WITH pairs AS (
            SELECT person, measure, max(value) FILTER (occasion = 'baseline') AS b,
                   max(value) FILTER (occasion = 'discharge') AS a
            FROM '{path}.{kind}' GROUP BY person, measure),
        counted AS (
            SELECT measure, {", ".join(BY)}, count(a - b) AS measured,
                   sum((round(({sign}) * (a - b), 6) >= CASE measure {limit} END)::INT) AS changed_enough
            FROM pairs JOIN '{path}_people.{kind}' USING (person) GROUP BY ALL),
        started AS (SELECT {", ".join(BY)}, count(*) AS started FROM '{path}_people.{kind}' GROUP BY ALL)
        SELECT * FROM counted JOIN started USING ({", ".join(BY)})"""
    return _sums(duckdb.sql(query).df())


def _sums(table: "object") -> dict[str, float]:
    return {name: float(table[name].sum()) for name in SUMS}  # type: ignore[index]


def compare(words: str, peer_job: str, path: str, kind: str, repeats: int) -> Row:
    """Time our job and its peer, and read the file alone; refuse a comparison of different counts."""
    mine, theirs, read = (fresh(__file__, "--job", job, path, kind, runs=repeats) for job in ("ours", peer_job, "read"))
    if different := {key for key in SUMS if abs(mine[key] - theirs[key]) > 0.5}:
        raise SystemExit(f"{words}: the two disagree on {sorted(different)}: {mine} {theirs}")
    return Row(f"{words}, {kind}, against {peer_job.replace('_', ' ')}", mine["seconds"], theirs["seconds"],
               GOALS[peer_job, kind], floor=read["seconds"], of="a registry: its columns read by pyarrow",
               extra_mb=mine["peak_mb"])  # fmt: skip


def only_read(path: str, kind: str) -> dict[str, float]:
    """Read the scores and nothing else."""
    import pyarrow.csv as pc
    import pyarrow.parquet as pq

    (pc.read_csv if kind == "csv" else pq.read_table)(f"{path}.{kind}")
    return dict.fromkeys(SUMS, 0.0)


def exact_against_permutation(repeats: int) -> Row:
    """Time the exact test of two shares beside 9,999 permutations."""
    import numpy as np
    from scipy.stats import permutation_test

    from truechange.responders.comparing import exact_p

    first, second = (np.repeat([1.0, 0.0], pair) for pair in ((18, 12), (9, 19)))
    mine, peer = [], []
    for at in range(repeats):
        begun = time.perf_counter()
        for _ in range(200):
            p = exact_p(18, 30, 9, 28)
        mine.append((time.perf_counter() - begun) / 200)
        begun = time.perf_counter()
        found = permutation_test(
            (first, second), lambda x, y, axis: x.mean(axis=axis) - y.mean(axis=axis), n_resamples=9999,
            vectorized=True, rng=np.random.default_rng(at),
        )  # fmt: skip
        peer.append(time.perf_counter() - begun)
    if abs(p - found.pvalue) > 0.02:
        raise SystemExit(f"The two disagree: {p} {found.pvalue}")
    return Row(
        "two shares tested exactly, against 9,999 permutations", statistics.median(mine), statistics.median(peer), 1_000
    )


def rows(many: float = 1e6, huge: float | None = None, repeats: int = 3) -> Iterator[Row]:
    yield exact_against_permutation(repeats)
    folder = Path(tempfile.gettempdir()) / "truechange_bench"
    folder.mkdir(parents=True, exist_ok=True)
    for size, peer, runs in ((many, "plain_pandas", repeats), (huge, "one_query", 1)):
        if not size:
            continue
        path = folder / f"registry_{int(size)}"
        if not Path(f"{path}.csv").exists():
            write_registry(path, int(size))
        for kind in ("csv", "parquet"):
            yield compare(f"registry, {size:.0e} rows", peer, str(path), kind, runs)


def main() -> int:
    """Run what was asked for."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--rows", type=float, default=1e7)
    words.add_argument("--huge", type=float, help="rows of the files for the out-of-core run")
    words.add_argument("--repeats", type=int, default=5)
    words.add_argument("--job", nargs=3, help=argparse.SUPPRESS)
    given = words.parse_args()
    if not given.job:
        return alone(rows(given.rows, given.huge, given.repeats))
    job, path, kind = given.job
    begun = time.perf_counter()
    sums = {"ours": ours, "plain_pandas": plain_pandas, "one_query": one_query, "read": only_read}[job](path, kind)
    status = Path("/proc/self/status").read_text(encoding="ascii")  # ru_maxrss would keep the parent's peak
    peak = next(line.split()[1] for line in status.splitlines() if line.startswith("VmHWM"))
    seconds = time.perf_counter() - begun + 0.0
    print(json.dumps({"peak_mb": int(peak) / 1024, "seconds": seconds} | sums))
    return 0


if __name__ == "__main__":
    sys.exit(main())
