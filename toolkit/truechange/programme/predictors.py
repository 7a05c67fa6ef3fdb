"""What is known of everyone who started, as numbers, to fill in a missing follow-up."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

FACTS = ("age",)
KINDS = ("sex", "site", "outcome", "joint")


def predictors_of(people: pd.DataFrame, visits: pd.DataFrame, sessions: pd.DataFrame) -> NDArray[np.float64]:
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
    columns += [pd.to_numeric(people[name], errors="coerce") for name in FACTS if name in people]
    for name in (kind for kind in KINDS if kind in people):
        levels = sorted(people[name].dropna().astype(str).unique())[1:]
        columns += [(people[name].astype(str) == level).astype(float).where(people[name].notna()) for level in levels]
    table = np.column_stack([column.to_numpy(dtype=float, na_value=np.nan) for column in columns])
    return table[:, ~np.isnan(table).all(axis=0)]
