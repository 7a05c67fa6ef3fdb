"""Who they were when they started."""

from dataclasses import dataclass, replace
from numbers import Real

import numpy as np
import pandas as pd

from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Result
from truechange.numerics.small_cells import HIDDEN, few, masked, protect

NUMBERS = ("age", "height_cm", "mass_kg")
KINDS = ("sex", "joint", "site")
FEWEST_ROUNDED = 20  # people; above it, means to one decimal do not tell how many of them are known


@dataclass(frozen=True)
class BaselineTable(Result):
    """What is known of the people when they started, by programme.

    Parameters
    ----------
    rows : DataFrame
        The columns of :meth:`table`.
    cautions : tuple of str
        What a reader must know.
    """

    rows: pd.DataFrame
    cautions: tuple[str, ...] = ()

    def table(self) -> pd.DataFrame:
        """Return one row a group, fact and level: group, fact, level, n, missing, mean, sd, count, share."""
        return self.rows.copy()

    def sentences(self) -> tuple[str, ...]:
        """Say each group's size and age."""
        said = []
        for group, part in self.rows.groupby("group", sort=False):
            started = int(part["started"].iloc[0])
            age = part[part["fact"] == "age"]
            years = ""
            if len(age) and is_shown(age["mean"].iloc[0]):
                years = f", mean age {fixed(age['mean'].iloc[0], 0)} (SD {fixed(age['sd'].iloc[0], 0)})"
            women = part[(part["fact"] == "sex") & (part["level"].str.lower().isin(["f", "female", "woman"]))]
            share = (
                f", {percent(women['share'].iloc[0])} women" if len(women) and is_shown(women["share"].iloc[0]) else ""
            )
            said.append(f"{group}: {started} people started{years}{share}.")
        return tuple(said)

    def public(self) -> "BaselineTable":
        """Return the table with small groups hidden, and numbers from which the size of one could be worked out."""
        pieces = [_hidden(part) for _, part in self.rows.groupby(["group", "fact"], sort=False)]
        return replace(self, rows=pd.concat(pieces).sort_index() if pieces else self.rows)


def is_shown(value: object) -> bool:
    """Say whether a cell holds a number that may be told."""
    return isinstance(value, Real) and bool(np.isfinite(float(value)))


def _hidden(part: pd.DataFrame) -> pd.DataFrame:
    """Hide one fact of one group: its levels and the people of whom it is not known are parts of those who started."""
    first = part.iloc[0]
    if pd.isna(first["count"]):  # a number: n and missing
        if not few(first["n"]) and not few(first["missing"]):
            return part
        # a mean of whole scores is a fraction over n; to one decimal it fits every n that is left open
        large = first["started"] > FEWEST_ROUNDED and not few(first["n"])
        means = {name: part[name].astype(float).round(1) if large else HIDDEN for name in ("mean", "sd")}
        return masked(part, [True], ["n", "missing"]).assign(**means)
    *levels, unknown = protect([*part["count"], first["missing"]])
    part = masked(part, levels, ["count", "share"])
    return masked(part, np.full(len(part), unknown), ["n", "missing", "share"])


def baseline_table(people: pd.DataFrame, scores: dict[str, pd.Series], group: str = "programme") -> BaselineTable:
    """Describe the people who started.

    Parameters
    ----------
    people : DataFrame
        One row a person who started: person, the `group` column and whatever else is known.
    scores : dict of Series
        Name of the test: score before, indexed by person.
    group : str, optional
        Column of the groups.
    """
    held = people.set_index("person")
    for name, series in scores.items():
        held = held.assign(**{name: series.reindex(held.index)})
    rows = []
    for label, part in held.groupby(group, sort=True):
        for name in [*(n for n in NUMBERS if n in held), *scores]:
            values = pd.to_numeric(part[name], errors="coerce").dropna()
            rows.append(
                {"group": label, "started": len(part), "fact": name, "level": "", "n": len(values),
                 "missing": len(part) - len(values), "mean": values.mean() if len(values) else np.nan,
                 "sd": values.std() if len(values) > 1 else np.nan}
            )  # fmt: skip
        for name in (n for n in KINDS if n in held):
            known = part[name].dropna().astype(str)
            known = known[known != ""]
            for level, count in known.value_counts().sort_index().items():
                rows.append(
                    {"group": label, "started": len(part), "fact": name, "level": str(level), "n": len(known),
                     "missing": len(part) - len(known), "count": int(count), "share": count / len(known)}
                )  # fmt: skip
    columns = ["group", "started", "fact", "level", "n", "missing", "mean", "sd", "count", "share"]
    return BaselineTable(pd.DataFrame(rows).reindex(columns=columns))
