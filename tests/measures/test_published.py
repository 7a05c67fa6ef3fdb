"""Published values: honest about how they were verified, consistent with their own arithmetic, never decisive alone."""

import numpy as np
import pytest

import truechange as tc
from truechange.measures.literature import references


def test_every_value_says_how_it_was_verified():
    table = tc.published()
    assert len(table) == 315
    assert table["status"].value_counts().to_dict() == {"checked": 265, "from memory": 28, "recomputed": 22}
    assert (table[["citation", "population"]] != "").all(axis=None)
    assert (table.loc[table["status"] == "recomputed", "method"] != "").all()  # from what
    assert table["value"].notna().all()
    wanted = {"value", "ci_low", "ci_high", "unit", "population", "n", "citation", "doi", "status", "note", "seen"}
    assert wanted <= set(table.columns)
    held = table.dropna(subset=["ci_low", "ci_high"])
    assert (held["ci_low"] <= held["value"]).all()
    assert (held["value"] <= held["ci_high"]).all()


def test_a_value_from_memory_says_that_it_was_sought_and_one_without_n_says_why():
    table = tc.published()
    sought = table.loc[table["status"] == "from memory", "seen"]
    assert (sought == "sought 2026-11-28, not found").all()
    assert not table.loc[table["status"] != "from memory", "seen"].str.startswith("sought").any()
    said = table.loc[table["n"].isna(), "note"].str.contains("not given where it was seen|no people behind it")
    assert said.all()
    assert table["seen"].map(type).eq(str).all()


def test_recollected_dois_say_so():
    notes = tc.published().query("doi != ''")["note"]
    assert notes.str.contains("DOI from memory").sum() == 13


def test_the_screening_cut_off_equals_the_25th_percentile_in_every_band():
    # Source: Rikli & Jones 1999 (25th percentiles, checked) and the screening sheet's table (checked)
    table = tc.published("chair_stand_30s")
    low = table[(table["quantity"] == "norm_low") & table["citation"].str.startswith("Rikli")]
    sheet = table[table["method"].str.startswith("below-average")]
    key = ["sex", "age_low", "age_high"]
    both = low.merge(sheet, on=key, suffixes=("", "_sheet"))
    assert len(both) == 14
    np.testing.assert_array_equal(both["value"], both["value_sheet"])


def test_a_threshold_carries_where_it_comes_from():
    mdc = tc.published_threshold("chair_stand_30s", "mdc95", citation="Gill et al 2022")
    assert (mdc.kind, mdc.level, mdc.value, mdc.unit) == ("mdc", "person", 2.5, "stands")
    assert mdc.origin.kind == "published"
    assert mdc.origin.n == 93
    assert "1-2 min apart" in mdc.origin.interval
    mcid = tc.published_threshold("walk_6min", "mcid", citation="Daynes", value=23)
    assert (mcid.kind, mcid.level, mcid.low, mcid.high) == ("mcid", "group", 8.0, 37.0)


def test_a_group_value_is_labelled_so():
    small = tc.published_threshold("gait_speed_usual", "mic", citation="Perera", value=0.05)
    assert small.level == "group"


def test_lengths_are_turned_into_the_unit_of_the_test():
    # Source: Schurr et al 2012, SEM 34 mm; 1.96*sqrt2*34 = 94 mm (recomputed)
    assert tc.published_threshold("lowest_seat_height", "mdc95").value == pytest.approx(9.4)


def test_a_value_from_memory_needs_to_be_asked_for():
    recalled = tc.published_threshold("timed_up_and_go", "mdc90", citation="Kennedy", from_memory=True)
    assert recalled.origin.status == "from memory"


def test_norms_follow_age_and_sex():
    # Source: Rikli & Jones 1999, women 65-69: 11 to 16 stands (checked)
    found = {one.quantity: one.value for one in references("chair_stand_30s", age=69.9, sex="female")[:2]}
    assert found == {"norm_low": 11, "norm_high": 16}
    assert not any(one.quantity.startswith("norm") for one in references("chair_stand_30s", age=30, sex="female"))
    assert not any(one.quantity.startswith("norm") for one in references("chair_stand_30s"))


def test_cut_offs_for_all_ages_need_no_age():
    # Source: EWGSOP2 2019, five stands slower than 15 s (checked)
    assert 15.0 in {one.value for one in references("sit_to_stand_5")}


def test_a_comparison_names_its_source_and_does_not_diagnose():
    said = references("timed_up_and_go", age=72)[0].sentence(13.2)
    assert "13.2 is above the average of 9.2 s" in said
    assert "Bohannon 2006" in said
    assert "does not diagnose" in said
