"""Shares of people who changed enough: counted, compared, and with measurement error taken into account."""

from truechange.responders.comparing import compare_paired, compare_responders
from truechange.responders.counting import count_responders
from truechange.responders.curves import cumulative_change
from truechange.responders.error_only import responders_from_error
from truechange.responders.shares import proportion
from truechange.responders.true_share import true_responder_share

__all__ = [
    "compare_paired",
    "compare_responders",
    "count_responders",
    "cumulative_change",
    "proportion",
    "responders_from_error",
    "true_responder_share",
]
