"""What change matters: anchor checks, every MCID estimator, the bias of each, triangulation and credibility."""

from truechange.meaningful_change.anchor import AnchorCheck, anchor_check
from truechange.meaningful_change.study import McidStudy, mcid

__all__ = ["AnchorCheck", "McidStudy", "anchor_check", "mcid"]
