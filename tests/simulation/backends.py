"""Long simulations in another joblib back end: what a plan, a coverage study and a table say must not move.

By hand, for dask on this machine alone, in an environment that is thrown away afterwards::

    python -m venv cluster && cluster/bin/python -m pip install -c constraints.txt -e . "dask[distributed]"
    PYTHONPATH=tests cluster/bin/python tests/simulation/backends.py tests/simulation/backends_dask.json
"""

import json
import sys
from pathlib import Path

from simulation import coverage, coverage_settings
from simulation.mcid_bias import bias_and_coverage
from simulation.responder_coverage import coverage_table
from truechange.planning.precision import plan_true_share

assert coverage_settings  # importing it registers what is simulated
MCID = {"sd": 3.0, "sem": 1.0, "mcid": 2.0, "improved": 0.5}


def numbers() -> dict[str, object]:
    """Return a little of each: two plans, a coverage study, two stored tables."""
    share = plan_true_share(0.10, mean=2.5, sd=2.4, sem=1.0, mcid=2.0, sem_df=49, studies=10)
    chunks = [chunk for chunk in coverage.plan(False) if chunk[0].startswith("shares-p0.1")]
    bias = bias_and_coverage((0.4,), (0.6, 1.0), (80,), repeats=4, n_boot=100)
    shown = coverage_table(3, [(15, 1.0, 0.75), (40, 2.5, 0.5)])
    return {
        "plan_true_share": share.simulated["reached"].tolist(),
        "coverage": [list(sums.values()) for _, _, sums in coverage.run_cells(chunks)],
        "mcid_bias": bias[["bias", "coverage"]].round(12).astype(str).to_numpy().tolist(),
        "responder_coverage": shown.astype(float).to_numpy().tolist(),
    }


def main() -> None:
    """Compute all of it here and by dask's workers, on loopback, and keep what both say."""
    import distributed
    from joblib import parallel_config

    here = numbers()
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        assert client.scheduler.address.startswith("tcp://127.0.0.1:")
        with parallel_config(backend="dask"):
            there = numbers()
    assert here == there
    Path(sys.argv[1]).write_text(json.dumps({"dask": distributed.__version__, **here}) + "\n", encoding="utf-8")
    print(f"dask {distributed.__version__}: every number the same.")


if __name__ == "__main__":
    main()
