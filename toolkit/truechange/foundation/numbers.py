"""Rounding, and only here: full precision inside, as many digits as the interval earns at the edge."""

from math import ceil, floor, isfinite, log10
from typing import Any

LOPSIDED = 3.0  # how many times the shorter arm of an interval the longer one is


def decimals_for(low: float, high: float, value: float = 0.0) -> int:
    """How many decimals to show so that the interval's width has two significant digits.

    Where one arm is more than three times the other, the shorter one decides: a far limit says nothing of the near one.

    Parameters
    ----------
    low, high : float
        Limits of the interval; if they are missing or equal, `value` decides.
    value : float, optional
        The estimate itself, shown with three significant digits when alone.

    Returns
    -------
    int
        Between 0 and 4.

    Examples
    --------
    >>> decimals_for(2.21, 3.68), decimals_for(0.02, 0.76), decimals_for(410, 455), decimals_for(2.8, 80.6, 3.6)
    (1, 2, 0, 2)
    """
    width, arms = abs(high - low), (abs(high - value), abs(value - low))
    if low < value < high and max(arms) > LOPSIDED * min(arms):
        width = min(arms)
    if isfinite(width) and width > 0:
        return min(4, max(0, 1 - floor(log10(width))))
    if isfinite(value) and value != 0:
        return min(4, max(0, 2 - floor(log10(abs(value)))))
    return 1


def fixed(value: float, decimals: int) -> str:
    """Show `value` with `decimals` places; a true minus sign, no minus zero, infinity as ∞, missing as –.

    Examples
    --------
    >>> fixed(-0.004, 2), fixed(-1.5, 1), fixed(float("inf"), 1), fixed(float("nan"), 1)
    ('0.00', '−1.5', '∞', '–')
    """
    if value != value:
        return "–"
    if not isfinite(value):
        return "∞" if value > 0 else "−∞"
    text = f"{value:.{decimals}f}"
    return (text.lstrip("-") if float(text) == 0 else text).replace("-", "−")


def percent(share: float, decimals: int = 0) -> str:
    """Show a share (0 to 1) as a percentage; never 0% or 100% for a share that is not exactly that.

    Examples
    --------
    >>> percent(0.314), percent(0.998), percent(0.0004), percent(1.0)
    ('31%', '>99%', '<1%', '100%')
    """
    if share != share:
        return "–"
    step = 10.0**-decimals
    text = f"{100 * share:.{decimals}f}"
    if share > 0 and float(text) == 0:
        return f"<{step:g}%"
    if share < 1 and float(text) == 100:
        return f">{100 - step:g}%"
    return text.replace("-", "−") + "%"


def people(n: int, noun: str = "people", one: str = "person") -> str:
    """Write how many there are, one of them in the singular.

    Examples
    --------
    >>> people(8), people(1), people(1, "scores", "score")
    ('8 people', '1 person', '1 score')
    """
    return f"{n} {one if n == 1 else noun}"


def with_interval(value: float, low: float, high: float, decimals: int | None = None) -> str:
    """Write a value with its interval behind it; a share, as a percentage, where no `decimals` are given.

    Examples
    --------
    >>> with_interval(0.58, 0.515, 0.651), with_interval(2.846, 2.46, 3.23, 1)
    ('58% (52% to 65%)', '2.8 (2.5 to 3.2)')
    """
    shown, least, most = (percent(end) if decimals is None else fixed(end, decimals) for end in (value, low, high))
    return f"{shown} ({least} to {most})"


def p_value(p: float) -> str:
    """Show a p-value: ``p = 0.023``, ``p < 0.001``."""
    if p != p:
        return "p not available"
    return "p < 0.001" if p < 0.001 else f"p = {p:.3f}"


def reachable(threshold: float, resolution: float) -> float:
    """Return the smallest step of the scale that is at least `threshold` (both in the test's unit).

    The rule compares unrounded; this is what a person on the floor can count.

    Examples
    --------
    >>> reachable(2.77, 1), reachable(2.0, 1), round(reachable(0.834, 0.1), 10)
    (3, 2, 0.9)
    """
    steps = ceil(round(threshold / resolution, 9))
    return steps * resolution


def with_unit(number: float, unit: str) -> str:
    """Write a number as it was given, with its unit, one of it in the singular.

    Examples
    --------
    >>> with_unit(1, "stands"), with_unit(3, "stands"), with_unit(1, "s"), with_unit(1, "")
    ('1 stand', '3 stands', '1 s', '1')
    """
    return f"{number:g} {unit.removesuffix('s') if number == 1 and unit[2:].isalpha() else unit}".rstrip()


def decimals_of(resolution: float) -> int:
    """How many decimals a scale with this smallest step is read to.

    Examples
    --------
    >>> decimals_of(1), decimals_of(0.1), decimals_of(0.01), decimals_of(5)
    (0, 1, 2, 0)
    """
    return max(0, -floor(log10(resolution) + 1e-9))


def reaches(change: "float | Any", threshold: float) -> "bool | Any":
    """Whether a change is at least the threshold: the one rule, unrounded, blind to floating-point noise.

    10.5 − 9.8 is 0.6999999999999993 in binary; a person exactly at 0.7 counts as there. The slack is a
    billionth of the threshold's size, far below any test's resolution.

    Parameters
    ----------
    change : float or ndarray
        One improvement or several, positive = better.
    threshold : float
        In the same unit.

    Returns
    -------
    bool or ndarray of bool

    Examples
    --------
    >>> reaches(10.5 - 9.8, 0.7), reaches(0.69, 0.7)
    (True, False)
    """
    return change >= threshold - 1e-9 * max(1.0, abs(threshold))
