"""The currency between rooms: errors, estimates, number formatting, drawing and HTML."""

from collections.abc import Callable
from typing import Any

INFORMS = "It informs a judgement; it does not diagnose. Local rules and a licensed clinician decide."

# A result's room may not import the reports, which lie to its right: the package's top, which may know every room,
# puts its writers here, called as ``WRITERS[kind](result, path, **options)``.
WRITERS: "dict[str, Callable[..., Any]]" = {}
