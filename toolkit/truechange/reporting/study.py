"""What a capstone computed, in the order it is told."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from truechange.foundation.result import gathered
from truechange.meaningful_change import McidStudy
from truechange.measures import Measure
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.parts import Refused
from truechange.records import Pairs
from truechange.reliability import IccResult, LimitsOfAgreement, MeasurementError


@dataclass(frozen=True)
class Study:
    """Everything a capstone computed, in the order it is told.

    Parameters
    ----------
    measure : Measure
        The test.
    retest, change : Pairs
        Pairs of the retest study and of the programme's people.
    icc : tuple of IccResult
        The form that counts first, others for comparison after it.
    error : MeasurementError
        SEM and MDC.
    agreement : LimitsOfAgreement
        Of the retest pairs.
    mcid : McidStudy or Refused
        The change that matters, or why it was not estimated.
    audit : ProgrammeAudit
        The programme.
    options : mapping
        Settings the results do not carry.
    """

    measure: Measure
    retest: Pairs
    change: Pairs
    icc: tuple[IccResult, ...]
    error: MeasurementError
    agreement: LimitsOfAgreement
    mcid: McidStudy | Refused
    audit: ProgrammeAudit
    options: Mapping[str, object]

    def public(self) -> "Study":
        """Return the study as it may leave the house: small counts of people hidden in every part."""
        parts = ("retest", "change", "mcid", "audit")
        return replace(self, **{name: getattr(self, name).public() for name in parts})

    @property
    def cautions(self) -> tuple[str, ...]:
        """Every caution of everything computed, each once."""
        parts = (self.retest, self.change, *self.icc, self.error, self.agreement, self.mcid, self.audit, self.measure)
        return gathered((), *parts)

    @property
    def results(self) -> tuple[Any, ...]:
        """What the methods paragraph is worded from."""
        return (self.change, self.icc[0], self.error, self.agreement, self.mcid, self.audit)
