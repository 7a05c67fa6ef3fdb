"""The settings that are simulated: coverage of intervals and bias of estimates, each against its known truth."""

from collections.abc import Iterator
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

import truechange as tc
from simulation.coverage import cell
from truechange.numerics.intervals import wilson_limits
from truechange.responders.counting import exact_limits
from truechange.validation.cases import long

Results = dict[str, NDArray[Any]]


def _held(low: Any, high: Any, truth: float) -> Any:
    return (np.asarray(low) <= truth) & (truth <= np.asarray(high))


def _retests(rng: np.random.Generator, repeats: int, n: int, shift: float) -> Iterator[tuple[Any, float]]:
    """Yield retest studies (person SD 2, error SD 1, random shifts of two trials) and the true mean difference."""
    for _ in range(repeats):
        trial = rng.normal(0, shift, 2)
        yield rng.normal(0, 2, (n, 1)) + trial + rng.normal(0, 1, (n, 2)), float(trial[0] - trial[1])


def _gather(rows: list[dict[str, bool | float]]) -> Results:
    return {key: np.array([row[key] for row in rows], dtype=float) for key in rows[0]}


for _n, _shift in ((15, 0.0), (30, 0.5)):

    @cell(
        f"sem-n{_n}-shift{_shift:g}",
        "SEM / MDC",
        by="tc.measurement_error, tc.limits_of_agreement",
        quick=100,
        full=4000,
        expected={
            "SEM consistency held": (0.95, 0.01),
            "SEM agreement held": (0.955, 0.02),
            "lower limit held": (0.95, 0.01),
        },
    )
    def _sem(rng: np.random.Generator, repeats: int, n: int = _n, shift: float = _shift) -> Results:
        rows: list[dict[str, bool | float]] = []
        for scores, away in _retests(rng, repeats, n, shift):
            error, lower = tc.measurement_error(long(scores)), tc.limits_of_agreement(*scores.T).lower
            rows.append(
                {
                    "SEM consistency held": error.sem_consistency.low <= 1 <= error.sem_consistency.high,
                    "SEM agreement held": error.sem_agreement.low <= sqrt(1 + shift**2) <= error.sem_agreement.high,
                    "lower limit held": lower.low <= away - 1.959964 * sqrt(2) <= lower.high,
                }
            )
        return _gather(rows)


for _p in (0.1, 0.3, 0.6):

    @cell(f"shares-p{_p:g}", "Proportions", by="tc.proportion, tc.compare_responders", quick=400, full=8000,
          expected={"Wilson held": (0.95, 0.02), "exact held": (0.97, 0.03), "Newcombe held": (0.955, 0.02)},
          )  # fmt: skip
    def _shares(rng: np.random.Generator, repeats: int, p: float = _p) -> Results:
        k1, k2 = rng.binomial(40, p, repeats), rng.binomial(35, 0.4, repeats)
        gaps = [tc.compare_responders(int(a), 40, int(b), 35).difference for a, b in zip(k1, k2, strict=True)]
        return {
            "Wilson held": _held(*wilson_limits(k1, 40), p),
            "exact held": _held(*exact_limits(k1, 40), p),
            "Newcombe held": _held([g.low for g in gaps], [g.high for g in gaps], p - 0.4),
        }


for _n, _mean, _rel in ((15, 1.0, 0.5), (40, 2.5, 0.6), (100, 1.0, 0.5)):
    _sem_true = sqrt(2.0 * (1 / _rel - 1))  # SD of true change 2

    @cell(f"true-share-n{_n}-mean{_mean:g}", "Responders", by="tc.true_responder_share", quick=100, full=1000,
          expected={"interval held": (0.945, 0.025), "share": (0.0, 0.02)})  # fmt: skip
    def _share(
        rng: np.random.Generator, repeats: int, n: int = _n, mean: float = _mean, sem: float = _sem_true
    ) -> Results:
        from scipy.special import ndtr

        truth, rows = float(ndtr((mean - 2) / 2)), []
        for _ in range(repeats):
            change = rng.normal(mean, 2, n) + rng.normal(0, sqrt(2) * sem, n)
            one = tc.true_responder_share(change, sem=sem * sqrt(rng.chisquare(29) / 29), mcid=2.0, sem_df=29)
            rows.append({"interval held": one.low <= truth <= one.high, "share": one.value - truth})
        return _gather(rows)


def rated_change(
    rng: np.random.Generator, n: int, *, p: float, rel_t: float, sem: float, mcid: float = 2.0, sd: float = 2.0
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return observed changes (to 0.1) and 0/1 ratings when the personal thresholds have mean `mcid`.

    `rel_t` is the share of the latent rating's variance that is true change,
    `p` the expected share rated improved, `sd` the SD of true change.
    """
    from scipy.special import ndtri

    noise = sd * sqrt(1 / rel_t - 1)
    mean = mcid + float(ndtri(p)) * sqrt(sd**2 + noise**2)
    true = rng.normal(mean, sd, n)
    rating = true + rng.normal(0, noise, n) > mcid if noise else true > mcid
    return np.round(true + rng.normal(0, sqrt(2) * sem, n), 1), rating.astype(np.int64)


# bias of a large sample, from a separate simulation (400,000 people a setting): p, rel_t, rel_D 0.8
LARGE_SAMPLE = {
    (0.3, 0.6): {"predictive": -0.82, "predictive_adjusted_2017": -0.55, "latent_threshold": 0.0},
    (0.5, 0.6): {"predictive": 0.0, "predictive_adjusted_2017": 0.0, "latent_threshold": 0.0},
    (0.7, 0.6): {"predictive": 0.81, "predictive_adjusted_2017": 0.54, "latent_threshold": 0.0},
    (0.3, 0.4): {"predictive": -1.23, "predictive_adjusted_2017": -0.97, "latent_threshold": 0.0},
    (0.7, 0.9): {"predictive": 0.40, "predictive_adjusted_2017": 0.10, "latent_threshold": 0.0},
}

for (_p, _rel_t), _bias in LARGE_SAMPLE.items():

    @cell(
        f"mcid-bias-p{_p:g}-anchor{_rel_t:g}",
        "MCID: predictive modelling",
        by="tc.mcid",
        quick=10,
        full=100,
        expected={method: (bias, 0.03) for method, bias in _bias.items()},
    )
    def _bias_of(rng: np.random.Generator, repeats: int, p: float = _p, rel_t: float = _rel_t) -> Results:
        rows = []
        for _ in range(repeats):
            change, rating = rated_change(rng, 4000, p=p, rel_t=rel_t, sem=sqrt(0.5))
            table = tc.mcid(change, rating, sem=sqrt(0.5), n_boot=100).table()["estimate"] - 2.0
            rows.append({method: float(table[method]) for method in LARGE_SAMPLE[p, rel_t]})
        return _gather(rows)


for _n, _p in ((80, 0.3), (200, 0.5), (200, 0.7)):

    @cell(f"mcid-coverage-n{_n}-p{_p:g}", "MCID: predictive modelling", by="tc.mcid", quick=0, full=400,
          expected={"latent threshold held": (0.93, 0.03)})  # fmt: skip
    def _coverage(rng: np.random.Generator, repeats: int, n: int = _n, p: float = _p) -> Results:
        rows = []
        for _ in range(repeats):
            change, rating = rated_change(rng, n, p=p, rel_t=0.6, sem=sqrt(0.857))
            sem = sqrt(0.857 * rng.chisquare(30) / 30)
            one = tc.mcid(change, rating, sem=sem, sem_df=30, n_boot=400).table().loc["latent_threshold"]
            rows.append({"latent threshold held": one.low <= 2.0 <= one.high})
        return _gather(rows)


@cell("mcid-present-state", "MCID: predictive modelling", by="tc.mcid", quick=6, full=300,
      expected={"two states": (0.0, 0.03), "one state": (0.27, 0.04), "present-state bias": (0.30, 0.02)})  # fmt: skip
def _present_state(rng: np.random.Generator, repeats: int) -> Results:
    """Ratings lean on the present state (0.3) and people who start lower gain more (correlation -0.4); share 0.3."""
    rows = []
    for _ in range(repeats):
        start = rng.normal(0, 3, 1000)
        true = rng.normal(0, 2, 1000) * sqrt(1 - 0.16) - 0.4 * 2 / 3 * start
        leaning = true + 0.3 * start
        noise = float(np.std(leaning)) * sqrt(1 / 0.6 - 1)
        shift = -0.5244 * float(np.hypot(np.std(leaning), noise)) + 2.0
        change = true + shift
        rating = (change + 0.3 * start + rng.normal(0, noise, 1000) > 2.0).astype(int)
        sem = sqrt(2 * (1 / 0.7 - 1))
        before = start + 10 + rng.normal(0, sem, 1000)
        after = start + 10 + change + rng.normal(0, sem, 1000)
        study = tc.mcid(after - before, rating, sem=sem, before=before, after=after, n_boot=100)
        estimate = study.table()["estimate"] - 2.0
        rows.append(
            {
                "two states": float(estimate["latent_threshold_two_state"]),
                "one state": float(estimate["latent_threshold"]),
                "present-state bias": study.present_state_bias.value,
            }
        )
    return _gather(rows)
