"""People needed to pin a number down: against printed examples, the intervals themselves, and simulated studies."""

import pytest

from truechange.planning.precision import plan_agreement, plan_error


@pytest.mark.parametrize(("df", "high"), [(9, 1.826), (14, 1.577), (29, 1.344), (99, 1.162)])
def test_limits_of_the_sem_as_recomputed(df, high):
    # Source: multipliers recomputed to three decimals; a plan for that very distance gives df + 1 people
    assert plan_error(high - 1).exact == pytest.approx(df + 1, abs=0.0006 * df / (high - 1))
    assert plan_error(high - 1, trials=3).exact == pytest.approx(df / 2 + 1, abs=0.0006 * df / (high - 1))


def test_people_for_limits_of_agreement():
    # Source: exact factors recomputed to three decimals: 50 people 1.551 to 2.535 SD, 100 people 1.659 to 2.342 SD
    for n, low, high in ((20, 1.356, 3.014), (50, 1.551, 2.535), (100, 1.659, 2.342)):
        width = (high - low) / 2
        assert plan_agreement(width, sd=1.0).exact == pytest.approx(n, abs=0.002 * n / width)
    assert plan_agreement(1.0, sd=2.0).exact == plan_agreement(0.5, sd=1.0).exact
