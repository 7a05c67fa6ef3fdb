"""MCID of people taken in for a low score: recommended method, words, cautions, and a timed test turned round."""

import numpy as np
import pandas as pd
import pytest

import truechange as tc


@pytest.fixture(scope="module")
def people():
    rng = np.random.default_rng(21)
    true = rng.normal(10, 3, 3000)
    before = np.round(true + rng.normal(0, 1, true.size))
    here = np.flatnonzero(before <= 9)[:400]
    change = 2.3 - 0.13 * (true[here] - 10) + rng.normal(0, 1.95, here.size)
    after, again = (np.round(x + rng.normal(0, 1, here.size)) for x in (true[here] + change, true[here]))
    rating = np.digitize(change - 2 + rng.normal(0, 1.6, here.size), [-4, 0, 2]) - 1
    screened = before[: here[-1] + 1]
    frame = pd.DataFrame({"before": before[here], "after": after, "again": again, "rating": rating})
    return frame, {"mean": screened.mean(), "sd": screened.std(ddof=1), "n": screened.size}


def study(frame, entry, **changed):
    about = {"sem": 1.04, "sem_df": 49, "before": frame["before"], "after": frame["after"], "n_boot": 200,
             "unit": "stands", "resolution": 1.0}  # fmt: skip
    return tc.mcid(frame["after"] - frame["before"], frame["rating"], entry=entry, **about | changed)


@pytest.mark.parametrize("source", ["screened", "second", "truncated"])
def test_two_states_with_everyones_moments_are_recommended_and_near_the_truth(people, source):
    frame, screened = people
    known = {"screened": screened, "second": {"second": frame["again"]}, "truncated": {}}[source]
    found, blind = study(frame, tc.Entry(9, **known)), study(frame, None)
    assert blind.recommended.value > 2.25  # as on paper: too high by a sixth of an SD of change
    assert found.recommended_method == "latent_threshold_two_state"
    assert found.recommended.value == pytest.approx(2, abs=0.15)
    assert abs(found.present_state_bias.value) < 0.15 < abs(blind.present_state_bias.value)
    assert found.recommended.low < 2 < found.recommended.high
    words = {"screened": f"everyone screened, {screened['n']} people", "second": "a second test",
             "truncated": "cut at 9"}  # fmt: skip
    assert any(words[source] in text and "before the cut" in text for text in found.sentences())
    assert any("another test's score" in text for text in found.cautions)
    assert not any("end sharply" in text for text in found.cautions)


def test_what_cannot_be_mended_is_not_to_be_used(people):
    found = study(people[0], tc.Entry(9))
    for method in ("latent_threshold", "latent_threshold_ordinal", "predictive_adjusted_2022"):
        assert found.estimates.loc[method, "use"].startswith("do not use: people were taken in")
        with pytest.raises(tc.RefusedError, match="taken in"):
            found.threshold(method)
    assert set(found.bias_map["direction"]) == {"not known"}
    assert found.deterioration is None


def test_without_the_rule_a_sharp_edge_is_said_with_its_direction(people):
    blind = study(people[0], None)
    (said,) = [text for text in blind.cautions if "end sharply at 9" in text]
    assert "MCID" in said
    assert "too high" in said


def test_a_timed_test_turned_round_gives_the_same(people):
    frame, _ = people
    turned = frame.assign(before=-frame["before"], after=-frame["after"])
    found = tc.mcid(
        turned["before"] - turned["after"], turned["rating"], sem=1.04, sem_df=49, before=turned["before"],
        after=turned["after"], n_boot=200, resolution=1.0, entry=tc.Entry(-9, taken="above"),
    )  # fmt: skip
    plain = study(frame, tc.Entry(9))
    assert found.recommended.value == pytest.approx(plain.recommended.value, rel=1e-9)
    assert "-9 or more" in found.taken_in
    with pytest.raises(tc.ChoiceError, match="taken='above'"):
        study(frame, tc.Entry(9, taken="above"))


def test_people_without_a_rating_keep_the_second_test_in_line(people):
    frame, _ = people
    gaps = frame.assign(rating=frame["rating"].where(frame.index % 9 > 0))
    kept = gaps[gaps["rating"].notna()]
    found = study(gaps, tc.Entry(9, second=gaps["again"]))
    assert found.recommended.value == pytest.approx(study(kept, tc.Entry(9, second=kept["again"])).recommended.value)


def test_it_is_refused_where_it_cannot_be_done(people):
    frame, _ = people
    assert "SEM" in study(frame, tc.Entry(9), sem=None, sem_df=None).refused
    assert "needs 80 people" in study(frame[:79], tc.Entry(9)).refused
    with pytest.raises(tc.DataError, match="better than the cut of 8"):
        study(frame, tc.Entry(8))
    kept = study(frame, tc.Entry(8, mean=10, sd=3.2, n=500))
    assert any("was not always kept" in text for text in kept.cautions)
    with pytest.raises(tc.DataError, match="first score"):
        study(frame, tc.Entry(9), after=None)
    with pytest.raises(tc.ChoiceError, match="entry="):
        study(frame, {"cut": 9})
    with pytest.raises(tc.DataError, match="second"):
        study(frame, tc.Entry(9, second=frame["again"].where(frame.index > 0)))
