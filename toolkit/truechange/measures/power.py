"""Muscle power worked out from other measures: standing up and climbing stairs."""

from truechange.foundation.errors import DataError, RefusedError, check_numbers

GRAVITY = 9.81
MASS_LIFTED = 0.9
RISE_SHARE = 0.5


def _positive(**facts: float) -> None:
    check_numbers(**facts)
    for name, value in facts.items():
        if not (value > 0 and value < float("inf")):
            raise DataError(f"{name}={value!r} must be a positive number.")


def sit_to_stand_power(
    mass_kg: float, height_m: float, chair_height_m: float, repetitions: float, seconds: float
) -> float:
    r"""Estimate the mean power of standing up, in watts.

    Parameters
    ----------
    mass_kg : float
        Body mass on the day of the test, kg.
    height_m : float
        Body height, m; use one height for all dates.
    chair_height_m : float
        Seat height, m.
    repetitions : float
        Stands completed.
    seconds : float
        Time taken, s: the time for five, or 30 for the 30-second test.

    Returns
    -------
    float
        Mean power of the rising phase, W. Divide by `mass_kg` for W/kg.

    Raises
    ------
    DataError
        A value is not positive, or a length is more likely in centimetres.
    ChoiceError
        A value is not a number.
    RefusedError
        The seat is too high for the height of the person (half the height must exceed it by more than 5 cm).

    Notes
    -----
    .. math:: P = \frac{0.9\, m\, g\, (0.5\, h - c)}{0.5\, t / n}

    with mass *m*, height *h*, seat *c*, time *t*, stands *n* and *g* = 9.81 m/s²: 90% of the mass is lifted, the legs
    are half the height, and rising takes half of each repetition. No stand (unable) means no power value, not zero.
    Source of the equation: Alcazar et al 2018, Exp Gerontol 112:38-43 (from memory), as restated by
    Baltasar-Fernandez et al 2021, Sci Rep 11:19460 (checked).

    Examples
    --------
    >>> from truechange import sit_to_stand_power
    >>> round(sit_to_stand_power(mass_kg=70, height_m=1.65, chair_height_m=0.43, repetitions=12, seconds=30), 1)
    195.3
    """
    _positive(
        mass_kg=mass_kg, height_m=height_m, chair_height_m=chair_height_m, repetitions=repetitions, seconds=seconds
    )
    if height_m > 2.6 or chair_height_m > 1.2:
        raise DataError(f"height_m={height_m:g} and chair_height_m={chair_height_m:g} must be in metres.")
    rise = 0.5 * height_m - chair_height_m
    if round(rise, 9) <= 0.05:
        raise RefusedError(
            f"A seat of {chair_height_m:g} m leaves a rise of {rise:.2f} m for a height of {height_m:g} m; the "
            "equation needs more than 0.05 m. Check both heights, or report the stands alone."
        )
    return MASS_LIFTED * mass_kg * GRAVITY * rise / (RISE_SHARE * seconds / repetitions)


def stair_power(mass_kg: float, rise_m: float, seconds: float) -> float:
    r"""Estimate the mean power of climbing stairs, in watts.

    Parameters
    ----------
    mass_kg : float
        Body mass with anything carried, kg.
    rise_m : float
        Total height climbed (steps × step height), m.
    seconds : float
        Time of the ascent, s.

    Returns
    -------
    float
        :math:`P = m\,g\,h/t` with *g* = 9.81 m/s², W.

    Raises
    ------
    DataError
        A value is not positive, or the rise is more likely in centimetres.
    ChoiceError
        A value is not a number.

    Examples
    --------
    >>> from truechange import stair_power
    >>> round(stair_power(mass_kg=70, rise_m=9 * 0.20, seconds=6.0), 1)
    206.0
    """
    _positive(mass_kg=mass_kg, rise_m=rise_m, seconds=seconds)
    if rise_m > 60:
        raise DataError(f"rise_m={rise_m:g} must be in metres: steps times the height of one step.")
    return mass_kg * GRAVITY * rise_m / seconds
