"""What an MCID leans on: each assumption, whether these people contradict it, and where the value lies if it fails."""

from dataclasses import dataclass
from math import erfc, isfinite, nan, sqrt

import numpy as np
import pandas as pd
from scipy.special import ndtri

from truechange.foundation.numbers import fixed
from truechange.foundation.result import told as said_of
from truechange.foundation.sem import Sem
from truechange.meaningful_change.estimators import Layout, Rows, kept_of
from truechange.meaningful_change.ratings import RatedPeople
from truechange.measures.literature import FAR_SHORTER, days_between
from truechange.numerics.counts import gathered
from truechange.numerics.curves import ordered_lean
from truechange.numerics.density import true_skew

LEANS = 0.05  # own rule: p of skewed residuals of the rating
SHARED = 0.3  # of the rating's own error variance, taken to be the test's where people had heard their result
WEEKS = 1.8  # published errors over 1-4 months by those of one session or two days: 4.52/2.5 s, 2.08/1.10 s
# Bias seen in simulation, in SDs of true change (simulated("mcid_edges")): of skewed thresholds (skewness 2), and of
# skewed true change for each unit of skewness.
LEANING, SKEWED = 0.12, 0.08
RATED_FIRST, SAME_GAP = "people rated before hearing their result", "the SEM is of tests as far apart as these scores"
EVEN, NOT_SKEWED = "personal thresholds lie evenly about their mean", "true change is not skewed"


@dataclass(frozen=True)
class Circumstances:
    """What a study was told of its own circumstances: time between the two scores in words; result heard first?"""

    interval: str = ""
    told: bool | None = None


def assumptions(
    people: RatedPeople, layout: Layout, rows: Rows, error: Sem | None, asked: Circumstances
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return one row an assumption of the latent threshold, and a caution for each that these people contradict.

    Columns: holds ("yes", "no", "not asked", "not contradicted"), otherwise_low and otherwise_high (between which the
    latent threshold lies if it fails), p of the test that looked, where there is one.
    """
    value = float(rows["latent_threshold"][0]) if "latent_threshold" in rows else nan
    kept = float(rows["change_reliability"][0]) if error is not None else 1.0
    true_sd = float(rows["sd"][0]) * sqrt(max(kept, 0.0))
    heard, later = _heard(rows, kept), _with_sem(rows, kept, WEEKS)
    there = error.estimate.origin.interval if error is not None else ""
    gaps = days_between(there), days_between(asked.interval)
    nearer = gaps[0] * FAR_SHORTER < gaps[1] if all(map(isfinite, gaps)) else None
    lean = nan if people.entry is not None else _lean(layout)  # a cut on the first score bends the curve by itself
    chance, side = erfc(abs(lean) / sqrt(2)), -1 if lean > 0 else 1  # thresholds lean against the residuals
    skew, shown = true_skew(people.change, kept)
    moved, bent = side * LEANING * true_sd, SKEWED * abs(skew) * true_sd
    found = {
        RATED_FIRST: ({None: "not asked", True: "no", False: "yes"}[asked.told], value, heard),
        SAME_GAP: ({None: "not asked", True: "no", False: "yes"}[nearer], value, later),
        EVEN: ("no" if chance < LEANS else "not contradicted", value, value + moved),
        NOT_SKEWED: ("no" if shown else "not contradicted", value - bent, value + bent),
    }
    table = pd.DataFrame(
        [(holds, *sorted(span)) for holds, *span in found.values()],
        columns=["holds", "otherwise_low", "otherwise_high"], index=pd.Index(found, name="assumption"),
    )  # fmt: skip
    table["p"] = [nan, nan, chance, nan]
    cautions = said_of({
        "People had heard their result before they rated, so that the rating may share the test's error. Were three "
        f"tenths of the rating's own error the test's, the latent threshold would be {_shown(heard)}.":
            asked.told and error is not None,
        f"The SEM comes from tests with '{there}' between them, these scores lie {asked.interval} apart: published "
        f"errors over weeks are about {WEEKS:g} times those of one session. With such an SEM the latent threshold "
        f"would be {_shown(later)}.": nearer,
        f"The ratings lean to one side (p = {chance:.3f}): personal thresholds look skewed, a few people asking for "
        f"far {'more' if side > 0 else 'less'} than most. Their mean may be up to {fixed(LEANING * true_sd, 2)} "
        f"{'higher' if side > 0 else 'lower'} than the latent threshold.": chance < LEANS,
        f"True change looks skewed ({fixed(skew, 1)}): the latent threshold may be off by up to {fixed(bent, 2)}.":
            shown,
    })  # fmt: skip
    return table, cautions


def sentence_of_assumptions(table: pd.DataFrame, unit: str = "", places: int = 1) -> str:
    """Say what nobody was asked and where the value could lie if it were otherwise; empty where nothing is open."""
    open_ = table[table["holds"] == "not asked"]
    low, high = open_["otherwise_low"].min(), open_["otherwise_high"].max()
    if not low < high:
        return ""
    return (
        f"Taken for granted, for nobody said: {'; '.join(open_.index)}. Were it otherwise, the value could lie "
        f"anywhere from {fixed(low, places)} to {fixed(high, places)}{unit}."
    )


def _shown(value: float) -> str:
    return fixed(value, 2) if isfinite(value) else "unknown, for all of the change would be error"


def _lean(layout: Layout) -> float:
    """Return the score statistic for skewed residuals of the ordered probit over all ratings; NaN if there is none."""
    (cells, at), levels = layout.rated_steps, layout.levels[0]
    if len(levels) < 2 or np.ptp(cells[:, 0]) == 0:
        return nan
    counts = gathered(layout.kinds.counts[None], at, len(cells)).astype(float)[0]
    return ordered_lean(cells[:, 0], np.searchsorted(levels, cells[:, 1]), counts)


def _with_sem(rows: Rows, kept: float, factor: float) -> float:
    """Return the latent threshold with an SEM `factor` times the one given; NaN where all would be error."""
    other = 1 - factor**2 * (1 - kept)
    if not other > 0:
        return nan
    return float(kept_of({"mean": rows["mean"], "change_reliability": np.array([other])}, rows["half_observed"])[0])


def _heard(rows: Rows, kept: float) -> float:
    """Return the mean threshold if a share of the rating's own error variance were the test's.

    With ρ the correlation of rating and observed change, s its SD, τ² = rel s² and e² = (1 − rel) s²:
    ρ s L = τ² + e √(f (L² − τ²)) gives L, the SD behind the rating; the threshold is m − Φ⁻¹(p) L. Own derivation.
    """
    s, rho = float(rows["sd"][0]), float(rows["biserial"][0])
    tau2, shared = kept * s**2, SHARED * (1 - kept) * s**2
    a, b, c = (rho * s) ** 2 - shared, rho * s * tau2, tau2**2 + shared * tau2
    if not (tau2 > 0 and a > 0 and b**2 >= a * c):
        return nan
    behind = (b + sqrt(b**2 - a * c)) / a
    return float(rows["mean"][0]) - float(ndtri(rows["improved"][0])) * behind
