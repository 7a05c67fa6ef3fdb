"""How far two scores of an unchanged person lie apart, and how well a test tells people apart."""

from truechange.reliability.agreement import LimitsOfAgreement, limits_of_agreement
from truechange.reliability.error import MeasurementError, SessionReliability, measurement_error, session_reliability
from truechange.reliability.icc import IccResult, VarianceComponents, choose_icc, icc, icc_table, variance_components
from truechange.reliability.raters import WeightedKappa, rater_agreement, rater_limits, weighted_kappa
from truechange.reliability.transport import transport_check

__all__ = [
    "IccResult", "LimitsOfAgreement", "MeasurementError", "SessionReliability", "VarianceComponents",
    "WeightedKappa", "choose_icc", "icc", "icc_table", "limits_of_agreement", "measurement_error",
    "rater_agreement", "rater_limits", "session_reliability", "transport_check",
    "variance_components", "weighted_kappa",
]  # fmt: skip
