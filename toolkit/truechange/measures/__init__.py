"""The catalogue of functional tests, what is published about them, and measures derived from others."""

from truechange.measures.catalogue import catalogue, list_measures, measure
from truechange.measures.derived import sit_to_stand_power, stair_power
from truechange.measures.measure import Measure
from truechange.measures.norms import Reference, references
from truechange.measures.published import published, published_rows, published_threshold

__all__ = [
    "Measure",
    "Reference",
    "catalogue",
    "list_measures",
    "measure",
    "published",
    "published_rows",
    "published_threshold",
    "references",
    "sit_to_stand_power",
    "stair_power",
]
