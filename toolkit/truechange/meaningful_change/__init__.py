"""What change matters: anchor checks, every MCID estimator, the bias of each, and what stands beside them."""

from truechange.meaningful_change.beside import credibility_sheet
from truechange.meaningful_change.companions import baseline_dependence, compare_scales
from truechange.meaningful_change.draws import cross_fit_mcid
from truechange.meaningful_change.ratings import AnchorCheck, anchor_check
from truechange.meaningful_change.study import McidStudy, mcid

__all__ = [
    "AnchorCheck", "McidStudy", "anchor_check", "baseline_dependence", "compare_scales", "credibility_sheet",
    "cross_fit_mcid", "mcid",
]  # fmt: skip
