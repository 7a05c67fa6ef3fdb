"""What the room refuses: the call, the kind of error, and the words that say what is wrong."""

import pytest

import truechange as tc
from truechange.validation.cases import long

FOUR, ZERO = long([[9, 10], [12, 12], [7, 8], [14, 13]]), long([[0, 3], [4, 4.5], [5, 0], [6, 6]])
limits, kappa = tc.limits_of_agreement, tc.weighted_kappa
REFUSED = {
    (tc.icc, "no such form"): ((FOUR,), {"form": "ICC(4,1)"}, tc.ChoiceError, r"ICC\(4,1\)' is not available; choose"),
    (tc.icc, "no form"): ((FOUR,), {}, TypeError, "form"),
    (tc.icc, "percent"): ((FOUR,), {"form": "ICC(1)", "confidence": 95}, tc.ChoiceError, "confidence=95"),
    (limits, "text"): ((["a", 3, 4], [1, 2, 3]), {}, tc.DataError, "first must hold numbers only"),
    (limits, "lengths"): (([1, 2, 3], [1, 2]), {}, tc.DataError, "same people"),
    (limits, "gap"): (([1, float("nan"), 3], [1, 2, 3]), {}, tc.DataError, "the first at position 1"),
    (limits, "one pair"): (([1], [1]), {}, tc.DataError, "at least 2 pairs"),
    (limits, "method"): (([1, 2], [2, 3]), {"method": "bootstrap"}, tc.ChoiceError, "'exact', 'pair', 'appr"),
    (limits, "scale"): (([1, 2], [2, 3]), {"scale": "percent"}, tc.ChoiceError, "'raw', 'log'"),
    (limits, "log of 0"): (([0, 2, 3], [1, 2, 3]), {"scale": "log"}, tc.RefusedError, "1 scores are 0 or less"),
    (kappa, "lengths"): (([1, 2], [1]), {}, tc.DataError, "same people"),
    (kappa, "gap"): (([1, None], [1, 2]), {}, tc.DataError, "missing at position 1"),
    (kappa, "stranger"): (([1, 9], [1, 2]), {"categories": [1, 2, 3]}, tc.DataError, "9 is not among"),
    (kappa, "own weights"): (([1, 2], [1, 2]), {"weights": [[0, 1]]}, tc.DataError, "2 x 2 table"),
    (kappa, "no such"): (([1, 2], [1, 2]), {"weights": "cubic"}, tc.ChoiceError, "'quadratic', 'linear', 'none'"),
    (kappa, "half"): (([10.2, 11.5], [10.0, 11.0]), {}, tc.RefusedError, "not a whole number"),
    (kappa, "mixed"): (([1, 2, "c"], [1, 2, "c"]), {}, tc.RefusedError, "categories= in order"),
    (tc.transport_check, "one score"): ((2.5, [9.0]), {}, tc.DataError, "Only 1 baseline score"),
    (tc.transport_check, "pairs"): ((2.5,), {"repeats": ([1, 2], [1])}, tc.DataError, "two columns of the same people"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED, ids=lambda case: f"{case[0].__name__}, {case[1]}")
def test_what_cannot_be_used_is_refused(case):
    given, named, error, words = REFUSED[case]
    with pytest.raises(error, match=words):
        case[0](*given, **named)


def test_what_a_result_cannot_tell_it_refuses():
    with pytest.raises(tc.RefusedError, match="at least 3 pairs"):
        tc.limits_of_agreement([1, 2], [2, 4]).at(3)
    with pytest.raises(tc.RefusedError, match="at least 3 people"):
        tc.measurement_error(long([[9, 10], [12, 11]])).mdc_at(4.0)
    with pytest.raises(tc.RefusedError, match="2 scores are 0 or less"):
        tc.measurement_error(ZERO).on_log_scale()
    assert "specific agreement" in tc.weighted_kappa([1, 2, 2], [1, 2, 1], n_boot=50)._repr_html_()
