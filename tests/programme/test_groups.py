"""Two groups straight from a table: the numbers of statsmodels, the direction of the test, and what is refused."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

import truechange as tc
from truechange.programme.comparison import adjusted_difference


@pytest.fixture(scope="module")
def people():
    """Ninety people of nine therapists who each treat both groups, on a test where less is better."""
    rng = np.random.default_rng(5)
    therapist = np.repeat([f"T{at}" for at in range(9)], 10)
    group = np.tile(["power", "usual"], 45)
    before = rng.normal(20, 2, 90).round(1)
    gain = 1.0 + 0.8 * (group == "power") + np.repeat(rng.normal(0, 0.7, 9), 10) + rng.normal(0, 1, 90)
    return pd.DataFrame({"person": range(90), "arm": group, "therapist": therapist, "before": before,
                         "after": (before - gain).round(1)})  # fmt: skip


def compared(people, **more):
    known = {"measure": "timed_up_and_go", "group": "arm", "reference": "usual"}
    return tc.compare_groups(people, **known | more)


def test_the_ancova_is_that_of_statsmodels_with_hc3(people):
    found = compared(people)
    line = people.assign(gain=people["before"] - people["after"], power=(people["arm"] == "power").astype(int))
    fit = smf.ols("gain ~ before + power", line).fit(cov_type="HC3", use_t=True)
    assert found.adjusted.value == pytest.approx(fit.params["power"])
    assert (found.adjusted.low, found.adjusted.high) == pytest.approx(tuple(fit.conf_int().loc["power"]))
    assert found.adjusted.unit == "s"
    assert found.sentence().startswith("Compared with usual, people in power improved by")


@pytest.mark.parametrize("nested", [False, True], ids=["both groups each", "one group each"])
def test_the_mixed_model_is_that_of_statsmodels(people, nested):
    if nested:
        arm = np.where(people["therapist"].isin(["T0", "T2", "T4", "T6"]), "power", "usual")
        apart = people["therapist"].str[1:].astype(int) * 0.7
        people = people.assign(arm=arm, after=(people["after"] - apart).round(1))
    found = compared(people, cluster="therapist")
    line = people.assign(gain=people["before"] - people["after"], power=(people["arm"] == "power").astype(int))
    fit = smf.mixedlm("gain ~ before + power", line, groups=line["therapist"]).fit(reml=True)
    assert found.mixed.value == pytest.approx(fit.params["power"], rel=1e-4)
    assert found.mixed_se == pytest.approx(fit.bse["power"], rel=1e-3)
    between, within = float(fit.cov_re.iloc[0, 0]), fit.scale
    assert found.between == pytest.approx(between / (between + within), rel=1e-2)
    assert found.mixed.df == (9 - 2 if nested else 90 - 9 - 2)
    assert any("Each therapist has one group only" in text for text in found.cautions) == nested
    assert "With therapist as a random intercept (9 of them" in found.sentences()[1]
    assert "the same, clusters as random intercepts" in set(found.table()["quantity"])


def test_direction_and_missing_scores_are_told(people):
    higher = tc.measure("speed_own", unit="s", better="higher", resolution=0.1, limits=(0, 60))
    assert compared(people, measure=higher).adjusted.value == pytest.approx(-compared(people).adjusted.value)
    holed = people.assign(after=people["after"].where(people.index > 4))
    found = compared(holed, threshold=1.0, cluster="therapist")
    assert "5 of 90 people lack a score before or after and are in no mean." in found.cautions
    assert found.adjusted.n == 85


def test_changes_all_alike_are_not_compared_as_if_they_were_certain():
    before, group = np.tile([8.0, 9.0, 11.0, 12.0], 5), np.repeat([1.0, 0.0], 10)
    with pytest.raises(tc.DataError, match="Every change lies on one line"):
        adjusted_difference(before, np.full(20, 2.0), group, 0.95)
    found, p, *_ = adjusted_difference(before, np.tile([2.0, 2.0, 1.0, 3.0, 2.0], 4), group, 0.95)
    assert 0 < p <= 1
    assert found.low < found.value < found.high
