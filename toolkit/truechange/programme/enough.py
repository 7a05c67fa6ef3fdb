"""Who changed enough in one test: counted, against error alone, and with error taken out."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from truechange.foundation.errors import OutcomeError
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.result import Result, gathered
from truechange.programme.known import Known
from truechange.programme.parts import Refused
from truechange.responders import (
    count_responders,
    cumulative_change,
    responders_from_error,
    true_responder_share,
)
from truechange.responders.counting import ErrorOnly, Responders
from truechange.responders.curves import CumulativeChange
from truechange.responders.true_share import TrueShare

if TYPE_CHECKING:
    from matplotlib.axes import Axes


MEANINGS = {
    "counted": "changed by at least the MCID",
    "beyond_error": "changed beyond measurement error (MDC95)",
    "from_error": "expected from measurement error alone",
    "true_share": "true change above the MCID",
}


@dataclass(frozen=True)
class ChangedEnough(Result):
    """Responders of one test, never without what error alone would give.

    Parameters
    ----------
    counted : Responders or Refused
        People who changed by at least the MCID, of those due.
    beyond_error : Responders or Refused
        People who changed by at least the MDC95.
    from_error : ErrorOnly or Refused
        People expected to reach the MCID (or, without one, the MDC95) by error alone.
    true_share : TrueShare or Refused
        Share whose true change is above the MCID.
    curve : CumulativeChange or Refused
        Share that changed by at least x, for every x.
    """

    counted: "Responders | Refused"
    beyond_error: "Responders | Refused"
    from_error: "ErrorOnly | Refused"
    true_share: "TrueShare | Refused"
    curve: "CumulativeChange | Refused"

    def _parts(self) -> dict[str, Any]:
        return {words: getattr(self, name) for name, words in MEANINGS.items()}

    @property
    def cautions(self) -> tuple[str, ...]:  # type: ignore[override]
        """Cautions of all parts, each once."""
        return gathered((), *self._parts().values(), self.curve)

    @property
    def sources(self) -> tuple[str, ...]:  # type: ignore[override]
        """Keys of the bibliography of all parts."""
        return tuple(dict.fromkeys(key for part in (*self._parts().values(), self.curve) for key in part.sources))

    @property
    def refused(self) -> tuple[Refused, ...]:
        """The parts that could not be computed."""
        return tuple(part for part in (*self._parts().values(), self.curve) if isinstance(part, Refused))

    def table(self) -> pd.DataFrame:
        """Return one row a quantity: quantity, threshold, people, of, share, low, high, note."""
        rows = []
        for name, part in self._parts().items():
            row: dict[str, Any] = {"quantity": name}
            if isinstance(part, Refused):
                row["note"] = part.reason
            elif isinstance(part, Responders):
                first = part.rows.iloc[0]
                row |= {"threshold": part.threshold.value, "people": first["changed_enough"], "of": first["started"]}
                row |= {
                    "share": first["proportion"],
                    "low": first["low"],
                    "high": first["high"],
                    "note": "of those due",
                }
            elif isinstance(part, ErrorOnly):
                row |= {"threshold": part.threshold.value, "people": part.expected, "of": part.n}
                row |= {"share": part.proportion, "low": part.share.low, "high": part.share.high}
                row["note"] = "of those measured twice"
            else:
                row |= {"people": part.value * part.n, "of": part.n}
                row |= {"share": part.value, "low": part.low, "high": part.high, "note": "of those measured"}
            rows.append(row)
        columns = ["quantity", "threshold", "people", "of", "share", "low", "high", "note"]
        return pd.DataFrame(rows).reindex(columns=columns)

    def sentences(self) -> tuple[str, ...]:
        """Say the counted share, what error alone gives, and the true share."""
        main = self.counted if not isinstance(self.counted, Refused) else self.beyond_error
        parts: list[Any] = [main, self.from_error, self.true_share]
        if isinstance(self.counted, Refused):
            parts.insert(0, self.counted)
        reasons: set[str] = set()
        said = []
        for part in parts:
            if isinstance(part, Refused):
                if part.reason in reasons:
                    continue
                reasons.add(part.reason)
            said.append(" ".join(part.sentences()) if isinstance(part, ErrorOnly) else part.sentence())
        return tuple(said)

    @property
    def alt(self) -> str:
        """The picture in words."""
        return " ".join(self.sentences())

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw counted, expected from error, and true share as rows on one axis."""
        from truechange.foundation import drawing

        labels, kept = [], []
        for name, part in self._parts().items():
            if isinstance(part, Refused):
                continue
            labels.append(name)
            share: Estimate = part.share() if isinstance(part, Responders) else getattr(part, "share", part)
            kept.append(share)
        ax = drawing.interval_rows(labels, kept, ax=ax, strong=(0,))
        ax.set_xlim(0, 1)
        drawing.percent_axis(ax)
        ax.set_xlabel("share of people")
        return ax


def changed_enough(improvement: Any, known: Known, resolution: float, confidence: float) -> ChangedEnough:
    """Count and estimate responders of one test.

    Parameters
    ----------
    improvement : array-like, shape (n,)
        One entry a person due; NaN without a usable follow-up.
    known : Known
        SEM and MCID, or why there are none.
    resolution : float
        Step in which the test is scored.
    confidence : float
        Level of the intervals.
    """
    values = np.asarray(improvement, dtype=float)
    mcid, sem, mdc = known.mcid, known.sem, known.mdc
    gain = known.practice.value if known.practice is not None else 0.0
    counted: Responders | Refused = _refusal("Responders", mcid)
    beyond: Responders | Refused = _refusal("Change beyond error", sem)
    error_only: ErrorOnly | Refused = _refusal("Expected from error alone", sem)
    true: TrueShare | Refused = _refusal("True share", sem if isinstance(sem, Refused) else mcid)
    limits: list[Threshold] = []
    if isinstance(mcid, Threshold):
        counted = count_responders(values, mcid, confidence=confidence, whom="due")
        limits.append(mcid)
    if isinstance(sem, Estimate) and mdc is not None:
        if mdc.value > 0:
            beyond = count_responders(values, mdc, confidence=confidence, whom="due")
            limits.append(mdc)
        held = mcid if isinstance(mcid, Threshold) else mdc
        error_only = responders_from_error(
            held, sem=sem, n=int(np.isfinite(values).sum()), practice=gain, resolution=resolution,
            retest=known.retest_gains, confidence=confidence,
        )  # fmt: skip
        if isinstance(mcid, Threshold):
            try:
                true = true_responder_share(values, sem=sem, mcid=mcid, confidence=confidence)
            except OutcomeError as problem:
                true = Refused("True share", str(problem))
    try:
        curve: CumulativeChange | Refused = cumulative_change(
            values,
            thresholds=tuple(limits),
            sem=sem if isinstance(sem, Estimate) else None,
            confidence=confidence,
            whom="due",
        )
    except OutcomeError as problem:
        curve = Refused("Cumulative curve", str(problem))
    return ChangedEnough(counted, beyond, error_only, true, curve)


def _refusal(part: str, missing: Any) -> Refused:
    return Refused(part, missing.reason if isinstance(missing, Refused) else "Nothing to hold the change against.")
