"""The ledger: every row read is either used or set aside for a stated reason."""

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from truechange.foundation.errors import OutcomeError
from truechange.foundation.result import Result


@dataclass(frozen=True)
class Ledger(Result):
    """Where the rows went.

    Parameters
    ----------
    rows_read : int
        Records found.
    rows_used : int
        Records that went on.
    set_aside : DataFrame
        One row a reason: ``reason``, ``count``.
    by_table : DataFrame or None
        The same by table (``table, rows_read, rows_used, rows_set_aside``), when several were read.

    Raises
    ------
    OutcomeError
        The rows do not add up: a fault of the library, never of the data.

    Examples
    --------
    >>> print(Ledger.of(10, {"not a number": 2}))
    10 rows read = 8 used + 2 set aside (2 not a number).
    """

    rows_read: int
    rows_used: int
    set_aside: pd.DataFrame
    by_table: pd.DataFrame | None = None
    cautions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.adds_up:
            raise OutcomeError(f"The ledger does not add up, please report this fault: {self.sentence()}")

    @classmethod
    def of(cls, rows_read: int, reasons: Mapping[str, int], by_table: pd.DataFrame | None = None) -> "Ledger":
        """Return the ledger of `rows_read` rows of which those counted under `reasons` were set aside."""
        kept = {reason: int(count) for reason, count in reasons.items() if count}
        frame = pd.DataFrame(
            {"reason": pd.Series(list(kept), dtype="str"), "count": pd.Series(list(kept.values()), dtype="int64")}
        )
        return cls(rows_read, rows_read - sum(kept.values()), frame, by_table)

    @property
    def adds_up(self) -> bool:
        """Whether rows read = rows used + rows set aside."""
        return self.rows_used >= 0 and self.rows_read == self.rows_used + int(self.set_aside["count"].sum())

    def table(self) -> pd.DataFrame:
        """Return one row a line of the account: ``what``, ``rows``."""
        lines = [("read", self.rows_read), ("used", self.rows_used)]
        pairs = zip(self.set_aside["reason"], self.set_aside["count"], strict=True)
        lines += [(f"set aside: {reason}", int(count)) for reason, count in pairs]
        return pd.DataFrame(lines, columns=["what", "rows"])

    def sentences(self) -> tuple[str, ...]:
        """Return the account in one sentence."""
        count = int(self.set_aside["count"].sum())
        why = ", ".join(
            f"{n} {reason}" for reason, n in zip(self.set_aside["reason"], self.set_aside["count"], strict=True)
        )
        return (f"{self.rows_read} rows read = {self.rows_used} used + {count} set aside{f' ({why})' if why else ''}.",)
