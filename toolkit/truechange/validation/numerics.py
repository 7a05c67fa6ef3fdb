"""The arithmetic under the methods: ROC, logistic and probit fits, resampling, held against other libraries."""

from typing import Any

import numpy as np

import truechange as tc
from truechange.validation.cases import Case, Numbers, computes


def _study(scores: Any, event: Any) -> Any:
    return tc.mcid(np.asarray(scores, dtype=float), np.asarray(event).astype(int), n_boot=100)


def _area(scores: Any, event: Any) -> tuple[float, float, float, float]:
    one = _study(scores, event).area
    return one.value, (one.high - one.low) / (2 * 1.959963985), one.low, one.high


@computes("auc_hanley_mcneil_1982", by="tc.mcid")
def _hanley(case: Case) -> Numbers:
    normal, abnormal = (np.repeat(np.arange(5.0), case.data[name]) for name in ("normal", "abnormal"))
    event = np.repeat([0, 1], [normal.size, abnormal.size])
    value, se, low, high = _area(np.concatenate([normal, abnormal]), event)
    return {"AUC": value, "AUC_4dp": value, "se_delong": se, "ci_lo": low, "ci_hi": high}


@computes("auc_delong_1988", by="tc.mcid")
def _delong(case: Case) -> Numbers:
    rows = case.rows
    found: dict[str, float] = {}
    event = [int(row["popind"]) for row in rows]
    for short, column, flip in (("alb", "albumin", 1), ("tp", "total_protein", 1), ("kg", "kg_score", -1)):
        value, se, low, high = _area([flip * float(row[column]) for row in rows], event)
        found |= {f"auc_{short}": value, f"se_{short}": se, f"lo_{short}": low, f"hi_{short}": high}
    return found


@computes("auc_proc_asah", "r_roc_asah", by="tc.mcid")
def _asah(case: Case) -> Numbers:
    poor = np.array([row["outcome"] == "Poor" for row in case.rows])
    found: dict[str, float] = {}
    for marker in ("s100b", "ndka", "wfns"):
        scores = np.array([float(row[marker]) for row in case.rows])
        value, _, low, high = _area(scores, poor)
        found[f"auc_{marker}"] = value
        if marker == "s100b":
            found |= {"auc": value, "lo": low, "hi": high, "low": low, "high": high}
            cuts = _study(scores, poor).table()["estimate"]
            for rule in ("youden", "corner", "spec80"):
                cut = float(cuts[f"roc_{rule}"])
                sens, spec = float((scores[poor] > cut).mean()), float((scores[~poor] < cut).mean())
                found |= {rule: cut, f"{rule}_cut": cut, f"{rule}_sens": sens, f"{rule}_spec": spec}
                found |= {f"{rule}_sensitivity": sens, f"{rule}_specificity": spec}
    return found
