"""What change matters: anchor checks, every MCID estimator, the bias of each, triangulation and credibility."""

from truechange.meaningful_change.anchor import AnchorCheck, anchor_check
from truechange.meaningful_change.baseline import BaselineDependence, baseline_dependence
from truechange.meaningful_change.credibility import credibility_sheet
from truechange.meaningful_change.result import McidStudy
from truechange.meaningful_change.scales import ScaleComparison, as_relative, compare_scales
from truechange.meaningful_change.study import mcid
from truechange.meaningful_change.triangulation import Triangulation, pool_thresholds, triangulate

__all__ = [
    "AnchorCheck",
    "BaselineDependence",
    "McidStudy",
    "ScaleComparison",
    "Triangulation",
    "anchor_check",
    "as_relative",
    "baseline_dependence",
    "compare_scales",
    "credibility_sheet",
    "mcid",
    "pool_thresholds",
    "triangulate",
]
