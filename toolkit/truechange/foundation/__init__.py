"""The currency between rooms: errors, estimates, number formatting, drawing and HTML; and lazy imports."""

import sys
from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any

INFORMS = "It informs a judgement; it does not diagnose. Local rules and a licensed clinician decide."

# A result's room may not import the reports, which lie to its right: the package's top, which may know every room,
# puts its writers here, called as ``WRITERS[kind](result, path, **options)``.
WRITERS: "dict[str, Callable[..., Any]]" = {}


def on_first_use(package: str, homes: Mapping[str, str]) -> Callable[[str], Any]:
    """Return the ``__getattr__`` of `package`: each name of `homes` is fetched from its module when first asked for.

    Parameters
    ----------
    package : str
        ``__name__`` of the package.
    homes : mapping of str to str
        Public name: module within the package.
    """

    def fetch(name: str) -> Any:
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        value = getattr(import_module(f"{package}.{homes[name]}"), name)
        setattr(sys.modules[package], name, value)
        return value

    return fetch
