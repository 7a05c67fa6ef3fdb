"""Shares of people who changed enough: counted, compared, and with measurement error taken into account."""

from truechange.foundation import on_first_use

_HOME = {
    "compare_responders": "comparing", "count_responders": "counting", "cumulative_change": "true_share",
    "proportion": "counting", "responder_definitions": "true_share", "responders_from_error": "counting",
    "true_responder_share": "true_share",
}  # fmt: skip

__all__ = [*_HOME]
__getattr__ = on_first_use(__name__, _HOME)
