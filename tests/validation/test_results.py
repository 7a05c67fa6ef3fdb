"""The stored tables of simulation studies: whole, by name, inside the package."""

import pytest

from truechange.validation import RESULTS, as_text, broken_assumptions, simulated

COLUMNS = {
    "dropouts": {"people", "who", "quantity", "truth", "bias", "coverage", "said", "repeats", "seed"},
    "entry_rule": {"people", "improved", "everyone", "quantity", "source", "truth", "estimate", "bias", "coverage"},
    "intake_recall": {"class", "planted", "found", "recall"},
    "mcid_edges": {"people", "improved", "broken", "bias", "coverage", "said", "said_before", "repeats", "seed"},
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


def test_the_table_of_broken_assumptions_is_read_off_the_stored_simulations():
    table = broken_assumptions().set_index(["assumption", "room"])
    entry = simulated("entry_rule").query("quantity == 'true share'")
    left = entry[entry["source"] == "none"]
    row = table.loc[("taken in for a low score", "true share")]
    assert row["bias before"] == left["bias"].abs().max()
    assert row["coverage before"] == left["coverage"].min()
    assert row["bias now"] == entry.drop(left.index)["bias"].abs().max()
    edges = simulated("mcid_edges").set_index("broken")
    row = table.loc[("people told their result first", "MCID")]
    assert row["bias now"] == edges.loc["people told their result first", "bias"].abs().max()
    assert row["said now"] == edges.loc["people told their result first", "said"].mean()
    rooms = {"MCID", "true share", "one person's chance", "mean of all due", "share of all due"}
    assert {room for _, room in table.index} == rooms
    lost = simulated("dropouts").query("who == 'low first scores'").set_index("quantity")
    row = table.loc[("a quarter lost: low first scores", "mean of all due")]
    assert row["bias before"] == abs(lost.loc["mean, only those measured", "bias"])
    assert row["coverage now"] == lost.loc["mean, imputed", "coverage"]
    mended = table.index.get_level_values(0) == "taken in for a low score"
    assert (table.loc[mended, "bias now"] < table.loc[mended, "bias before"] / 3).all()
    shown = as_text(table.reset_index())
    assert "not counted" in set(shown["said now"])
    assert shown["bias now"].map(len).max() <= 6
