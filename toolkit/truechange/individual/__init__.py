"""One person: is the change real, is it enough, how sure. The core path needs only ``math`` and ``statistics``."""

from truechange.foundation.loading import on_first_use

_NAMES = {
    "assess": "person_change", "change": "PersonChange", "posterior": "Belief", "score_error": "Programme",
    "typed": "Bridge bridge_from_pairs compare_protocols", "several_visits": "visits Visits",
    "reliable": "reliable_change predict_retest recovery_cutoffs", "body": "power_sentences",
    "seats": "ladder ProgressionRule", "elsewhere": "place norm_position offers chosen",
}  # fmt: skip
_HOME = {name: module for module, names in _NAMES.items() for name in names.split()}
__all__ = sorted(_HOME)
__getattr__ = on_first_use(__name__, _HOME)
