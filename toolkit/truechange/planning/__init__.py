"""Sample size by formula and by simulating the planned analysis."""

from truechange.foundation import on_first_use

_NAMES = {
    "power": "Losses Plan plan_change plan_paired_shares plan_two_programmes plan_two_shares",
    "precision": "plan_agreement plan_error plan_icc plan_mcid plan_responders plan_true_share",
}
_HOME = {name: module for module, names in _NAMES.items() for name in names.split()}
__all__ = sorted(_HOME)
__getattr__ = on_first_use(__name__, _HOME)
