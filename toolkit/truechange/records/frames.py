"""Frames to sheets: data in memory go through the door a file goes through."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from truechange.foundation.errors import DataError, check_kind
from truechange.records.formats import Sheet, coded, headed, plain_text
from truechange.records.headings import NONE, Own, find_header
from truechange.records.rules import LIMITS, TOO_LARGE

HEADINGS = -1  # the row that findings about a column of a frame name: its rows are counted from 0


def frame_sheets(data: Any, own: Own = NONE) -> list[Sheet]:
    """Return the sheets of data in memory: one frame, or frames by the name of their table.

    A named index is a column (``rename_axis("person")``); levels of columns are joined, as a row of visits above a row
    of tests is. Rows go by the label of an unnamed index of whole numbers, else by their place, counted from 0.

    Raises
    ------
    DataError
        It is no frame, has too many rows, or has a column of things that are no single values.
    """
    frames = data if isinstance(data, Mapping) else {"frame": data}
    for name, frame in frames.items():
        check_kind(f"data[{name!r}]", frame, pd.DataFrame, "a DataFrame for each table", DataError)
    return [_frame_sheet(str(name), frame, own) for name, frame in frames.items()]


def _frame_sheet(name: str, frame: pd.DataFrame, own: Own) -> Sheet:
    if len(frame) > LIMITS["rows"]:
        raise DataError(f"{name} has {len(frame):,} rows, more than {LIMITS['rows']:,}. {TOO_LARGE}")
    index, rows = frame.index, np.arange(len(frame), dtype=np.int64)
    plain = index.nlevels == 1 and index.name is None and index.dtype.kind in "iu"
    if plain and index.is_unique and (index >= 0).all():
        rows = index.to_numpy(np.int64)
    whole = frame if plain else pd.concat([index.to_frame(index=False), frame.reset_index(drop=True)], axis="columns")
    names = ["index"] * (not plain and index.nlevels == 1 and index.name is None)
    names += [_heading(title) for title in whole.columns[len(names) :]]
    sheet = headed(name, find_header([names], own)._replace(at=HEADINGS - 1), coded(whole), [])
    return replace(sheet, rows=rows[sheet.rows])


def _heading(title: Any) -> str:
    """Return a column's title as a sheet would write it; of several levels those that say something."""
    parts = [plain_text(part) for part in (title if isinstance(title, tuple) else (title,)) if not pd.isna(part)]
    return " ".join(part for part in parts if part and not part.startswith("Unnamed:"))
