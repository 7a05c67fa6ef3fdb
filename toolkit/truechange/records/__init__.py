"""Reading what a clinic brings, checking it cell by cell, and pairing before with after."""

from truechange.records.inert import inert_cell, inert_frame
from truechange.records.ledger import Ledger
from truechange.records.pairing import Pairs
from truechange.records.reading import Records, read
from truechange.records.wide import from_wide

__all__ = ["Ledger", "Pairs", "Records", "from_wide", "inert_cell", "inert_frame", "read"]
