"""One person: is the change real, is it enough, how sure. The core path needs only ``math`` and ``statistics``."""

from truechange.foundation import on_first_use

_NAMES = {
    "assess": "person_change", "change": "PersonChange", "posterior": "Belief", "several_visits": "visits Visits",
    "score_error": "Programme reliable_change predict_retest recovery_cutoffs",
    "typed": "Bridge bridge_from_pairs compare_protocols", "seats": "ladder ProgressionRule",
    "norms": "place norm_position offers chosen power_sentences",
}  # fmt: skip
_HOME = {name: module for module, names in _NAMES.items() for name in names.split()}
__all__ = sorted(_HOME)
__getattr__ = on_first_use(__name__, _HOME)
