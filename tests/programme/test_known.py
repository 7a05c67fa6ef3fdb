"""A threshold that is not the clinic's own is held against its people, and refused where it does not fit."""

import numpy as np
import pandas as pd
import pytest
from clinics import clinic, codes, scores

import truechange as tc
from truechange.foundation.result import Refused
from truechange.programme.known import held_against_own_people

DATES = {"before_date": pd.Timestamp("2025-01-06"), "after_date": pd.Timestamp("2025-03-31")}
PAIRS = pd.DataFrame({"before": [9.0, 11, 12, 8, 10, 13], **DATES})


def test_an_own_number_passes_without_a_word():
    own = tc.Estimate(value=1.0, unit="stands", origin=tc.Origin.own())
    notes: list[str] = []
    assert held_against_own_people("SEM", own, PAIRS, "stands", notes) is own
    assert notes == []


PUBLISHED = tc.published_threshold("chair_stand_30s", "mdc95", citation="Gill & McBurney")


def test_a_published_number_brings_its_source_and_a_verdict():
    notes: list[str] = []
    assert held_against_own_people("MDC", PUBLISHED, PAIRS, "stands", notes) is PUBLISHED
    assert "Gill & McBurney" in notes[0]
    assert "doubtful" in notes[0]


def test_a_number_in_another_unit_is_refused_with_the_reason():
    notes: list[str] = []
    refused = held_against_own_people("MDC", PUBLISHED, PAIRS, "s", notes)
    assert notes == []
    assert isinstance(refused, Refused)
    assert "do not use" in refused.reason


@pytest.mark.parametrize("name", ["sem", "mcid"])
def test_the_audit_prints_where_a_threshold_comes_from(name):
    rng = np.random.default_rng(3)
    before = rng.integers(7, 14, 30)
    same = {"seat_height_cm": 43, "arms_used": "no", "walking_aid": "none"}
    records = clinic(scores(codes(30), before, before + rng.integers(-1, 6, 30), **same))
    origin = tc.Origin("published", citation="Author 2020", population="hip OA", n=40, interval="1 h", status="checked")
    kinds = {
        "sem": tc.Estimate(value=1.0, unit="stands", df=39, origin=origin),
        "mcid": tc.Threshold(value=2.0, kind="mcid", unit="stands", origin=origin),
    }
    held = {"sem": 1.0, "mcid": 2.0} | {name: kinds[name]}
    found = tc.audit(records, thresholds={"chair_stand_30s": held}, n_boot=200)
    assert any("Author 2020" in caution for caution in found.known["chair_stand_30s"].cautions)


@pytest.mark.parametrize(("fell", "many", "shown"), [(6, True, "6"), (3, False, "fewer than 5"), (0, False, "0")])
def test_people_who_got_worse_beyond_error_are_counted_beside_what_error_alone_gives(fell, many, shown):
    # By hand: MDC95 = 1.959964 × √2 × 1 = 2.77, on whole numbers 3. Two errors of SD 1 differ by 3 or more downwards
    # in Φ(−2.5/√2) = 3.9% once rounded to steps: 1.5 of 40; 5 or more of them is a chance of 1 in 50, 3 of 1 in 5.
    rng = np.random.default_rng(3)
    before = rng.integers(9, 14, 40)
    change = np.append(np.full(fell, -4), rng.integers(-2, 4, 40 - fell))
    same = {"seat_height_cm": 43, "arms_used": "no", "walking_aid": "none"}
    records = clinic(scores(codes(40), before, before + change, **same))
    found = tc.audit(records, thresholds={"chair_stand_30s": {"sem": 1.0, "mcid": 2.0}}, n_boot=200)
    enough = found.responders["chair_stand_30s"]
    assert enough.worse.expected == pytest.approx(40 * 0.0385, rel=0.15)
    told = f"Of the 40 people measured twice {shown} got worse by at least 3 stands, beyond measurement error (MDC95)"
    assert told in " ".join(enough.sentences())
    assert many == any("look at them first" in caution for caution in enough.cautions)
    assert many == (told in " ".join(found.sentences()))


# By hand: 30 of 40 lose 4 stands, 5 gain 4; two people the other way are too few to speak of.
@pytest.mark.parametrize(("fell", "many"), [(30, True), (6, False)])
def test_people_who_got_worse_are_counted_where_no_error_is_known(fell, many):
    before = np.full(40, 12)
    change = np.append(np.full(fell, -4), np.append(np.full(5, 4), np.zeros(35 - fell)))
    found = tc.audit(
        clinic(scores(codes(40), before, before + change)), thresholds={"chair_stand_30s": {"mcid": 2.0}}, n_boot=50
    )
    told = f"Of the 40 people measured twice {fell} got worse by at least 2 stands, the MCID"
    assert told in " ".join(found.responders["chair_stand_30s"].sentences())
    assert many == (told in " ".join(found.sentences()))
    assert many == any("than improved by it: look at them first" in text for text in found.cautions)
