"""One person of a group taken in for a low score: the posterior worked by hand, and its words."""

import numpy as np
import pytest

import truechange as tc


def test_a_group_taken_in_for_a_low_score_speaks_for_everyone_before_the_cut():
    group = {"mean_before": 7.3, "mean_after": 9.9, "sd_before": 1.65, "sd_after": 2.4, "correlation": 0.5, "n": 160}
    plain = tc.person_change(6, 9, sem=1.0, mcid=2.0, programme=tc.Programme(**group))
    entry = tc.Entry(9, mean=10.0, sd=3.16, n=300)
    found = tc.person_change(6, 9, sem=1.0, mcid=2.0, programme=tc.Programme(**group, entry=entry))
    assert abs(found.true_change.value - plain.true_change.value) > 0.05
    # bivariate normal worked by hand with numpy: Pearson-Lawley moments, then the usual posterior
    slope, var = 0.5 * 2.4 / 1.65, 3.16**2
    left = 2.4**2 * 0.75 * 159 / 158
    seen = np.array([[var, slope * var], [slope * var, slope**2 * var + left]])
    pull = (seen - np.eye(2)) @ np.linalg.inv(seen)
    centre = np.array([10.0, 9.9 + slope * 2.7])
    true = centre + pull @ (np.array([6.0, 9.0]) - centre)
    assert found.true_change.value == pytest.approx(true[1] - true[0], abs=1e-6)
    assert [belief.prior for belief in found.beliefs] == ["programme", "flat", "sceptical"]
    assert entry.words in found.beliefs[0].assumes
    assert any(entry.words in text and "scores alone do not" in text for text in found.cautions)
    assert set(entry.cautions()) <= set(found.cautions)
    table = tc.reliable_change(6, 9, sem=1.0, programme=tc.Programme(**group, entry=entry))
    assert "taken in" in str(table.loc["hageman_arrindell"].to_dict())


def test_a_typed_threshold_is_said_to_be_typed():
    result = tc.person_change(9, 13, sem=1, mcid=tc.Threshold(kind="mcid", value=2), measure="chair_stand_30s")
    notes = tc.ready_table(result, "Numbers").notes
    assert "(c) typed by the user, source not stated." in notes
