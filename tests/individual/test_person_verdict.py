"""The verdict, its chances and its refusals."""

import math
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import truechange as tc
from truechange.individual import verdict as v
from truechange.individual.score_error import score_error
from truechange.individual.typed import bridge_from_pairs

GROUP = tc.Programme(11, 13, 3.2, 3.4, 0.8, 200)


def test_the_posterior_is_the_matrix_formula():
    s = np.array([[3.2**2, 0.8 * 3.2 * 3.4], [0.8 * 3.2 * 3.4, 3.4**2]])
    noise = np.diag([0.7**2, 1.1**2])
    group_noise = noise
    true = s - group_noise
    gain = true @ np.linalg.inv(true + noise)
    mu, x, c = np.array([11.0, 13.0]), np.array([7.0, 12.5]), np.array([-1.0, 1.0])
    mean = c @ (mu + gain @ (x - mu))
    sd = math.sqrt(c @ (true - gain @ true) @ c)
    got = tc.person_change(7.0, 12.5, sem=(0.7, 1.1), mcid=2.0, programme=GROUP).priors().loc["programme"]
    assert (got["mean"], got["sd"]) == (pytest.approx(mean, abs=1e-12), pytest.approx(sd, abs=1e-12))


def test_a_change_equal_to_a_threshold_reaches_it():
    assert v.verdict(2.0, 2.0, 2.0, 2.0, 2.0) == "real_and_important"
    assert tc.person_change(9, 11, sem=0.1, mcid=2.0).verdict == "real_and_important"
    assert tc.person_change(1.1, 1.2, sem=0.01, mcid=0.1).verdict == "real_and_important"


def test_deterioration_has_its_own_threshold():
    got = tc.person_change(13, 10, sem=0.5, mcid=2.0, mcid_deterioration=4.0)
    assert got.verdict == "worse_real_below_important"
    assert got.p_worse == pytest.approx(stats.norm.cdf((-4 + 3) / (0.5 * math.sqrt(2))), abs=1e-12)


def test_borderline_is_said():
    got = tc.person_change(9, 12, sem=1.0, sem_df=29, mcid=2.0)
    assert got.borderline
    assert math.isnan(tc.person_change(9, 12, sem=1.0, mcid=2.0).stability)  # nothing known of either threshold's doubt


def test_a_chair_within_tolerance_is_the_same():
    near = {"seat_height_cm": 43.8, "arms_used": "no", "walking_aid": "none"}
    ways = {"before_protocol": {**near, "seat_height_cm": 43}, "after_protocol": near}
    got = tc.person_change(9, 13, sem=1, mcid=2, measure="chair_stand_30s", **ways)
    assert not any("Not stated" in text for text in got.cautions)


@pytest.mark.parametrize("sem", [None, 0])
def test_without_an_error_reality_is_not_assessable(sem):
    got = tc.person_change(9, 13, sem=sem, mcid=2)
    assert (got.verdict, got.mdc, got.improvement) == ("not_assessable", None, 4)
    assert math.isnan(got.p_meaningful)


def test_the_ends_of_the_scale():
    pain = {"sem": 0.5, "mcid": 2.0, "better": "lower", "scale_low": 0, "scale_high": 10}
    assert tc.person_change(0, 0, **pain).verdict == "not_assessable"
    # at the worst end the person could have been lower still: the censored posterior moves up, and only there
    floor = {"sem": 1.5, "mcid": 2.0, "programme": tc.Programme(4, 6, 3.0, 3.2, 0.7, 300)}
    cut, plain = (tc.person_change(0, 4, **floor, **more).true_change.value for more in ({"scale_low": 0}, {}))
    assert cut > plain
    above, free = (tc.person_change(1, 5, **floor, **more).true_change.value for more in ({"scale_low": 0}, {}))
    assert above == free


def test_error_that_depends_on_the_score_is_asked_at_the_shrunken_score():
    got = tc.person_change(4, 20, sem=lambda x: 0.1 * x, mcid=2.0, programme=GROUP)
    assert 0.4 < got.error.before < 1.1
    assert 1.3 < got.error.after < 2.0
    assert tc.person_change(4, 20, sem=lambda x: 0.1 * x, mcid=2.0).error.after == pytest.approx(2.0)


def test_a_small_or_strange_group_is_not_leaned_on():
    few = tc.person_change(9, 13, sem=1, mcid=2, programme=tc.Programme(11, 13, 3.2, 3.4, 0.8, 10))
    assert few.p_meaningful == few.p_meaningful_flat
    noise_only = tc.Programme(11, 13, 3.0, 3.0, 0.95, 300)  # changes vary less than error alone would make them
    got = tc.person_change(9, 13, sem=1.0, mcid=2.0, programme=noise_only)
    assert 0 < got.p_meaningful < 1
    assert got.true_change.value == pytest.approx(2.0, abs=0.7)


def test_a_bridge_carries_the_first_score_over():
    rng = np.random.default_rng(1)
    true = rng.normal(12, 3, 60)
    old, new = true + rng.normal(0, 1, 60), 0.9 * true - 1 + rng.normal(0, 1, 60)
    line = bridge_from_pairs(list(old), list(new))
    slope, intercept = np.polyfit(old, new, 1)
    assert (line.slope, line.intercept) == (pytest.approx(slope), pytest.approx(intercept))
    fit = stats.linregress(old, new)
    noise = np.std(new - fit.slope * old - fit.intercept) * math.sqrt(60 / 58)
    about = max(noise**2, fit.slope**2 + 1)  # never below what the two SEMs alone make
    se = math.sqrt(about + noise**2 * (1 / 60 + (9 - old.mean()) ** 2 / ((old - old.mean()) ** 2).sum()))
    assert line.residual_sd == pytest.approx(noise)
    got = tc.person_change(
        9, 13, sem=1, mcid=2, bridge=line, before_protocol={"seat_height_cm": 43}, after_protocol={"seat_height_cm": 50}
    )
    assert got.before == pytest.approx(line.carry(9))
    assert got.error.difference == pytest.approx(se)
    assert any("carried over from another protocol" in text for text in got.cautions)


def test_the_core_path_needs_only_the_standard_library():
    code = (
        "import sys, truechange as tc\n"
        "r = tc.person_change(9, 13, sem=1, sem_df=29, mcid=2, programme=tc.Programme(11, 13, 3.2, 3.4, .8, 60))\n"
        "r.sentences(); str(r); r.rows(); r.alt\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'statsmodels', 'matplotlib', 'jinja2'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr


def ways(fact, before, after, **more):
    return {"before_protocol": {fact: before, **{k: v[0] for k, v in more.items()}},
            "after_protocol": {fact: after, **{k: v[1] for k, v in more.items()}}}  # fmt: skip


LOWER, HIGHER = ways("seat_height_cm", 45, 41), ways("seat_height_cm", 41, 45)


@pytest.mark.parametrize(("scores", "facts", "verdict"), [
    ((9, 13), LOWER, "better_on_harder_test"), ((9, 9), LOWER, "better_on_harder_test"),
    (("unable", 2), LOWER, "became_able"), ((0, 2), LOWER, "became_able"), ((13, 9), HIGHER, "worse_on_easier_test"),
    ((9, "unable"), HIGHER, "lost_ability"), ((9, 10), ways("arms_used", "yes", "no"), "better_on_harder_test"),
    ((9, 10), ways("walking_aid", "cane", "none"), "better_on_harder_test")])  # fmt: skip
def test_a_harder_test_done_as_well_is_better_without_a_size(scores, facts, verdict):
    got = tc.person_change(*scores, sem=1, mcid=2, measure="chair_stand_30s", **facts)
    assert got.verdict == verdict
    assert math.isnan(got.improvement)
    assert (got.mdc, got.beliefs) == (None, ())
    assert not any(character.isdigit() for character in got.person_sentence)
    assert any("Done in two ways" in text for text in got.cautions)
    if verdict == "better_on_harder_test":
        assert "seat height (cm) 45 before, 41 after" in got.chart_sentence or "seat" not in str(facts)
        assert "by how much cannot be stated" in got.chart_sentence
        assert "at least as well" in got.person_sentence
    got.table(), got.alt, str(got)
    with pytest.raises(tc.RefusedError, match="two ways"):
        got.plot()


def test_a_timed_test_on_a_lower_chair():
    lower = tc.person_change(14, 13, sem=1, mcid=2, measure="sit_to_stand_5", **LOWER)
    assert lower.verdict == "better_on_harder_test"


def test_zero_on_a_test_that_says_so_is_unable():
    stands = {"sem": 1, "mcid": 2, "measure": "chair_stand_30s"}
    got = tc.person_change(0, 4, **stands)
    assert got.verdict == "became_able"
    assert tc.person_change(4, 0, **stands).verdict == "lost_ability"
    assert tc.person_change([0, 0], 4, **stands).verdict == "became_able"
    assert tc.person_change(0, 4, sem=1, mcid=2, measure="pain_0_10").verdict.startswith("worse_")  # no pain is a score


def test_no_published_error_or_mcid_is_beyond_what_is_refused():
    from truechange.individual.assess import check_plausible
    from truechange.measures.literature import published_rows

    for row in published_rows():
        test = tc.measure(row["measure"])
        if row["quantity"] in ("mdc95", "mic") and row["unit"] == test.unit and row["use"] == "person":
            value = tc.Threshold(value=float(row["value"]), kind="mcid")
            error = score_error(value.value / 2.772, None, (9, 13)) if row["quantity"] == "mdc95" else None
            check_plausible(test, error, value, value)


def test_a_timed_test_is_never_read_as_higher_is_better():
    known = {"sem": 1.0, "mcid": 2.0}
    assert tc.person_change(14, 11, **known, measure="timed_up_and_go").improvement == 3
    assert tc.person_change(14, 11, **known, unit="s", better="lower").improvement == 3
    assert tc.person_change(14, 17, **known, unit="s", better="higher").improvement == 3
    plain = tc.person_change(9, 13, **known)
    assert plain.improvement == 4
    assert any("more counts as better" in text for text in plain.cautions)


def test_practice_is_taken_out_of_the_chance_in_words_as_out_of_the_verdict():
    plain = tc.person_change(9, 13, sem=1.0, mcid=2.0)
    got = tc.person_change(9, 13, sem=1.0, mcid=2.0, practice=1.5)
    net = stats.norm.sf((2.0 + 1.5 - 4) / math.sqrt(2))
    assert got.leads("p_meaningful") == pytest.approx(net)
    assert got.p_meaningful == plain.p_meaningful  # the attribute keeps the practice gain, and that is said
    assert got.verdict == "important_sized_within_error"
    assert got.reliable_change_index == pytest.approx(2.5 / math.sqrt(2))
    assert got.leads("p_better") == pytest.approx(stats.norm.sf((1.5 - 4) / math.sqrt(2)))


@pytest.mark.parametrize("several", [[9, 10], np.array([9.0, 10.0]), pd.Series([9, 10], index=[4, 7])])
def test_several_scores_of_one_stage_come_in_any_sequence(several):
    assert tc.person_change(several, 13, sem=1.0, mcid=2.0).before == pytest.approx(9.5)


def test_a_group_from_scores_brings_its_moments_and_its_shape():
    """The numbers are those of numpy; where true change is normal the shaped prior agrees with the normal one."""
    rng = np.random.default_rng(1)
    first = rng.normal(10, 3, 4000)
    before, after = first + rng.normal(0, 1, 4000), first + rng.normal(2, 2, 4000) + rng.normal(0, 1, 4000)
    group = tc.Programme.of([*before, np.nan], [*after, 3.0], sem=1.0, name="ours")
    assert (group.n, group.mean_before) == (4000, pytest.approx(before.mean()))
    assert group.correlation == pytest.approx(np.corrcoef(before, after)[0, 1])
    assert sum(weight for _, weight in group.shape) == pytest.approx(1)
    plain = replace(group, shape=())
    for scores in ((9, 13), (14, 15), (6, 6.5)):
        shaped, normal = (tc.person_change(*scores, sem=1.0, mcid=2.0, programme=one) for one in (group, plain))
        for prior in ("programme", "programme, change only"):
            ours, theirs = shaped.chances[prior]["p_meaningful"], normal.chances[prior]["p_meaningful"]
            assert ours == pytest.approx(theirs, abs=0.025)
        assert not any("counts as normal" in text for text in shaped.cautions)
        assert any("True change in ours counts as normal" in text for text in normal.cautions)
    assert tc.Programme.of(before[:40], after[:40], sem=1.0).shape == ()
    with pytest.raises(tc.DataError, match="2 people with both scores"):
        tc.Programme.of([1, 2, np.nan], [3, 4, 5], sem=1.0)


def test_a_larger_sem_is_held_against_the_chance():
    """The caution's number is the chance that the same call gives with the SEM 30% larger."""
    group = tc.Programme(11, 13, 3.2, 3.4, 0.8, n=160)
    found = tc.person_change(9, 13.5, sem=1.0, mcid=2.0, programme=group)
    larger = tc.person_change(9, 13.5, sem=1.3, mcid=2.0, programme=group)
    said = next(text for text in found.cautions if text.startswith("Were the SEM 30% larger"))
    assert f"the chance would be {larger.p_meaningful:.0%}." in said
    assert found.p_meaningful - larger.p_meaningful > 0.05


@pytest.mark.parametrize(("chance", "word"), [
    (0.95, "sure"), (0.9499, "likely"), (0.8, "likely"), (0.7999, "unclear"), (0.2001, "unclear"), (0.2, "unlikely"),
])  # fmt: skip
def test_a_chance_at_the_edge_of_a_band_belongs_to_the_surer_word(chance, word):
    assert v.band(chance) == word


@pytest.mark.parametrize(("given", "refused"), [
    # by hand: usual scores of 1 to 30 stands, a span of 29; half of it, and 29/(1.959964 × √2) = 10.4624
    ({"mcid": 14.5}, "mcid"), ({"mcid": 14.49}, ""), ({"mcid": 0}, "mcid"), ({"mcid_deterioration": 14.5}, "mcid_det"),
    ({"sem": 10.463}, "sem"), ({"sem": 10.462}, ""), ({"sem": (0.8, 10.463)}, "sem"), ({"sem": (10.463, 0.8)}, "sem"),
    ({"practice": 29}, "practice"), ({"practice": -29}, "practice"), ({"practice": 28.9}, ""),
])  # fmt: skip
def test_what_the_range_of_the_scores_cannot_hold_is_refused_at_its_edge(given, refused):
    def ask():
        return tc.person_change(9, 13, **{"sem": 1, "mcid": 2, "measure": "chair_stand_30s"} | given)

    if not refused:
        assert ask().verdict
        return
    with pytest.raises(tc.ChoiceError, match=f"^{refused}.* cannot be"):
        ask()


@pytest.mark.parametrize(("number", "states"), [(150, 1), (149, 10), (15, 10), (14, 0)])
def test_a_group_carries_its_doubt_below_150_people_and_is_not_used_below_15(number, states):
    one = tc.person_change(9, 13, sem=1, mcid=2, programme=tc.Programme(11, 13, 3.2, 3.4, 0.8, number))
    parts = [len(belief.parts) for belief in one.beliefs if belief.prior == "programme"]
    assert parts == [1] if states == 1 else sum(parts) >= states and bool(parts) == bool(states)


@pytest.mark.parametrize(("numbers", "refused"), [
    ((11, 13, 0, 3.4, 0.8, 40), "positive"), ((11, 13, 3.2, 0, 0.8, 40), "positive"),
    ((11, 13, 3.2, 3.2, 1, 40), "exactly the same"), ((11, 13, 3.2, 3.4, 1.01, 40), "between -1 and 1"),
    ((11, 13, 3.2, 3.4, -1.01, 40), "between -1 and 1"), ((11, 13, 3.2, 3.4, 0.8, 1), "at least 2"),
    ((11, 13, 3.2, 3.4, 1, 2), ""), ((11, 13, 3.2, 3.4, -1, 2), ""),
])  # fmt: skip
def test_a_group_that_cannot_be_is_refused_at_its_edge(numbers, refused):
    if refused:
        with pytest.raises(tc.ChoiceError, match=refused):
            tc.Programme(*numbers)
    else:
        assert tc.Programme(*numbers).var_change > 0


def test_three_people_make_a_group_and_fifty_its_shape():
    scores = np.random.default_rng(5).normal([11, 13], 3, (50, 2))
    assert tc.Programme.of(*scores[:3].T, sem=1.0).n == 3
    assert tc.Programme.of(*scores[:49].T, sem=1.0).shape == ()
    assert tc.Programme.of(*scores.T, sem=1.0).shape
    assert tc.Programme.of(*scores.T, sem=0).shape == ()


@pytest.mark.parametrize(("mcid", "left", "said"), [(4, 4, False), (4.1, 4, True), (4, 0, False)])
def test_too_little_room_for_an_important_change_is_said(mcid, left, said):
    one = tc.person_change(20 - left, 20 - left / 2, sem=0.5, mcid=mcid, scale_high=20)
    assert said == any("left less room on the scale" in text for text in one.cautions)


@pytest.mark.parametrize(("before", "far"), [(3.0, False), (2.9, True), (19.0, False), (19.1, True)])
def test_a_start_more_than_two_and_a_half_sds_from_the_group_is_far(before, far):
    one = tc.person_change(before, before + 3, sem=1, mcid=2, programme=replace(GROUP, sd_before=3.2))
    assert far == any("started far from most" in text for text in one.cautions)


def test_equal_scores_are_no_decline_although_a_practice_gain_was_expected():
    found = tc.person_change(9, 9, sem=1.0, mcid=2.0, practice=0.4)
    assert (found.verdict, found.worse) == ("no_demonstrable_change", False)
    assert not [text for text in found.cautions if "decline" in text]
