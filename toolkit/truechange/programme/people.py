"""Baseline characteristics: who the people were when they started, and what is known of them to fill a gap."""

from functools import partial
from numbers import Real

import numpy as np
import pandas as pd

from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Part
from truechange.numerics.small_cells import HIDDEN, few, masked, protect
from truechange.programme.parts import Floats

NUMBERS = ("age", "height_cm", "mass_kg")
KINDS = ("sex", "joint", "site")
COLUMNS = ["group", "started", "fact", "level", "n", "missing", "mean", "sd", "count", "share"]
FEWEST_ROUNDED = 20  # people; above it, means to one decimal do not tell how many of them are known
PREDICTORS, KINDS_OF_PREDICTORS = ("age",), ("sex", "site", "outcome", "joint")


def baseline_table(people: pd.DataFrame, scores: dict[str, pd.Series], group: str = "programme") -> Part:
    """Describe the people who started (baseline characteristics), by group.

    Parameters
    ----------
    people : DataFrame
        One row a person who started: person, the `group` column and whatever else is known.
    scores : dict of Series
        Name of the test: score before, indexed by person.
    group : str, optional
        Column of the groups.

    Returns
    -------
    Part
        Table: group, started, fact, level, n, missing, mean, sd, count, share.
    """
    known = people.set_index("person")
    known = known.assign(**{name: series.reindex(known.index) for name, series in scores.items()})
    rows = []
    for label, one in known.groupby(group, sort=True):
        shared = {"group": label, "started": len(one)}
        for name in [*(n for n in NUMBERS if n in known), *scores]:
            values = pd.to_numeric(one[name], errors="coerce").dropna()
            rows.append({**shared, "fact": name, "level": "", "n": len(values), "missing": len(one) - len(values),
                         "mean": values.mean() if len(values) else np.nan,
                         "sd": values.std() if len(values) > 1 else np.nan})  # fmt: skip
        for name in (n for n in KINDS if n in known):
            words = one[name].dropna().astype(str)
            words = words[words != ""]
            for level, count in words.value_counts().sort_index().items():
                rows.append({**shared, "fact": name, "level": str(level), "n": len(words),
                             "missing": len(one) - len(words), "count": int(count),
                             "share": count / len(words)})  # fmt: skip
    return _told(pd.DataFrame(rows).reindex(columns=COLUMNS))


def _told(rows: pd.DataFrame) -> Part:
    """Return the table, and each group's size, age and share of women in words."""
    says = []
    for group, one in rows.groupby("group", sort=False):
        age, sex = one[one["fact"] == "age"], one[one["fact"] == "sex"]
        women = sex[sex["level"].str.lower().isin(["f", "female", "woman"])]
        years = share = ""
        if len(age) and is_shown(age["mean"].iloc[0]):
            years = f", mean age {fixed(age['mean'].iloc[0], 0)} (SD {fixed(age['sd'].iloc[0], 0)})"
        if len(women) and is_shown(women["share"].iloc[0]):
            share = f", {percent(women['share'].iloc[0])} women"
        says.append(f"{group}: {int(one['started'].iloc[0])} people started{years}{share}.")
    return Part({"rows": rows}, rows, tuple(says), hide=partial(_all_hidden, rows))


def _all_hidden(rows: pd.DataFrame) -> Part:
    """Return the table with small groups hidden, and numbers from which the size of one could be worked out."""
    pieces = [_hidden(one) for _, one in rows.groupby(["group", "fact"], sort=False)]
    return _told(pd.concat(pieces).sort_index() if pieces else rows)


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


def predictors_of(people: pd.DataFrame, visits: pd.DataFrame, sessions: pd.DataFrame) -> Floats:
    """Return a numeric column for the score before, each other visit, training days, age, and each kind but one.

    Parameters
    ----------
    people : DataFrame
        One row a person who started: person, before and what else is known.
    visits : DataFrame
        Scores of the same test at other occasions: person, occasion, value.
    sessions : DataFrame
        Training log: person, date.

    Returns
    -------
    ndarray, shape (people, columns)
        NaN where not known; columns known for nobody are left out.
    """
    columns = [pd.to_numeric(people["before"], errors="coerce")]
    for _, rows in visits.groupby("occasion"):
        columns.append(people["person"].map(rows.groupby("person")["value"].mean()))
    if len(sessions):
        columns.append(people["person"].map(sessions.groupby("person")["date"].nunique()))
    columns += [pd.to_numeric(people[name], errors="coerce") for name in PREDICTORS if name in people]
    for name in (kind for kind in KINDS_OF_PREDICTORS if kind in people):
        levels = sorted(people[name].dropna().astype(str).unique())[1:]
        columns += [(people[name].astype(str) == level).astype(float).where(people[name].notna()) for level in levels]
    table = np.column_stack([column.to_numpy(dtype=float, na_value=np.nan) for column in columns])
    return table[:, ~np.isnan(table).all(axis=0)]
