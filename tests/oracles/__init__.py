"""Oracles: the same number by another library, by brute force, an identity or numerical integration.

A route returns ``{name: (other number, ours, tolerance)}``; :mod:`test_oracles` runs every one.
"""

from collections.abc import Callable
from typing import NamedTuple

Pairs = dict[str, tuple[float, float, float]]


class Route(NamedTuple):
    """One way to numbers of the library that shares no code with it: what about, by what, and for which function."""

    topic: str
    source: str
    by: str
    came: str
    compute: Callable[[], Pairs]


ROUTES: dict[str, Route] = {}


def route(topic: str, *, by: str, came: str = "independent route") -> Callable:
    """Register a function that returns ``{name: (other, ours, tolerance)}``; its docstring names the source."""

    def keep(function: Callable[[], Pairs]) -> Callable[[], Pairs]:
        ROUTES[function.__name__.strip("_")] = Route(topic, str(function.__doc__), by, came, function)
        return function

    return keep
