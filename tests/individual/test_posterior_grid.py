"""The sums over a small group's unknown spread and correlation against quadrature on a far finer grid."""

from math import sqrt

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ndtr
from scipy.stats import norm

from truechange.individual.posterior import Seen, from_programme
from truechange.individual.score_error import Programme, score_error

AT = np.array([0.0, 2.0, 3.0])


def by_quadrature(before, after, sem, group, taus=200, rhos=2000):
    """Return the chance that the true change exceeds each of AT: the two unknowns on 400,000 places at once."""
    s11, s12, n = group.sd_before**2, group.covariance, group.n
    e, change = sem**2, group.var_change
    top = group.sd_change * sqrt(1 + 6 * sqrt(2 / (n - 1)))
    tau = (top * (np.arange(taus) + 0.5) / taus)[:, None]
    rho = ((2 * np.arange(rhos) + 1) / rhos - 1)[None]
    v11 = max(s11 - e, 0.05 * s11)
    joint = rho * sqrt(v11) * tau
    seen = np.stack([[v11 + e + 0 * joint, joint - e], [joint - e, tau**2 + 2 * e + 0 * rho]])
    det = seen[0, 0] * seen[1, 1] - seen[0, 1] ** 2
    away = (seen[1, 1] * s11 - 2 * seen[0, 1] * (s12 - s11) + seen[0, 0] * change) / det
    log = -0.5 * (n - 1) * (np.log(det) + away) + np.log(tau) - tau**2 / (2 * change) + 2 * np.log(1 - rho**2)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    # regression of the true change on both scores, means known to within their own variance
    true = np.stack([[v11 + 0 * joint, v11 + joint], [v11 + joint, v11 + 2 * joint + tau**2]])
    noisy = np.moveaxis(true, (0, 1), (-2, -1)) + e * np.eye(2)
    c = np.array([-1.0, 1.0])
    cov = np.moveaxis(true, (0, 1), (-2, -1)) @ c
    kept = np.linalg.solve(noisy, cov[..., None])[..., 0]
    means = np.array([group.mean_before, group.mean_after])
    lean = c - kept
    var = cov @ c - (kept * cov).sum(-1) + np.einsum("...i,...ij,...j->...", lean, noisy, lean) / n
    mean = lean @ means + kept @ np.array([before, after])
    return np.array([(weight * ndtr((mean - at) / np.sqrt(var))).sum() for at in AT])


@pytest.mark.parametrize("n", [15, 40, 149])
@pytest.mark.parametrize(
    ("sd_after", "correlation", "sem"), [(3, 0.6, 1.2), (2, 0.8, 0.3), (4, -0.2, 0.8), (2, 0.93, 0.3)]
)
def test_the_grid_is_fine_enough(n, sd_after, correlation, sem):
    group = Programme(10, 12, 3.0, sd_after, correlation, n)
    belief = from_programme(Seen(9, 13, 1), score_error(sem, None, (9, 13)), group)
    ours = [belief.above(at) for at in AT]
    assert ours == pytest.approx(by_quadrature(9, 13, sem, group), abs=0.0005)


def test_a_score_at_the_end_of_the_scale_is_integrated_over_what_it_could_have_been():
    group = Programme(10, 12, 3.0, 3.0, 0.6, 200)
    belief = from_programme(Seen(9, 15, 1, 0, 1), score_error(0.9, None, (9, 15)), group)
    # closed form given the second score, then quadrature over its tail
    true, noisy = np.array([[9 - 0.81, 5.4], [5.4, 9 - 0.81]]), np.array([[9.0, 5.4], [5.4, 9.0]])
    c, means = np.array([-1.0, 1.0]), np.array([10.0, 12.0])
    kept = np.linalg.solve(noisy, true @ c)
    sd = sqrt(c @ true @ c - kept @ true @ c)
    centre, spread = 12 + 0.6 * (9 - 10), sqrt(9 - 0.36 * 9)

    def above(at):
        def chance(x):
            mean = c @ means + kept @ (np.array([9, x]) - means)
            return norm.pdf(x, centre, spread) * norm.sf((at - mean) / sd)

        return quad(chance, 15, 45)[0] / norm.sf(15, centre, spread)

    for at in (2, 5, 8):
        assert belief.above(at) == pytest.approx(above(at), abs=0.001)
