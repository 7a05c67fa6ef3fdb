"""Does the fitted curve hold? Calibration, curvature, the shape of the change, and what a wrong SEM would do."""

from math import erfc, nan, sqrt

import numpy as np
import pandas as pd

from truechange.meaningful_change.anchor import wilson
from truechange.meaningful_change.estimators import Layout, Rows
from truechange.meaningful_change.people import RatedPeople
from truechange.numerics.binary_models import deviance, fit_outcomes

SKEWED = 1.0
BENT = 0.05


def calibration(people: RatedPeople, confidence: float, groups: int = 5) -> pd.DataFrame:
    """Return, for fifths of the change: n, mean_change, share improved and its Wilson limits; ties stay together."""
    edges = np.unique(np.quantile(people.change, np.linspace(0, 1, groups + 1)[1:-1]))
    member = np.searchsorted(edges, people.change, side="left")
    rows = []
    for group in np.unique(member):
        here = member == group
        share = wilson(int(people.improved[here].sum()), int(here.sum()), confidence)
        rows.append((int(here.sum()), float(people.change[here].mean()), share.value, share.low, share.high))
    return pd.DataFrame(rows, columns=["n", "mean_change", "improved", "low", "high"])


def curvature_p(layout: Layout) -> float:
    """Return the p-value of a squared term in the probit curve (likelihood ratio, 1 df); NaN if it cannot be fitted."""
    hits, misses = layout.by_group(layout.kinds.counts[None], layout.steps)
    x = layout.steps[0]
    if x.size < 3:
        return nan
    bent = np.column_stack([x, (x - x.mean()) ** 2])
    straight, curved = (fit_outcomes(v, hits, misses, link="probit") for v in (x, bent))
    if straight.failed[0] or curved.failed[0]:
        return nan
    gain = deviance(x, hits[0], misses[0], straight.intercept[0], straight.slope[0], link="probit")
    gain -= deviance(bent, hits[0], misses[0], curved.intercept[0], curved.slope[0], link="probit")
    return erfc(sqrt(max(gain, 0.0) / 2))


def skewness(values: np.ndarray) -> float:
    """Return the moment skewness; NaN for constant values."""
    away = values - values.mean()
    sd = float(np.sqrt(np.mean(away**2)))
    return float(np.mean(away**3)) / sd**3 if sd > 0 else nan


def wrong_sem(rows: Rows, sem: float) -> pd.DataFrame:
    """Return the latent threshold and both reliabilities with the SEM 20% smaller, as given, and 20% larger."""
    told = []
    for factor in (0.8, 1.0, 1.2):
        sd = float(rows["sd"][0])
        kept = 1 - 2 * (factor * sem / sd) ** 2 if sd > 0 else nan
        mean, half = float(rows["mean"][0]), float(rows["half_observed"][0])
        anchor = float(rows["biserial"][0]) ** 2 / kept if kept > 0 else nan
        told.append((factor * sem, mean + kept * (half - mean) if kept > 0 else nan, kept, anchor))
    columns = ["sem", "latent_threshold", "change_reliability", "anchor_reliability"]
    return pd.DataFrame(told, columns=columns, index=pd.Index([0.8, 1.0, 1.2], name="factor"))
