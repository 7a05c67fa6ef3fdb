"""Every number that another library or an independent route can give as well, held against ours."""

from importlib import import_module
from pathlib import Path

import pytest

from oracles import ROUTES

for _file in sorted(Path(__file__).parent.glob("*.py")):
    if _file.stem not in ("__init__", "test_oracles"):
        import_module(f"oracles.{_file.stem}")


@pytest.mark.parametrize("name", ROUTES)
def test_an_independent_route_finds_the_same_numbers(name):
    found = ROUTES[name].compute()
    assert found
    off = {key: pair for key, pair in found.items() if not abs(pair[0] - pair[1]) <= pair[2]}
    assert not off, f"{ROUTES[name].source} (other, ours, tolerance): {off}"
