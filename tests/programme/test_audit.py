"""The audit: everyone who started, nothing invented, every refusal named."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from clinics import clinic, codes, few_people, scores

import truechange as tc
from truechange.foundation.result import ByMeasure, Refused
from truechange.programme.known import known_of
from truechange.programme.missing import predictors_of

DATA = Path(__file__).parents[2] / "data_synthetic"
TEST = "chair_stand_30s"
PARTS = ("flow", "baseline", "known", "change", "responders", "missing", "comparison", "regression", "dose", "sites")


@pytest.fixture(scope="module")
def records():
    return tc.read(DATA)


@pytest.fixture(scope="module")
def retest():
    return pd.read_csv(DATA / "retest.csv")


@pytest.fixture(scope="module")
def audit(records, retest):
    return tc.audit(
        records,
        measures=[TEST, "pain_0_10"],
        primary=TEST,
        programme="leg power",
        thresholds={TEST: {"mcid": 2.0}},
        retest=retest,
        subgroups=["sex"],
        n_boot=100,
        seed=3,
    )


def test_denominators_are_people_who_started(audit, records):
    started = int((records.people["programme"] == "leg power").sum())
    flow = audit.flow[TEST]
    assert flow.started == flow.due == audit.change[TEST].due == audit.missing[TEST].due == started
    assert audit.responders[TEST].counted.table()["started"].iloc[0] == started
    assert audit.comparison[TEST].responders.counts[1] == started
    assert audit.responders[TEST].from_error.n == audit.flow[TEST].compared  # error moves nobody unmeasured
    assert audit.sites.table()["due"].sum() == started
    assert len(audit.dose.people) == started
    assert flow.compared + sum(flow.reasons.values()) == started


def test_every_part_speaks_and_carries_its_cautions(audit):
    for name in PARTS:
        part = getattr(audit, name)
        assert part.sentences(), name
        assert len(part.table()), name
    assert len(audit.sentences()) == 5
    assert any("2 tests were looked at" in text for text in audit.cautions)
    assert {"newcombe1998b", "rubin1987", "vickers2001"} <= set(audit.sources)
    assert audit.table()["measure"].tolist() == [TEST, "pain_0_10"]
    assert audit.table()["p_holm"].notna().all()


def test_what_has_no_error_is_refused_by_name_not_invented(audit):
    pain = audit.responders["pain_0_10"]
    assert isinstance(pain.true_share, Refused)
    assert isinstance(pain.from_error, Refused)
    assert "retest study does not contain" in pain.from_error.reason
    assert any("SEM" in part.reason or "sem" in part.reason for part in audit.refused)
    assert "not known" in str(audit.known.table()["origin"].tolist())


# Truth of the invented clinic (data_synthetic/truth.json): mean true gain 2.53, practice .19, SEM 1.00, 60 % gained 2.
def test_the_invented_clinic_s_truth_is_found(audit):
    truth = pd.read_json(DATA / "truth.json", typ="series")
    people = pd.DataFrame(truth["people"]).set_index("person").reindex(audit.people["person"])
    gain = people["true_after"] - people["true_before"]
    practice = truth["first_test"]["practice_gain_baseline_to_discharge"]
    change, enough = audit.change[TEST], audit.responders[TEST]
    measured = audit.pairs[TEST].set_index("person")["improvement"].notna()
    assert change.mean.low - practice <= gain[measured].mean() <= change.mean.high - practice
    assert enough.true_share.low <= (gain[measured] + practice >= 2).mean() <= enough.true_share.high
    assert audit.known[TEST].sem.low <= 1.0 <= audit.known[TEST].sem.high
    assert audit.missing[TEST].mean.value < change.mean.value  # those who stopped gained less
    assert audit.comparison[TEST].adjusted.low > 0
    assert audit.dose.response.slope.value > 0


def test_same_seed_same_audit(audit, records, retest):
    again = tc.audit(
        records, measures=[TEST], programme="leg power", thresholds={TEST: {"mcid": 2.0}}, retest=retest, n_boot=100,
        subgroups=["sex"], seed=3,
    )  # fmt: skip
    pd.testing.assert_frame_equal(again.missing[TEST].tipping, audit.missing[TEST].tipping)
    assert again.comparison[TEST].adjusted_shares == audit.comparison[TEST].adjusted_shares


def test_several_programmes_need_a_choice_and_a_waiting_list_is_recognised():
    found = tc.audit(few_people(("strength", "Waiting list"), people=40), n_boot=50)
    assert found.compare == "Waiting list"
    assert any("by its name" in text for text in found.cautions)
    alone = tc.audit(few_people(), n_boot=50)
    assert alone.compare == ""
    assert isinstance(alone.comparison[TEST], Refused)
    assert any("no comparison group" in text for text in alone.cautions)
    assert isinstance(alone.dose, Refused)
    assert isinstance(alone.sites, Refused)
    assert "no mcid" in alone.responders[TEST].counted.reason.lower()


def test_a_lone_test_is_one_test():
    assert tc.audit(few_people(), measures=TEST, n_boot=50).measures == (TEST,)


def test_the_test_done_most_at_follow_up_comes_first_and_one_done_only_before_it_is_none():
    people, scored = codes(15), np.arange(15) % 5 + 9
    stands = scores(people, scored, np.where(np.arange(15) < 13, scored + 1, None))
    timed = scores(people, scored, scored - 1).assign(measure="timed_up_and_go")
    climbed = scores(people, scored, scored - 1).assign(measure="stair_climb").replace({"discharge": "midway"})
    found = tc.audit(clinic(pd.concat([climbed, stands, timed])), n_boot=20)
    assert (found.primary, found.measures) == ("timed_up_and_go", ("timed_up_and_go", TEST))
    fewer = tc.audit(clinic(pd.concat([stands, timed[:28]])), n_boot=20)  # 13 each: the first by its key
    assert fewer.primary == TEST


def test_one_test_states_no_looks_and_steps_are_told():
    told = []
    known = {TEST: {"sem": 1.0, "sem_df": 29, "mcid": 2.0}}
    found = tc.audit(few_people(), thresholds=known, n_boot=50, on_step=told.append)
    assert not any("looked at" in text for text in found.cautions)
    assert {"flow", "responders", "missing follow-up"} <= set(told)
    assert found.known[TEST].mdc.value == pytest.approx(2.772, abs=1e-3)
    assert found.known[TEST].sem.origin.kind == "stated"


def test_without_a_people_table_whoever_was_tested_started():
    records = few_people()
    records = replace(records, people=records.people.iloc[:0])
    assert tc.audit(records, n_boot=50).flow[TEST].started == 14


def test_retests_are_put_in_order_of_time_not_of_their_names(retest):
    renamed = retest.assign(occasion=retest["occasion"].map({"retest1": "week 9", "retest2": "week 10"}))
    arguments = {"thresholds": {}, "anchor": None, "n_boot": 10, "seed": 0, "confidence": 0.95, "trials": "last"}
    one, other = (
        known_of(TEST, pd.DataFrame({"improvement": []}), retest=rows, **arguments) for rows in (retest, renamed)
    )
    assert other.practice.value == one.practice.value


def test_the_error_of_a_mean_is_not_used_for_one_trial(records):
    mean_of_two = tc.Estimate(value=0.8, df=30, origin=replace(tc.Origin.own(), trials=2))
    found = {}
    for trials in ("last", "mean"):
        stated = {"sem": mean_of_two, "mcid": 2.0}
        found[trials] = tc.audit(
            records, measures=[TEST], programme="leg power", thresholds={TEST: stated}, n_boot=100, trials=trials
        )
    refused = found["last"].known[TEST].sem
    assert "mean of 2 trials a visit, but here the last one counts" in refused.reason
    assert isinstance(found["mean"].known[TEST].sem, tc.Estimate)
    assert any("SEM is that of the mean of 2 trials" in text for text in found["mean"].cautions)


def test_retest_rules_for_several_trials(retest):
    pairs = pd.DataFrame({"before": [], "after": [], "improvement": []})
    arguments = {"thresholds": {}, "retest": retest, "anchor": None, "n_boot": 10, "seed": 0, "confidence": 0.95}
    found = {rule: known_of(TEST, pairs, trials=rule, **arguments) for rule in ("refuse", "mean", "last")}
    assert found["mean"].sem.value < found["last"].sem.value  # the mean of two trials has less error
    assert found["refuse"].sem.value == found["last"].sem.value
    assert "last trial of each retest visit" in " ".join(found["refuse"].cautions)
    assert "last trial of each retest visit" not in " ".join(found["last"].cautions)
    assert found["mean"].sem.origin.score == "mean of 2 trials a visit"
    none = known_of("stair_climb", pairs, trials="last", **arguments)
    assert isinstance(none.sem, Refused)
    assert len(none.table()) == 2
    assert "not known" in none.sentences()[0]


def test_predictors_leave_out_what_nobody_knows():
    people = pd.DataFrame(
        {"person": ["a", "b", "c"], "before": [1.0, 2, None], "age": [None] * 3, "sex": ["f", "m", None]}
    )
    visits = pd.DataFrame({"person": ["a"], "occasion": ["midway"], "value": [3.0]})
    table = predictors_of(people, visits, pd.DataFrame(columns=["person", "date"]))
    assert table.shape == (3, 3)
    assert np.isnan(table[2]).all()


def test_pieces_of_the_audit_can_be_asked_for():
    part = ByMeasure({TEST: Refused("X", "because")}, {TEST: "30-second chair stand"})
    assert part[TEST].reason == "because"
    assert part.sentences() == ("30-second chair stand: X: not computed. because",)
    with pytest.raises(tc.DataError, match="was not audited"):
        part["pain_0_10"]
    assert ByMeasure({}, {}).table().empty


def test_the_audit_writes_itself_by_the_reports_room(tmp_path):
    audit = tc.audit(few_people(), n_boot=50)
    for kind, start in (("html", b"<!DOCTYPE html>"), ("pdf", b"%PDF"), ("excel", b"PK")):
        path = getattr(audit, f"to_{kind}")(tmp_path / f"audit.{kind}")
        assert path.read_bytes().startswith(start)


def test_pictures_of_every_part(audit):
    import matplotlib.pyplot as plt

    drawn = [audit.flow, audit.change, audit.responders, audit.missing, audit.comparison]
    for part in [*(whole[TEST] for whole in drawn), audit.dose, audit.sites, audit.therapists, audit.dose.tolerance]:
        assert part.plot() is not None
        assert part.alt
    plt.close("all")
