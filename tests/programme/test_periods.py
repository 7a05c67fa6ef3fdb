"""Quarters beside each other: a planted step is found, a planted nothing is not; small periods; saved counts."""

import numpy as np
import pandas as pd
import pytest
from clinics import TEST, clinic, codes, scores
from scipy import stats
from statsmodels.stats.oneway import anova_generic

import truechange as tc
from truechange.programme.periods import KEPT, counts_by_period, saved_rows, trend

STARTS = ["2025-01-20", "2025-04-20", "2025-07-20", "2025-10-20"]


def quarters(shares, each=60, seed=1, mean=0.0):
    """Return records of four quarters in which the given shares improve by 4 stands, the others by 0."""
    rng, frames, people = np.random.default_rng(seed), [], []
    for at, (start, share) in enumerate(zip(STARTS, shares, strict=True)):
        names = [f"Q{at}{code}" for code in codes(each)]
        before = rng.integers(7, 12, each)
        gain = np.where(np.arange(each) < round(share * each), 4, 0)
        frames.append(scores(names, before, before + gain, start=start))
        people.append(pd.DataFrame({"person": names, "programme": "leg power", "start_date": start}))
    return clinic(pd.concat(frames), people=pd.concat(people))


def of(records, **options):
    thresholds = {TEST: {"sem": 0.9, "mcid": 2.0}}
    return tc.audit(records, thresholds=thresholds, as_of="2026-03-31", weeks=12, n_boot=50, **options)


def test_a_planted_step_is_found_and_a_planted_nothing_is_not():
    step = of(quarters([0.4, 0.4, 0.7, 0.7])).periods[TEST]
    nothing = of(quarters([0.5, 0.52, 0.5, 0.48])).periods[TEST]
    assert step.differ < 0.01
    assert nothing.differ > 0.5
    assert "differ by more than chance explains" in step.sentences()[1]
    assert "do not differ" in nothing.sentences()[1]
    assert step.table()["share"].tolist() == [0.4, 0.4, 0.7, 0.7]
    assert "a run chart around the median" in step.sentences()[-1]


def test_means_and_shares_are_compared_as_by_general_libraries():
    rng = np.random.default_rng(2)
    rows = pd.DataFrame({"period": list("ABC"), "complete": True, "due": [30, 40, 25], "tested": [28, 40, 20],
                         "changed_enough": [10, 20, 12], "mean": rng.normal(2, 1, 3), "sd": [1.5, 2.5, 2.0],
                         "threshold": 2.0})  # fmt: skip
    expected = anova_generic(rows["mean"].to_numpy(), rows["sd"].to_numpy() ** 2, rows["tested"].to_numpy(float),
                             use_var="unequal").pvalue  # fmt: skip
    found = trend(rows, every="quarter", unit="stands", resolution=1)
    assert found.means_differ == pytest.approx(expected, rel=1e-12)
    counts = [rows["changed_enough"], rows["due"] - rows["changed_enough"]]
    assert found.differ == pytest.approx(stats.chi2_contingency(counts, correction=False).pvalue, rel=1e-9)


def test_last_quarter_is_held_against_the_one_before_it():
    part = of(quarters([0.5, 0.5, 0.3, 0.8])).periods[TEST]
    gap = part.last["share"]
    same = tc.compare_responders(48, 60, 18, 60).difference
    assert (gap.value, gap.low, gap.high) == (same.value, same.low, same.high)
    assert "2025 Q4 less 2025 Q3: 50 percentage points" in " ".join(part.sentences())


def test_twelve_quiet_periods_have_limits_and_one_far_out_is_marked():
    k = [30] * 11 + [58]
    rows = pd.DataFrame({"period": [f"2025-{at + 1:02d}" for at in range(12)], "complete": True, "due": 60,
                         "tested": 60, "changed_enough": k, "mean": 2.0, "sd": 1.0, "threshold": 2.0})  # fmt: skip
    rows["changed_enough"] += np.tile([2, -2], 6)
    part = trend(rows, every="month", unit="stands", resolution=1)
    assert part.chart == "control"
    assert part.marks["share", "beyond the limits"] == ["2025-12"]
    assert "laney2002" in part.sources
    assert "beyond the limits (2025-12)" in part.sentences()[-1]


def test_people_who_are_not_yet_due_leave_their_quarter_out_of_every_rule():
    frame = pd.DataFrame({"period": ["2025 Q1", "2025 Q2", "2025 Q3"], "complete": [True, True, False],
                          "due": [60, 60, 20], "tested": [60, 60, 20], "changed_enough": [30, 30, 20],
                          "mean": [2.0, 2.0, 4.0], "sd": 1.0, "threshold": 2.0})  # fmt: skip
    part = trend(frame, every="quarter", unit="stands", resolution=1)
    assert part.usable["period"].tolist() == ["2025 Q1", "2025 Q2"]
    assert any("Not complete" in text and "2025 Q3" in text for text in part.cautions)
    assert part.differ > 0.9


def test_small_periods_are_joined_before_anything_leaves_the_house():
    part = of(quarters([0.5, 0.5, 0.5, 0.5], each=9)).periods[TEST]
    public = part.public()
    for row in public.table().to_dict("records"):
        for count in (row["due"], row["changed_enough"], row["due"] - row["changed_enough"]):
            assert count == 0 or count >= 5
    assert public.table()["due"].sum() == part.table()["due"].sum() == 36
    joined = public.table()
    whole = part.table()
    mean = (whole["mean"] * whole["tested"]).sum() / whole["tested"].sum()
    assert (joined["mean"] * joined["tested"]).sum() / joined["tested"].sum() == pytest.approx(mean)
    assert any("joined" in text for text in public.cautions)
    assert public.public() is public  # what is hidden once is not hidden again


def test_a_joined_period_has_mean_and_sd_of_all_its_people():
    people = pd.DataFrame({"person": codes(12), "start_date": pd.to_datetime(["2025-01-05"] * 6 + ["2025-05-05"] * 6),
                           "improvement": [0, 1, 2, 3, 4, 8, 1, 1, 5, 6, 7, 9.0], "due": True})  # fmt: skip
    counts, undated = counts_by_period(people, 2.0, "quarter")
    one = trend(counts, every="quarter", unit="stands", resolution=1).public().table()
    assert undated == 0
    assert one["period"].tolist() == ["2025 Q1 to 2025 Q2"]
    assert one.loc[0, "mean"] == pytest.approx(people["improvement"].mean())
    assert one.loc[0, "sd"] == pytest.approx(people["improvement"].std())


def test_saved_counts_carry_earlier_quarters_and_no_person():
    whole = quarters([0.4, 0.4, 0.7, 0.7])
    first = of(whole, started=("2025-01-01", "2025-12-31")).public()
    kept = saved_rows(first.periods[TEST], test=TEST, programme="leg power", before="baseline", after="discharge")
    assert list(kept.columns) == KEPT
    assert not kept.astype(str).apply(lambda column: column.str.contains("P0")).any(axis=None)
    later = trend(
        pd.DataFrame({"period": ["2026 Q1"], "complete": True, "due": 60, "tested": 60, "changed_enough": 42,
                      "mean": 2.8, "sd": 1.9, "threshold": 2.0}),
        every="quarter", unit="stands", resolution=1, saved=kept,
    )  # fmt: skip
    assert later.table()["period"].tolist() == ["2025 Q1", "2025 Q2", "2025 Q3", "2025 Q4", "2026 Q1"]
    assert later.table()["saved"].tolist() == [True] * 4 + [False]
    again = trend(kept[["period", "complete", "due", "tested", "changed_enough", "mean", "sd", "threshold"]],
                  every="quarter", unit="stands", resolution=1, saved=kept)  # fmt: skip
    assert len(again.table()) == 4
    assert any("gave way" in text for text in again.cautions)


def test_another_threshold_is_drawn_apart_and_in_no_rule():
    frame = pd.DataFrame({"period": ["2025 Q1", "2025 Q2", "2025 Q3"], "complete": True, "due": 60, "tested": 60,
                          "changed_enough": [50, 30, 31], "mean": 2.0, "sd": 1.0,
                          "threshold": [1.0, 2.0, 2.0]})  # fmt: skip
    part = trend(frame, every="quarter", unit="stands", resolution=1)
    assert part.usable["period"].tolist() == ["2025 Q2", "2025 Q3"]
    assert any("another threshold" in text and "2025 Q1: 1" in text for text in part.cautions)


def test_counts_that_no_audit_wrote_are_refused_and_other_units_said():
    frame = pd.DataFrame({"period": ["2025 Q1"], "complete": True, "due": 60, "tested": 60, "changed_enough": 30,
                          "mean": 2.0, "sd": 1.0, "threshold": 2.0})  # fmt: skip
    with pytest.raises(tc.DataError, match="lack programme, test, unit"):
        trend(frame, every="quarter", unit="stands", resolution=1, saved=frame.drop(columns="due").assign(due=1))
    old = frame.assign(programme="p", test=TEST, unit="s", before="a", after="b", every="quarter", period="2024 Q4")
    part = trend(frame, every="quarter", unit="stands", resolution=1, saved=old[KEPT])
    assert any("another unit (s)" in text for text in part.cautions)


def test_people_without_any_date_are_counted_and_in_no_quarter():
    people = pd.DataFrame({"person": codes(3), "start_date": pd.to_datetime(["2025-01-05", None, None]),
                           "improvement": [1.0, 2.0, 3.0], "due": True})  # fmt: skip
    counts, undated = counts_by_period(people, 2.0, "quarter")
    assert (counts["due"].sum(), undated) == (1, 2)
    part = trend(counts, every="quarter", unit="stands", resolution=1, undated=undated)
    assert any(text.startswith("2 people have neither") for text in part.cautions)


@pytest.mark.parametrize("what", ["share", "mean"])
def test_the_chart_is_drawn_with_every_period(what):
    from truechange.programme.periods import draw_trend

    part = of(quarters([0.4, 0.4, 0.7, 0.7])).periods[TEST]
    ax = draw_trend(part.facts, what, part.plot())
    assert [label.get_text() for label in ax.get_xticklabels()] == ["2025 Q1", "2025 Q2", "2025 Q3", "2025 Q4"]


def test_a_period_of_the_audit_counts_only_who_started_in_it_and_says_so():
    records = quarters([0.4, 0.4, 0.7, 0.7])
    audit = of(records, started=("2025-07-01", "2025-09-30"))
    assert audit.flow[TEST].due == 60
    assert audit.responders[TEST].counted.rows["changed_enough"].iloc[0] == 42
    assert audit.period == "started from 2025-07-01 to 2025-09-30"
    assert any("180 in the records started at another time" in text for text in audit.cautions)
    assert len(audit.periods[TEST].table()) == 4


UNDER_TWELVE, TWELVE = [1, -1, 1, -1, 0], [1, -1, 1, -1, 1, -1]


# Run chart: 5 rising or falling (Perla and others 2011); control chart from 12 periods on: 8 on one side (Western
# Electric 1956), 6 rising or falling (Nelson 1984). From memory.
@pytest.mark.parametrize(
    ("means", "chart", "marked"),
    [
        ([*UNDER_TWELVE, 0, -2, -1, 0.5, 1.2, 0], "run", 0),
        ([*UNDER_TWELVE, 0, -2, -1, 0.5, 1.2, 2], "run", 5),
        ([*TWELVE, -2, -1, 0.5, 1.2, 2, 0], "control", 0),
        ([*TWELVE, -2, -1, 0.5, 1.2, 2, 3], "control", 6),
        ([3, -1, 3, -4, 1, 2, 1, 2, 1, 2, 1, -3], "control", 0),
        ([3, -1, 3, -7, 1, 2, 1, 2, 1, 2, 1, 2], "control", 8),
    ],
)
def test_a_rule_marks_from_its_number_of_points_on(means, chart, marked):
    months = [f"2024-{month:02d}" for month in range(1, len(means) + 1)]
    counts = {"due": 30, "tested": 30, "changed_enough": 10, "sd": 2.0, "threshold": 2.0}
    rows = pd.DataFrame({"period": months, "complete": True, "mean": np.array(means, float), **counts})
    found = trend(rows, every="month", unit="stands", resolution=1)
    assert (found.chart, sum(len(periods) for periods in found.marks.values())) == (chart, marked)
