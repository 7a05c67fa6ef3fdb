"""Pictures hold what they should: labels, limits, artists, counts that match the data, no small count."""

import numpy as np
import pytest
from matplotlib import pyplot as plt

from truechange.figures import changes_against_thresholds, estimates_side_by_side, save_print, share_rows, step_bars
from truechange.foundation.errors import DataError, OutcomeError
from truechange.foundation.estimate import Estimate, Threshold

MDC = Threshold(value=2.77, low=2.3, high=3.5, kind="mdc", unit="stands")
MCID = Threshold(value=2.0, low=1.5, high=2.6, kind="mcid", unit="stands")


@pytest.fixture(autouse=True)
def _closed():
    yield
    plt.close("all")


def changes():
    return np.array([-3.0] * 5 + [0.0] * 20 + [2.0] * 10 + [4.0] * 15 + [np.nan])


def words(ax):
    return [text.get_text() for text in ax.texts]


def test_every_person_is_drawn_once_in_the_right_zone():
    ax = changes_against_thresholds(changes(), mdc=MDC, mcid=MCID)
    legend = [text.get_text() for text in ax.get_legend().get_texts()]
    assert legend == ["at least both thresholds: 15", "between the thresholds: 10", "below both: 20",
                      "worse by at least the MDC: 5"]  # fmt: skip
    drawn = [len(line.get_xdata()) for line in ax.lines if line.get_marker() not in ("None", "")]
    assert sum(drawn) == 50
    assert ax.get_ylabel() == "improvement (stands)"
    assert {"MDC 2.8", "MCID 2.0"} <= set(words(ax))


def test_a_handful_of_people_is_not_counted_in_the_legend():
    ax = changes_against_thresholds([4.0] * 3 + [0.0] * 20, mdc=MDC, mcid=MCID)
    assert "at least both thresholds: fewer than 5" in [text.get_text() for text in ax.get_legend().get_texts()]


def test_no_threshold_no_zones():
    ax = changes_against_thresholds(changes())
    assert ax.get_legend() is None
    assert ax.get_ylabel() == "improvement"


def test_nothing_to_draw_is_refused():
    with pytest.raises(DataError, match="nobody"):
        changes_against_thresholds([np.nan])


def test_markers_differ_so_that_grey_is_enough():
    ax = changes_against_thresholds(changes(), mdc=MDC, mcid=MCID)
    looks = [(line.get_marker(), line.get_markerfacecolor()) for line in ax.lines if line.get_label()[0] != "_"]
    assert len(set(looks)) == 4
    assert {line.get_linestyle() for line in ax.lines if len(line.get_xdata()) == 2} >= {"--", "-."}


def test_shares_run_from_0_to_100_percent_in_the_order_given():
    ax = share_rows({"changed enough": Estimate(value=0.55, low=0.48, high=0.62), "error alone": 0.08})
    assert ax.get_xlim() == (0, 1)
    assert [tick.get_text() for tick in ax.get_yticklabels()] == ["changed enough", "error alone"]
    assert words(ax) == ["55%", "8%"]
    assert ax.get_ylim()[0] > ax.get_ylim()[1]  # first row on top


def test_estimates_carry_their_unit_and_marks():
    ax = estimates_side_by_side({"a": MCID, "b": MDC}, strong=["a"], marks=[MDC])
    assert ax.get_xlabel() == "stands"
    assert words(ax) == ["MDC 2.8"]


@pytest.mark.parametrize("draw", [changes_against_thresholds, lambda v, ax: share_rows({"a": 0.5}, ax=ax)])
def test_given_axes_are_used_and_no_other_figure_is_made(draw):
    _, ax = plt.subplots()
    before = plt.get_fignums()
    assert draw([1.0, 2.0], ax=ax) is ax
    assert plt.get_fignums() == before


def test_print_files_are_300_dpi_svg_and_repeat_their_bytes(tmp_path):
    from PIL import Image

    made = [save_print(changes_against_thresholds(changes(), mdc=MDC), tmp_path / name) for name in ("a", "b")]
    assert made[0][0].read_bytes() == made[1][0].read_bytes()
    assert made[0][1].read_bytes() == made[1][1].read_bytes()
    with Image.open(made[0][0]) as picture:
        assert picture.info["dpi"][0] == pytest.approx(300, abs=0.1)
    assert "improvement" in made[0][1].read_text(encoding="utf-8")  # text stays text


def test_a_figure_too_wide_for_a_page_is_refused(tmp_path):
    _, ax = plt.subplots(figsize=(9, 3))
    with pytest.raises(OutcomeError, match="wide"):
        save_print(ax, tmp_path / "wide")


def test_step_bars_say_each_count_and_keep_its_length():
    ax = step_bars({"started": 200, "compared": 163})
    assert words(ax) == ["started: 200", "compared: 163"]
    assert [bar.get_width() for bar in ax.patches] == [200, 163]
