"""The public names keep their parameters and what they return: other people's scripts lean on them."""

import inspect
import re

import numpy as np
import pandas as pd
import pytest

import truechange as tc

REQUIRED = inspect.Parameter.empty

PARAMETERS = {
    "sit_to_stand_power": "mass_kg height_m chair_height_m repetitions seconds",
    "stair_power": "mass_kg rise_m seconds",
    "icc": "data form person trial value confidence missing",
    "icc_table": "data person trial value confidence",
    "measurement_error": "data person trial value confidence",
    "limits_of_agreement": "first second confidence method",
    "weighted_kappa": "first second weights categories",
    "anchor_check": "before after anchor better",
    "mcid": "improvement anchor cut sem sem_df before after n_boot seed confidence",
    "person_change": (
        "before after sem mcid better sem_df mcid_deterioration programme practice before_protocol after_protocol "
        "confidence"
    ),
    "Programme": "mean_before mean_after sd_before sd_after correlation n",
    "reliable_change": "before after sem",
    "proportion": "k n confidence method",
    "count_responders": "improvement threshold by started confidence",
    "compare_responders": "k1 n1 k2 n2 confidence",
    "responders_from_error": "threshold sem n practice",
    "true_responder_share": "improvement sem mcid sem_df confidence",
    "cumulative_change": "improvement by",
    "audit": "records before after measures",
}
DEFAULTS = {("icc", "form"): REQUIRED, ("icc", "missing"): "refuse", ("icc", "confidence"): 0.95,
            ("limits_of_agreement", "method"): "exact", ("weighted_kappa", "weights"): "quadratic", ("mcid", "cut"): 1,
            ("mcid", "n_boot"): 2000, ("mcid", "seed"): 0, ("person_change", "better"): "higher",
            ("person_change", "practice"): 0.0, ("person_change", "sem"): REQUIRED, ("person_change", "mcid"): REQUIRED,
            ("proportion", "method"): "wilson", ("responders_from_error", "practice"): 0.0,
            ("audit", "before"): "baseline", ("audit", "after"): "discharge"}  # fmt: skip
RNG = np.random.default_rng(5)
BEFORE = RNG.integers(6, 15, 120).astype(float)
AFTER = np.round(BEFORE + RNG.normal(2, 2.2, 120))
RATING = np.clip(np.round((AFTER - BEFORE) / 1.5 + RNG.normal(0, 1, 120)), -3, 3)
RETEST = pd.DataFrame(
    {
        "person": np.repeat(np.arange(30), 2),
        "trial": np.tile([1, 2], 30),
        "value": np.repeat(RNG.normal(12, 3, 30), 2) + RNG.normal(0, 1, 60),
    }
)


@pytest.mark.parametrize("name", PARAMETERS)
def test_parameters_are_there(name):
    got = inspect.signature(getattr(tc, name)).parameters
    assert set(PARAMETERS[name].split()) <= set(got)


LONG = {
    "audit": 860,
    "person_change": 670,
    "transport_check": 655,
    "measurement_error": 525,
    "mcid": 440,
}  # only ever shorter


@pytest.mark.parametrize("name", tc.__all__)
def test_help_opens_with_names_not_with_a_screen_of_types(name):
    given = getattr(tc, name)
    if inspect.isfunction(given) or (inspect.isclass(given) and not issubclass(given, Exception)):
        text = str(inspect.signature(given))
        assert len(text) <= LONG.get(name, 400)
        assert "_typing" not in text
        assert all(held.count(",") < 3 for held in re.findall(r"Union\[([^\]]*)\]", text))


@pytest.mark.parametrize(("name", "parameter"), DEFAULTS, ids=".".join)
def test_defaults_hold(name, parameter):
    assert inspect.signature(getattr(tc, name)).parameters[parameter].default == DEFAULTS[name, parameter]


@pytest.mark.parametrize("name", ["responders_from_error", "true_responder_share", "person_change", "reliable_change"])
def test_error_and_threshold_cannot_be_swapped(name):
    got = inspect.signature(getattr(tc, name)).parameters
    assert all(got[word].kind is inspect.Parameter.KEYWORD_ONLY for word in ("sem", "mcid", "n") if word in got)


def _has(thing, names):
    missing = [name for name in names.split() if not hasattr(thing, name)]
    assert not missing, f"{type(thing).__name__} lacks {missing}"


def test_a_measure():
    _has(
        tc.measure("chair_stand_30s"),
        "unit better hard_low hard_high soft_low soft_high resolution protocol cautions improvement",
    )


def test_reliability_results():
    found = tc.icc(RETEST, form="ICC(A,1)")
    _has(found, "estimate form shrout_fleiss f df1 df2 p_value mean_squares cautions")
    assert found.shrout_fleiss == "ICC(2,1)"
    table = tc.icc_table(RETEST)
    assert list(table.index) == ["ICC(1)", "ICC(A,1)", "ICC(C,1)", "ICC(k)", "ICC(A,k)", "ICC(C,k)"]
    assert {"estimate", "low", "high", "f", "df1", "df2", "p_value", "shrout_fleiss"} <= set(table.columns)
    for older, form in zip(
        ("ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC1k", "icc2k", "ICC(3, k)"), table.index, strict=True
    ):
        with pytest.raises(tc.ChoiceError, match=re.escape(f"use form={form!r}")):
            tc.icc(RETEST, form=older)
    error = tc.measurement_error(RETEST)
    _has(error, "sem_agreement sem_consistency sem_one_way mdc90 mdc95 mdc95_group learning")
    assert (error.mdc95.level, error.mdc95_group.level) == ("person", "group")
    agreement = tc.limits_of_agreement(BEFORE, AFTER)
    _has(agreement, "bias lower upper repeatability proportional_bias heteroscedasticity")
    _has(tc.weighted_kappa([1, 2, 3, 1, 2, 3], [1, 2, 3, 1, 3, 3]), "value low high agreement")


def test_the_mcid_study():
    study = tc.mcid(AFTER - BEFORE, RATING, sem=0.9, sem_df=49, before=BEFORE, after=AFTER, n_boot=300)
    methods = (
        "mean_change mean_difference roc_youden roc_corner roc_spec80 predictive predictive_adjusted_2017 "
        "predictive_adjusted_2022 latent_threshold latent_threshold_two_state latent_threshold_ordinal "
        "detectability_limit"
    )
    assert set(methods.split()) <= set(study.table().index)
    assert {"estimate", "low", "high", "n", "bias_direction", "use"} <= set(study.table().columns)
    _has(study, "recommended size_references anchor credibility")
    assert isinstance(study.recommended, tc.Threshold)
    assert (study.recommended.kind, study.recommended.level) == ("mcid", "person")


def test_one_person():
    found = tc.person_change(9, 13, sem=1.0, sem_df=29, mcid=2.0, programme=tc.Programme(11, 13, 3.2, 3.4, 0.8, 200))
    _has(
        found,
        "verdict improvement mdc reliable_change_index true_change p_better p_meaningful p_meaningful_flat p_worse "
        "stability",
    )
    assert isinstance(tc.reliable_change(9, 13, sem=1.0), pd.DataFrame)


def test_responders():
    counted = tc.count_responders(AFTER - BEFORE, 2.0)
    assert {"group", "started", "measured", "changed_enough", "proportion", "low", "high"} <= set(
        counted.table().reset_index().columns
    )
    _has(tc.compare_responders(18, 30, 9, 28), "difference risk_ratio odds_ratio number_needed_to_treat p_value")
    alone = tc.responders_from_error(2.0, sem=1.0, n=50)
    _has(alone, "proportion expected tail")
    assert isinstance(tc.true_responder_share(AFTER - BEFORE, sem=0.9, mcid=2.0), tc.Estimate)


def test_every_result_speaks_shows_and_warns():
    results = (
        tc.icc(RETEST, form="ICC(A,1)"),
        tc.measurement_error(RETEST),
        tc.limits_of_agreement(BEFORE, AFTER),
        tc.person_change(9, 13, sem=1.0, mcid=2.0),
        tc.count_responders(AFTER - BEFORE, 2.0),
        tc.compare_responders(18, 30, 9, 28),
        tc.cumulative_change(AFTER - BEFORE),
    )
    for shown in (tc.measure("chair_stand_30s"), tc.Threshold(value=2.0, kind="mcid"), tc.proportion(3, 10)):
        assert str(getattr(shown, "name", shown)) in shown._repr_html_()
    for result in results:
        assert isinstance(result.table(), pd.DataFrame)
        assert all(isinstance(line, str) and line for line in result.sentences())
        assert isinstance(result.cautions, tuple)
        assert callable(result.plot)
        assert "<table" in result._repr_html_()
        with pytest.raises((AttributeError, TypeError)):
            result.cautions = ()
