"""Four meanings of responder, misclassification, and true change of any shape."""

import numpy as np
import pytest
from scipy.stats import norm

import truechange as tc
from truechange.responders.deconvolution import true_density, true_share_any_shape
from truechange.responders.definitions import misclassified, responder_definitions


def clinic(n, seed=1, mean=1.0):
    rng = np.random.default_rng(seed)
    true = rng.normal(mean, 2, n)
    return true, true + rng.normal(0, 2, n)


def test_shares_in_a_large_clinic_are_the_known_ones():
    """Mean 1, SD of true change 2, half of the variance error: true .309, A .362, B .151 (recomputed by simulation)."""
    true, observed = clinic(60_000)
    table = responder_definitions(observed, mcid=2, sem=np.sqrt(2), primary="A").table().set_index("definition")
    assert table.loc["A", "share"] == pytest.approx(norm.sf(1 / np.sqrt(8)), abs=0.006)
    assert table.loc["B", "share"] == pytest.approx(0.151, abs=0.006)
    assert table.loc["D", "share"] == pytest.approx((true >= 2).mean(), abs=0.01)
    sure = responder_definitions(observed, mcid=2, sem=np.sqrt(2), primary="A").chances > 0.8
    assert (true[sure] >= 2).mean() > 0.85


def test_one_rule_is_primary_and_everyone_who_started_counts():
    found = responder_definitions([4, 1, 3, 0, np.nan, 2], mcid=2, sem=1.0, primary="B")
    table = found.table()
    assert table["primary"].tolist() == [False, True, False, False]
    assert (table["started"] == 6).all()
    assert found.sentences()[0].startswith("B (primary)")
    assert any("1 people without" in text for text in found.cautions)


def test_the_primary_rule_has_no_default():
    with pytest.raises(TypeError):
        responder_definitions([1, 2, 3], mcid=2, sem=1.0)
    with pytest.raises(tc.ChoiceError):
        responder_definitions([1, 2, 3], mcid=2, sem=1.0, primary="E")


def test_misclassification_against_simulated_truth():
    true, observed = clinic(80_000, seed=2)
    found = misclassified(observed, threshold=2, sem=np.sqrt(2), mcid=2)
    counted = observed >= 2
    assert found.sensitivity == pytest.approx(counted[true >= 2].mean(), abs=0.01)
    assert found.specificity == pytest.approx(1 - counted[true < 2].mean(), abs=0.01)
    assert found.corrected == pytest.approx((true >= 2).mean(), abs=0.02)
    assert found.sentences()


def test_a_corrected_share_outside_the_possible_is_cut_and_said():
    rng = np.random.default_rng(3)
    low = rng.normal(-1, 1.6, 40)
    found = misclassified(low, threshold=3, sem=1.1, mcid=3)
    assert 0 <= found.corrected <= 1
    if found.corrected == 0:
        assert any("was cut" in text for text in found.cautions)
    assert misclassified([0, 1, 2, 3, 4], threshold=2, sem=0, mcid=2).sensitivity == 1


@pytest.mark.simulation
def test_any_shape_is_nearer_the_truth_than_the_normal_model_when_changes_are_skewed():
    rng = np.random.default_rng(4)
    truth = 0.3994  # gamma(2, 1.2) - 0.5 above 2, by its distribution function
    free, normal = [], []
    for _ in range(25):
        observed = rng.gamma(2, 1.2, 400) - 0.5 + rng.normal(0, np.sqrt(2), 400)
        free.append(true_density(observed, 1.0).share_above(2) - truth)
        normal.append(tc.true_responder_share(observed, sem=1.0, mcid=2).value - truth)
    assert abs(np.mean(free)) < 0.035
    assert abs(np.mean(free)) < 0.5 * abs(np.mean(normal))


def test_two_humps_are_seen():
    rng = np.random.default_rng(5)
    true = np.where(rng.random(4000) < 0.4, rng.normal(4, 0.7, 4000), rng.normal(0, 0.7, 4000))
    density = true_density(true + rng.normal(0, np.sqrt(2), 4000), 1.0)
    assert density.probability.sum() == pytest.approx(1)
    assert density.share_above(2) == pytest.approx((true >= 2).mean(), abs=0.02)


def test_the_free_shape_is_repeatable_does_not_depend_on_workers_and_asks_for_people():
    _, observed = clinic(120, seed=6)
    one = true_share_any_shape(observed, sem=np.sqrt(2), mcid=2, n_boot=40, seed=3)
    assert one == true_share_any_shape(observed, sem=np.sqrt(2), mcid=2, n_boot=40, seed=3, jobs=2)
    assert one.low < one.value < one.high
    with pytest.raises(tc.RefusedError, match="at least 100"):
        true_share_any_shape(observed[:99], sem=1.0, mcid=2)
    with pytest.raises(tc.RefusedError):
        true_share_any_shape(observed, sem=0, mcid=2)
