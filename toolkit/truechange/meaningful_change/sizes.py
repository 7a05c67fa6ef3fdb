"""Sizes to compare an MCID with: spread and error of the test. They contain nothing about importance."""

from math import nan, sqrt

import numpy as np
import pandas as pd
from scipy.special import ndtri

from truechange.foundation.distributions import sd_factors
from truechange.foundation.sem import Sem
from truechange.meaningful_change.people import RatedPeople


def size_references(people: RatedPeople, error: Sem | None, confidence: float) -> pd.DataFrame:
    """Return 0.5 SD and 0.2 SD of the first score, 1 SEM, the MDC and 0.5 SD of change, with limits; NaN if unknown."""
    z = float(ndtri((1 + confidence) / 2)) * sqrt(2)
    few = people.n < 2
    baseline = nan if few or people.before is None else float(np.std(people.before, ddof=1))
    spread = nan if few else float(np.std(people.change, ddof=1))
    down, up = (nan, nan) if few else sd_factors(people.n - 1, confidence)
    sem = (nan, nan, nan) if error is None else (error.value, *error.limits(confidence))
    rows = {
        "0.5 SD": (0.5 * baseline, 0.5 * baseline * down, 0.5 * baseline * up, "half the SD of the first score"),
        "0.2 SD": (
            0.2 * baseline,
            0.2 * baseline * down,
            0.2 * baseline * up,
            "a small effect, in SDs of the first score",
        ),
        "1 SEM": (*sem, "one standard error of measurement"),
        "MDC": (*(z * value for value in sem), "smallest change of one person beyond error"),
        "0.5 SD of change": (0.5 * spread, 0.5 * spread * down, 0.5 * spread * up, "half the SD of the change"),
    }
    frame = pd.DataFrame.from_dict(rows, orient="index", columns=["estimate", "low", "high", "meaning"])
    return frame.rename_axis("reference")
