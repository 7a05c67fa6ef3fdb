"""Draw a retest study of stable people: the same tests twice a week apart, two trials a session."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from truechange.measures.catalogue import measure
from truechange.synthetic.clinic import observed
from truechange.synthetic.scenario import Scenario

RETEST_TESTS = ("chair_stand_30s", "timed_up_and_go", "sit_to_stand_5", "walk_40m_fast")


def make_retest(
    people: int = 50,
    *,
    sessions: int = 2,
    trials: int = 2,
    measures: Sequence[str] = RETEST_TESTS,
    seed: int = 20250901,
    scenario: Scenario | None = None,
) -> pd.DataFrame:
    """Draw people who do not change, tested in `sessions` weekly sessions of `trials` trials.

    Parameters
    ----------
    people, sessions, trials : int
        Size of the study.
    measures : sequence of str
        Tests of the scenario to draw.
    seed : int
        Same seed, same study.
    scenario : Scenario, optional
        The numbers to draw from; the invented clinic's own by default.

    Returns
    -------
    DataFrame
        In the layout of the assessments table; `occasion` is ``"retest1"``, ``"retest2"`` ..., `trial` counts within a
        session. The first trial of all is unpractised, so scores rise a little (see ``Scenario.learning``).

    Examples
    --------
    >>> from truechange.synthetic import make_retest
    >>> study = make_retest(people=10, seed=1)
    >>> len(study), sorted(study["occasion"].unique())
    (160, ['retest1', 'retest2'])
    """
    scenario = scenario or Scenario()
    rng = np.random.default_rng(seed)
    models = {test.key: test for test in scenario.tests}
    level = rng.standard_normal(people)
    start = pd.Timestamp("2025-09-01") + pd.to_timedelta(rng.integers(0, 28, people), unit="D")
    parts = []
    for key in measures:
        test, facts = models[key], measure(key)
        place = test.shared * level + np.sqrt(1 - test.shared**2) * rng.standard_normal(people)
        spread = facts.sign * test.spread * place
        state = test.centre * np.exp(spread) if test.ratio else test.centre + spread
        attempt = 0
        for session in range(1, sessions + 1):
            day = np.sqrt(scenario.day_share) * rng.standard_normal(people)
            for trial in range(1, trials + 1):
                noise = day + np.sqrt(1 - scenario.day_share) * rng.standard_normal(people)
                learnt = scenario.learning[min(attempt, len(scenario.learning) - 1)]
                attempt += 1
                seated = key != "walk_40m_fast"
                rows = {
                    "person": [f"R{number:02d}" for number in range(1, people + 1)],
                    "date": start + pd.Timedelta(days=7 * (session - 1)),
                    "occasion": f"retest{session}",
                    "measure": key,
                    "value": observed(test, state, learnt, noise),
                    "unit": facts.unit,
                    "trial": trial,
                    "result": "measured",
                    "seat_height_cm": scenario.seat_cm if seated else np.nan,
                    "arms_used": "no" if seated else "",
                    "walking_aid": "none",
                    "course_m": {"timed_up_and_go": 3.0, "walk_40m_fast": 40.0}.get(key, np.nan),
                    "assessor": "A1",
                }
                parts.append(pd.DataFrame(rows))
    return pd.concat(parts, ignore_index=True)
