"""How the cases about proportions and responders are recomputed through the public functions."""

from math import sqrt

import truechange as tc
from truechange.responders.comparing import number_needed
from truechange.validation.cases import Case, Numbers, computes


def _shares(pairs: list[list[int]], form: str, confidence: float = 0.95) -> dict[str, float]:
    found: dict[str, float] = {}
    for k, n in pairs:
        one = tc.proportion(k, n, confidence)
        found |= {form.format(k, n, "lo"): one.low, form.format(k, n, "hi"): one.high}
    return found


@computes("prop_newcombe_1998a", by="tc.proportion")
def _single(case: Case) -> Numbers:
    return _shares(case.data["cases"], "{}/{}_{}")


@computes("r_wilson", by="tc.proportion")
def _wilson(case: Case) -> Numbers:
    found: dict[str, float] = {}
    for level in (0.9, 0.95):
        for key, value in _shares(case.data["cases"], f"{{}}/{{}} {level:g} {{}}", level).items():
            found[key.replace("lo", "low").replace("hi", "high")] = value
    return found


@computes("prop_newcombe_1998b", by="tc.compare_responders")
def _independent(case: Case) -> Numbers:
    found: dict[str, float] = {}
    for letter, counts in zip("abcde", case.data["cases"], strict=True):
        k1, n1, k2, n2 = counts
        difference = tc.compare_responders(k1, n1, k2, n2).difference
        found |= {f"{letter}_lo": difference.low, f"{letter}_hi": difference.high}
    return found


@computes("nnt_altman_1998", by="truechange.responders.comparing.number_needed")
def _nnt(case: Case) -> Numbers:
    low, high = case.data["arr_ci"]
    need = number_needed(tc.Estimate(value=case.data["arr"], low=low, high=high))
    return {"NNT": need.value, "NNTB_limit": need.benefit_limit, "NNTH_limit": need.harm_limit}


@computes("rr_or_physicians_aspirin", by="tc.compare_responders")
def _aspirin(case: Case) -> Numbers:
    both = tc.compare_responders(*case.data["placebo"], *case.data["aspirin"])
    found = {"RD": both.difference.value}
    for short, one in (("RR", both.risk_ratio), ("OR", both.odds_ratio)):
        found |= {short: one.value, f"{short}_lo": one.low, f"{short}_hi": one.high}
    return found


@computes("fisher_tea", "r_fisher", by="tc.compare_responders, tc.responders_from_error")
def _fisher(case: Case) -> Numbers:
    if "table" in case.data:
        (a, b), (c, d) = case.data["table"]
        return {"p_two": tc.compare_responders(a, a + b, c, c + d).p_value}
    both = tc.compare_responders(*case.data["first"], *case.data["second"])
    sem = -1 / (sqrt(2) * _normal_quantile(case.data["tail_p"]))  # error alone lifts this share over 1
    return {"fisher_p": both.p_value, "tail": tc.responders_from_error(1, sem=sem, n=case.data["tail_n"]).tail(6)}


def _normal_quantile(p: float) -> float:
    from scipy.special import ndtri

    return float(ndtri(p))


@computes("prop_worked", by="tc.proportion, tc.compare_responders")
def _worked(case: Case) -> Numbers:
    found = {key.replace("_lo", " low").replace("_hi", " high"): value
             for key, value in _shares(case.data["singles"], "{}/{}_{}").items()}  # fmt: skip
    both = tc.compare_responders(*case.data["pair"])
    need, gap = both.number_needed_to_treat, both.difference
    found |= {"difference": gap.value, "difference_low": gap.low, "difference_high": gap.high}
    return found | {"nnt": need.value, "nnt_low": need.low, "nnt_high": need.high}


@computes("error_only_share", by="tc.responders_from_error")
def _error_only(case: Case) -> Numbers:
    return {"share": tc.responders_from_error(case.data["mcid"], sem=case.data["sem"], n=case.data["n"]).proportion}
