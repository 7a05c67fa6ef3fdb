"""The MCID study: every estimator on the same people, one recommended by a fixed rule, the rest for comparison."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from truechange.foundation.errors import check_confidence
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.origin import Origin
from truechange.foundation.result import Result
from truechange.meaningful_change.anchor import AnchorCheck, check_people
from truechange.meaningful_change.estimators import Layout, estimate_rows
from truechange.meaningful_change.people import rated_people
from truechange.numerics.kinds import draw_counts
from truechange.numerics.resampling import Floats, in_blocks, percentile_limits

METHODS = (
    "mean_change",
    "mean_difference",
    "roc_youden",
    "roc_corner",
    "roc_spec80",
    "predictive",
    "predictive_adjusted_2017",
    "predictive_adjusted_2022",
    "latent_threshold",
    "detectability_limit",
)


@dataclass(frozen=True)
class McidStudy(Result):
    """Every estimate of the smallest change that people call an improvement."""

    estimates: pd.DataFrame
    recommended: Threshold | None
    anchor: AnchorCheck
    size_references: pd.DataFrame
    credibility: pd.DataFrame
    n: int
    unit: str
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ("terluin2015",)

    def table(self) -> pd.DataFrame:
        """Return one row a method: estimate, low, high, n, bias_direction, use."""
        return self.estimates

    def sentences(self) -> tuple[str, ...]:
        """Say the recommended value, or why there is none."""
        if self.recommended is None:
            return ("No MCID is given from these data.",)
        return (f"The smallest change that matters is about {self.recommended}, from {self.n} people.",)


def mcid(
    improvement: ArrayLike,
    anchor: ArrayLike,
    cut: int = 1,
    sem: "float | Estimate | None" = None,
    sem_df: float | None = None,
    before: ArrayLike | None = None,
    after: ArrayLike | None = None,
    n_boot: int = 2000,
    seed: int = 0,
    confidence: float = 0.95,
    *,
    unit: str = "",
) -> McidStudy:
    """Estimate the smallest change that people themselves call an improvement, by every method side by side."""
    check_confidence(confidence)
    people = rated_people(improvement, anchor, cut=cut, before=before, after=after)
    check = check_people(people, confidence=confidence)
    layout = Layout.of(people)
    spread = None if sem is None else float(sem) ** 2
    full = estimate_rows(layout, layout.kinds.counts[None], None if spread is None else np.array([spread]))
    starts = {link: np.array([full[f"{link}_intercept"][0], full[f"{link}_slope"][0]]) for link in ("logit", "probit")}

    def work(rng: np.random.Generator, size: int) -> Floats:
        error = None if spread is None else np.full(size, spread)
        if error is not None and sem_df is not None:
            error = error * sem_df / rng.chisquare(sem_df, size)
        rows = estimate_rows(layout, draw_counts(rng, size, layout.kinds), error, starts)
        return np.column_stack([rows.get(name, np.full(size, np.nan)) for name in METHODS])

    block = max(1, 32_768 // layout.kinds.counts.size)
    draws = in_blocks(work, n_boot, seed=seed, block=min(block, n_boot), jobs=1)
    low, high = percentile_limits(draws, confidence)
    table = pd.DataFrame(
        {
            "estimate": [full.get(name, [np.nan])[0] for name in METHODS],
            "low": low,
            "high": high,
            "n": people.n,
            "bias_direction": "",
            "use": "",
        },
        index=pd.Index(METHODS, name="method"),
    )
    chosen = "predictive_adjusted_2017" if sem is None else "latent_threshold"
    value = table.loc[chosen]
    recommended = None
    if check.usable and check.single_value and value["estimate"] >= 0:
        recommended = Threshold(
            kind="mcid", value=float(value["estimate"]), low=float(value["low"]), high=float(value["high"]),
            confidence=confidence, unit=unit, n=people.n, method=chosen,
            origin=Origin.own(n=people.n),
        )  # fmt: skip
    return McidStudy(table, recommended, check, pd.DataFrame(), pd.DataFrame(), people.n, unit, check.cautions)
