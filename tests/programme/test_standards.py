"""Targets, the worklist and two sites: told from intervals, by code, and only inside the clinic."""

import pandas as pd
import pytest
from clinics import TEST, clinic, codes, scores

import truechange as tc
from truechange.programme.auditing import private_sheets, worklist
from truechange.programme.periods import standards


def states(**counts):
    return pd.DataFrame({"state": [state for state, n in counts.items() for _ in range(n)]})


PEOPLE = states(**{"compared": 80, "not comparable": 5, "unable at follow-up": 5, "due and not tested": 10})


@pytest.mark.parametrize(("target", "verdict"), [
    (0.70, "reached"), (0.99, "not reached"), (0.90, "not decided"), (None, "no target was set")])  # fmt: skip
def test_a_target_is_decided_by_the_whole_interval(target, verdict):
    part = standards(PEOPLE, 50, {} if target is None else {"tested": target})
    row = part.rows.iloc[0]
    share = tc.proportion(90, 100)
    assert (row["people"], row["of"], row["low"], row["high"]) == (90, 100, share.low, share.high)
    assert row["verdict"] == verdict


def test_every_share_says_of_whom():
    rows = standards(PEOPLE, 50, {}).rows.set_index("standard")
    assert rows.loc["tested the same way both times", ["people", "of", "whom"]].tolist() == [
        80, 85, "of those with two scores",
    ]  # fmt: skip
    assert rows.loc["changed enough", ["people", "of", "whom"]].tolist() == [50, 100, "of those due"]


def test_a_target_that_cannot_be_held_against_anything_is_told_so():
    part = standards(PEOPLE, None, {"changed_enough": 0.5})
    assert part.rows["verdict"].iloc[-1] == "cannot be told from these data"
    assert "target 50%: cannot be told" in part.sentences()[0]


def test_shares_of_few_people_are_hidden():
    rows = standards(states(compared=20, **{"not comparable": 3}), 10, {"same_way": 0.9}).public().table()
    assert rows.loc[1, ["people", "share", "low", "high", "verdict"]].tolist() == ["hidden"] * 5


@pytest.fixture
def audited():
    people = codes(40)
    before = [10] * 40
    after = [13.0] * 30 + [5.0] + [float("nan")] * 9
    facts = pd.DataFrame({"person": people, "programme": "leg power", "start_date": "2025-01-06",
                          "site": ["North"] * 20 + ["South"] * 20, "therapist": ["T1"] * 12 + ["T2"] * 28,
                          "outcome": ["completed"] * 31 + [""] * 9})  # fmt: skip
    facts.loc[36:, "start_date"] = "2025-06-01"
    records = clinic(scores(people, before, after), people=facts)
    return tc.audit(records, thresholds={TEST: {"sem": 0.9, "mcid": 2.0}}, as_of="2025-06-30", weeks=12, n_boot=50)


def test_the_worklist_names_whom_to_look_at_by_code_with_day_and_reason(audited):
    found = worklist(audited).set_index("person")
    assert found.loc["P031", "what"] == "worse by more than error allows"
    assert found.loc["P031", "detail"] == "10 to 5 stands; error allows 2.5"
    assert found.loc["P032", "what"] == "overdue"
    assert str(found.loc["P032", "since"].date()) == "2025-03-31"
    assert found.loc["P037", "what"] == "not yet due"
    assert set(found.index) == set(codes(40)[30:])
    assert found["what"].tolist() == sorted(found["what"], key=["overdue", "worse by more than error allows",
                                                                "not yet due"].index)  # fmt: skip


def test_the_public_audit_has_no_worklist(audited):
    with pytest.raises(tc.RefusedError, match="before it is made public"):
        worklist(audited.public())


def test_each_therapist_gets_a_sheet_under_the_label_of_the_report(audited):
    sheets = private_sheets(audited)
    labels = dict(sheets["labels"]["labels"].to_numpy().tolist())
    assert sorted(labels.values()) == ["T1", "T2"]
    assert list(labels) == audited.therapists.rows["unit"].tolist()
    label = next(label for label, name in labels.items() if name == "T1")
    assert sheets[label]["people"].empty
    other = next(label for label, name in labels.items() if name == "T2")
    assert len(sheets[other]["people"]) == 10
    numbers = dict(sheets[other]["numbers"].to_numpy().tolist())
    assert numbers["people due"] == 24
    assert "T1" not in str(sheets[other])


def test_two_sites_are_compared_with_an_interval(audited):
    gap = tc.compare_responders(20, 20, 10, 16).difference
    points = [round(100 * value) for value in (gap.value, gap.low, gap.high)]
    assert audited.sites.sentence() == (
        f"North less South: {points[0]} percentage points (95% CI {points[1]} to {points[2]}) in the share of those "
        "due that changed enough."
    )


def test_a_target_whose_share_is_hidden_is_not_said_to_be_none():
    part = standards(states(compared=60), 2, {"changed_enough": 0.5}).public()
    assert part.sentences() == ("Changed enough, of those due: target 50%: hidden.",)
