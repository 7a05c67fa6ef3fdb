"""Selection on the first score: everyone before the cut by three sources, and the edge that a cut leaves."""

import numpy as np
import pytest

import truechange as tc
from truechange.numerics.true_change import before_cut, screened_draws, sharp_edge, taken_in


def people(seed, n=200_000):
    rng = np.random.default_rng(seed)
    true = rng.normal(10, 3, n)
    first, again = (true + rng.normal(0, 1, n) for _ in range(2))
    change = 1.5 - 0.13 * (true - 10) + rng.normal(0, 2, n)
    here = first <= 9
    return first[here], again[here], (true + change + rng.normal(0, 1, n))[here], change[here]


@pytest.mark.parametrize("source", ["screened", "second", "truncated"])
def test_every_source_gives_back_everyone_and_the_true_change(source):
    first, again, after, change = people(1)
    entry = {
        "screened": tc.Entry(9, mean=10, sd=10**0.5),
        "second": tc.Entry(9, second=again),
        "truncated": tc.Entry(9),
    }[source]
    repeat = again[None] if source == "second" else None
    found = taken_in(entry, first[None], after[None], np.ones(1), again=repeat)
    assert found.mean[0] == pytest.approx(10, abs=0.3)
    assert found.variance[0] ** 0.5 == pytest.approx(10**0.5, abs=0.15)
    assert found.expected[0].mean() == pytest.approx(change.mean(), abs=0.02)
    assert found.left[0] + found.expected[0].var() == pytest.approx(change.var(), abs=0.1)
    assert found.slope[0] == pytest.approx(-0.13, abs=0.02)
    settled = tc.settle_entry(entry, first, 1.0)
    assert (settled.source, settled.second) == (source, None)
    assert (settled.mean, settled.sd) == pytest.approx((found.mean[0], found.variance[0] ** 0.5))


def test_a_slope_beyond_its_bounds_keeps_the_way_from_first_to_second():
    # few people: the second test rises faster than the first, which no error can do
    entry = tc.Entry(9, second=[1.0])
    mean, variance = before_cut(
        entry, np.array([7.0]), np.array([2.0]), np.ones(1), second=(np.array([7.4]), np.array([2.2]))
    )
    assert 1 / variance[0] * (mean[0] - 7) == pytest.approx(0.4)


def test_everyone_who_varies_no_more_than_error_is_nobody():
    assert np.isnan(before_cut(tc.Entry(9, mean=10, sd=1), np.array([7.0]), np.ones(1), np.array([1.2]))).all()
    with pytest.raises(tc.RefusedError, match="do not fit"):
        tc.settle_entry(tc.Entry(9), people(2)[0], 9.0)


def test_the_doubt_of_those_screened_is_that_of_a_mean_and_a_variance():
    mean, variance = screened_draws(tc.Entry(9, mean=10, sd=3, n=100), np.random.default_rng(5), 40_000)
    assert (mean.mean(), mean.std()) == pytest.approx((10, 0.3), abs=0.01)
    assert (variance.mean(), variance.std()) == pytest.approx((9 * 99 / 97, 9 * np.sqrt(2 / 95)), rel=0.02)
    assert screened_draws(tc.Entry(9, mean=10, sd=3), np.random.default_rng(5), 10) is None


SHAPES = {
    "normal": lambda rng, n: rng.normal(10, 3, n),
    "whole": lambda rng, n: np.round(rng.normal(10, 3, n)),
    "whole, SD 2": lambda rng, n: np.round(rng.normal(10, 2, n)),
    "whole, SD 1.5": lambda rng, n: np.round(rng.normal(10, 1.5, n)),
    "tail to the better side": lambda rng, n: rng.gamma(4, 1.5, n),
    "floor": lambda rng, n: np.maximum(np.round(rng.normal(6, 4, n)), 0),
}


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("n", [30, 120])
def test_uncut_scores_seldom_look_cut(shape, n):
    rng = np.random.default_rng(6)
    assert np.mean([bool(sharp_edge(SHAPES[shape](rng, n))) for _ in range(1000)]) <= 0.03


@pytest.mark.parametrize(("n", "power"), [(30, 0.6), (120, 0.95), (300, 0.99)])
def test_cut_scores_look_cut(n, power):
    rng = np.random.default_rng(7)

    def cut():
        scores = np.round(rng.normal(10, 3.16, 6 * n))
        return scores[scores <= 9][:n]

    assert np.mean([bool(sharp_edge(cut())) for _ in range(400)]) >= power
    (text,) = sharp_edge(cut()) or sharp_edge(cut())
    assert "end sharply at 9" in text
    for what in ("mean change", "MCID", "true share", "chances of one person", "too high", "entry="):
        assert what in text


def test_few_or_equal_scores_say_nothing():
    assert sharp_edge(np.full(60, 9.0)) == () == sharp_edge(np.repeat(9.0, 29) - np.arange(29) % 3)
