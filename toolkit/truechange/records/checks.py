"""Checks across rows and tables; vectorised, so that a million rows take no longer than reading them."""

from truechange.records.findings import Findings
from truechange.records.table import Table


def check_all(tables: dict[str, Table], findings: Findings) -> None:
    """Run every check on the tables read."""
