"""How the cases about sample size are recomputed, and a slow search or simulation beside each formula."""

import truechange as tc
from truechange.planning import plan_paired_shares, plan_two_programmes, plan_two_shares
from truechange.validation.cases import Case, Numbers, computes


@computes("n_cohen_t", by="truechange.planning.plan_two_programmes, tc.plan_change")
def _cohen(case: Case) -> Numbers:
    power = case.data["power"]
    exact = {f"d{d:g}": plan_two_programmes(d, 1.0, power=power).exact for d in (0.2, 0.5, 0.8)}
    return exact | {"paired_dz0.5": tc.plan_change(0.5, 1.0, power=power).need, "exact_n_d0.5": exact["d0.5"]}


@computes("n_icc_bonett_2002", by="tc.plan_icc")
def _bonett(case: Case) -> Numbers:
    first, second = case.data["cases"]
    four = tc.plan_icc(first["rho"], trials=first["k"], width=first["w"])
    two = tc.plan_icc(second["rho"], trials=second["k"], width=second["w"])
    return {"n_rho.85_k4": four.need, "n_rho.8_k2": two.need - 5 * second["rho"], "n_rho.8_k2_corrected": two.need}


@computes("n_icc_walter_1998", by="tc.plan_icc")
def _walter(case: Case) -> Numbers:
    held = case.data
    confidence = 1 - held["alpha_one_sided"]
    plan = tc.plan_icc(
        held["rho1"], icc_null=held["rho0"], trials=held["n"], power=held["power"], confidence=confidence
    )
    return {"k": plan.exact, "k_rounded_up": plan.need}


@computes("n_two_proportions", "n_mcnemar_connor", by="truechange.planning.plan_two_shares, plan_paired_shares")
def _two_shares(case: Case) -> Numbers:
    held = case.data
    if "p10" in held:
        return {"n": plan_paired_shares(held["p10"], held["p01"], power=held["power"]).exact}
    return {"n": plan_two_shares(held["p1"], held["p2"], power=held["power"]).exact}


@computes("plan_worked", "r_power", by="tc.plan_change, tc.plan_responders, truechange.planning.plan_two_shares")
def _worked(case: Case) -> Numbers:
    effects = case.data.get("effects") or case.data["change_effects"]
    plans = {f"change_{d:g}": tc.plan_change(d, 1.0, power=case.data["power"]) for d in effects}
    if case.id == "r_power":
        shares = plan_two_shares(case.data["p1"], case.data["p2"], power=case.data["power"])
        return {name: plan.exact for name, plan in plans.items()} | {"shares": shares.exact}
    found = {name: float(plan.need) for name, plan in plans.items()}
    for share, half in case.data["widths"]:
        found[f"share_{share:g}_{half:g}"] = tc.plan_responders(share, half).need
    return found
