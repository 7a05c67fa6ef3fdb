"""How many of those who started changed by at least the threshold."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from truechange.foundation.errors import DataError, RefusedError, check_confidence, check_same_index, in_short, listed
from truechange.foundation.estimate import Estimate, Threshold, person_threshold, plain_number
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Result
from truechange.numerics.shares import FEW, wilson_limits
from truechange.responders.shares import how_many

if TYPE_CHECKING:
    from matplotlib.axes import Axes

EVERYONE = "everyone"


@dataclass(frozen=True)
class Responders(Result):
    """People who changed by at least a threshold, of all who started.

    Parameters
    ----------
    rows : DataFrame
        One row a group; the columns of :meth:`table`.
    threshold : Threshold
        What a change was held against (``change ≥ threshold``, unrounded).
    confidence : float
        Level of the intervals.
    cautions : tuple of str
        What a reader must know.
    whom : str
        Which people the shares are of: "who started", or "due" where others' follow-up lies ahead.
    """

    rows: pd.DataFrame
    threshold: Threshold
    confidence: float
    cautions: tuple[str, ...]
    whom: str = "who started"
    sources = ("newcombe1998a",)

    def table(self) -> pd.DataFrame:
        """Return one row a group.

        Columns: group, started, measured, changed_enough, proportion, low, high (Wilson, of those who
        started), worse_enough, share_of_measured, lowest_possible, highest_possible (if none or all of the
        people without a follow-up had changed enough), share_at_low, share_at_high (were the threshold the lower or
        the upper limit of its interval).
        """
        return self.rows.copy()

    def sentences(self) -> tuple[str, ...]:
        """Say for each group how many of those who started changed enough, and how many were not measured."""
        said = []
        least = size_of(self.threshold)
        for row in self.rows.to_dict("records"):
            who = "" if row["group"] == EVERYONE else f"{row['group']}: "
            share = ""
            if row["started"] >= FEW:
                low, high = percent(row["low"]), percent(row["high"])
                level = f"{100 * self.confidence:g}% CI"
                share = f" ({percent(row['proportion'])}, {level} {low} to {high})"
            away = row["started"] - row["measured"]
            lost = f"; {away} had no usable follow-up and count as not shown" if away else ""
            if share and self.threshold.has_interval:
                most, fewest = percent(row["share_at_low"]), percent(row["share_at_high"])
                lost += (
                    f"; were the {self.threshold.kind.upper()} anywhere in its interval "
                    f"({self.threshold.interval_text()}), between {fewest} and {most}"
                )
            said.append(
                f"{who}{row['changed_enough']} of the {row['started']} people {self.whom} "
                f"changed by at least {least}{share}{lost}."
            )
        return tuple(said)

    def share(self, group: str = EVERYONE) -> Estimate:
        """Return one group's share of those who started, as an Estimate."""
        row = self.rows.loc[self.rows["group"] == group]
        if row.empty:
            raise DataError(f"No group {group!r}; there are {listed(self.rows['group'])}.")
        first = row.iloc[0]
        return Estimate(
            value=float(first["proportion"]),
            low=float(first["low"]),
            high=float(first["high"]),
            confidence=self.confidence,
            n=int(first["started"]),
            method=f"Wilson score, of those {self.whom}",
        )

    @property
    def alt(self) -> str:
        """The picture in words."""
        return "Share of people who changed enough, with its interval, a row for each group. " + " ".join(
            self.sentences()
        )

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw one row a group: share of those who started, its interval, and what the missing could make of it."""
        from truechange.foundation import drawing

        names = list(self.rows["group"])
        ax = drawing.interval_rows(names, [self.share(name) for name in names], ax=ax)
        for at, row in enumerate(self.rows.to_dict("records")):
            ax.plot([row["lowest_possible"], row["highest_possible"]], [at + 0.22] * 2, color=drawing.LINE, lw=5)
        ax.set_xlim(0, 1)
        drawing.percent_axis(ax)
        ax.set_xlabel(f"changed by at least the threshold, of those {self.whom}")
        return ax


def numbers(improvement: Any, name: str = "improvement") -> np.ndarray:
    """Return the improvements as numbers, NaN where there is none.

    Raises
    ------
    DataError
        One of them is not a number, or they are not one column.
    """
    try:
        values = np.asarray(improvement, dtype=float)
    except (TypeError, ValueError):
        raise DataError(f"{name} must be one number a person (NaN where there is no follow-up).") from None
    if values.ndim != 1:
        raise DataError(
            f"{name}={in_short(improvement)} must be one column with a number a person (NaN where there is no "
            "follow-up); pick the column of a table, or put one person's number in a list."
        )
    return values


def size_of(threshold: Threshold) -> str:
    """Write a threshold's size and unit; a stated one as it was typed."""
    number = fixed(threshold.value, threshold.decimals) if threshold.has_interval else f"{threshold.value:g}"
    return f"{number} {threshold.unit}".strip()


def any_threshold(given: "Threshold | float", *, name: str = "threshold", unit: str = "") -> Threshold:
    """Return `given` as a person-level threshold of either kind; a bare number is taken as a stated MCID."""
    kind = given.kind if isinstance(given, Threshold) else "mcid"
    return person_threshold(given, kind, name=name, unit=unit)


def group_labels(improvement: Any, by: Any, n: int) -> pd.Series:
    """Return one group name a person, `n` of them; everyone together without `by`.

    Raises
    ------
    DataError
        `by` does not fit the people.
    """
    if by is None:
        return pd.Series([EVERYONE] * n)
    if isinstance(by, Mapping):
        if not isinstance(improvement, pd.Series):
            raise DataError("by= as a dict names each person's group: give improvement as a Series indexed by person.")
        labels = pd.Series([by.get(person) for person in improvement.index])
    else:
        check_same_index(improvement=improvement, by=by)
        labels = pd.Series(by).reset_index(drop=True)
    if len(labels) != n:
        raise DataError(f"by= has {len(labels)} entries for {n} people: give one group for each improvement.")
    return labels.map(_label).astype(object)


def _label(given: Any) -> str:
    if given is None or given != given:
        return "not stated"
    return str(int(given)) if isinstance(given, float) and given.is_integer() else str(given)


def _people(given: Any) -> int:
    number = plain_number(given, "started")
    if not (0 <= number < inf and number == int(number)):
        raise DataError(f"started={given!r} must be a whole number of people, at least 0.")
    return int(number)


def _started(started: Any, groups: pd.Series, n: int) -> tuple[dict[str, int], np.ndarray]:
    """Return people who started by group, and which rows count."""
    order = list(dict.fromkeys(sorted(groups))) or [EVERYONE]
    keep = np.ones(n, dtype=bool)
    if started is None:
        return {name: int((groups == name).sum()) for name in order}, keep
    if isinstance(started, Mapping):
        return {_label(key): _people(value) for key, value in started.items()}, keep
    if np.ndim(started) > 1:
        raise DataError("started= must be one number, or one column with a label or a yes/no a person; got a table.")
    values = pd.Series(started) if np.ndim(started) else pd.Series([started])
    if pd.api.types.is_bool_dtype(values.dtype):
        if len(values) != n:
            raise DataError(f"started= has {len(values)} entries for {n} people: give one yes/no for each.")
        keep = values.to_numpy()
        return {name: int(((groups == name).to_numpy() & keep).sum()) for name in order}, keep
    if not pd.api.types.is_numeric_dtype(values.dtype):  # one label for each person who started
        return {_label(key): int(value) for key, value in values.value_counts(sort=False).items()}, keep
    if isinstance(started, pd.Series) and set(map(_label, started.index)) >= set(order):
        return {_label(key): _people(value) for key, value in started.items()}, keep
    if len(values) != len(order):
        raise DataError(
            f"started= has {len(values)} numbers for {len(order)} groups ({listed(order)}). "
            "Give a dict or Series of group: people who started."
        )
    return dict(zip(order, map(_people, values), strict=True)), keep


def count_responders(
    improvement: Any,
    threshold: "Threshold | float",
    by: Any = None,
    started: Any = None,
    confidence: float = 0.95,
    *,
    whom: str = "who started",
) -> Responders:
    """Count the people who changed by at least `threshold`, of all who started.

    Parameters
    ----------
    improvement : array-like of float, shape (n,)
        One improvement a person (positive = better), in the unit of the test; NaN for a person who started
        and has no usable follow-up.
    threshold : Threshold or float
        Person-level MCID or MDC; the rule is ``improvement ≥ threshold``, unrounded.
    by : array-like, Series or dict, optional
        Group of each person (programme, site); a dict maps person to group and needs `improvement` indexed by person.
    started : int, dict, Series or array-like, optional
        People who started: one number, or group: number, or the group label of everyone who started, or a
        yes/no for each row. Without it every row is a person who started.
    confidence : float, optional
        Level of the intervals.
    whom : str, optional
        Which people these are, for the words: "who started", "due".

    Returns
    -------
    Responders

    Raises
    ------
    DataError
        Nobody, more people measured than started, an infinite improvement, or lengths that do not fit.
    RefusedError
        The threshold is for a group's mean or for the difference between groups.

    Examples
    --------
    >>> found = count_responders([3, 1, 0, 4, float("nan")], 2)
    >>> print(found.sentence())
    2 of the 5 people who started changed by at least 2; 1 had no usable follow-up and count as not shown.
    """
    check_confidence(confidence)
    limit = any_threshold(threshold)
    values = numbers(improvement)
    if np.isinf(values).any():
        raise DataError("improvement must be one finite number a person (NaN where there is no follow-up).")
    if limit.value <= 0:
        raise RefusedError("A threshold of 0 calls everyone who did not get worse a responder; give a positive one.")
    groups = group_labels(improvement, by, len(values))
    began, keep = _started(started, groups, len(values))
    if strange := sorted(set(groups) - set(began)):
        raise DataError(f"No number of people who started for {listed(strange)}: add it to started=.")
    rows = []
    for name, number in began.items():
        here = values[(groups == name).to_numpy() & keep]
        measured = int(np.isfinite(here).sum())
        if number < measured or number == 0:
            raise DataError(
                f"{name}: {measured} people were measured but {number} started. Count everyone who started in started=."
            )
        enough = how_many(here, limit.value)
        low, high = wilson_limits(enough, number, confidence)
        ends = [how_many(here, edge) / number if limit.has_interval else np.nan for edge in (limit.low, limit.high)]
        rows.append(
            {
                "group": name,
                "started": number,
                "measured": measured,
                "changed_enough": enough,
                "proportion": enough / number,
                "low": float(low),
                "high": float(high),
                "worse_enough": how_many(-here, limit.value),
                "share_of_measured": enough / measured if measured else np.nan,
                "lowest_possible": enough / number,
                "highest_possible": (enough + number - measured) / number,
                "share_at_low": ends[0],
                "share_at_high": ends[1],
            }
        )
    table = pd.DataFrame(rows)
    return Responders(rows=table, threshold=limit, confidence=confidence, cautions=_cautions(table, limit), whom=whom)


def _cautions(table: pd.DataFrame, limit: Threshold) -> tuple[str, ...]:
    notes = [
        *limit.cautions,
        "“Changed by at least” is not “caused by the programme”: nobody here was compared with a twin left alone.",
    ]
    away = int((table["started"] - table["measured"]).sum())
    everyone = int(table["started"].sum())
    if away:
        notes.append(
            f"{away} of {everyone} people have no usable follow-up ({percent(away / everyone)}); they stay in the "
            "denominator, and the lowest and highest possible shares say how much they matter."
        )
    if small := list(table.loc[table["started"] < FEW, "group"]):
        notes.append(f"Fewer than {FEW} people started in {listed(small)}: read the count, not a percentage.")
    if not limit.has_interval:
        notes.append(
            "The threshold is used as if it were known exactly; its own uncertainty is not in these intervals."
        )
    return tuple(notes)
