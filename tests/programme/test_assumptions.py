"""What the numbers rest on is looked at, and each doubt is ordered by how far it moves its number."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.regression.mixed_linear_model import MixedLM

import truechange as tc
from truechange.foundation.errors import DataError
from truechange.foundation.result import Part, Refused
from truechange.programme.assumptions import ancova_checks, clustering, error_shape, ratings_not_given

# Shrout and Fleiss 1979, Psychological Bulletin 86:420-428, table 2: six targets, four judges; ICC(1,1) in table 4
SHROUT = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]


def two_groups(seed, slopes=(-0.5, 0.0), n=(90, 60)):
    rng = np.random.default_rng(seed)
    before, group = rng.normal(11, 3, sum(n)), np.repeat([1.0, 0.0], n)
    slope = np.where(group == 1, *slopes)
    return before, 1 + 2 * group + slope * (before - 11) + rng.normal(0, 1.5, sum(n)), group


def test_the_checks_of_a_comparison_are_those_of_plain_regressions():
    before, gained, group = two_groups(1)
    found = ancova_checks(before, gained, group, ("a", "b"), 0.95, "stands")
    own = [np.polyfit(before[group == at], gained[group == at], 1) for at in (1, 0)]
    assert [one.value for one in found.slopes] == pytest.approx([line[0] for line in own])
    assert found.slope_gap.value == pytest.approx(own[0][0] - own[1][0])
    for one, away in ((found.low_start, -1), (found.high_start, 1)):
        at = before.mean() + away * before.std(ddof=1)
        assert one.value == pytest.approx(np.polyval(own[0], at) - np.polyval(own[1], at))
    columns = np.column_stack([np.ones(150), before, group])
    left_out = [
        np.linalg.lstsq(np.delete(columns, at, 0), np.delete(gained, at), rcond=None)[0][2] for at in range(150)
    ]
    assert (found.least, found.most) == pytest.approx((min(left_out), max(left_out)))
    rest = gained - columns @ np.linalg.lstsq(columns, gained, rcond=None)[0]
    assert (found.skewness, found.kurtosis) == pytest.approx((stats.skew(rest), stats.kurtosis(rest)))
    curved = np.linalg.lstsq(np.column_stack([columns, before**2]), gained, rcond=None)[0]
    assert found.bent.value == pytest.approx(curved[2])
    assert found.unequal
    assert "differ: " in found.sentence()
    (x, y), (_, straight) = (line.get_data() for line in found.residuals.plot().lines)
    assert x == pytest.approx(stats.norm.ppf((np.arange(150) + 0.5) / 150))  # plotting positions of Hazen
    assert y == pytest.approx(np.sort(rest))
    assert straight == pytest.approx(rest.std(ddof=1) * x)
    means, steep, parallel, *others = (line.get_data() for line in found.plot().lines)
    assert (len(means[0]), len(others[0][0])) == (5, 5)  # fifths
    line = np.linalg.lstsq(columns, gained, rcond=None)[0]
    for (at, height), (slope, level) in ((steep, own[0]), (parallel, (line[1], line[0] + line[2]))):
        assert height == pytest.approx(level + slope * at)
    assert others[1][1] == pytest.approx(np.polyval(own[1], others[1][0]))
    assert others[2][1] == pytest.approx(line[0] + line[1] * others[2][0])
    assert len(found.plot().lines) > 0
    assert len(found.residuals.plot().lines[0].get_xdata()) == 150


def test_equal_slopes_are_called_unequal_as_often_as_the_level_says():
    called = [ancova_checks(*two_groups(seed, (-0.3, -0.3)), ("a", "b"), 0.95).unequal for seed in range(200)]
    assert stats.binom.cdf(sum(called), 200, 0.05) < 0.999
    assert sum(called) < 25


def test_likeness_within_a_unit_is_the_published_intraclass_correlation():
    scores = np.array(SHROUT, dtype=float)
    found = clustering(pd.Series(np.repeat(list("abcdef"), 4)), scores.ravel(), np.zeros(24), name="therapist")
    assert found.icc.text(2) == "0.17 (95% CI −0.13 to 0.72)"
    assert found.effect == pytest.approx(1 + 3 * found.icc.value)
    # the interval of the mean: its squared standard error is MSB / N for equal units, with k - 1 degrees of freedom
    wide = stats.t.ppf(0.975, 5) * scores.std(ddof=1) * np.sqrt(found.effect / 24)
    assert found.mean.high - found.mean.value == pytest.approx(wide)


def test_likeness_at_equal_score_before_is_that_of_a_mixed_model():
    rng = np.random.default_rng(4)
    unit, before = np.repeat(np.arange(40), 12), rng.normal(11, 3, 480)
    gained = 3 - 0.3 * (before - 11) + rng.normal(0, 1.0, 40)[unit] + rng.normal(0, 2, 480)
    fit = MixedLM(gained, np.column_stack([np.ones(480), before]), unit).fit()
    between, within = float(np.asarray(fit.cov_re)[0, 0]), float(fit.scale)
    found = clustering(pd.Series(unit), gained, before, name="site")
    assert found.icc.value == pytest.approx(between / (between + within), abs=0.01)
    with pytest.raises(DataError, match="4 sites are too few"):
        clustering(pd.Series(unit[:48]), gained[:48], before[:48], name="site")


def test_people_without_a_rating_are_given_either_rating():
    people = pd.DataFrame(
        {"improvement": [1.0, 2, 3, 4, 5, 6, 7, 8], "rating": [0, 0, 1, 1, 2, np.nan, np.nan, np.nan]}
    )
    found = ratings_not_given(people, 1, lambda rated, cut: float((rated["rating"] >= cut).sum()))
    assert (found.unrated, found.if_improved, found.if_unchanged, found.next_cut) == (3, 6, 3, 1)
    assert found.sentence() == "Fewer than 5 of the 8 people with two comparable scores gave no rating."
    assert found.rated_gap is None  # too few of them to be told apart
    more = pd.concat([people, people.assign(rating=np.nan)], ignore_index=True)
    gap = ratings_not_given(more, 1, lambda *_: 1.0).rated_gap
    assert gap.value == pytest.approx(3 - np.mean([6, 7, 8, 1, 2, 3, 4, 5, 6, 7, 8]))
    low, high = stats.ttest_ind([1, 2, 3, 4, 5], more["improvement"][5:], equal_var=False).confidence_interval(0.95)
    assert (gap.low, gap.high) == pytest.approx((low, high))


def test_the_mdc_is_held_against_the_differences_themselves():
    rng = np.random.default_rng(5)
    apart = rng.laplace(0, 1.5, 400)
    first = rng.normal(11, 3, 400)
    frame = pd.DataFrame({"person": np.tile(np.arange(400), 2), "trial": np.repeat([1, 2], 400),
                          "value": [*first, *(first + apart)]})  # fmt: skip
    found = error_shape(tc.measurement_error(frame, error="consistency", unit="stands"))
    assert found.within == pytest.approx(np.quantile(np.abs(apart - apart.mean()), 0.95))
    assert found.kurtosis == pytest.approx(stats.kurtosis(apart))
    assert "are not normal" in found.sentence()


@pytest.fixture(scope="module")
def looked(demo_study):
    return demo_study.checks


def test_each_doubt_is_as_large_as_what_it_does_to_its_number(demo_study, looked):
    rows = looked["attacks"].rows
    far = np.maximum(rows["told"] - rows["least"], rows["most"] - rows["told"])
    halves = far / ((rows["high"] - rows["low"]) / 2)
    halves[rows["doubt"].str.contains("are alike")] -= 1  # told by how far each end moves, not by where it then is
    assert rows["moved"].to_list() == pytest.approx(halves.to_list())
    assert rows["moved"].is_monotonic_decreasing
    key = demo_study.audit.primary
    share = demo_study.audit.responders[key].counted.share().value
    known = {
        "MCID": demo_study.mcid.recommended.value, "MDC95 of one person": demo_study.error.mdc95.value,
        "difference between the groups": demo_study.audit.comparison[key].adjusted.value,
        "share of those due that changed enough": share, "mean improvement": demo_study.audit.change[key].mean.value,
    }  # fmt: skip
    for name, value in known.items():
        of = rows[rows["number"] == name]
        assert len(of) >= 1
        assert of["told"].to_list() == pytest.approx([value] * len(of))
    lost = rows[rows["doubt"].str.contains("without a follow-up changed enough")].iloc[0]
    missing = demo_study.audit.missing[key].rows["share"]
    assert (lost["least"], lost["most"]) == pytest.approx((missing[1], missing[2]))


def test_the_same_people_are_counted_held_out_as_in_the_headline(demo_study, looked):
    counted = demo_study.audit.responders[demo_study.audit.primary].counted.share()
    assert looked["cross-fitting"].naive["share"].value == pytest.approx(counted.value)
    assert isinstance(looked["therapist"], Part)
    assert isinstance(looked["site"], Refused)  # two sites
