"""MCID by independent routes: other libraries, plain arithmetic, a large sample."""

from typing import Any

import numpy as np
import pandas as pd
from simulation.coverage_settings import LARGE_SAMPLE, rated_change

import truechange as tc
from oracles import Pairs, route
from truechange.validation.cases import FOLDER, Case, load_case


def _people(case: Case) -> dict[str, Any]:
    rows = pd.read_csv(FOLDER / case.data["file"])
    return {name: rows[name].to_numpy(float) for name in ("before", "after", "improvement", "anchor")}


@route("MCID: predictive modelling", by="tc.mcid", came="another library")
def _definitions_against_statsmodels() -> Pairs:
    """statsmodels: the definitions written out with its fits (30 invented people)."""
    import statsmodels.api as sm

    people = _people(load_case("mcid_30_people"))
    d, y = people["improvement"], (people["anchor"] >= 1).astype(float)
    p, s = y.mean(), d.std(ddof=1)
    odds, rel = float(np.log(p / (1 - p))), 1 - 2 * 0.81 / s**2
    c, b = sm.Logit(y, sm.add_constant(d)).fit(disp=0, tol=1e-12).params
    a, slope = sm.Probit(y, sm.add_constant(d)).fit(disp=0, tol=1e-12).params
    predictive = (odds - c) / b
    table = tc.mcid(d, people["anchor"], sem=0.9, n_boot=100).table()["estimate"]
    latent = d.mean() + rel * (-a / slope - d.mean())
    return {
        "predictive": (float(predictive), float(table["predictive"]), 1e-6),
        "latent threshold": (float(latent), float(table["latent_threshold"]), 1e-6),
    }


@route("MCID: ROC", by="tc.mcid")
def _cuts_by_trying() -> Pairs:
    """Youden's cut by trying every midpoint."""
    rng = np.random.default_rng(31)
    found: Pairs = {}
    for trial in range(3):
        d = np.round(rng.normal(2, 2, 90))
        anchor = np.digitize(d + rng.normal(0, 2, 90), [-1, 2, 4]) - 1
        y = anchor >= 1
        levels = np.unique(d)
        cuts = (levels[:-1] + levels[1:]) / 2
        sens = np.array([(d[y] > cut).mean() for cut in cuts])
        spec = np.array([(d[~y] < cut).mean() for cut in cuts])
        youden, corner = sens + spec, (1 - sens) ** 2 + (1 - spec) ** 2
        table = tc.mcid(d, anchor, n_boot=100).table()["estimate"]
        best = cuts[youden > youden.max() - 1e-12].mean()
        near = cuts[corner < corner.min() + 1e-12].mean()
        found[f"sample {trial}: Youden"] = (float(best), float(table["roc_youden"]), 1e-12)
        found[f"sample {trial}: corner"] = (float(near), float(table["roc_corner"]), 1e-12)
        found[f"sample {trial}: specificity 80%"] = (float(cuts[spec >= 0.8].min()), float(table["roc_spec80"]), 1e-12)
    return found


@route("MCID: mean change", by="tc.mcid")
def _mean_change_by_hand() -> Pairs:
    """Means and SD of the two groups of ratings, worked out one by one."""
    rng = np.random.default_rng(32)
    d = rng.normal(2, 2, 120)
    anchor = np.digitize(d + rng.normal(0, 2, 120), [-1, 2, 4]) - 1
    table = tc.mcid(d, anchor, n_boot=100).table()["estimate"]
    little, same = d[anchor == 1], d[anchor == 0]
    return {
        "mean change": (float(little.mean()), float(table["mean_change"]), 1e-12),
        "mean difference": (float(little.mean() - same.mean()), float(table["mean_difference"]), 1e-12),
        "detectability limit": (
            float(same.mean() + 1.6448536 * same.std(ddof=1)),
            float(table["detectability_limit"]),
            1e-6,
        ),
    }


@route("MCID: predictive modelling", by="tc.mcid", came="another library")
def _two_states_against_statsmodels() -> Pairs:
    """statsmodels: two-state and ordered models written out."""
    import statsmodels.api as sm
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    rng = np.random.default_rng(33)
    before = rng.normal(10, 3, 400)
    true = rng.normal(2, 2, 400) - 0.2 * (before - 10)
    change = true + rng.normal(0, 1, 400)
    anchor = np.digitize(true + 0.3 * (before - 10) + rng.normal(0, 1.5, 400), [-2, 2, 5]) - 1
    after, sem2 = before + change, 0.49
    study = tc.mcid(change, anchor, sem=0.7, before=before, after=after, n_boot=100)
    scores = np.column_stack([before, after])
    observed = np.cov(scores.T)
    true_part = observed - sem2 * np.eye(2)
    shrink = true_part @ np.linalg.inv(observed)
    middle = scores.mean(axis=0)
    fit = sm.Probit((anchor >= 1).astype(float), sm.add_constant(scores - middle)).fit(disp=0, tol=1e-12).params
    early, late = np.linalg.solve(shrink.T, fit[1:])
    m, rel = change.mean(), 1 - 2 * sem2 / change.var(ddof=1)
    ordered = OrderedModel(anchor, change[:, None], distr="probit").fit(method="bfgs", disp=0, gtol=1e-8)
    cuts = ordered.model.transform_threshold_params(ordered.params)[1:-1]
    two_state = middle[1] - middle[0] - fit[0] / late
    ordinal = m + rel * (cuts[1] / ordered.params[0] - m)
    estimate = study.table()["estimate"]
    return {
        "two states": (float(two_state), float(estimate["latent_threshold_two_state"]), 1e-5),
        "present-state bias": (float(1 + early / late), study.present_state_bias.value, 1e-5),
        "all ratings": (float(ordinal), float(estimate["latent_threshold_ordinal"]), 1e-4),
        "boundary to much better": (
            float(m + rel * (cuts[2] / ordered.params[0] - m)),
            float(study.boundaries.change[2]),
            1e-3,
        ),
    }


@route("MCID: distribution-based", by="tc.mcid", came="another library")
def _sizes_by_hand() -> Pairs:
    """Definitions by hand; chi-squared limits of an SD (scipy.stats)."""
    from scipy.stats import chi2

    people = _people(load_case("mcid_30_people"))
    study = tc.mcid(**{k: people[k] for k in ("improvement", "anchor", "before", "after")}, sem=0.9, n_boot=100)
    sizes, sd = study.size_references, people["before"].std(ddof=1)
    return {
        "0.5 SD": (float(0.5 * sd), float(sizes.estimate["0.5 SD"]), 1e-12),
        "0.5 SD low": (float(0.5 * sd * np.sqrt(29 / chi2.ppf(0.975, 29))), float(sizes.low["0.5 SD"]), 1e-9),
        "0.2 SD high": (float(0.2 * sd * np.sqrt(29 / chi2.ppf(0.025, 29))), float(sizes.high["0.2 SD"]), 1e-9),
        "1 SEM": (0.9, float(sizes.estimate["1 SEM"]), 1e-12),
        "MDC": (1.959963985 * 2**0.5 * 0.9, float(sizes.estimate["MDC"]), 1e-8),
        "0.5 SD of change": (
            float(0.5 * people["improvement"].std(ddof=1)),
            float(sizes.estimate["0.5 SD of change"]),
            1e-12,
        ),
    }


@route("MCID: predictive modelling", by="tc.mcid")
def _known_bias_against_simulation() -> Pairs:
    """Known bias against a separate simulation of 400,000 people a setting."""
    found: Pairs = {}
    for (p, rel_t), biases in LARGE_SAMPLE.items():
        change, rating = rated_change(np.random.default_rng(34), 20_000, p=p, rel_t=rel_t, sem=0.5**0.5)
        known = tc.mcid(change, rating, sem=0.5**0.5, n_boot=100).bias_map["known_bias"]
        for method, bias in biases.items():
            found[f"share improved {p:g}, anchor {rel_t:g}: {method}"] = (bias, float(known[method]), 0.06)
    return found


@route("MCID: anchor", by="tc.anchor_check", came="another library")
def _anchor_against_scipy() -> Pairs:
    """scipy.stats: rank correlation of rating and change."""
    from scipy.stats import spearmanr

    people = _people(load_case("mcid_30_people"))
    check = tc.anchor_check(people["before"], people["after"], people["anchor"])
    found: Pairs = {}
    for name, other in (("correlation", "improvement"), ("with_before", "before"), ("with_after", "after")):
        theirs = spearmanr(people[other], people["anchor"]).statistic
        found[f"rating and {other}"] = (float(theirs), getattr(check, name).value, 1e-12)
    return found


@route("MCID: predictive modelling", by="tc.mcid")
def _anchor_of_people_taken_in_for_a_low_score() -> Pairs:
    """Known share of true change in what lies behind the rating, both scores used: 20,000 people taken in at 9."""
    rng = np.random.default_rng(35)
    true = rng.normal(10, 3, 60_000)
    before = np.round(true + rng.normal(0, 1, true.size))
    here = np.flatnonzero(before <= 9)[:20_000]
    change = 2.3 - 0.13 * (true[here] - 10) + rng.normal(0, 1.95, here.size)
    after = np.round(true[here] + change + rng.normal(0, 1, here.size))
    rating = (change - 2 + rng.normal(0, 1.6, here.size) > 0).astype(int)
    gain, rule = after - before[here], tc.Entry(9, mean=10, sd=10**0.5, n=60_000)
    study = tc.mcid(gain, rating, sem=(1 + 1 / 12) ** 0.5, before=before[here], after=after, entry=rule, n_boot=100)
    spread = 0.13**2 * 9 + 1.95**2
    return {"anchor reliability": (spread / (spread + 1.6**2), study.anchor_reliability.value, 0.03)}


@route("MCID: predictive modelling", by="tc.mcid")
def _adjustments_in_the_designs_they_were_made_for() -> Pairs:
    """The pull that is needed: normal change, known thresholds, 30 and 70% improved, 40,000 people each."""
    from truechange.meaningful_change.estimators import METHODS, Layout, adjusted_2022, estimate_rows
    from truechange.meaningful_change.ratings import rated_people

    found: Pairs = {}
    for rel_t in (0.5, 0.6, 1.0):
        pulls = []
        for p in (0.3, 0.7):
            change, rating = rated_change(np.random.default_rng(36), 40_000, p=p, rel_t=rel_t, sem=0.5**0.5)
            layout = Layout.of(rated_people(change, rating))
            rows = estimate_rows(layout, layout.kinds.counts[None], None)
            scale = change.std(ddof=1) * np.log(rating.mean() / (1 - rating.mean()))
            scale *= 1 if rel_t == 1 else np.corrcoef(change, rating)[0, 1]
            adjusted = METHODS["predictive_adjusted_2017"].formula(rows) if rel_t == 1 else adjusted_2022(rows, rel_t)
            pulls.append([(rows["predictive"][0] - end) / scale for end in (2.0, adjusted[0])])
        needed, ours = np.mean(pulls, axis=0)
        found[f"reliability of the rating {rel_t:g}"] = (float(needed), float(ours), 0.03)
    return found
