"""The programme beside people who did not take part: adjusted difference, shares, and spread of response."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from truechange.foundation.errors import DataError, listed
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import p_value
from truechange.foundation.result import Result, gathered
from truechange.numerics.small_cells import few, masked
from truechange.programme.adjusted import (
    FEWEST,
    adjusted_difference,
    adjusted_share_difference,
    subgroup_differences,
    welch_difference,
)
from truechange.programme.parts import Refused
from truechange.programme.response_spread import IndividualResponse, individual_response
from truechange.responders import compare_responders
from truechange.responders.comparing import ResponderComparison
from truechange.responders.counting import how_many

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class ProgrammeComparison(Result):
    """The programme and a comparison group, one test.

    Parameters
    ----------
    programme, compare : str
        Names of the groups.
    unadjusted : Estimate
        Difference of mean improvements (Welch).
    adjusted : Estimate
        The same at equal score before (analysis of covariance, HC3 standard errors).
    p_value : float
        Of `adjusted`.
    slope : float
        Change of the improvement per unit of score before.
    parallel_p : float
        Whether that slope differs between the groups.
    responders : ResponderComparison or Refused
        Shares that changed enough, of those due.
    adjusted_shares : Estimate or None
        Difference of the shares of those measured, at equal score before.
    subgroups : DataFrame
        For facts named beforehand: fact, how much the difference differs (estimate, low, high), p, people.
    response : IndividualResponse
        Spread of response.
    """

    programme: str
    compare: str
    unadjusted: Estimate
    adjusted: Estimate
    p_value: float
    slope: float
    parallel_p: float
    responders: "ResponderComparison | Refused"
    adjusted_shares: Estimate | None
    response: IndividualResponse
    subgroups: pd.DataFrame
    cautions: tuple[str, ...]

    @property
    def sources(self) -> tuple[str, ...]:  # type: ignore[override]
        """Keys of the bibliography."""
        return tuple(dict.fromkeys(("vickers2001", "long2000", *self.responders.sources, *self.response.sources)))

    @property
    def refused(self) -> tuple[Refused, ...]:
        """The parts that could not be computed."""
        return (self.responders,) if isinstance(self.responders, Refused) else ()

    def table(self) -> pd.DataFrame:
        """Return one row a quantity: quantity, estimate, low, high, method."""
        named = {
            "difference of mean improvements": self.unadjusted,
            "the same, adjusted for score before": self.adjusted,
        }
        rows = [pd.DataFrame([{"quantity": name, **kept.row()} for name, kept in named.items()])]
        rows.append(pd.DataFrame([{"quantity": "p (adjusted)", "estimate": self.p_value},
                                  {"quantity": "p (slopes differ)", "estimate": self.parallel_p}]))  # fmt: skip
        if not isinstance(self.responders, Refused):
            rows.append(self.responders.table())
        if self.adjusted_shares is not None:
            rows.append(pd.DataFrame([{"quantity": "difference of shares, adjusted"} | self.adjusted_shares.row()]))
        rows.append(self.response.table())
        if len(self.subgroups):
            words = "differs by " + self.subgroups["fact"]
            rows.append(self.subgroups.assign(quantity=words, method="interaction, HC3"))
        return pd.concat(rows, ignore_index=True)[["quantity", "estimate", "low", "high", "method"]]

    def public(self) -> "ProgrammeComparison":
        """Return the comparison without the sizes of subgroups that leave few people over."""
        looked, whole = self.subgroups, self.unadjusted.n or 0
        named = looked["fact"].str.split(":").str[0]
        return replace(self, subgroups=masked(looked, named.isin(named[few(whole - looked["people"])]), ["people"]))

    def sentences(self) -> tuple[str, ...]:
        """State the adjusted difference, the shares and the spread of response."""
        first = (
            f"Compared with {self.compare}, people in {self.programme} improved by {self.adjusted} more at equal score "
            f"before ({p_value(self.p_value)})."
        )
        return (first, self.responders.sentence(), *self.response.sentences())

    @property
    def alt(self) -> str:
        """The picture in words."""
        return "Difference of mean improvement, plain and adjusted, with intervals. " + self.sentence()

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw the difference with and without adjustment."""
        from truechange.foundation import drawing

        ax = drawing.interval_rows(
            ["as measured", "at equal score before"], [self.unadjusted, self.adjusted], ax=ax, strong=(1,),
            unit=f"improvement, {self.programme} less {self.compare} ({self.adjusted.unit})",
        )  # fmt: skip
        ax.axvline(0, color=drawing.QUIET, lw=1)
        return ax


def compare_programmes(
    programme: pd.DataFrame,
    comparison: pd.DataFrame,
    threshold: float | None,
    *,
    names: tuple[str, str],
    why_no_threshold: str = "",
    subgroups: Sequence[str] = (),
    resolution: float = 0.0,
    unit: str = "",
    n_boot: int = 1000,
    seed: int = 0,
    confidence: float = 0.95,
) -> ProgrammeComparison:
    """Compare two groups of people whose follow-up was due, on one test.

    Parameters
    ----------
    programme, comparison : DataFrame
        One row a person due: before, improvement (NaN without a usable follow-up).
    threshold : float or None
        Smallest change that counts; None leaves the shares out.
    names : tuple of str
        Names of the groups.
    why_no_threshold : str, optional
        Reason shown in place of the shares.
    subgroups : sequence of str, optional
        Facts named beforehand by which the difference may differ; columns of both frames.
    resolution, unit : float and str, optional
        Step and unit of the test.
    n_boot, seed, confidence
        Of the intervals.

    Raises
    ------
    DataError
        Fewer than 10 people with a usable follow-up in a group.
    """
    kept = [frame.dropna(subset=["before", "improvement"]) for frame in (programme, comparison)]
    for frame, name in zip(kept, names, strict=True):
        if len(frame) < FEWEST:
            raise DataError(
                f"{name} has {len(frame)} people with a usable follow-up; a comparison needs at least {FEWEST}."
            )
    first, second = (frame["improvement"].to_numpy(float) for frame in kept)
    group = np.repeat([1.0, 0.0], [first.size, second.size])
    before = np.concatenate([frame["before"].to_numpy(float) for frame in kept])
    adjusted, p, slope, parallel = adjusted_difference(before, np.concatenate([first, second]), group, confidence, unit)
    shares: ResponderComparison | Refused = Refused("Responder comparison", why_no_threshold)
    equal = None
    if threshold is not None:
        counts = [(how_many(f["improvement"], threshold), len(f)) for f in (programme, comparison)]
        shares = compare_responders(*counts[0], *counts[1], confidence=confidence, whom="due")
        equal = adjusted_share_difference(
            before, np.concatenate([first, second]), group, threshold, resolution=resolution, n_boot=n_boot, seed=seed,
            confidence=confidence,
        )  # fmt: skip
    looked = subgroup_differences(
        pd.concat([frame.assign(group=at) for frame, at in zip(kept, (1, 0), strict=True)]), subgroups, confidence
    )
    notes = ["The groups were not necessarily formed by lot: adjusted for the score before only."]
    if parallel < 0.05:
        notes.append("The effect of the score before differs between the groups; one adjusted difference is a summary.")
    if unseen := [fact for fact in subgroups if not looked["fact"].str.startswith(fact).any()]:
        notes.append(f"Not compared by {listed(unseen)}: a group has fewer than {FEWEST} people of each kind.")
    if len(looked):
        notes.append(f"{len(looked)} subgroup comparisons were looked at; a difference in one is a question for later.")
    response = individual_response(first, second, confidence, unit)
    return ProgrammeComparison(
        programme=names[0],
        compare=names[1],
        unadjusted=welch_difference(first, second, confidence, unit),
        adjusted=adjusted,
        p_value=p,
        slope=slope,
        parallel_p=parallel,
        responders=shares,
        adjusted_shares=equal,
        subgroups=looked,
        response=response,
        cautions=gathered(notes, shares, response),
    )
