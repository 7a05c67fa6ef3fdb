"""Sample size by formula and by simulating the planned analysis."""

from truechange.planning.power import (
    Losses,
    Plan,
    plan_change,
    plan_paired_shares,
    plan_two_programmes,
    plan_two_shares,
)
from truechange.planning.precision import (
    plan_agreement,
    plan_error,
    plan_icc,
    plan_mcid,
    plan_responders,
    plan_true_share,
)

__all__ = [
    "Losses", "Plan", "plan_agreement", "plan_change", "plan_error", "plan_icc", "plan_mcid", "plan_paired_shares",
    "plan_responders", "plan_true_share", "plan_two_programmes", "plan_two_shares",
]  # fmt: skip
