"""The registry: same numbers from a frame, a CSV, a parquet file and one query; every row accounted for."""

import numpy as np
import pandas as pd
import pytest
from clinics import LIMITS, damaged, registered

import truechange as tc
from truechange.programme.registry import responder_registry

BY = ["site", "sex"]


def by_hand(scores, people):
    wide = scores.pivot_table(index=["person", "measure"], columns="occasion", values="value").reset_index()
    gain = (wide["discharge"] - wide["baseline"]).round(6)  # read to 0.1: the rest is floating-point noise
    wide["gain"] = gain.where(wide["measure"] != "timed_up_and_go", -gain)
    wide["enough"] = wide["gain"] >= wide["measure"].map(LIMITS)
    whole = people.merge(pd.DataFrame({"measure": list(LIMITS)}), how="cross").merge(wide, how="left")
    grouped = whole.groupby(["measure", *BY])
    return pd.DataFrame(
        {"started": grouped.size(), "measured": grouped["gain"].count(), "changed_enough": grouped["enough"].sum()}
    ).reset_index()


@pytest.mark.parametrize("text", [True, False], ids=["text ids", "number ids"])
def test_every_way_in_gives_the_same_numbers(tmp_path, text):
    scores, people = registered(text=text)
    scores.to_csv(tmp_path / "scores.csv", index=False)
    people.to_csv(tmp_path / "people.csv", index=False)
    scores.to_parquet(tmp_path / "scores.parquet")
    people.to_parquet(tmp_path / "people.parquet")
    found = responder_registry(scores, people, LIMITS, by=BY)
    expected = by_hand(scores, people)
    counts = ["started", "measured", "changed_enough"]
    assert found.table()[["measure", *BY]].astype(str).equals(expected[["measure", *BY]].astype(str))
    assert (found.table()[counts].to_numpy() == expected[counts].to_numpy()).all()
    for kind in ("csv", "parquet"):
        streamed = responder_registry(tmp_path / f"scores.{kind}", tmp_path / f"people.{kind}", LIMITS, by=BY)
        pd.testing.assert_frame_equal(streamed.table(), found.table(), check_dtype=False)
        assert streamed.account == found.account
    row = found.table().iloc[0]
    wilson = tc.proportion(int(row["changed_enough"]), int(row["started"]))
    assert (row["low"], row["high"]) == pytest.approx((wilson.low, wilson.high))


def test_people_numbered_here_and_written_there_are_the_same_people(tmp_path):
    scores, people = registered(people=60, text=False)
    expected = responder_registry(scores, people, LIMITS, by=BY)
    scores.astype({"person": str}).to_parquet(tmp_path / "scores.parquet")
    people.to_csv(tmp_path / "people.csv", index=False)
    found = responder_registry(tmp_path / "scores.parquet", tmp_path / "people.csv", LIMITS, by=BY)
    pd.testing.assert_frame_equal(found.table(), expected.table(), check_dtype=False)
    assert found.account == expected.account


def test_people_far_apart_in_number_are_found_too():
    scores, people = registered(people=60, text=False)
    far = [table.assign(person=table["person"] * 1_000_003) for table in (scores, people)]
    spread = responder_registry(*far, LIMITS, by=BY)
    assert spread.table().equals(responder_registry(scores, people, LIMITS, by=BY).table())


def test_every_row_is_accounted_for():
    scores, people = registered()
    lines = [("P00001", "midway", "chair_stand_30s", 9), ("P00002", "baseline", "pain_0_10", 3),
             ("X", "baseline", "chair_stand_30s", 9)]  # fmt: skip
    other = pd.DataFrame(lines, columns=scores.columns)
    gone = scores.head(4).assign(value=np.nan)
    found = responder_registry(pd.concat([scores.iloc[4:], other, gone]), people, LIMITS, by=BY)
    account = dict(found.account)
    assert account.pop("rows read") == sum(account.values()) == len(scores) + 3
    assert (account["of other occasions"], account["of other tests"], account["of unknown people"]) == (1, 1, 1)
    assert account["without a number"] == 4
    assert "assessment rows" in found.sentences()[-1]


def test_words_where_numbers_should_be_are_counted_not_lost(tmp_path):
    scores, people = registered(people=30)
    scores = scores.assign(value=scores["value"].astype(str))
    scores.loc[0, "value"] = "unable"
    scores.to_csv(tmp_path / "scores.csv", index=False)
    found = responder_registry(tmp_path / "scores.csv", people, LIMITS, by=BY)
    assert found.account["without a number"] == 1
    assert responder_registry(scores, people, LIMITS, by=BY).account == found.account


def test_unknown_groups_are_named_and_small_ones_cautioned():
    scores, people = registered(people=40)
    people.loc[0, "site"] = None
    found = responder_registry(scores, people, LIMITS, by=BY)
    assert "not known" in set(found.table()["site"])
    assert any("fewer than 10" in text for text in found.cautions)
    assert responder_registry(scores, people, LIMITS, by=[]).table()["started"].tolist() == [40, 40]


def test_an_infinite_score_is_no_number_and_no_second_score():
    scores, people = registered(people=30)
    scores.loc[0, "value"] = np.inf
    assert responder_registry(scores, people, LIMITS, by=BY).account["without a number"] == 1


def test_the_period_of_the_start_makes_groups_from_frames_and_from_files(tmp_path):
    scores, people = damaged()
    found = responder_registry(scores, people, LIMITS, by=["start_quarter"]).table()
    starts = people["start_date"].dt.to_period("Q").astype(str).str.replace("Q", " Q").fillna("not known")
    assert dict(zip(found["start_quarter"], found["started"], strict=True)) == starts.value_counts().to_dict()
    scores.to_parquet(tmp_path / "scores.parquet")
    people.to_parquet(tmp_path / "people.parquet")
    people.to_csv(tmp_path / "people.csv", index=False)
    for kind in ("parquet", "csv"):
        again = responder_registry(
            tmp_path / "scores.parquet", tmp_path / f"people.{kind}", LIMITS, by=["start_quarter"]
        )
        pd.testing.assert_frame_equal(again.table(), found, check_dtype=False)


def test_shares_net_of_error_take_away_what_error_alone_gives():
    scores, people = registered()
    found = responder_registry(scores, people, LIMITS, by=BY, sem={"chair_stand_30s": 1.2})
    alone = tc.responders_from_error(2.0, sem=1.2, n=100, resolution=1).share.value
    row = found.table().iloc[0]
    assert row["expected_from_error"] == pytest.approx(row["measured"] * alone)
    for net, share in (("net_of_error", "proportion"), ("net_low", "low"), ("net_high", "high")):
        assert row[net] == pytest.approx(row[share] - row["measured"] * alone / row["started"])
    assert found.table().query("measure == 'timed_up_and_go'")["net_of_error"].isna().all()  # no SEM was given
    assert any("not the share whose true change matters" in text for text in found.cautions)
    assert any("measurement error alone would carry" in text for text in found.sentences())
