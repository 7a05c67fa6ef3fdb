"""Words, table and picture: plain for the person, complete for the chart, readable without sight or colour."""

import re
from dataclasses import replace

import numpy as np
import pytest

import truechange as tc
from truechange.foundation.drawing import axes
from truechange.individual import change, norms
from truechange.individual.verdict import WORDS

STATISTICS = (
    "probab", "confiden", "interval", "error", "mdc", "mcid", "significan", "reliab", "threshold", "posterior", "prior",
    "measure", "standard", "deviation", "mean", "valid", "percent", "%", "score", "statist", "detect", "demonstrab",
)  # fmt: skip


def _school_years(text: str) -> float:
    """Return roughly the years of school a sentence asks for (our choice of formula: long sentences, long words)."""
    words = re.findall(r"[A-Za-z']+", text)
    sentences = max(1, len(re.findall(r"[.;!?]", text)))
    syllables = sum(max(1, len(re.findall(r"[aeiouy]+", word.lower().removesuffix("e")))) for word in words)
    return 0.39 * len(words) / sentences + 11.8 * syllables / len(words) - 15.59


SAID = [text.format(may="may well") for text in WORDS["person"].values()]
SAID += [start + end for start in WORDS["better"].values() for end in WORDS["helps"].values()]
SAID += [start + end for start in WORDS["worse"].values() for end in WORDS["matters"].values()]


@pytest.mark.parametrize("text", SAID)
def test_the_person_can_read_it(text):
    assert _school_years(text) <= 7, f"asks for {_school_years(text):.1f} years of school"  # age 12 or so
    assert not [word for word in STATISTICS if word in text.lower()]
    assert text.startswith(("You", "This", "So far"))


def test_where_numbers_come_from_is_carried():
    mcid = tc.published_threshold("chair_stand_30s", "mcid", citation="Mostafaee")
    got = tc.person_change(9, 13, sem=1, mcid=mcid, measure="chair_stand_30s")
    assert "Mostafaee" in got.table().loc["mcid", "method"]


def test_the_table_is_tidy_and_unrounded():
    got = tc.person_change(9, 13, sem=1, sem_df=29, mcid=2, programme=tc.Programme(11, 13, 3.2, 3.4, 0.8, 200))
    table = got.table()
    assert table.loc["mdc", "value"] == got.mdc.value
    assert table.loc["p_meaningful (flat)", "value"] == got.p_meaningful_flat
    assert set(got.priors().index) == {"programme", "programme, change only", "flat", "sceptical"}
    assert got._repr_html_().count("<tr>") == len(table) + 1


@pytest.mark.parametrize(("before", "after", "better"), [(9, 13, "higher"), (12.4, 13.9, "lower"), (13, 9, "higher")])
def test_the_picture(before, after, better):
    import matplotlib.pyplot as plt

    said = {"better": better, "name": "Test", "unit": "u", "dates": ("3 March", "26 May")}
    got = tc.person_change(before, after, sem=1, mcid=2, **said)
    ax = got.plot()
    marks = {text.get_text() for panel in ax.child_axes for text in panel.texts}
    assert {"first score", "important change", "detectable change"} <= marks
    assert [tick.get_text() for tick in ax.get_xticklabels()] == ["3 March", "26 May"]
    level = [line for line in ax.lines if len(line.get_ydata()) == 2 and np.ptp(line.get_ydata()) == 0]
    assert len({line.get_linestyle() for line in level}) == 3, "the three lines must differ without colour"
    low, high = sorted(ax.get_ylim())
    assert (ax.get_ylim()[0] > ax.get_ylim()[1]) == (better == "lower"), "better is always upwards"
    mark = before + (-got.test.sign if got.worse else got.test.sign) * 2
    assert all(low < end < high for end in (before, after, mark))
    assert "error" in got.alt
    assert "shaded" in got.alt
    plt.close(ax.figure)


def test_a_published_mdc_with_its_interval_is_offered_as_the_sem_behind_it():
    row = dict(
        norms._rows("chair_stand_30s", "sem")[-1], quantity="mdc95", value="2.7719", ci_low="2.0789", ci_high="4.1578"
    )
    offer = norms._offer(row, "stands", "sem")  # each a 1.96 × √2 = 2.7718th, by hand
    assert (offer.value.value, offer.value.low, offer.value.high) == pytest.approx((1.0, 0.75, 1.5), abs=1e-3)
    again = [offer._replace(value=replace(offer.value, value=value)) for value in (1.049, 1.051)]
    assert [offer.repeats(other) for other in again] == [True, True]  # 1 / 1.051 is 4.85% below
    assert [other.repeats(offer) for other in again] == [True, False]


def test_words_of_lines_that_lie_close_are_pushed_apart():
    ax = axes(None)
    ax.set_ylim(10, 14)
    change._labels(ax, [(12.0, "MCID", "k", "-"), (12.05, "MDC", "k", "-"), (13.5, "far", "k", "-")])
    assert [round(text.xyann[1], 3) for text in ax.texts] == [12.0, 12.26, 13.5]  # 6.5% of the 4 shown


@pytest.mark.parametrize(("scores", "given", "said"), [
    # by hand: 4 is above 1.96 × √2 × 1 = 2.8; only 4 − 2 is not
    ((9, 13), {"practice": 2.0}, "within measurement error (MDC95 2.8 for the change without the practice gain of 2)."),
    ((9, 13), {}, "beyond measurement error (MDC95 2.8) and"),
    (("unable", "unable"), {}, ": unable → unable: whether"),
    ((20, 14), {"sem": 0.0001, "mcid": 0.0002}, "(MDC95 0.0003) and at least the MCID (0.0002)."),
])  # fmt: skip
def test_the_chart_says_what_was_held_against_what(scores, given, said):
    about = {"sem": 1.0, "mcid": 2.0, "measure": "chair_stand_30s", **given}
    assert said in tc.person_change(*scores, **about).chart_sentence
