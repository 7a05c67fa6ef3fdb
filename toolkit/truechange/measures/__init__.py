"""The catalogue of functional tests, what is published about them, and measures derived from others."""

from truechange.measures.catalogue import Measure, catalogue, list_measures, measure
from truechange.measures.power import sit_to_stand_power, stair_power
from truechange.measures.published import Reference, published, published_rows, published_threshold, references

__all__ = [
    "Measure", "Reference", "catalogue", "list_measures", "measure", "published", "published_rows",
    "published_threshold", "references", "sit_to_stand_power", "stair_power",
]  # fmt: skip
