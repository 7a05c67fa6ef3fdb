"""Coverage and bias against known truth, chunk by chunk; the whole grid (15 minutes) with TRUECHANGE_FULL=1."""

import os

import pytest

from simulation import coverage as simulation
from simulation import coverage_settings
from truechange.validation.run import AGREES, DISAGREES

assert coverage_settings  # importing it registers what is simulated
FULL = os.environ.get("TRUECHANGE_FULL") == "1"


def test_chunks_do_not_depend_on_their_order():
    chunks = [chunk for chunk in simulation.plan(False) if chunk[0].startswith("shares-p0.1")]
    assert len(chunks) > 1
    assert sorted(simulation.run_cells(chunks), key=str) == sorted(simulation.run_cells(chunks[::-1]), key=str)


def test_a_simulated_mean_outside_the_truth_is_red_and_failures_are_counted(monkeypatch):
    one = simulation.Cell("made-up", "ICC", "tc.icc", lambda rng, n: {}, {"held": (0.95, 0.01)}, 100, 100)
    monkeypatch.setitem(simulation.CELLS, "made-up", one)
    (good,) = simulation.judge([("made-up", 0, {"held": [100.0, 95.0, 95.0, 0.0]})])
    (bad,) = simulation.judge([("made-up", 0, {"held": [1000.0, 800.0, 800.0, 0.0]})])
    (failing,) = simulation.judge([("made-up", 0, {"held": [100.0, 95.0, 95.0, 5.0]})])
    assert [good.verdict, bad.verdict, failing.verdict] == [AGREES, DISAGREES, DISAGREES]
    assert "5 data sets gave no number" in failing.reason


@pytest.mark.simulation
@pytest.mark.parametrize("name", sorted({chunk[0] for chunk in simulation.plan(FULL)}))
def test_coverage_and_bias_are_as_promised(name):
    done = list(simulation.run_cells([chunk for chunk in simulation.plan(FULL) if chunk[0] == name]))
    for check in simulation.judge(done):
        assert check.verdict == AGREES, f"{check.name}: {check.ours:.3f}, truth {check.printed}, {check.source}"
