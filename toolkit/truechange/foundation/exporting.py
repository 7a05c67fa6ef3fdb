"""Hand a result to a later room for export by name, so that its own room need not know that room.

Rooms import only from rooms on their left, and the reports are written on the
right. A result's room registers ``"package.module:function"`` as text; the
function is looked up when somebody exports.
"""

from importlib import import_module
from pathlib import Path
from typing import Any

from truechange.foundation.errors import check_choice

_WRITERS: dict[str, dict[str, str]] = {}


def register(kind: str, result_type: str, target: str) -> None:
    """Name the function that writes results of a type.

    Parameters
    ----------
    kind : str
        What is written: ``"html"``, ``"pdf"``, ``"excel"`` ...
    result_type : str
        Name of the result's class.
    target : str
        ``"package.module:function"``; called as ``function(result, path, **options)``.
    """
    _WRITERS.setdefault(result_type, {})[kind] = target


def export(result: Any, kind: str, path: str | Path, **options: Any) -> Path:
    """Write `result` to `path` with the function registered for its type, and return the path.

    Raises
    ------
    ChoiceError
        Nothing is registered for this kind and type of result.
    """
    writers = _WRITERS.get(type(result).__name__, {})
    check_choice("kind", kind, tuple(writers))
    module, function = writers[kind].split(":")
    getattr(import_module(module), function)(result, Path(path), **options)
    return Path(path)
