"""What an MCID study hands on: one recommended value, every other estimate beside it, and how each is biased."""

from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING

import pandas as pd

from truechange.foundation.errors import ChoiceError, RefusedError, check_choice
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.origin import Origin
from truechange.foundation.result import Result
from truechange.meaningful_change.anchor import AnchorCheck
from truechange.meaningful_change.estimators import ADJUST_2022

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LEVEL = {"mean_change": "group", "mean_difference": "between-group"}
NAMES = {
    "mean_change": "mean change, slightly better",
    "mean_difference": "slightly better minus unchanged",
    "roc_youden": "ROC, best sum",
    "roc_corner": "ROC, nearest corner",
    "roc_spec80": "ROC, 80% specificity",
    "predictive": "predictive model",
    "predictive_adjusted_2017": "predictive, adjusted 2017",
    "predictive_adjusted_2022": "predictive, adjusted 2022",
    "latent_threshold": "latent threshold",
    "latent_threshold_two_state": "latent threshold, two states",
    "latent_threshold_ordinal": "latent threshold, all ratings",
    "detectability_limit": "limit of detection",
}
METHODS = tuple(NAMES)


@dataclass(frozen=True)
class McidStudy(Result):
    """Every estimate of the smallest change that people call an improvement, from the same people.

    Parameters
    ----------
    estimates : DataFrame
        Indexed by method: estimate, low, high (unit of the test), n, bias_direction, use.
    recommended : Threshold or None
        The within-person MCID chosen by the fixed rule; None where the rule gives none (the reason is in `cautions`).
    recommended_method : str
        Row of the table it comes from; empty if none.
    anchor : AnchorCheck
        The checks of the rating.
    size_references : DataFrame
        0.5 SD, 0.2 SD, 1 SEM, MDC: sizes to compare with, which say nothing about importance.
    credibility : DataFrame
        The credibility sheet.
    bias_map : DataFrame
        Indexed by method: estimate, known_bias, direction, without_known_bias.
    boundaries : DataFrame
        Indexed by rating (the upper one of two neighbours): change, low, high, n_below, n_above, separate_fit, use.
    anchor_reliability, change_reliability, present_state_bias, area : Estimate
        Share of the rating's variance that is true change; share of the change's variance that is true; 0 = people
        rate change, 1 = people rate how they are now; area under the ROC curve.
    calibration : DataFrame
        Observed share improved by fifths of the change.
    curve : tuple of float
        Intercept and slope of the probit curve.
    wrong_sem : DataFrame
        The recommended estimate if the SEM were 20% smaller or larger.
    deterioration : Threshold or None
        Smallest worsening that people call one, if enough of them worsened.
    adjustment : tuple of float
        Predictive estimate, and SD x point-biserial correlation x log odds of having improved.
    refused : str
        Why no value is recommended; empty if one is.
    n, mean, sd : int, float, float
        People used, mean and SD of their change: an MCID moves with them, so they are reported with it.
    """

    estimates: pd.DataFrame
    recommended: Threshold | None
    recommended_method: str
    anchor: AnchorCheck
    size_references: pd.DataFrame
    credibility: pd.DataFrame
    bias_map: pd.DataFrame
    boundaries: pd.DataFrame
    anchor_reliability: Estimate
    change_reliability: Estimate
    present_state_bias: Estimate
    area: Estimate
    calibration: pd.DataFrame
    curve: tuple[float, float]
    wrong_sem: pd.DataFrame
    deterioration: Threshold | None
    adjustment: tuple[float, float]
    refused: str
    n: int
    mean: float
    sd: float
    cut: int
    unit: str
    confidence: float
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()

    def table(self) -> pd.DataFrame:
        """Return one row a method, unrounded: estimate, low, high, n, bias_direction, use."""
        return self.estimates

    def threshold(self, method: str) -> Threshold:
        """Return one row of the table as a threshold of the level it is good for.

        Parameters
        ----------
        method : str
            A row of the table. ``"mean_change"`` gives a group-level value, ``"mean_difference"`` a between-group
            one, the others a value for one person.

        Raises
        ------
        ChoiceError
            There is no such row.
        RefusedError
            The row was not computed or must not be used (its `use` says why), or is no MCID.
        """
        check_choice("method", method, METHODS)
        row = self.estimates.loc[method].to_dict()
        if method == "detectability_limit":
            raise RefusedError("The limit of detection says how much the unchanged vary; it is not an MCID.")
        if row["use"].startswith(("do not use", "not computed")) or not row["estimate"] >= 0:
            raise RefusedError(
                f"{NAMES[method]} gives no threshold here: {row['use']} (estimate {row['estimate']:.3g})."
            )
        return Threshold(
            kind="mcid", level=LEVEL.get(method, "person"), value=float(row["estimate"]), low=float(row["low"]),
            high=float(row["high"]), confidence=self.confidence, unit=self.unit, n=int(row["n"]),
            method=NAMES[method], origin=Origin.own(n=int(row["n"])),
        )  # fmt: skip

    def sentences(self) -> tuple[str, ...]:
        """Say the recommended value, or why there is none, and how the other methods compare."""
        unit = f" {self.unit}" if self.unit else ""
        if self.recommended is None:
            first = f"These data give no single MCID: {self.refused}."
        else:
            first = (
                f"A change of about {self.recommended} is the smallest that these {self.n} people call an improvement "
                f"({NAMES[self.recommended_method]})."
            )
        share, spread = percent(self.anchor.improved.value), f"{fixed(self.mean, 1)}{unit} (SD {fixed(self.sd, 1)})"
        said = [first, f"{share} of them rated themselves improved; their mean change was {spread}."]
        shown = self.estimates["estimate"].drop("detectability_limit").dropna()
        if len(shown) > 1:
            low, high = fixed(float(shown.min()), 1), fixed(float(shown.max()), 1)
            said.append(f"On the same people the {len(shown)} methods give values from {low} to {high}{unit}.")
        if self.recommended_method == "latent_threshold":
            small, _, large = (fixed(float(v), 1) for v in self.wrong_sem["latent_threshold"])
            said.append(f"Were the test's error 20% smaller or larger, the value would be {small} or {large}{unit}.")
        return tuple(said)

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw the bias map: the recommended value large, the others small with the push of their known bias."""
        from truechange.meaningful_change.pictures import bias_map

        frame = self.estimates[["estimate", "low", "high"]].assign(
            known_bias=self.bias_map["known_bias"], name=[NAMES[method] for method in METHODS]
        )
        return bias_map(frame, chosen=self.recommended_method, unit=self.unit, ax=ax)

    def plot_anchor(self, *, axes: "tuple[Axes, Axes] | None" = None) -> "tuple[Axes, Axes]":
        """Draw the anchor: mean change of each rating beside the fitted curve and what was observed."""
        from truechange.meaningful_change.pictures import anchor_pair

        value = None if self.recommended is None else self.recommended.value
        return anchor_pair(
            self.anchor.categories, self.calibration, self.curve, cut=self.cut, mark=value, unit=self.unit, pair=axes
        )

    @property
    def alt(self) -> str:
        """Describe the bias map in words."""
        head = "No value is recommended" if self.recommended is None else f"Recommended: {self.recommended}"
        told = [
            f"{NAMES[method]} {fixed(row['estimate'], 1)} (known bias {row['direction']})"
            for method, row in zip(METHODS, self.bias_map.to_dict("records"), strict=True)
            if isfinite(row["estimate"]) and method != self.recommended_method
        ]
        return f"{head}. Beside it: {'; '.join(told)}."

    def adjusted(self, anchor_reliability: float) -> float:
        """Return the predictive estimate adjusted (2022) for an anchor reliability known from elsewhere.

        Raises
        ------
        ChoiceError
            `anchor_reliability` is not above 0 and at most 1.
        """
        if not 0 < anchor_reliability <= 1:
            raise ChoiceError(f"anchor_reliability={anchor_reliability!r} must lie above 0 and be at most 1.")
        base, per_factor = self.adjustment
        return base - (ADJUST_2022[0] / anchor_reliability - ADJUST_2022[1]) * per_factor
