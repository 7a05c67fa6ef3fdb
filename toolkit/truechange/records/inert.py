"""Text that a spreadsheet would run as a formula, made inert."""

import re
from typing import Any

import pandas as pd

STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")  # a workbook cannot hold these


def inert_cell(value: Any) -> Any:
    """Return `value` fit for a spreadsheet cell: text that could run as a formula gets a leading apostrophe.

    Numbers and dates pass unchanged, as does text that is itself a number (``"-3.5"``).

    Examples
    --------
    >>> inert_cell("=1+1"), inert_cell("-3.5"), inert_cell(-3.5), inert_cell("knee")
    ("'=1+1", '-3.5', -3.5, 'knee')
    """
    if not isinstance(value, str):
        return value
    value = _CONTROL.sub("", value)
    if not value.lstrip(" ").startswith(STARTS):
        return value
    try:
        float(value)
    except ValueError:
        return f"'{value}"
    return value


def inert_frame(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a copy of `frame` with every text cell, column name and index entry made inert."""
    safe = frame.rename(columns=inert_cell, index=inert_cell)
    for place, dtype in enumerate(frame.dtypes):
        if not pd.api.types.is_numeric_dtype(dtype) and not pd.api.types.is_datetime64_any_dtype(dtype):
            safe.isetitem(place, frame.iloc[:, place].map(inert_cell, na_action="ignore").array)
    return safe
