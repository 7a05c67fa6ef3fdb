"""Is a chance of 85% true in 85 of 100 people? The stored table, and a short run of the same simulation."""

import csv
import os

import pytest
from simulation.person_calibration import calibrate

from truechange.validation import RESULTS

TABLE = RESULTS / "person_calibration.csv"
ALLOWED = 0.03


def _pooled(rows, **wanted):
    """Return claims, claimed and true shares over all cells that match, in the band of 0.8 to 0.9."""
    kept = [
        row for row in rows if float(row["band_high"]) < 1 and all(str(row[k]) == str(v) for k, v in wanted.items())
    ]
    count = sum(int(row["claims"]) for row in kept)
    parts = (
        [float(row[name]) * int(row["claims"]) for row in kept if int(row["claims"])] for name in ("claimed", "true")
    )
    claimed, true = (sum(part) / count for part in parts)
    return count, claimed, true


@pytest.fixture(scope="module")
def stored():
    with TABLE.open(encoding="utf-8", newline="") as table:
        return list(csv.DictReader(table))


@pytest.mark.parametrize("n", [40, 150])
@pytest.mark.parametrize("prior", ["programme", "programme, change only"])
def test_the_stored_claims_are_true(stored, n, prior):
    count, claimed, true = _pooled(stored, n=n, sem_df=49, prior=prior)
    assert count > 1000
    assert abs(claimed - true) <= ALLOWED


@pytest.mark.parametrize("n", [40, 150])
def test_the_scores_alone_claim_too_much_where_few_change(stored, n):
    _, claimed, true = _pooled(stored, n=n, sem_df=49, prior="flat", mean_change=0.0)
    assert claimed - true > 0.1


@pytest.mark.simulation
def test_the_simulation_runs_to_the_same_end():
    full = os.environ.get("TRUECHANGE_FULL") == "1"
    rows = [
        row
        for seed, (mean, reliability) in enumerate(((1.0, 0.75), (2.5, 0.75)), start=70)
        for row in calibrate(150, 49, mean, reliability, -0.2, 400 if full else 60, seed)
    ]
    count, claimed, true = _pooled(rows, prior="programme")
    assert count > 500
    assert abs(claimed - true) <= ALLOWED
