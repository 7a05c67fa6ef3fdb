"""The registry's count inside Spark, in local mode, beside the count of the same frames; the result is kept.

By hand, in an environment that is thrown away afterwards (a Java runtime must be on the machine)::

    python -m venv spark
    spark/bin/python -m pip install -c constraints.txt -e ".[warehouse]" "ibis-framework[pyspark]"
    PYTHONPATH=tests spark/bin/python tests/reference/counts_in_spark.py tests/reference/counts_in_spark.json

It stops where one count differs. ``tests/programme/test_warehouse.py`` holds the kept result against today's frames.
"""

import json
import sys
from pathlib import Path

import ibis
from clinics import LIMITS, damaged

import truechange as tc
from truechange.measures.catalogue import measure
from truechange.programme.warehouse import counts_asked

PEOPLE, SEED, COUNTS = 3_000, 12, ("started", "measured", "changed")
SETS = [["site", "sex"], ["site", "start_quarter"]]


def main() -> None:
    """Count in Spark, compare, keep."""
    import pyspark
    from pyspark.sql import SparkSession

    scores, people = damaged(people=PEOPLE, seed=SEED)
    session = SparkSession.builder.master("local[2]").config("spark.ui.enabled", "false")
    session = (
        session.config("spark.driver.bindAddress", "127.0.0.1").config("spark.driver.host", "127.0.0.1").getOrCreate()
    )
    session.conf.set("spark.sql.shuffle.partitions", "4")
    engine = ibis.pyspark.connect(session)
    dates = people["start_date"].dt.strftime("%Y-%m-%d")
    for name, table in (("scores", scores), ("people", people.assign(start_date=dates))):
        rows = table.astype(object).where(table.notna(), None)
        kinds = ", ".join(f"{one} {'double' if one == 'value' else 'string'}" for one in rows)
        session.createDataFrame(rows.to_numpy().tolist(), kinds).createOrReplaceTempView(name)
    tables = engine.table("scores"), engine.table("people")
    kept = {"pyspark": pyspark.__version__, "ibis": ibis.__version__, "people": PEOPLE, "seed": SEED, "counts": []}
    for by in SETS:
        here = tc.responder_registry(scores, people, LIMITS, by=by)
        inside = tc.responder_registry(*tables, LIMITS, by=by)
        assert inside.account == here.account
        assert inside.table().astype(str).equals(here.public().table().astype(str))
        asked = counts_asked(
            *tables, [(key, measure(key).sign, limit) for key, limit in LIMITS.items()], by, ("baseline", "discharge"),
            hide=False,
        )  # fmt: skip
        rows = asked[[*COUNTS]].to_pyarrow().to_pylist()
        raw = sorted([int(row[name]) for name in COUNTS] for row in rows)
        assert raw == sorted(here.table()[["started", "measured", "changed_enough"]].to_numpy().tolist())
        kept["counts"].append({"by": by, "account": inside.account, "rows": raw})
    session.stop()
    Path(sys.argv[1]).write_text(json.dumps(kept) + "\n", encoding="utf-8")
    print(
        f"Spark {pyspark.__version__}: {sum(len(one['rows']) for one in kept['counts'])} rows of counts, all the same."
    )


if __name__ == "__main__":
    main()
