"""Reading what a clinic brings, checking it cell by cell, and pairing before with after."""

from truechange.foundation import on_first_use

_HOME = {"Ledger": "rules", "Pairs": "pairing", "inert_cell": "copies", "inert_frame": "copies"}
_HOME |= dict.fromkeys(("Records", "from_wide", "read", "records_of"), "reading")

__all__ = [*_HOME]
__getattr__ = on_first_use(__name__, _HOME)
