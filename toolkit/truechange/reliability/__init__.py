"""How far two scores of an unchanged person lie apart, and how well a test tells people apart."""

from truechange.reliability.agreement import LimitsOfAgreement, limits_of_agreement
from truechange.reliability.choose import IccChoice, choose_icc
from truechange.reliability.error import MeasurementError, measurement_error
from truechange.reliability.icc import IccResult, icc, icc_table

__all__ = [
    "IccChoice",
    "IccResult",
    "LimitsOfAgreement",
    "MeasurementError",
    "choose_icc",
    "icc",
    "icc_table",
    "limits_of_agreement",
    "measurement_error",
]
