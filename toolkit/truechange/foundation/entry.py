"""Entry rule (selection on the first score): people taken in for a poor score, and everyone as they were before it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, nan, pi, sqrt
from typing import Any

from truechange.foundation.distributions import normal_below
from truechange.foundation.errors import ChoiceError, DataError, check_choice, check_finite, stated
from truechange.foundation.numbers import fixed
from truechange.foundation.result import told

FIELDS = ("cut", "mean", "sd", "n")
LOWEST, HIGHEST = -5.0, 40.0  # cut in SDs from everyone's mean; lower, a curve cannot be told from an exponential


@dataclass(frozen=True, slots=True)
class Entry:
    """The rule by which people were taken in: a first score at the cut or worse, and what is known of everyone.

    Parameters
    ----------
    cut : float
        The last score that was taken in, in the test's unit.
    mean, sd : float, optional
        First scores of everyone screened, taken in or not.
    n : int, optional
        How many were screened; their doubt is then carried into every interval.
    second : sequence of float, optional
        Scores of the people taken in at a second test before the programme, by which nobody was taken in; one a
        person, in the order of the first scores.
    taken : {"below", "above"}, optional
        Who is taken in: low scores (more is better) or high ones (a timed test).
    step : float, optional
        Step in which the test is scored; 0 for a scale without steps.
    fitted : str, optional
        Where `mean` and `sd` come from if not from everyone screened: ``"second"`` or ``"truncated"``.

    Raises
    ------
    ChoiceError
        A number is missing or infinite, one of mean and SD stands alone, or `taken` is not understood.
    DataError
        The SD is not above 0.

    Notes
    -----
    What is said given the first score x₁ stays true after a cut on x₁; only its own mean μ₁ and variance σ₁² do not.
    They come from, in this order: everyone screened; a second test (its slope on x₁ is 1 − λ, its intercept λμ₁, with
    λ = SEM²/σ₁²); a normal curve cut at the known score (maximum likelihood, whole steps allowed for).

    Examples
    --------
    >>> Entry(9).source, Entry(9, mean=10.2, sd=3.1).source
    ('truncated', 'screened')
    """

    cut: float
    mean: float | None = None
    sd: float | None = None
    n: int | None = None
    second: Sequence[float] | None = None
    taken: str = "below"
    step: float = 0.0
    fitted: str = ""

    def __post_init__(self) -> None:
        check_choice("taken", self.taken, ("below", "above"))
        numbers = stated(cut=self.cut, mean=self.mean, sd=self.sd, n=self.n, step=self.step)
        check_finite(**{f"entry {name}": given for name, given in numbers.items()})
        if (self.mean is None) != (self.sd is None):
            raise ChoiceError("entry: give mean and sd of everyone screened together, or neither.")
        if self.n is not None and not self.n > 1:
            raise ChoiceError(f"entry n={self.n}: more than one person was screened.")
        if self.sd is not None and not self.sd > 0:
            raise DataError(f"entry has sd {self.sd}; it must be above 0, in the unit of the test.")
        if self.second is not None and self.mean is not None:
            raise ChoiceError("entry: give mean and sd of everyone screened, or second, not both.")
        if self.second is not None:
            object.__setattr__(self, "second", tuple(float(score) for score in self.second))

    @classmethod
    def read(cls, given: "Entry | Mapping[str, Any]", *, sign: int = 1, step: float = 0.0, name: str = "") -> "Entry":
        """Return an entry rule given as such or as a mapping (a table of a clinic's settings), for one test."""
        if isinstance(given, Entry):
            return given if given.step else replace(given, step=step)
        if strange := sorted(set(given) - {*FIELDS, "second"}) or ["cut"] * ("cut" not in given):
            raise DataError(f"entry of {name}: {strange[0]!r} is not known or missing; give cut, and mean, sd, n.")
        check_finite(**{f"entry {key} of {name}": given[key] for key in FIELDS if given.get(key) is not None})
        return cls(**given, taken="below" if sign > 0 else "above", step=step)

    @property
    def sign(self) -> int:
        """1 where low scores are taken in, -1 where high ones are; times a score, low is always the worse side."""
        return 1 if self.taken == "below" else -1

    @property
    def source(self) -> str:
        """Where mean and SD of everyone come from: screened, second or truncated."""
        without = "truncated" if self.second is None else "second"
        return without if self.mean is None else self.fitted or "screened"

    @property
    def words(self) -> str:
        """Say who was taken in, and where mean and SD of everyone before the cut come from."""
        side = "or less" if self.taken == "below" else "or more"
        people = f", {self.n:g} people" if self.n else ""
        source = {
            "screened": f"the scores of everyone screened{people}",
            "second": "a second test before the programme, by which nobody was taken in",
            "truncated": f"a normal curve cut at {self.cut:g}, fitted to the first scores of those taken in",
        }[self.source]
        return f"taken in for a first score of {self.cut:g} {side}; everyone before the cut from {source}"

    def of_people(self, whole: Any) -> "Entry":
        """Return the rule for some of the people: those `whole` is true of."""
        if self.second is None:
            return self
        if len(self.second) != len(whole):
            raise DataError(f"entry: second has {len(self.second)} scores for {len(whole)} people; one each is needed.")
        return replace(self, second=[score for score, kept in zip(self.second, whole, strict=True) if kept])

    def cautions(self, beyond: int = 0) -> tuple[str, ...]:
        """Say what the repair for the entry rule rests on and does not cover; `beyond` people broke the rule."""
        source = self.source
        return told({
            "The repair for the entry rule does not cover people taken in for another test's score.": True,
            "Mean and SD of everyone before the cut are taken as known exactly; say how many were screened (n).":
                self.mean is not None and self.n is None,
            "A gain from practice between the two tests before the programme counts as regression to the mean.":
                source == "second",
            f"Nobody beyond {self.cut:g} was seen: that everyone's first scores follow a normal curve is taken on "
            "trust. Mean and SD of everyone screened would be surer.": source == "truncated",
            f"{beyond} people score better than the cut of {self.cut:g}: the rule was not always kept.": beyond,
        })  # fmt: skip


def sentence_before_cut(entry: Entry, mean: float, variance: float, unit: str = "") -> str:
    """Say the rule, its source, and everyone's mean and SD before the cut (`mean` turned as the scores are)."""
    shown = f"{fixed(entry.sign * mean, 1)} {unit}".strip()
    return f"People were {entry.words}: mean {shown}, SD {fixed(sqrt(variance), 1)}."


def cut_normal(
    entry: Entry, mean: Any, variance: Any, exponential: Callable[[Any], Any] = exp,
    below: Callable[[Any], Any] = normal_below,
) -> tuple[Any, Any]:  # fmt: skip
    """Fit a normal curve cut at the rule's score to the first scores of those taken in, by maximum likelihood.

    Parameters
    ----------
    entry : Entry
        The rule.
    mean, variance : float or ndarray
        First scores of those taken in, times ``entry.sign``; the variance with n below.
    exponential, below : callable, optional
        Exponential function and normal distribution function, for arrays.

    Returns
    -------
    (mean, variance)
        Of everyone's first scores, turned alike; NaN where the scores pile up at the cut as no such curve does.

    Notes
    -----
    With u the way from the cut down to a score, z = (cut − μ)/σ and h = φ(z)/Φ(z): ``E u = σ(z + h)``,
    ``E u² = σ²(1 + z² + zh)``; the likelihood of a cut normal curve needs no more than these two. Scores in steps r:
    the cut lies half a step beyond, ``E u`` gains ``(r²/12) h/σ`` and ``E u²`` gains ``r²/12`` (Euler-Maclaurin; own
    derivation, checked by simulation), and the variance returned holds the rounding, as an SEM of rounded retests does.
    """
    rounding = entry.step**2 / 12
    edge = entry.sign * entry.cut + entry.step / 2
    way = edge - mean
    square = variance + way**2 - rounding
    square = square * (square > 0)
    low, high = LOWEST + 0 * way, HIGHEST + 0 * way
    for _ in range(60):  # bisection that floats and arrays share
        z = (low + high) / 2
        h = exponential(-z * z / 2) / sqrt(2 * pi) / below(z)
        spread = (square / (1 + z * z + z * h)) ** 0.5 + 1e-12
        short = spread * (z + h) + rounding * h / spread < way
        low, high = low + short * (z - low), z + short * (high - z)
    fits = nan ** (z < LOWEST + 0.01)  # 1 where a curve fits, else NaN
    return (edge - z * spread) * fits, (spread**2 + rounding) * fits
