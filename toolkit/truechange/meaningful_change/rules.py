"""The fixed rule, written before data are opened: what each method is good for here, and which one is recommended."""

import numpy as np
import pandas as pd

from truechange.foundation.numbers import fixed, percent
from truechange.meaningful_change.anchor import NEEDED_IN_CATEGORY, AnchorCheck
from truechange.meaningful_change.estimators import Layout, Rows
from truechange.meaningful_change.people import RatedPeople
from truechange.numerics.binary_models import fit_outcomes, separable
from truechange.numerics.resampling import Floats
from truechange.numerics.roc import Cuts, roc_rows

LEAST, LEAST_SEPARATED, LEAST_TWO_STATE, LEAST_ROC = 10, 30, 150, 20
STATE_BIAS = 0.15
NEEDS_SEM = ("latent_threshold", "latent_threshold_two_state", "latent_threshold_ordinal")
GOOD_FOR = {
    "mean_change": "for the mean of a group, not for one person",
    "mean_difference": "for differences between groups, not for one person",
    "roc_youden": "for comparison with older studies",
    "roc_corner": "for comparison with older studies",
    "roc_spec80": "a specificity rule, not an MCID",
    "predictive": "for comparison with older studies",
    "predictive_adjusted_2017": "for comparison; right only for a near-perfect rating",
    "predictive_adjusted_2022": "a check on the recommended value",
    "latent_threshold": "a check on the recommended value",
    "latent_threshold_two_state": "a check on the recommended value",
    "latent_threshold_ordinal": "a check on the recommended value",
    "detectability_limit": "a limit of detection, not of importance",
}


def gap(layout: Layout) -> tuple[float, float] | None:
    """Return the two changes between which the groups part, if improved people all changed more than the others."""
    hits, misses = layout.by_group(layout.kinds.counts[None], layout.steps)
    if not (hits.any() and misses.any() and separable(hits, misses)[0]):
        return None
    low, high = layout.steps[0][misses[0] > 0].max(), layout.steps[0][hits[0] > 0].min()
    return (float(low), float(high)) if high >= low else None


def uses_of(people: RatedPeople, check: AnchorCheck, layout: Layout, rows: Rows) -> dict[str, str]:
    """Say for each method what it is good for, or why it was not computed or is not to be used."""
    common = _nothing_at_all(people, rows)
    hits, misses = layout.by_group(layout.kinds.counts[None], layout.steps)
    tied = roc_rows(layout.steps[0], hits, misses).cuts
    return {
        name: common.get(name) or _own_reason(name, people, rows, tied) or _anchor_reason(check) or good
        for name, good in GOOD_FOR.items()
    }


def _nothing_at_all(people: RatedPeople, rows: Rows) -> dict[str, str]:
    models = {name for name in GOOD_FOR if name not in ("mean_change", "mean_difference", "detectability_limit")}
    if people.n < LEAST:
        return dict.fromkeys(GOOD_FOR, f"not computed: fewer than {LEAST} people")
    share = float(rows["improved"][0])
    if share in (0.0, 1.0):
        who = "everybody" if share else "nobody"
        return dict.fromkeys(models, f"not computed: {who} rated themselves improved")
    if rows["sd"][0] == 0:
        return dict.fromkeys(models, "not computed: the change does not vary")
    return {}


def _own_reason(name: str, people: RatedPeople, rows: Rows, tied: dict[str, Cuts]) -> str:
    known = bool(np.isfinite(rows.get(name, np.full(1, np.nan))[0]))
    if name in ("mean_change", "mean_difference", "detectability_limit"):
        return _category_reason(name, people)
    if name in NEEDS_SEM and "change_reliability" not in rows:
        return "not computed: needs the test's SEM (sem=)"
    if name in NEEDS_SEM and not rows["change_reliability"][0] > 0:
        return "not computed: all observed spread of change is measurement error"
    if name == "latent_threshold_two_state":
        if people.before is None or people.after is None:
            return "not computed: needs before= and after="
        if not known:
            return "not computed: the true scores vary too little, or the rating does not follow the second score"
        return f"do not use: fewer than {LEAST_TWO_STATE} people" if people.n < LEAST_TWO_STATE else ""
    if not known:
        return "not computed: improved ratings do not become more likely as the change grows"
    if name.startswith("roc_"):
        return _roc_reason(name, people, tied[name.removeprefix("roc_")])
    return ""


def _category_reason(name: str, people: RatedPeople) -> str:
    little, same = int(np.sum(people.rating == people.cut)), int(np.sum(people.rating == people.cut - 1))
    needed = {"mean_change": [little], "mean_difference": [little, same], "detectability_limit": [same]}[name]
    least = 2 if name == "detectability_limit" else 1
    if min(needed) < least:
        return "not computed: too few people in the rating it is about"
    return f"do not use: only {min(needed)} people in a rating" if min(needed) < NEEDED_IN_CATEGORY else ""


def _roc_reason(name: str, people: RatedPeople, cuts: Cuts) -> str:
    few = min(int(people.improved.sum()), int((~people.improved).sum())) < LEAST_ROC
    spread = cuts.high[0] > cuts.low[0]
    parts = [GOOD_FOR[name]]
    parts += [f"cuts from {cuts.low[0]:g} to {cuts.high[0]:g} tie"] if spread else []
    parts += [f"fewer than {LEAST_ROC} people on one side"] if few else []
    return "; ".join(parts) if len(parts) > 1 else ""


def _anchor_reason(check: AnchorCheck) -> str:
    if not check.usable:
        return "do not use: the rating is not an anchor for this test"
    return "" if check.single_value else "do not use: too few or too many improved"


def choose(people: RatedPeople, check: AnchorCheck, rows: Rows, uses: dict[str, str], parted: bool) -> tuple[str, str]:
    """Return the recommended method and an empty text, or an empty name and why nothing is recommended.

    Two states where people seem to rate how they are (and there are enough of them); else the latent threshold; else,
    without the test's SEM, the 2022 adjustment over a range of anchor reliability; else nothing.
    """
    if people.n < LEAST:
        return "", f"fewer than {LEAST} people"
    if people.improved.all() or not people.improved.any():
        return "", f"{'everybody' if people.improved.all() else 'nobody'} rated themselves improved"
    if np.ptp(people.change) == 0:
        return "", "the change does not vary"
    if not check.usable:
        return "", f"the rating is not an anchor for this test (correlation {check.correlation.text(2)})"
    if not check.single_value:
        return "", f"{percent(check.improved.value)} rated themselves improved, outside 10% to 90%"
    if parted and people.n < LEAST_SEPARATED:
        return "", f"the groups do not overlap and there are fewer than {LEAST_SEPARATED} people"
    method = "latent_threshold" if "change_reliability" in rows else "predictive_adjusted_2022"
    bias = float(rows["present_state_bias"][0]) if "present_state_bias" in rows else 0.0
    if abs(bias) > STATE_BIAS and people.n >= LEAST_TWO_STATE:
        method = "latent_threshold_two_state"
    if uses[method].startswith("not computed"):
        return "", uses[method].removeprefix("not computed: ")
    if rows[method][0] < 0:
        value = fixed(float(rows[method][0]), 2)
        return "", f"the estimate is negative ({value}): people who got worse rated themselves better"
    return method, ""


def boundary_table(people: RatedPeople, layout: Layout, rows: Rows, limits: Floats) -> pd.DataFrame:
    """Return the true change at each boundary between neighbouring ratings, and the separate fit beside it."""
    names = ["rating", "change", "low", "high", "n_below", "n_above", "separate_fit", "use"]
    levels = layout.levels[0]
    told = []
    for column, rating in enumerate(levels[1:].astype(int)):
        if "boundaries" not in rows:
            break
        below, above = int(np.sum(people.rating < rating)), int(np.sum(people.rating >= rating))
        few = min(below, above)
        use = f"not estimable here: only {few} people on one side" if few < NEEDED_IN_CATEGORY else "estimable"
        value, (low, high) = float(rows["boundaries"][0, column]), limits[:, column]
        told.append((int(rating), value, low, high, below, above, _separate_fit(layout, rows, int(rating)), use))
    return pd.DataFrame(told, columns=names).set_index("rating")


def _separate_fit(layout: Layout, rows: Rows, rating: int) -> float:
    other = Layout(layout.kinds, rating)
    hits, misses = other.by_group(layout.kinds.counts[None], layout.steps)
    fits = fit_outcomes(layout.steps[0], hits, misses, link="probit")
    if fits.failed[0] or not fits.slope[0] > 0 or not rows["change_reliability"][0] > 0:
        return float("nan")
    mean = float(rows["mean"][0])
    return mean + float(rows["change_reliability"][0]) * (-float(fits.intercept[0] / fits.slope[0]) - mean)
