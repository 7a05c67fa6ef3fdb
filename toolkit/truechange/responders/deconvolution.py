"""The distribution of true change without assuming it normal: a smooth density blurred by known error."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from truechange.foundation.errors import RefusedError
from truechange.foundation.estimate import Estimate, Threshold, person_threshold
from truechange.foundation.sem import read_sem
from truechange.numerics.resampling import draw_people, in_blocks, percentile_limits
from truechange.responders.true_share import measured_changes

Floats = NDArray[np.float64]
FEWEST = 100


@dataclass(frozen=True)
class TrueDensity:
    """True change on a grid: its probability at each point.

    Parameters
    ----------
    change, probability : ndarray, shape (g,)
        Grid in the test's unit and probability of each point (sums to 1).
    """

    change: Floats
    probability: Floats

    def share_above(self, mcid: float) -> float:
        """Return the share with true change of at least `mcid`; a grid cell is shared out across the cut."""
        step = self.change[1] - self.change[0]
        part = np.clip((self.change + step / 2 - mcid) / step, 0, 1)
        return float(self.probability @ part)


def true_density(changes: Floats, sem: float, *, points: int = 81, df: int = 6, penalty: float = 1.0) -> TrueDensity:
    """Estimate the density of true change: log-density a natural spline, fitted by penalised maximum likelihood.

    ``g = exp(Qα) / Σ exp(Qα)``, likelihood of an observed change ``Σ g N(d; θ, 2 SEM²)``, penalty ``penalty · |α|``
    (Efron 2016, Biometrika 103:1-20; from memory).
    """
    from scipy.interpolate import CubicSpline
    from scipy.optimize import minimize

    low, high = changes.min() - sem, changes.max() + sem
    grid = np.linspace(low, high, points)
    knots = np.linspace(low, high, df)
    basis = np.column_stack([CubicSpline(knots, row, bc_type="natural")(grid) for row in np.eye(df)])
    basis = np.linalg.qr(basis - basis.mean(axis=0))[0][:, : df - 1]
    blur = np.exp(-((changes[:, None] - grid[None, :]) ** 2) / (4 * sem**2))

    def loss(alpha: Floats) -> tuple[float, Floats]:
        weight = basis @ alpha
        g = np.exp(weight - weight.max())
        g /= g.sum()
        mixed = blur @ g
        pull = g * (blur.T @ (1 / mixed) - changes.size)
        size = np.sqrt(alpha @ alpha + 1e-12)
        return float(-np.log(mixed).sum() + penalty * size), -(basis.T @ pull) + penalty * alpha / size

    found = minimize(loss, np.zeros(df - 1), jac=True, method="BFGS", options={"gtol": 1e-4 * changes.size})
    weight = basis @ found.x
    g = np.exp(weight - weight.max())
    return TrueDensity(grid, g / g.sum())


def true_share_any_shape(
    improvement: Any,
    *,
    sem: "Estimate | float",
    mcid: "Threshold | float",
    n_boot: int = 400,
    seed: int = 0,
    jobs: int = 1,
    confidence: float = 0.95,
) -> Estimate:
    """Estimate the share with true change above the MCID when the changes are skewed or have two humps.

    Parameters
    ----------
    improvement : array-like of float
        One entry a person; NaN left out.
    sem, mcid
        As in :func:`true_responder_share`; both are taken as known.
    n_boot, seed, jobs : int, optional
        Resamples of people, their seed, and joblib workers (the result does not depend on them).
    confidence : float, optional
        Level of the interval.

    Raises
    ------
    RefusedError
        Fewer than 100 people: a free shape asks more than fewer can tell.
    """
    limit = person_threshold(mcid, "mcid", name="mcid")
    error = read_sem(sem).value
    changes, _ = measured_changes(improvement)
    if changes.size < FEWEST or error == 0:
        raise RefusedError(
            f"A free shape of the true change needs at least {FEWEST} people and a SEM above 0; "
            f"here are {changes.size} people. Use true_responder_share()."
        )

    def shares(rng: np.random.Generator, size: int) -> Floats:
        picks = draw_people(rng, size, changes.size)
        return np.array([[true_density(changes[pick], error).share_above(limit.value)] for pick in picks])

    draws = in_blocks(shares, n_boot, seed=seed, block=20, jobs=jobs)[:, 0]
    low, high = percentile_limits(draws, confidence)
    return Estimate(
        value=true_density(changes, error).share_above(limit.value), low=float(low), high=float(high),
        confidence=confidence, n=changes.size, method=f"spline density of true change; {n_boot} resamples of people",
    )  # fmt: skip
