"""The catalogue of functional tests, what is published about them, and measures derived from others."""

from truechange.foundation import on_first_use
from truechange.measures.catalogue import Measure, catalogue, list_measures, measure, sit_to_stand_power, stair_power

_LITERATURE = ("Reference", "published", "published_rows", "published_threshold", "references")
__all__ = ["Measure", "catalogue", "list_measures", "measure", "sit_to_stand_power", "stair_power", *_LITERATURE]
__getattr__ = on_first_use(__name__, dict.fromkeys(_LITERATURE, "literature"))
