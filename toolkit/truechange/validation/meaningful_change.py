"""How the cases about the MCID are recomputed through the public functions, and independent routes to them."""

from typing import Any

import numpy as np

import truechange as tc
from truechange.numerics.counts import distinct
from truechange.numerics.curves import fit_binary, fit_ordered
from truechange.validation.cases import Case, Numbers, computes


def _people(case: Case) -> dict[str, Any]:
    return {
        name: np.array([float(row[name]) for row in case.rows]) for name in ("before", "after", "improvement", "anchor")
    }


@computes("mcid_30_people", "r_mcid_models", by="tc.mcid, truechange.numerics.curves.fit_binary")
def _thirty(case: Case) -> Numbers:
    people = _people(case)
    change, better = people["improvement"], people["anchor"] >= 1
    study = tc.mcid(change, people["anchor"], sem=0.9, before=people["before"], after=people["after"], n_boot=100)
    table = study.table()
    found = {str(name): float(value) for name, value in table["estimate"].items()}
    for name in ("mean_change", "mean_difference"):
        found |= {f"{name}_low": float(table.low[name]), f"{name}_high": float(table.high[name])}
    predictive, product = study.adjustment  # product: SD x point-biserial correlation x log odds
    odds = float(np.log(better.mean() / (1 - better.mean())))
    found |= {
        "sd_change": study.sd,
        "point_biserial": product / (study.sd * odds),
        "proportion_improved": better.mean(),
    }
    found |= {"rel_t": study.anchor_reliability.value, "present_state_bias": study.present_state_bias.value}
    found["predictive_adjusted_2022"] = predictive - (0.8 / 0.6 - 0.5) * product
    for name, upper in (("worse_same", 0), ("same_little", 1), ("little_much", 2)):
        found[f"ordinal_{name}"] = float(study.boundaries.change[upper])
    values, place = np.unique(change, return_inverse=True)
    hits, misses = (np.bincount(place[rows], minlength=values.size).astype(float) for rows in (better, ~better))
    for link in ("logit", "probit"):
        fit = fit_binary(values, hits[None], (hits + misses)[None], link=link)
        found |= {f"{link}_constant": float(fit.intercept[0]), f"{link}_slope": float(fit.slope[0])}
    found["adjusted_2017"] = found["predictive_adjusted_2017"]
    found["fifty_percent_logit"] = -found["logit_constant"] / found["logit_slope"]
    return {name: float(value) for name, value in found.items()}


@computes("r_mcid_ordered", by="truechange.numerics.curves.fit_ordered")
def _ordered(case: Case) -> Numbers:
    people = _people(case)
    kinds = distinct(np.column_stack([people["improvement"], np.clip(people["anchor"], -1, 2)]))
    category = (kinds.rows[:, 1] + 1).astype(np.intp)
    fit = fit_ordered(kinds.rows[:, 0], category, kinds.counts[None])
    found = {"slope": float(fit.slope[0])}
    return found | {f"threshold_{i + 1}": float(value) for i, value in enumerate(fit.thresholds[0])}
