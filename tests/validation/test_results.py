"""The stored tables of simulation studies: whole, by name, inside the package."""

import pytest

from truechange.validation import RESULTS, simulated

COLUMNS = {
    "entry_rule": {"people", "improved", "everyone", "quantity", "source", "truth", "estimate", "bias", "coverage"},
    "intake_recall": {"class", "planted", "found", "recall"},
    "mcid_simulation": {"method", "people", "share", "anchor_reliability", "bias", "coverage"},
    "person_calibration": {"n", "prior", "claims", "claimed", "true", "seed"},
    "reliability_coverage": {"n", "k", "shift", "method", "coverage", "studies", "seed"},
    "responder_coverage": {"people", "true_share", "coverage", "repeats"},
    "true_share_shapes": {"people", "shape", "true_share", "bias", "coverage", "normal_bias", "normal_coverage"},
}


def test_there_are_these_and_no_others():
    assert {path.stem for path in RESULTS.iterdir()} == set(COLUMNS)


@pytest.mark.parametrize("name", COLUMNS)
def test_a_table_comes_by_its_name(name):
    table = simulated(name)
    assert COLUMNS[name] <= set(table.columns)
    assert len(table) > 5
