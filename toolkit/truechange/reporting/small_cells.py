"""Counts of one to four people are not published, and neither is the cell that would give them away."""

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

LEAST = 5
HIDDEN = "hidden"
FEW = re.compile(rf"(?<![\d.,–])[1-{LEAST - 1}] (?:people|person)\b")


def without_few(text: str) -> str:
    """Write a count of one to four people in a sentence as what it may be said to be.

    Examples
    --------
    >>> without_few("2 people could not do the test.")
    'Fewer than 5 people could not do the test.'
    """
    few = f"fewer than {LEAST} people"
    return FEW.sub(lambda found: few.capitalize() if found.start() == 0 else few, text)


def suppress(
    frame: "pd.DataFrame",
    counts: Mapping[str, str | None],
    *,
    with_them: Mapping[str, Sequence[str]] | None = None,
    least: int = LEAST,
) -> "pd.DataFrame":
    """Hide counts that point at a few people, and one more cell where a column total would give a hidden one away.

    Parameters
    ----------
    frame : DataFrame
        One row a group; not changed. Rows are taken as parts of a total that the reader knows.
    counts : mapping of str to (str or None)
        Count columns, each with the column it is a part of: a count is also hidden when what is left of the whole
        is 1 to ``least - 1`` people.
    with_them : mapping of str to sequence of str, optional
        Columns computed from a count, hidden in the same rows.
    least : int, optional
        Smallest count that may be shown; 0 always may. Common practice, no source.

    Returns
    -------
    DataFrame
        The same table with ``"hidden"`` in those cells.

    Examples
    --------
    >>> import pandas as pd
    >>> sites = pd.DataFrame({"site": ["North", "South", "West"], "stopped": [2, 9, 14]})
    >>> suppress(sites, {"stopped": None})["stopped"].tolist()
    ['hidden', 'hidden', 14]
    """
    import pandas as pd

    safe = frame.copy()
    for column, whole in counts.items():
        if column not in frame.columns:
            continue
        held = pd.to_numeric(frame[column], errors="coerce")
        hide = held.between(1, least - 1)
        if whole in frame.columns:
            hide |= (pd.to_numeric(frame[whole], errors="coerce") - held).between(1, least - 1)
        others = held[~hide & (held > 0)]
        if hide.sum() == 1 and len(others):
            hide |= held.index == others.idxmin()
        for name in (column, *(with_them or {}).get(column, ())):
            if name in frame.columns and hide.any():
                safe[name] = frame[name].astype(object).where(~hide, HIDDEN)
    return safe
