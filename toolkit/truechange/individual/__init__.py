"""One person: is the change real, is it enough, how sure. The core path needs only ``math`` and ``statistics``."""

from truechange.foundation.loading import on_first_use

_HOME = {
    "person_change": "assess",
    "PersonChange": "change",
    "Belief": "belief",
    "Programme": "group",
    "Bridge": "protocol",
    "bridge_from_pairs": "protocol",
    "compare_protocols": "protocol",
    "reliable_change": "reliable",
    "predict_retest": "reliable",
    "recovery_cutoffs": "reliable",
    "visits": "several_visits",
    "Visits": "several_visits",
    "several_tests": "several",
    "SeveralTests": "several",
    "place": "context",
    "norm_position": "context",
    "published_sem": "context",
    "published_mcid": "context",
    "with_gap": "context",
}
__all__ = sorted(_HOME)
__getattr__ = on_first_use(__name__, _HOME)
