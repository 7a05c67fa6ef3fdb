"""The currency: estimate with interval, threshold that knows whom it may be used on, SEM, each with its origin."""

from dataclasses import dataclass, field, replace
from math import inf, isfinite, nan
from typing import Self

from truechange.foundation.distributions import bisect, sd_factors
from truechange.foundation.errors import ChoiceError, RefusedError, check_choice, check_numbers, in_short, stated
from truechange.foundation.numbers import decimals_for, fixed, reachable, with_unit

KINDS = ("own data", "published", "stated")
STATUSES = ("own", "checked", "recomputed", "from memory", "stated")


@dataclass(frozen=True, slots=True)
class Origin:
    """Provenance of one number.

    Parameters
    ----------
    kind : {"own data", "published", "stated"}
        Estimated here, taken from a publication, or typed by the user.
    citation : str
        Author, year, journal; empty for own data.
    doi : str
        Digital object identifier, if known.
    population : str
        Who was measured.
    protocol : str
        How the test was done.
    interval : str
        Time between the two tests, in words.
    n : int or None
        People behind the number.
    status : {"own", "checked", "recomputed", "from memory", "stated"}
        How a published number was verified; shown wherever the number is.
    note : str
        Anything a reader must know before using it.
    trials : int or None
        Trials of one visit that made the score that the number speaks of; None where not stated.
    rule : {"", "mean", "first", "last", "best"}
        How they made it; a mean where not said.
    visits : int
        Visits over which such scores were averaged.
    """

    kind: str
    citation: str = ""
    doi: str = ""
    population: str = ""
    protocol: str = ""
    interval: str = ""
    n: int | None = None
    status: str = "own"
    note: str = ""
    trials: int | None = None
    rule: str = ""
    visits: int = 1

    @property
    def score(self) -> str:
        """What one score is, such as ``"best of 2 trials a visit"``; empty for a single trial or where not known."""
        made = f"{self.rule or 'mean'} of {self.trials} trials a visit" if self.trials and self.trials > 1 else ""
        return f"mean over {self.visits} visits{made and f' of the {made}'}" if self.visits > 1 else made

    @classmethod
    def own(cls, population: str = "", protocol: str = "", interval: str = "", n: int | None = None) -> "Origin":
        """Return the origin of a number estimated from the user's own data."""
        return cls("own data", population=population, protocol=protocol, interval=interval, n=n, status="own")

    @classmethod
    def stated(cls, note: str = "") -> "Origin":
        """Return the origin of a bare number typed by the user: it says that nothing is known of it."""
        return cls("stated", status="stated", note=note or "typed by the user, source not stated")

    @property
    def is_own(self) -> bool:
        """Whether the number was estimated from the user's own data."""
        return self.kind == "own data"

    def sentence(self) -> str:
        """Say where the number comes from, in one clause without a full stop."""
        if self.kind == "own data":
            people = f", {self.n} people" if self.n else ""
            who = f" ({self.population})" if self.population else ""
            gap = f", {self.interval} apart" if self.interval else ""
            made = f", {self.score}" if self.score else ""
            return f"own data{who}{people}{made}{gap}"
        if self.kind == "published":
            people = f", n = {self.n}" if self.n else ""
            who = f"; {self.population}{people}" if self.population else people
            apart = f" {self.interval} apart" if self.interval[:1].isdigit() else f": {self.interval}"
            gap = f"; tests{apart}" if self.interval else ""
            return f"{self.citation}{who}{gap} [{self.status}]"
        return self.note


THRESHOLD_KINDS = ("mdc", "mcid")
LEVELS = ("person", "group", "between-group")
DIRECTIONS = ("improvement", "deterioration")


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """One number with everything needed to report it.

    Parameters
    ----------
    value : float
        The estimate, in `unit`.
    low, high : float
        Limits of its interval; NaN where there is none.
    confidence : float
        Level of the interval, as a fraction.
    unit : str
        Unit of the value; empty for a pure number.
    n : int or None
        People behind it.
    df : float or None
        Degrees of freedom, where they are defined.
    method : str
        How value and interval were computed, in words.
    origin : Origin
        Where it comes from.

    Raises
    ------
    ChoiceError
        The value or a limit is not a number.

    Examples
    --------
    >>> print(Estimate(value=2.83, low=2.21, high=3.68, unit="stands", n=30))
    2.8 stands (95% CI 2.2 to 3.7)
    """

    value: float
    low: float = nan
    high: float = nan
    confidence: float = 0.95
    unit: str = ""
    n: int | None = None
    df: float | None = None
    method: str = ""
    origin: Origin = field(default_factory=Origin.own)

    def __post_init__(self) -> None:
        check_numbers(value=self.value, low=self.low, high=self.high)

    @property
    def has_interval(self) -> bool:
        """Whether both limits exist (an infinite limit exists)."""
        return self.low == self.low and self.high == self.high

    @property
    def decimals(self) -> int:
        """Decimals this estimate earns: two significant digits of its interval's width."""
        return decimals_for(self.low, self.high, self.value)

    def text(self, decimals: int | None = None) -> str:
        """Write value, unit and interval, rounded to `decimals` (by default to what the interval earns)."""
        places = self.decimals if decimals is None else decimals
        unit = f" {self.unit}" if self.unit else ""
        shown = f"{fixed(self.value, places)}{unit}"
        return f"{shown} ({self.interval_text(places)})" if self.has_interval else shown

    def worded(self, above: str, below: str) -> str:
        """Write it in words that carry its sign: `above` holds it as it is, `below` turned (improved, got worse)."""
        return below.format(self.scaled(-1)) if self.value < 0 else above.format(self)

    def interval_text(self, decimals: int | None = None) -> str:
        """Write the interval alone: ``95% CI 2.2 to 3.7``."""
        if not self.has_interval:
            return "no interval"
        places = self.decimals if decimals is None else decimals
        return f"{100 * self.confidence:g}% CI {fixed(self.low, places)} to {fixed(self.high, places)}"

    def scaled(self, factor: float, **changes: object) -> Self:
        """Return the same estimate times `factor`, its interval with it, turned by a negative one."""
        low, high = sorted((self.low * factor, self.high * factor))
        moved = {"value": self.value * factor, "low": low, "high": high}
        return replace(self, **(moved | changes))  # type: ignore[arg-type]

    def row(self) -> dict[str, object]:
        """Return one tidy row, unrounded: estimate, low, high, confidence, unit, n, df, method, origin."""
        return {
            "estimate": self.value, "low": self.low, "high": self.high, "confidence": self.confidence,
            "unit": self.unit, "n": self.n, "df": self.df, "method": self.method, "origin": self.origin.sentence(),
        }  # fmt: skip

    def __str__(self) -> str:
        return self.text()

    def __float__(self) -> float:
        return float(self.value)

    def _repr_html_(self) -> str:
        from truechange.foundation.drawing import paragraphs

        return paragraphs(str(self), self.method, self.origin.sentence(), *getattr(self, "cautions", ()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold(Estimate):
    """An estimate that changes are held against.

    Parameters
    ----------
    kind : {"mdc", "mcid"}
        Beyond measurement error, or enough to matter.
    level : {"person", "group", "between-group"}
        Whom it may be used on. A function about one person takes only ``"person"``.
    direction : {"improvement", "deterioration"}
        Which way it points; the value is positive in both.
    protocol : str
        Protocol under which it holds, in words.
    origin : Origin
        Where it comes from; one that says nothing was typed by the user.
    doubts : tuple of str
        Why it may not be leaned on (own rules, see the MCID study); every result that uses it says them.

    Raises
    ------
    ChoiceError
        `kind`, `level` or `direction` is unknown, or the value is not a positive finite number.
    """

    kind: str
    level: str = "person"
    direction: str = "improvement"
    protocol: str = ""
    origin: Origin = field(default_factory=Origin.stated)
    doubts: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        check_numbers(value=self.value, low=self.low, high=self.high)
        check_choice("kind", self.kind, THRESHOLD_KINDS)
        check_choice("level", self.level, LEVELS)
        check_choice("direction", self.direction, DIRECTIONS)
        if not (isfinite(self.value) and self.value >= 0):
            raise ChoiceError(f"value={self.value!r}: a threshold must be a finite number of at least 0.")

    @property
    def cautions(self) -> tuple[str, ...]:
        """What every result made with this threshold must say."""
        return tuple(f"Do not lean on this {self.kind.upper()} ({self}): {doubt}" for doubt in self.doubts)

    def shown(self, resolution: float) -> str:
        """Say what the scale can reach: ``at least 3 stands`` for 2.77 on a whole-number count."""
        return f"at least {with_unit(reachable(self.value, resolution), self.unit)}"


def person_threshold(
    given: "Threshold | float", kind: str, *, name: str, unit: str = "", direction: str = "improvement"
) -> Threshold:
    """Return `given` as a threshold for one person, or refuse it.

    Parameters
    ----------
    given : Threshold or float
        A bare number is taken as stated by the user, without interval.
    kind : {"mdc", "mcid"}
        What it is used as.
    name : str
        Name of the argument, for the error.
    unit : str, optional
        Unit of the scores: given to a bare number, held against a threshold's own.
    direction : {"improvement", "deterioration"}, optional
        Which way the change goes that it is held against.

    Raises
    ------
    RefusedError
        The threshold is for a group's mean or for the difference between groups, of the other kind, in another unit,
        or for a change in the other direction.
    ChoiceError
        It is neither a threshold nor a finite number of at least 0.
    """
    if not isinstance(given, Threshold):
        value = plain_number(given, name)
        if not (isfinite(value) and value >= 0):
            raise ChoiceError(f"{name}={value!r}: a threshold must be a finite number of at least 0.")
        return Threshold(value=value, kind=kind, unit=unit, direction=direction, method="stated")
    if given.level != "person":
        use = "the person-level MDC (.mdc95)" if kind == "mdc" else "a within-person MCID (tc.mcid(...).recommended)"
        raise RefusedError(
            f"{name} is a {given.level}-level {given.kind.upper()} ({given}): it says nothing about one person. "
            f"Use {use} instead."
        )
    if given.kind != kind:
        raise RefusedError(
            f"{name} must be an {kind.upper()}, got an {given.kind.upper()} ({given}). "
            "Beyond error and enough to matter are two questions; give each its own number."
        )
    if given.direction != direction:
        raise RefusedError(
            f"{name} holds for {given.direction} ({given}), not for {direction}: people do not weigh the two alike. "
            f"Give a threshold for {direction}, or a bare number if you mean to use the same for both."
        )
    if unit and given.unit and given.unit != unit:
        raise RefusedError(f"{name} is in {given.unit} ({given}), the scores are in {unit}. Give both in one unit.")
    return given


def plain_number(given: object, name: str) -> float:
    """Return `given` as a float; raise a ChoiceError that names the argument where it is not a number."""
    try:
        return float(given)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        what = "it is in its .recommended" if hasattr(given, "recommended") else "give one in the unit of the test"
        raise ChoiceError(f"{name}={in_short(given)} is not a number; {what}.") from None


SWAPPED = "The SEM is not below the MCID: were sem= and mcid= swapped, or an SD or MDC given for the SEM?"


@dataclass(frozen=True, slots=True)
class Sem:
    """The error of one score, and how well it is known.

    Parameters
    ----------
    estimate : Estimate
        Value in the unit of the test, degrees of freedom (None: taken as known exactly), limits and origin.
    cautions : tuple of str
        What a result that uses it must say.
    """

    estimate: Estimate
    cautions: tuple[str, ...] = ()

    @property
    def value(self) -> float:
        """The SEM, in the unit of the test."""
        return self.estimate.value

    @property
    def df(self) -> float | None:
        """Degrees of freedom; None where it is taken as known exactly."""
        return self.estimate.df

    def limits(self, confidence: float) -> tuple[float, float]:
        """Return its own limits at their level, else ``SEM √(df/χ²)``; NaN where it is taken as known exactly."""
        if self.estimate.has_interval and self.estimate.confidence == confidence:
            return self.estimate.low, self.estimate.high
        low, high = sd_factors(self.df, confidence)
        return self.value * low, self.value * high


def read_sem(given: object, df: float | None = None, *, unit: str = "", name: str = "sem") -> Sem:
    """Return the SEM a caller gave, a number or an Estimate, or refuse it.

    Parameters
    ----------
    given : float or Estimate
        A bare number is taken as stated by the user. An Estimate brings degrees of freedom, limits, unit and origin.
    df : float, optional
        Degrees of freedom; goes before what the Estimate carries.
    unit : str, optional
        Unit of the scores, held against the Estimate's own.
    name : str, optional
        Name of the argument, for the errors.

    Raises
    ------
    RefusedError
        A threshold was given (an MDC or MCID is no SEM), or an SEM in another unit.
    ChoiceError
        It is missing, negative, no number, or a whole result whose kind of SEM was not chosen; the degrees of freedom
        are not positive, or cannot be read from the interval that was given without them.

    Notes
    -----
    An interval without degrees of freedom speaks of those for which the limits of an SD,
    ``SEM √(df/χ²(1-α/2)) to SEM √(df/χ²(α/2))``, lie in the ratio of its own limits; solved for ``df`` between 1 and
    2000. They are used as if stated, and that is said.

    Examples
    --------
    >>> read_sem(Estimate(value=1.0, low=0.796, high=1.344)).cautions[0]
    'The SEM came with an interval but no degrees of freedom: 29 were read from the interval.'
    """
    if isinstance(given, Threshold):
        raise RefusedError(
            f"{name} got a threshold, an {given.kind.upper()} ({given}). Give the standard error of measurement; "
            "from an MDC95 for one person it is MDC95 / 2.772."
        )
    if isinstance(given, Estimate) and given.method.startswith(("one-way random", "two-way")):
        raise RefusedError(
            f"{name} got an ICC ({given}), which has no unit; give measurement_error(...).sem_agreement."
        )
    if hasattr(given, "sem_agreement"):
        raise ChoiceError(
            f"Say which error is meant: pass {name}=result.sem_agreement or {name}=result.sem_consistency."
        )
    value = plain_number(given, name)
    if not (0 <= value < inf):
        raise ChoiceError(f"{name}={value!r} must be a number of at least 0, in the unit of the test.")
    bare = Estimate(value=value, unit=unit, method="stated", origin=Origin.stated())
    known = given if isinstance(given, Estimate) else bare
    if unit and known.unit and known.unit != unit:
        raise RefusedError(f"{name} is in {known.unit} ({known}), the scores are in {unit}. Give both in one unit.")
    check_numbers(**stated(sem_df=df))
    notes = []
    df = known.df if df is None else df
    if df is None and known.has_interval and value > 0:
        df = _df_of_limits(known, name)
        shown = fixed(df, 0 if df >= 10 else 1)
        notes.append(f"The SEM came with an interval but no degrees of freedom: {shown} were read from the interval.")
    if df is not None and not df > 0:
        raise ChoiceError(f"sem_df={df!r} must be positive; it is people × (tests a person − 1), about.")
    if score := known.origin.score:
        larger = " Single trials have a larger error." if score.startswith("mean") else ""
        notes.append(f"The SEM is that of the {score}: every score here must be made so.{larger}")
    return Sem(replace(known, df=None if df == inf else df), tuple(notes))


def _df_of_limits(sem: Estimate, name: str) -> float:
    """Return the degrees of freedom that an SEM's interval speaks of."""
    if not 0 < sem.low <= sem.value <= sem.high < inf or sem.low == sem.high:
        raise ChoiceError(
            f"{name}={sem}: how well it is known cannot be read from this interval (its limits must be positive, "
            "finite and on either side of the value). Give sem_df, or leave the interval out."
        )

    def narrowness(df: float) -> float:
        low, high = sd_factors(df, sem.confidence)
        return low / high

    return bisect(narrowness, sem.low / sem.high, 1.0, 2000.0)
