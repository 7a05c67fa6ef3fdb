"""Pictures that combine several results; a result's own small picture is its ``.plot(ax=None)``."""

from truechange.figures.combined import (
    changes_against_thresholds,
    changes_beside_error,
    estimates_side_by_side,
    flow_boxes,
    save_print,
    share_rows,
    step_bars,
)

__all__ = [
    "changes_against_thresholds",
    "changes_beside_error",
    "estimates_side_by_side",
    "flow_boxes",
    "save_print",
    "share_rows",
    "step_bars",
]
