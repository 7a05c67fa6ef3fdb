"""The four-way verdict, for improvement and for getting worse alike, and how firmly it stands."""

from math import isfinite, nan

from truechange.foundation.distributions import chi2_below, normal_below, two_sided
from truechange.foundation.estimate import Threshold

REAL_AND_IMPORTANT = "real_and_important"
REAL_BELOW_IMPORTANT = "real_below_important"
IMPORTANT_WITHIN_ERROR = "important_sized_within_error"
NONE_SHOWN = "no_demonstrable_change"
CELLS = (REAL_AND_IMPORTANT, REAL_BELOW_IMPORTANT, IMPORTANT_WITHIN_ERROR, NONE_SHOWN)
BECAME_ABLE, LOST_ABILITY, NOT_ASSESSABLE = "became_able", "lost_ability", "not_assessable"
HARDER_BETTER, EASIER_WORSE = "better_on_harder_test", "worse_on_easier_test"
BORDERLINE = 0.80
SURE, LIKELY = 0.95, 0.80  # the bands of every chance put into words; 1 minus each for the other side


def band(chance: float) -> str:
    """Return the word for a chance: ``"sure"`` from 95%, ``"likely"`` from 80%, ``"unclear"``, ``"unlikely"`` to 20%.

    Examples
    --------
    >>> band(0.96), band(0.84), band(0.5), band(0.2)
    ('sure', 'likely', 'unclear', 'unlikely')
    """
    if chance >= SURE:
        return "sure"
    return "likely" if chance >= LIKELY else "unclear" if chance > 1 - LIKELY + 1e-12 else "unlikely"


def verdict(improvement: float, beyond_practice: float, mdc: float, mcid: float, mcid_deterioration: float) -> str:
    """Return the cell of the table: beyond error or not, by important or not; ``"worse_"`` ahead for a decline.

    Parameters
    ----------
    improvement : float
        Observed improvement (positive = better), held against the MCID.
    beyond_practice : float
        The same without the gain of merely repeating the test, held against the MDC.
    mdc, mcid, mcid_deterioration : float
        Positive thresholds in the same unit. A change equal to a threshold counts as reaching it.

    Examples
    --------
    >>> verdict(4, 4, 2.77, 2, 2), verdict(-4, -4, 2.77, 2, 5), verdict(2, 2, 2.77, 2, 2)
    ('real_and_important', 'worse_real_below_important', 'important_sized_within_error')
    """
    worse, size, net = _turned(improvement, beyond_practice)
    real, important = _reaches(net, mdc), _reaches(size, mcid_deterioration if worse else mcid)
    cell = CELLS[(0 if important else 1) if real else (2 if important else 3)]
    return f"worse_{cell}" if worse else cell


def _turned(improvement: float, beyond_practice: float) -> tuple[bool, float, float]:
    worse = (improvement or beyond_practice) < 0
    return (True, -improvement, -beyond_practice) if worse else (False, improvement, beyond_practice)


def _reaches(size: float, threshold: float) -> bool:
    return size > 0 and size >= threshold - 1e-9 * max(1.0, abs(threshold))


def spread(threshold: Threshold) -> float:
    """Return a threshold's standard error, read from its interval; 0 when it has none."""
    width = threshold.high - threshold.low
    return width / (2 * two_sided(threshold.confidence)) if isfinite(width) and width > 0 else 0.0


def stability(improvement: float, beyond_practice: float, mdc: Threshold, important: Threshold) -> float:
    """Return how likely the verdict is to stand when MDC and MCID are redrawn from their uncertainty.

    The MDC is MDC·√(df/χ²), the MCID normal with the width of its interval, the two independent; both chances are
    exact, so nothing is drawn. NaN when neither threshold comes with its uncertainty.

    Parameters
    ----------
    improvement, beyond_practice : float
        As in :func:`verdict`.
    mdc, important : Threshold
        The MDC, and the MCID of the direction the person moved in.

    Examples
    --------
    >>> mdc = Threshold(value=2.772, kind="mdc", df=29)
    >>> round(stability(4, 4, mdc, Threshold(value=2.0, kind="mcid")), 3)
    0.992
    """
    se, df = spread(important), mdc.df
    if df is None and not se:
        return nan
    _, size, net = _turned(improvement, beyond_practice)
    kept = 1.0
    if df is not None:
        real = 1 - chi2_below(df * (mdc.value / net) ** 2, df) if net > 0 else 0.0
        kept *= real if _reaches(net, mdc.value) else 1 - real
    if se:
        matters = normal_below((size - important.value) / se) if size > 0 else 0.0
        kept *= matters if _reaches(size, important.value) else 1 - matters
    return kept
