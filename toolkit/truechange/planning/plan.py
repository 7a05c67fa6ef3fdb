"""The answer to "how many people?": a number, a table of alternatives, a curve, and what is lost on the way."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import ceil, inf
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from truechange.foundation.errors import ChoiceError, RefusedError, check_finite
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST = 1_000_000
POWERS = (0.8, 0.9, 0.95)
WIDER = (0.5, 0.75, 1.0, 1.5, 2.0)


@dataclass(frozen=True, slots=True)
class Losses:
    """What makes more people necessary than the formula says.

    Parameters
    ----------
    attrition : float
        Expected share lost before the last test, 0 to below 1; ``n/(1 − attrition)`` start.
    cluster_size : float
        People per therapist (or site), where therapists differ; the number rises by ``1 + (size − 1) ICC``.
    cluster_icc : float
        Share of the variance that lies between therapists, 0 to 1.

    Raises
    ------
    ChoiceError
        A value is outside its range.
    """

    attrition: float = 0.0
    cluster_size: float = 1.0
    cluster_icc: float = 0.0

    def __post_init__(self) -> None:
        check_finite(attrition=self.attrition, cluster_size=self.cluster_size, cluster_icc=self.cluster_icc)
        if not 0 <= self.attrition < 1:
            raise ChoiceError(f"attrition={self.attrition!r} must be a share from 0 to below 1, such as 0.15 for 15%.")
        if not (self.cluster_size >= 1 and 0 <= self.cluster_icc <= 1):
            raise ChoiceError(
                f"cluster_size={self.cluster_size!r} must be at least 1 and cluster_icc={self.cluster_icc!r} "
                "between 0 and 1."
            )

    @property
    def design_effect(self) -> float:
        """By how much clustering multiplies the number."""
        return 1 + (self.cluster_size - 1) * self.cluster_icc

    def measured(self, need: float) -> int:
        """Return how many must be measured at the end."""
        return ceil(round(need * self.design_effect, 9))

    def start(self, need: float) -> int:
        """Return how many must start."""
        return ceil(round(self.measured(need) / (1 - self.attrition), 9))


@dataclass(frozen=True, kw_only=True)
class Plan(Result):
    """How many people a study needs.

    Parameters
    ----------
    promise : str
        What that many people give, in words.
    goal : str
        What the curve shows.
    target : float
        Value of the goal that was asked for.
    need : int
        People with usable data (in each group) that reach the target.
    exact : float
        The number before rounding up.
    losses : Losses
        Attrition and clustering.
    options : DataFrame
        One row a target: target, need, measured, start.
    curve : DataFrame
        people (a group), reached.
    groups : int
        1, or 2 for a comparison.
    simulated : DataFrame or None
        people and reached of the studies that were drawn, where the curve was simulated.
    cautions : tuple of str
        What a reader must know.
    """

    promise: str
    goal: str
    target: float
    need: int
    exact: float
    losses: Losses
    options: pd.DataFrame
    curve: pd.DataFrame
    groups: int = 1
    simulated: pd.DataFrame | None = None
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = field(default=(), repr=False)

    @property
    def start(self) -> int:
        """People (in each group) who must start."""
        return self.losses.start(self.need)

    def table(self) -> pd.DataFrame:
        """Return one row a target, unrounded where it is not a number of people."""
        return self.options.copy()

    def sentences(self) -> tuple[str, ...]:
        """Say how many, and how many must start."""
        each = " in each group" if self.groups == 2 else ""
        said = [f"{self.need} people{each} with usable data {self.promise}."]
        why = []
        if self.losses.design_effect > 1:
            why.append(f"people of one therapist resemble each other (× {fixed(self.losses.design_effect, 2)})")
        if self.losses.attrition > 0:
            why.append(f"{percent(self.losses.attrition)} are expected to be lost")
        if why:
            said.append(f"Start with {self.start}{each}: {' and '.join(why)}.")
        return tuple(said)

    @property
    def alt(self) -> str:
        """The picture in words."""
        return f"{self.goal} against the number of people; {self.sentences()[0]}"

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw what each number of people gives, the target and the answer."""
        from truechange.foundation import drawing

        ax = drawing.axes(ax)
        ax.plot(self.curve["people"], self.curve["reached"], color=drawing.ACCENT, lw=2)
        if self.simulated is not None:
            ax.plot(self.simulated["people"], self.simulated["reached"], "o", color=drawing.QUIET, ms=5)
        drawing.mark_line(ax, self.target, f"{self.target:g}")
        reached = float(np.interp(self.need, self.curve["people"], self.curve["reached"]))
        ax.plot(self.need, reached, "D", color=drawing.WARM, ms=7, zorder=3)
        beside = (8, -14) if self.goal == "power" else (6, 6)  # clear of the curve
        ax.annotate(f"{self.need}", (self.need, reached), beside, textcoords="offset points", color=drawing.WARM)
        ax.set_xlabel("people in each group" if self.groups == 2 else "people with usable data")
        ax.set_ylabel(self.goal)
        ax.set_xlim(0, float(self.curve["people"].max()) * 1.02)
        ax.set_ylim(0, 1.0 if self.goal == "power" else 2.5 * self.target)
        return ax


def smallest(reached: Callable[[float], float], target: float, *, least: int, rising: bool) -> tuple[int, float]:
    """Return the smallest whole number of people that reaches the target, and the exact number.

    Parameters
    ----------
    reached : callable
        What a number of people gives; monotone.
    target : float
        What is wanted.
    least : int
        Fewest people for which `reached` exists.
    rising : bool
        Whether more is wanted (power) rather than less (width).

    Raises
    ------
    RefusedError
        Not even a million people would do.
    """
    from scipy.optimize import brentq

    def short(n: float) -> float:
        gap = target - reached(n)
        return gap if rising else -gap

    if short(least) <= 0:
        return least, float(least)
    low, high = least, 2 * least
    while short(high) > 0:
        low, high = high, 2 * high
        if high > MOST:
            raise RefusedError(
                "Not even a million people would reach this. Ask for less, or measure each person more reliably."
            )
    exact = float(brentq(short, low, high, xtol=1e-9))
    return ceil(round(exact, 6)), exact


def by_power(reached: Callable[[float], float], power: float, **facts: Any) -> Plan:
    """Plan for a power: `reached` gives the power of a number of people; `facts` are fields of :class:`Plan`."""
    return _plan(reached, power, POWERS, rising=True, goal="power", **facts)


def by_width(
    reached: Callable[[float], float],
    target: float,
    *,
    factors: Sequence[float] = WIDER,
    most: float = inf,
    **facts: Any,
) -> Plan:
    """Plan for a precision: `reached` gives the width; alternatives are `factors` times the target, below `most`."""
    if not 0 < target < inf:
        raise ChoiceError(f"The width asked for, {target!r}, must be a positive number.")
    wider = [target * factor for factor in factors if target * factor < most]
    return _plan(reached, target, wider, rising=False, **facts)


def _plan(
    reached: Callable[[float], float],
    target: float,
    targets: Sequence[float],
    *,
    rising: bool,
    losses: Losses,
    least: int = 2,
    cautions: Sequence[str] = (),
    **facts: Any,
) -> Plan:
    found = {one: smallest(reached, one, least=least, rising=rising) for one in sorted({*targets, target})}
    options = [
        {"target": one, "need": need, "measured": losses.measured(need), "start": losses.start(need)}
        for one, (need, _) in found.items()
    ]
    need, exact = found[target]
    people = np.unique(np.linspace(least, max(2.2 * need, least + 20), 80).astype(int))
    curve = pd.DataFrame({"people": people, "reached": [reached(float(n)) for n in people]})
    notes = list(cautions)
    if need < 12:
        notes.append("Fewer than a dozen people: the formula leans on a normal distribution nobody can check there.")
    if losses.attrition > 0:
        notes.append("Inflating for losses keeps the precision; it does not mend the bias if those who stop differ.")
    answer: dict[str, Any] = {
        "target": target,
        "need": need,
        "exact": exact,
        "options": pd.DataFrame(options),
        "curve": curve,
    }
    return Plan(losses=losses, cautions=tuple(notes), **answer, **facts)
