"""Entry rule: the cut normal curve against scipy's truncnorm, everyone's moments by drawn people, and its words."""

import numpy as np
import pytest
from scipy import optimize, stats

import truechange as tc
from truechange.foundation.entry import cut_normal, sentence_before_cut


@pytest.mark.parametrize(("cut", "seed"), [(9, 1), (7, 2), (13, 3)])
def test_the_fit_is_scipys_maximum_of_the_truncated_likelihood(cut, seed):
    scores = np.random.default_rng(seed).normal(10, 3, 900)
    scores = scores[scores <= cut]

    def minus_log(at):
        mean, sd = at[0], np.exp(at[1])
        return -stats.truncnorm.logpdf(scores, -np.inf, (cut - mean) / sd, mean, sd).sum()

    best = optimize.minimize(minus_log, [cut, 1.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-10})
    mean, variance = cut_normal(tc.Entry(cut), float(scores.mean()), float(scores.var()))
    assert mean == pytest.approx(best.x[0], abs=1e-4)
    assert variance**0.5 == pytest.approx(np.exp(best.x[1]), abs=1e-4)


@pytest.mark.parametrize(("cut", "step"), [(9, 1.0), (12, 1.0), (7, 1.0), (9, 0.1), (8, 2.0)])
def test_whole_steps_are_allowed_for(cut, step):
    # exact cell probabilities of a rounded normal curve (scipy), cut at a score that is a step
    steps = np.arange(round(-20 / step), round(cut / step) + 1)
    chance = np.diff(stats.norm.cdf((np.append(steps - 0.5, steps[-1] + 0.5) * step - 10) / 3))
    mean = float(chance @ (steps * step) / chance.sum())
    variance = float(chance @ (steps * step - mean) ** 2 / chance.sum())
    found = cut_normal(tc.Entry(cut, step=step), mean, variance)
    assert found[0] == pytest.approx(10, abs=0.02)
    assert found[1] == pytest.approx(9 + step**2 / 12, abs=0.03)


def test_a_pile_at_the_cut_is_no_cut_normal_curve():
    assert np.isnan(cut_normal(tc.Entry(9), 8.5, 0.4)).all()


def test_a_cut_nobody_is_near_changes_nothing():
    assert cut_normal(tc.Entry(40), 10.0, 9.0) == pytest.approx((10.0, 9.0), abs=1e-6)


def test_a_group_taken_in_gives_back_everyone():
    # Pearson-Lawley by brute force: everyone's moments against those rebuilt from the people below the cut
    rng = np.random.default_rng(4)
    before = rng.normal(10, 3, 400_000)
    after = 4 + 0.8 * before + rng.normal(0, 1.7, before.size)
    here = before <= 9

    def group(chosen, sign=1, **more):
        b, a = sign * before[chosen], sign * after[chosen]
        spreads = (float(scores.std(ddof=1)) for scores in (b, a))
        r = float(np.corrcoef(b, a)[0, 1])
        return tc.Programme(float(b.mean()), float(a.mean()), *spreads, r, int(chosen.sum()), **more)

    whole = group(np.ones(before.size, dtype=bool))
    names = ("mean_before", "mean_after", "sd_before", "sd_after", "correlation")
    for entry in (tc.Entry(9), tc.Entry(9, mean=10, sd=3)):
        found = group(here, entry=entry).everyone
        assert [getattr(found, name) for name in names] == pytest.approx(
            [getattr(whole, name) for name in names], abs=0.03
        )
    turned = group(here, -1, entry=tc.Entry(-9, taken="above")).everyone
    plain = group(here, entry=tc.Entry(9)).everyone
    assert (turned.mean_before, turned.mean_after) == pytest.approx((-plain.mean_before, -plain.mean_after))
    assert whole.everyone is whole


def test_its_words_name_the_source():
    assert "taken in for a first score of 9 or less" in tc.Entry(9).words
    assert "normal curve cut at 9" in tc.Entry(9).words
    assert "everyone screened, 340 people" in tc.Entry(9, mean=10, sd=3, n=340).words
    assert "second test before the programme" in tc.Entry(9, second=[8, 9, 7]).words
    assert "of 12 or more" in tc.Entry(12, taken="above").words
    assert sentence_before_cut(tc.Entry(12, taken="above"), -10.0, 9.0, "s").endswith("mean 10.0 s, SD 3.0.")


def test_its_cautions_say_what_is_not_covered():
    for entry in (tc.Entry(9), tc.Entry(9, mean=10, sd=3), tc.Entry(9, second=[8.0])):
        assert any("another test's score" in text for text in entry.cautions())
    assert any("taken on trust" in text for text in tc.Entry(9).cautions())
    assert any("known exactly" in text for text in tc.Entry(9, mean=10, sd=3).cautions())
    assert not any("known exactly" in text for text in tc.Entry(9, mean=10, sd=3, n=200).cautions())
    assert any("practice" in text for text in tc.Entry(9, second=[8.0]).cautions())
    assert any("3 people score better" in text for text in tc.Entry(9, mean=10, sd=3).cautions(3))
