"""Entry rule by simulation: what the stored table must hold, and a few studies drawn afresh."""

import pytest

from simulation.entry_rule import CELLS, SOURCES, entry_table
from truechange.validation import simulated

TABLE = simulated("entry_rule")
REPAIRED = SOURCES[1:]
SHARE, CLAIM = "true share", "claims of 0.8 or more about one person"


def rows(quantity, **those):
    found = TABLE[(TABLE["quantity"] == quantity) & (TABLE["everyone"] == those.pop("everyone", "normal"))]
    for name, value in those.items():
        found = found[found[name] == value]
    return found


def test_the_table_is_of_these_cells():
    assert set(TABLE[["people", "improved", "everyone"]].itertuples(index=False, name=None)) == set(CELLS)
    assert set(TABLE["source"]) == set(SOURCES)


@pytest.mark.parametrize("source", REPAIRED)
def test_the_repaired_mcid_is_unbiased_and_covers(source):
    found = rows("mcid", source=source)
    assert found["bias_in_sd"].abs().max() <= 0.05
    assert found["coverage"].min() >= 0.90  # 150 studies a cell: a standard error of 0.02
    assert found["coverage"].mean() >= 0.93
    assert rows("mcid", source=source, everyone="skewed")["bias_in_sd"].abs().max() <= 0.05


@pytest.mark.parametrize("source", REPAIRED)
def test_the_repaired_share_is_unbiased_and_covers(source):
    found = rows(SHARE, source=source)
    assert found["bias"].abs().max() <= 0.005
    assert found["coverage"].min() >= 0.91  # 600 studies a cell: a standard error of 0.01
    assert found["coverage"].mean() >= 0.925  # 200 resamples a study here, 2,000 in use
    assert rows(SHARE, source=source, everyone="skewed")["bias"].abs().max() <= 0.015


@pytest.mark.parametrize("source", REPAIRED)
def test_claims_about_one_person_come_true(source):
    assert rows(CLAIM, source=source)["bias"].abs().max() <= 0.03


def test_without_the_rule_everything_is_too_high():
    assert rows("mcid", source="none")["bias"].min() > 0.2
    assert rows(SHARE, source="none")["bias"].min() > 0.04
    assert rows(SHARE, source="none", people=300)["coverage"].max() < 0.87  # of 120 the wide intervals hide it
    assert rows(CLAIM, source="none")["bias"].min() > 0.035


def test_a_few_studies_drawn_afresh_hold_the_main_numbers():
    few = entry_table([(300, 0.60, "normal")], repeats=12, programmes=4, shares=12, n_boot=100, seed=7)
    bias = few.set_index(["quantity", "source"])["bias"]
    assert bias["mcid", "none"] > 0.2
    assert bias[SHARE, "none"] > 0.03
    for source in REPAIRED:
        assert abs(bias["mcid", source]) < 0.17
        assert abs(bias[SHARE, source]) < 0.03
        assert abs(bias[CLAIM, source]) < 0.06
