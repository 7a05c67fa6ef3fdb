"""The share of people whose true change is large enough."""

import os

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

import truechange as tc
from truechange.numerics.true_change import share_beyond, true_spread
from truechange.validation import simulated

FULL = os.environ.get("TRUECHANGE_FULL") == "1"


def clinic(n, mean=1.0, sd=2.0, sem=2**0.5, seed=1):
    rng = np.random.default_rng(seed)
    true = rng.normal(mean, sd, n)
    return true, true + rng.normal(0, np.sqrt(2) * sem, n)


def test_large_sample_is_the_normal_tail():
    _, observed = clinic(200_000)
    found = tc.true_responder_share(observed, sem=np.sqrt(2), mcid=2)
    formula = norm.sf((2 - observed.mean()) / np.sqrt(observed.var(ddof=1) - 4))
    assert found.value == pytest.approx(formula, abs=0.004)  # a shape of its own costs a little
    assert found.plug_in == pytest.approx(formula, abs=1e-12)
    assert found.value == pytest.approx(norm.sf(0.5), abs=0.006)
    assert found.observed.value > found.value  # error carries unchanged people over the line


def test_interval_is_the_posterior_one_by_brute_force():
    """Draw from the same posterior by rejection and compare the quantiles: no grid shared with the library."""
    _, observed = clinic(40, seed=3)
    n, mean, s2, sem, df = 40, observed.mean(), observed.var(ddof=1), 1.3, 29
    rng = np.random.default_rng(4)
    tau2 = rng.exponential(2 * s2, 2_000_000)
    error = sem**2 * df / rng.chisquare(df, tau2.size)
    v = tau2 + 2 * error
    log_weight = -(n - 1) / 2 * (np.log(v) + s2 / v)
    kept = rng.random(tau2.size) < np.exp(log_weight - log_weight.max())
    m = rng.normal(mean, np.sqrt(v[kept] / n))
    shares = norm.sf((2 - m) / np.sqrt(tau2[kept]))
    found = tc.true_responder_share(observed, sem=sem, mcid=2, sem_df=df)
    assert (found.low, found.value, found.high) == pytest.approx(
        tuple(np.quantile(shares, [0.025, 0.5, 0.975])), abs=0.012
    )


def test_mean_of_the_chances_is_the_share():
    _, observed = clinic(400, seed=5)
    spread = true_spread(observed, 1.414, 60)
    middle, low, high = share_beyond(spread, 2, 0.0, 0.95)
    assert low < spread.chances(observed, 2).mean() < high
    assert spread.chances(observed, 2).mean() == pytest.approx(middle, abs=0.02)


def test_chance_of_one_person_is_the_normal_posterior():
    _, observed = clinic(100_000, seed=6)
    spread = true_spread(observed, np.sqrt(2), None)
    tau2 = observed.var(ddof=1) - 4
    rel = tau2 / (tau2 + 4)
    centre = observed.mean() + rel * (3 - observed.mean())
    expected = norm.sf((2 - centre) / np.sqrt(rel * 4))
    assert spread.chances(np.array([3.0]), 2)[0] == pytest.approx(expected, abs=1e-3)
    assert quad(lambda t: norm.pdf(t, centre, np.sqrt(rel * 4)), 2, 30)[0] == pytest.approx(expected, abs=1e-8)


def test_more_doubt_widens_and_a_higher_mcid_lowers():
    _, observed = clinic(80, seed=7)
    known = tc.true_responder_share(observed, sem=1.4, mcid=2)
    doubt = tc.true_responder_share(observed, sem=1.4, mcid=2, sem_df=15)
    mcid = tc.Threshold(value=2, low=1, high=3, kind="mcid")
    both = tc.true_responder_share(observed, sem=1.4, mcid=mcid, sem_df=15)
    assert known.high - known.low < doubt.high - doubt.low < both.high - both.low
    assert tc.true_responder_share(observed, sem=1.4, mcid=3).value < known.value
    assert tc.true_responder_share(observed, sem=1.4, mcid=2, confidence=0.8).low > known.low


@pytest.mark.parametrize(("n", "shift"), [(40, 3), (60, 0)])
def test_shift_and_scale_change_nothing(n, shift):
    """From 50 people on only the unit is free: 0 is where the unchanged may stand."""
    _, observed = clinic(n, seed=8)
    one = tc.true_responder_share(observed, sem=1.2, mcid=2, sem_df=20)
    other = tc.true_responder_share(8 * (observed + shift), sem=9.6, mcid=8 * (2 + shift), sem_df=20)
    assert (one.value, one.low, one.high) == pytest.approx((other.value, other.low, other.high), abs=1e-9)


def test_without_error_it_is_the_normal_share_of_the_observed():
    _, observed = clinic(500, seed=10)
    found = tc.true_responder_share(observed, sem=0, mcid=2)
    assert found.value == pytest.approx(norm.sf((2 - observed.mean()) / observed.std(ddof=1)), abs=0.003)


def test_missing_people_skew_and_words():
    rng = np.random.default_rng(11)
    values = np.append(rng.gamma(1, 3, 60), [np.nan] * 5)
    found = tc.true_responder_share(values, sem=0.5, mcid=2)
    assert found.n == 60
    assert any(f"True change looks skewed ({found.skew:.1f})" in text for text in found.cautions)
    assert "any shape" in found.method
    assert "efron2016" in found.sources
    few = tc.true_responder_share(values[:40], sem=0.5, mcid=2)
    assert "normal true change" in few.method
    assert "efron2016" not in few.sources
    assert any("With 40 people (fewer than 50) the shape of true change cannot be learned" in t for t in few.cautions)
    assert list(found.table()["share_of"]) == ["true change", "observed change"]
    assert "Caution" in str(found)
    assert found.plot().get_xlabel()


def test_the_skew_shown_is_that_of_true_change():
    """An exponential has skew 2; measurement error halves what is seen of it."""
    rng = np.random.default_rng(12)
    observed = 2 * rng.exponential(1, 50_000) + rng.normal(0, 2, 50_000)
    found = tc.true_responder_share(observed, sem=np.sqrt(2), mcid=2)
    assert found.skew == pytest.approx(2, abs=0.2)
    assert np.mean((observed - observed.mean()) ** 3) / observed.std() ** 3 < 1
    _, even = clinic(300, seed=13)
    assert not any("skewed (" in text for text in tc.true_responder_share(even, sem=1.4, mcid=2).cautions)


def test_little_true_change_hides_its_shape_and_says_so():
    _, observed = clinic(200, sd=1.0, seed=14)
    found = tc.true_responder_share(observed, sem=np.sqrt(2), mcid=2)
    assert found.reliability < 0.4
    assert any("its shape is not" in text for text in found.cautions)


# Simulation with known truth: the stored table responder_coverage, 2,000 clinics a cell,
# 150 where any shape is fitted;
# made by simulation/responder_coverage.py.
def test_the_written_table_shows_what_is_claimed():
    table = simulated("responder_coverage")
    of_size = table[table["people"].isin([40, 150])]
    assert len(of_size) == 10
    assert (of_size["repeats"] == of_size["people"].map({40: 2000, 150: 150})).all()
    assert of_size["coverage"].min() >= 0.92
    # the interval around the observed share misses the true one where error is large, worse with more people
    noisy = table[(table["reliability_of_change"] == 0.5) & (table["people"] == 150)]
    assert noisy["observed_share_coverage"].min() < 0.6
    assert (table["coverage"] > 0.92).all()


def test_people_taken_in_for_a_low_score_lose_the_regression_to_the_mean():
    rng = np.random.default_rng(31)
    true = rng.normal(10, 3, 40_000)
    before = true + rng.normal(0, 1, true.size)
    change = 1.6 + rng.normal(0, 2, true.size)
    here = before <= 9
    first, gained, real = before[here], (true + change + rng.normal(0, 1, true.size) - before)[here], change[here] > 2
    blind = tc.true_responder_share(gained, sem=1.0, mcid=2)
    assert blind.value > real.mean() + 0.04
    for entry in (tc.Entry(9), tc.Entry(9, mean=10, sd=10**0.5)):
        found = tc.true_responder_share(gained[:3000], sem=1.0, mcid=2, before=first[:3000], entry=entry)
        assert found.value == pytest.approx(real.mean(), abs=0.02)
        assert found.low < real.mean() < found.high
        assert entry.words in found.sentences()[2]
        assert set(entry.cautions()) <= set(found.cautions)
    gaps = np.where(np.arange(3000) % 7, gained[:3000], np.nan)
    some = tc.true_responder_share(gaps, sem=1.0, mcid=2, before=first[:3000], entry=tc.Entry(9))
    kept = np.isfinite(gaps)
    alone = tc.true_responder_share(gaps[kept], sem=1.0, mcid=2, before=first[:3000][kept], entry=tc.Entry(9))
    assert (some.value, some.low) == (alone.value, alone.low)
    turned = tc.true_responder_share(gaps, sem=1.0, mcid=2, before=-first[:3000], entry=tc.Entry(-9, taken="above"))
    assert turned.value == pytest.approx(some.value)


def test_the_share_holds_whatever_the_shape():
    """The stored table true_share_shapes (made by simulation/true_share_shapes.py): the bars of the estimator."""
    table = simulated("true_share_shapes")
    clear = table[table["reliability_of_change"] > 0.6]
    assert set(clear["people"]) == {100, 300}
    assert len(clear) == 12
    assert clear["coverage"].min() >= 0.90
    assert (clear["bias"].abs() <= 0.03 + 2 * clear["rmse"] / clear["repeats"] ** 0.5).all()  # 0.03, twice its MC error
    skewed = clear[clear["shape"] == "skew 2"]
    assert skewed["normal_coverage"].max() < 0.6  # what the normal model did there
    assert skewed["normal_bias"].min() > 0.1


@pytest.mark.simulation
def test_the_share_holds_again():
    from simulation.true_share_shapes import shapes_table

    cells = [(100, "skew 2", 1.0), (100, "40% unchanged", 1.0), (100, "normal", 1.0)]
    found = shapes_table(300 if FULL else 40, cells, seed=5)
    assert found["coverage"].min() >= (0.9 if FULL else 0.85)
    assert found["bias"].abs().max() <= (0.035 if FULL else 0.05)
    assert found["normal_bias"].iloc[0] > 0.08
