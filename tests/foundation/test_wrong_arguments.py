"""A text, nothing or a table where something else belongs: every public function says which one, and what to do."""

from math import inf, nan
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import truechange as tc

RNG = np.random.default_rng(5)
BEFORE = RNG.integers(6, 15, 120).astype(float)
AFTER = np.round(BEFORE + RNG.normal(2, 2.2, 120))
CHANGE = AFTER - BEFORE
RATING = np.clip(np.round(CHANGE / 1.5 + RNG.normal(0, 1, 120)), -3, 3)
RETEST = pd.DataFrame({"person": np.repeat(np.arange(30), 2), "trial": np.tile([1, 2], 30)}).assign(
    value=np.repeat(RNG.normal(12, 3, 30), 2) + RNG.normal(0, 1, 60)
)
VISITS = RETEST.merge(pd.DataFrame({"session": [1, 2]}), how="cross").assign(
    value=lambda rows: rows["value"] + np.random.default_rng(6).normal(0, 1, len(rows))
)
GROUP = {"mean_before": 11, "mean_after": 13, "sd_before": 3.2, "sd_after": 3.4, "correlation": 0.8, "n": 200}
RESAMPLED = {"limits": "bca", "n_boot": 100, "seed": 0}
ONE_PERSON = {"before": 9, "after": 13, "sem": 1.0, "programme": tc.Programme(**GROUP), "practice_se": 0.1}
LOST = {"attrition": 0.1, "cluster_size": 5, "cluster_icc": 0.05}
SOURCE = {"source_mean": 11.0, "source_sd": 3.0, "source_low": 1.0, "source_high": 20.0, "source_n": 30}

SOUND = {
    "Estimate": {"value": 2.0, "low": 1.0, "high": 3.0},
    "Threshold": {"value": 2.0, "kind": "mcid"},
    "measure": {"key": "chair_stand_30s"},
    "published_threshold": {"measure": "chair_stand_30s", "quantity": "mic", "citation": "Mostafaee", "value": 2.5},
    "sit_to_stand_power": {
        "mass_kg": 70, "height_m": 1.65, "chair_height_m": 0.43, "repetitions": 12, "seconds": 30,
    },
    "stair_power": {"mass_kg": 70, "rise_m": 1.8, "seconds": 6},
    "read": {"path": Path(__file__).parents[2] / "data_synthetic"},
    "icc": {"data": RETEST, "form": "ICC(A,1)", "confidence": 0.95, **RESAMPLED},
    "icc_table": {"data": RETEST, "confidence": 0.95},
    "choose_icc": {"shifts_matter": True, "complete": True},
    "measurement_error": {"data": RETEST, "resolution": 1.0, "scores_per_visit": 1, **RESAMPLED},
    "limits_of_agreement": {"first": BEFORE, "second": AFTER, "confidence": 0.95},
    "session_reliability": {"data": VISITS, "confidence": 0.95},
    "rater_agreement": {"ratings": [[1, 1, 2], [2, 2, 2], [1, 1, 1]], "confidence": 0.95},
    "rater_limits": {"ratings": [[9, 10, 9], [12, 12, 11], [7, 8, 8]], "confidence": 0.95},
    "weighted_kappa": {"first": [1, 2, 3, 1, 2, 3], "second": [1, 2, 3, 1, 3, 3], "n_boot": 100, "seed": 0},
    "transport_check": {"published": 2.0, "baseline": BEFORE, "repeats": (BEFORE, AFTER), **SOURCE},
    "anchor_check": {"before": BEFORE, "after": AFTER, "anchor": RATING, "cut": 1},
    "mcid": {
        "improvement": CHANGE, "anchor": RATING, "before": BEFORE, "after": AFTER, "sem": 0.9, "sem_df": 49, "cut": 1,
        "n_boot": 100, "seed": 0, "confidence": 0.95,
    },
    "Programme": GROUP,
    "person_change": {
        **ONE_PERSON, "mcid": 2.0, "sem_df": 29, "mcid_deterioration": 2.0, "practice": 0.0, "resolution": 1.0,
        "scale_low": 0.0, "scale_high": 40.0, "measure": None, "confidence": 0.95,
    },
    "reliable_change": {**ONE_PERSON, "sem_after": 1.0, "practice": 0.1, "retest": tc.Programme(**GROUP)},
    "visits": {
        "data": {"day": [0, 42, 84], "score": [9, 11, 13]}, "sem": 1.0, "mcid": 2.0, "baselines": 1, "looks": 2,
    },
    "proportion": {"k": 3, "n": 10, "confidence": 0.95},
    "count_responders": {"improvement": CHANGE, "threshold": 2.0, "started": 130, "confidence": 0.95},
    "compare_responders": {"k1": 18, "n1": 30, "k2": 9, "n2": 28, "confidence": 0.95},
    "responders_from_error": {"threshold": 2.0, "sem": 1.0, "n": 50, "practice": 0.0, "sem_df": 30, "retest": CHANGE},
    "true_responder_share": {"improvement": CHANGE, "sem": 0.9, "mcid": 2.0, "sem_df": 49, "confidence": 0.95},
    "cumulative_change": {"improvement": CHANGE, "thresholds": (2.0,), "sem": 1.0, "confidence": 0.95},
    "plan_change": {
        "change": 1.2, "sd": 2.4, "sd_score": 3.0, "correlation": 0.5, "sem": 1.0, "power": 0.9, "confidence": 0.95,
        **LOST,
    },
    "plan_responders": {"share": 0.5, "half_width": 0.1, "confidence": 0.95, **LOST},
    "plan_icc": {"icc": 0.8, "trials": 2, "width": 0.2, "power": 0.8, "confidence": 0.95, "attrition": 0.1},
    "plan_mcid": {
        "half_width": 1.0, "sd": 2.4, "improved": 0.35, "anchor_reliability": 0.5, "sem": 0.8, "sem_df": 49,
        "mean": 0.0, "confidence": 0.95, "simulate": 0, "seed": 0, "attrition": 0.1,
    },
}  # fmt: skip

WRONG = {"text": "a", "nothing": None, "missing": nan, "infinite": inf, "several": [1.0, 2.0], "table": RETEST}
# What a function takes on purpose: what may be left out, an SEM known exactly, a scale without an end, a short column.
# A text where a name belongs may be a name; its own tests look at names that nothing has.
LEFT_OUT = (
    "citation before after mcid_deterioration programme retest sem_after sem_df measure looks started sd sd_score "
    "correlation width resolution baseline repeats seed source_mean source_sd source_low source_high source_n"
)
TAKEN = {"nothing": {*LEFT_OUT.split()}, "infinite": {"sem_df", "scale_high"}, "table": {"data"},
         "several": {"improvement", "retest", "baseline", "thresholds"}}  # fmt: skip
TAKEN_HERE = {  # an estimate may be not known or without an end
    ("Estimate", "missing"), ("Estimate", "infinite"), ("mcid.sem", "nothing"),
    ("person_change.sem", "nothing"), ("cumulative_change.sem", "nothing"), ("plan_change.sem", "nothing"),
    ("published_threshold.citation", "text"), ("published_threshold.value", "nothing"),
    ("measure.key", "text"), ("read.path", "text"), ("read.path", "table"),
    ("person_change.before", "several"), ("person_change.after", "several"),
}  # fmt: skip


def taken(name, argument, kind):
    return argument in TAKEN.get(kind, ()) or {(name, kind), (f"{name}.{argument}", kind)} & TAKEN_HERE


@pytest.mark.parametrize("name", SOUND)
def test_the_sound_call_is_answered(name):
    assert getattr(tc, name)(**SOUND[name]) is not None


@pytest.mark.parametrize(
    ("name", "argument"),
    [pytest.param(name, one, id=f"{name}.{one}") for name, given in SOUND.items() for one in given],
)
def test_a_wrong_argument_is_named_with_what_to_give_instead(name, argument):
    for kind, wrong in WRONG.items():
        if taken(name, argument, kind):
            continue
        with pytest.raises(tc.OutcomeError) as caught:
            str(getattr(tc, name)(**SOUND[name] | {argument: wrong}))
        said = str(caught.value)
        assert {"key": "measure"}.get(argument, argument) in said, f"{kind}: {said}"
        assert len(said) < 700, f"{kind}: {said}"
