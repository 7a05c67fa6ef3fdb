"""One person: is the change real, is it enough, how sure. The core path needs only ``math`` and ``statistics``."""

from importlib import import_module
from typing import Any

from truechange.individual.assess import person_change
from truechange.individual.belief import Belief
from truechange.individual.change import PersonChange, PriorView
from truechange.individual.group import Programme
from truechange.individual.protocol import Bridge, bridge_from_pairs

__all__ = ["Belief", "Bridge", "PersonChange", "PriorView", "Programme", "bridge_from_pairs", "person_change"]

_LATER = {
    "reliable_change": "reliable",
    "recovery_cutoffs": "reliable",
    "predict_retest": "reliable",
    "visits": "visits",
}


def __getattr__(name: str) -> Any:
    if name not in _LATER:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"truechange.individual.{_LATER[name]}"), name)
