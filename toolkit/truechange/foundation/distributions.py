"""Normal, Student t and chi-square from the standard library alone, and the share that error alone makes."""

from collections.abc import Callable, Iterator
from math import ceil, erfc, exp, inf, lgamma, log, log1p, nan, pi, sqrt

from truechange.foundation.numbers import reaches

_TINY = 1e-300
MANY = 1e5  # degrees of freedom from which the cube-root form is exact to seven digits and the series only slow


def normal_below(x: float) -> float:
    """Return P(Z ≤ x) for a standard normal Z, accurate in both tails."""
    return 0.5 * erfc(-x / sqrt(2))


def normal_quantile(p: float) -> float:
    """Return the value a standard normal stays below with probability `p`."""
    if p > 0.5:
        return -normal_quantile(1 - p)
    t = sqrt(-2 * log(p))
    x = (2.30753 + 0.27061 * t) / (1 + (0.99229 + 0.04481 * t) * t) - t  # good to three digits; Halley does the rest
    for _ in range(4):
        off = (normal_below(x) - p) * sqrt(2 * pi) * exp(x * x / 2)
        x -= off / (1 + x * off / 2)
    return x


def two_sided(confidence: float) -> float:
    """Return the normal multiplier of a two-sided interval: 1.96 for 0.95."""
    return normal_quantile(0.5 + confidence / 2)


def beta_below(x: float, a: float, b: float) -> float:
    """Return the regularised incomplete beta function I_x(a, b) by its continued fraction (modified Lentz)."""
    if not 0 < x < 1:
        return float(x >= 1)
    if x > (a + 1) / (a + b + 2):
        return 1 - beta_below(1 - x, b, a)
    front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log1p(-x)) / a
    c, d = 1.0, 1 / _nonzero(1 - (a + b) * x / (a + 1))
    total = d
    for m in range(1, 2000):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        for term in (even, odd):
            d = 1 / _nonzero(1 + term * d)
            c = _nonzero(1 + term / c)
            total *= c * d
        if abs(c * d - 1) < 1e-16:
            break
    return front * total


def _nonzero(value: float) -> float:
    return value if abs(value) > _TINY else _TINY


def t_below(x: float, df: float) -> float:
    """Return P(T ≤ x) for Student's t with `df` degrees of freedom."""
    tail = 0.5 * beta_below(df / (df + x * x), df / 2, 0.5)
    return 1 - tail if x > 0 else tail


def t_quantile(p: float, df: float) -> float:
    """Return the value Student's t stays below with probability `p`."""
    return -t_quantile(1 - p, df) if p < 0.5 else _invert(lambda x: t_below(x, df), p, 0.0, 1.0)


def chi2_below(x: float, df: float) -> float:
    """Return P(X ≤ x) for a chi-square with `df` degrees of freedom (by its series)."""
    a, y = df / 2, x / 2
    if y <= 0:
        return 0.0
    front = exp(a * log(y) - y - lgamma(a))
    term = total = 1 / a
    while term > total * 1e-17:
        a += 1
        term *= y / a
        total += term
    return front * total


def chi2_quantile(p: float, df: float) -> float:
    """Return the value a chi-square with `df` degrees of freedom stays below with probability `p`."""
    if df > MANY:  # Wilson and Hilferty's cube root (from memory)
        return df * (1 - 2 / (9 * df) + normal_quantile(p) * sqrt(2 / (9 * df))) ** 3
    return _invert(lambda x: chi2_below(x, df), p, 0.0, df + 1.0)


def _invert(below: Callable[[float], float], p: float, low: float, high: float) -> float:
    """Bisect a rising function for `p`, first doubling `high` until it brackets."""
    while below(high) < p and high < inf:
        low, high = high, high * 2
    return bisect(below, p, low, high)


def bisect(rising: Callable[[float], float], target: float, low: float, high: float) -> float:
    """Return where a rising function crosses `target` between `low` and `high`, to the last digits of a float."""
    for _ in range(200):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        low, high = (middle, high) if rising(middle) < target else (low, middle)
    return (low + high) / 2


def sd_factors(df: float | None, confidence: float) -> tuple[float, float]:
    """Return the multipliers √(df/χ²) that turn an SD or SEM into its limits; NaN without degrees of freedom.

    Examples
    --------
    >>> [round(limit, 3) for limit in sd_factors(29, 0.95)]
    [0.796, 1.344]
    """
    if df is None:
        return nan, nan
    tail = (1 - confidence) / 2
    return sqrt(df / chi2_quantile(1 - tail, df)), sqrt(df / chi2_quantile(tail, df))


def sem_factors(df: float | None) -> Iterator[tuple[float, float]]:
    """Yield factors for an SEM known from `df` degrees of freedom, each with its probability.

    Given an estimated SEM, the true one is SEM·√(df/χ²): its logarithm has density ∝ exp(−df·u − df/(2e^{2u})).
    An even grid on that logarithm integrates it to about six digits; without `df` the SEM is taken as known.
    """
    if df is None:
        yield 1.0, 1.0
        return
    step, grid = 1.1 / sqrt(2 * df), []
    for direction in (1, -1):
        k = 0 if direction == 1 else -1
        while (density := df * (0.5 - (u := k * step) - 0.5 * exp(-2 * u))) > -12:
            grid.append((exp(u), exp(density)))
            k += direction
    total = sum(weight for _, weight in grid)
    for factor, weight in grid:
        yield factor, weight / total


COARSE = 0.6  # SEM in steps of the scale, below which the two rounding errors of a person are no longer independent


def error_share(threshold: float, sem: float, practice: float = 0.0, resolution: float = 0.0) -> float:
    """Return the chance that measurement error alone carries an unchanged person to the threshold.

    Parameters
    ----------
    threshold, sem, practice : float
        Smallest change that counts, standard error of measurement of one score as tested, mean gain of unchanged
        people; in the unit of the test.
    resolution : float, optional
        Step in which the test is scored (1 stand, 0.1 s); 0 for a scale without steps.

    Notes
    -----
    With s = √2 SEM₀ (SEM₀ before rounding, :func:`unrounded_sem`), Q the upper normal tail and k the first whole
    number of steps r that reaches the threshold, true scores lying anywhere between two steps:
    ``(1/r) ∫ Q((x − practice)/s) dx`` over x from (k − 1)r to kr (own derivation, checked by simulation). Its limit
    for r → 0 is the textbook form ``Q((threshold − practice)/(√2 SEM))``.

    Examples
    --------
    >>> round(error_share(2, 1.0), 3), round(error_share(2, (1 + 1 / 12) ** 0.5, resolution=1), 3)
    (0.079, 0.149)
    """
    if sem == 0:
        return float(reaches(practice, threshold))
    if not resolution:
        return normal_below(-(threshold - practice) / (sqrt(2) * sem))
    k, spread = ceil(round(threshold / resolution, 9)), sqrt(2) * unrounded_sem(sem, resolution)
    return _step_tail(k, spread, practice, resolution)


def _step_tail(k: int, s: float, shift: float, r: float) -> float:
    """Return the chance that the difference of two rounded scores is at least k steps r."""

    def area(x: float) -> float:  # antiderivative of the upper tail of N(shift, s²)
        z = (x - shift) / s
        return (x - shift) * normal_below(-z) - s * exp(-z * z / 2) / sqrt(2 * pi)

    return min(1.0, max(0.0, (area(k * r) - area((k - 1) * r)) / r))


def unrounded_sem(sem: float, resolution: float) -> float:
    """Return the SEM before scores were rounded to steps: an SEM from rounded retests holds the rounding too.

    ``SEM₀² = SEM² − r²/12`` (Sheppard's correction) from 0.6 steps; below, the SEM₀ whose rounded retests would vary
    as much, ``SEM² = r² Σ (2k − 1) P(difference ≥ k steps)``, found by bisection (own derivation).
    """
    if sem >= COARSE * resolution:
        return sqrt(sem**2 - resolution**2 / 12)

    def after_rounding(before: float) -> float:
        s = max(sqrt(2) * before, _TINY)
        return resolution * sqrt(sum((2 * k - 1) * _step_tail(k, s, 0.0, resolution) for k in range(1, 9)))

    return bisect(after_rounding, sem, 0.0, sem)
