"""How the cases about the MCID are recomputed through the public functions, and independent routes to them."""

from typing import Any

import numpy as np

import truechange as tc
from truechange.evidence.cases import Case, load_case
from truechange.evidence.checking import Numbers, Pairs, computes, route
from truechange.evidence.numerics import counted
from truechange.numerics.binary_models import fit_binary


def _people(case: Case) -> dict[str, Any]:
    return {
        name: np.array([float(row[name]) for row in case.rows]) for name in ("before", "after", "improvement", "anchor")
    }


@computes("mcid_30_people", "r_mcid_models", by="tc.mcid, truechange.numerics.binary_models.fit_binary")
def _thirty(case: Case) -> Numbers:
    people = _people(case)
    change, better = people["improvement"], people["anchor"] >= 1
    study = tc.mcid(change, people["anchor"], sem=0.9, before=people["before"], after=people["after"], n_boot=100)
    found = {name: float(row.estimate) for name, row in study.table().iterrows()}
    found |= {
        f"{name}_{side}": float(study.table()[side][name])
        for name in ("mean_change", "mean_difference")
        for side in ("low", "high")
    }
    values, hits, misses = counted(change, better)
    for link in ("logit", "probit"):
        fit = fit_binary(values, hits[None], (hits + misses)[None], link=link)
        found |= {f"{link}_constant": float(fit.intercept[0]), f"{link}_slope": float(fit.slope[0])}
    found["adjusted_2017"] = found["predictive_adjusted_2017"]
    found["fifty_percent_logit"] = -found["logit_constant"] / found["logit_slope"]
    return found


@route(
    "MCID: predictive modelling",
    "statsmodels: the definitions written out with its fits (30 invented people).",
    by="tc.mcid",
    came="another library",
)
def _definitions_against_statsmodels() -> Pairs:
    import statsmodels.api as sm

    people = _people(load_case("mcid_30_people"))
    d, y = people["improvement"], (people["anchor"] >= 1).astype(float)
    p, s, r = y.mean(), d.std(ddof=1), float(np.corrcoef(d, y)[0, 1])
    odds, rel = float(np.log(p / (1 - p))), 1 - 2 * 0.81 / s**2
    c, b = sm.Logit(y, sm.add_constant(d)).fit(disp=0, tol=1e-12).params
    a, slope = sm.Probit(y, sm.add_constant(d)).fit(disp=0, tol=1e-12).params
    predictive = (odds - c) / b
    table = tc.mcid(d, people["anchor"], sem=0.9, n_boot=100).table()["estimate"]
    latent = d.mean() + rel * (-a / slope - d.mean())
    return {
        "predictive": (float(predictive), float(table["predictive"]), 1e-6),
        "adjusted 2017": (
            float(predictive - (0.090 + 0.103 * r) * s * odds),
            float(table["predictive_adjusted_2017"]),
            1e-6,
        ),
        "latent threshold": (float(latent), float(table["latent_threshold"]), 1e-6),
    }


@route("MCID: ROC", "Youden's cut by trying every midpoint.", by="tc.mcid")
def _cuts_by_trying() -> Pairs:
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


@route("MCID: mean change", "Means and SD of the two groups of ratings, worked out one by one.", by="tc.mcid")
def _mean_change_by_hand() -> Pairs:
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
