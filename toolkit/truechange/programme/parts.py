"""Parts of an audit (programme evaluation): one result or its refusal for each measure, and the people they are of."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from math import sqrt
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from truechange.foundation.errors import DataError, OutcomeError, listed
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Part, Result
from truechange.numerics.resampling import Floats
from truechange.numerics.small_cells import HIDDEN, few, masked, protect

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


QUANTITIES = ("quantity", "estimate", "low", "high", "method")

# A typed "none": the whole clause must say so, for "fell, nothing broken" is an event.
NOTHING = re.compile(
    r"\W*((no|none|nil|n|nothing|not any|n/a|na|0)\b)?"
    r"(\W*\b(adverse|side|events?|effects?|reactions?|problems?|issues?|falls?|pain|reported|noted|seen|today)\b)*\W*"
)
CLAUSES = re.compile(r"[,;]|\. |\band\b|\bbut\b")


def kind_of(text: object, kinds: Mapping[str, tuple[str, ...]], *, nothing: str, other: str) -> str:
    """Return which kind a free text speaks of, by how its words begin: no free text leaves the clinic.

    Parameters
    ----------
    text : object
        What was typed; missing counts as nothing.
    kinds : mapping of str to tuple of str
        Kind: how words begin that speak of it (regular expressions); the first that fits.
    nothing, other : str
        What to return for an empty text or a typed "none", and for one that no kind fits.

    Examples
    --------
    >>> kinds = {"fall": ("fall", "fell")}
    >>> [kind_of(text, kinds, nothing="none", other="other") for text in ("No falls.", "fell, nothing broken", "cough")]
    ['none', 'fall', 'other']
    """
    plain = "" if text is None or text != text else str(text).strip().lower()
    said = [clause for clause in CLAUSES.split(plain) if not _nothing(clause)]
    if not said:
        return nothing
    return next((kind for kind, parts in kinds.items() if re.search(rf"\b({'|'.join(parts)})", " ".join(said))), other)


def _nothing(clause: str) -> bool:
    words = NOTHING.fullmatch(clause)
    return bool(words and (words[1] or not re.search(r"\w", clause)))


@dataclass(frozen=True)
class Refused(Result):
    """A part of the audit that could not be computed honestly: named, with the reason.

    Parameters
    ----------
    part : str
        What was refused.
    reason : str
        Why, and what would make it possible.
    """

    part: str
    reason: str
    cautions: tuple[str, ...] = ()

    def table(self) -> pd.DataFrame:
        """Return one row: part, refused."""
        return pd.DataFrame([{"part": self.part, "refused": self.reason}])

    def sentences(self) -> tuple[str, ...]:
        """Say what is missing and why."""
        return (f"{self.part}: not computed. {self.reason}",)


def attempt(work: Callable[[], Any], part: str) -> Any:
    """Return the part, or a :class:`Refused` with the reason it could not be computed."""
    try:
        return work()
    except OutcomeError as problem:
        return Refused(part, str(problem))


def sources_of(*parts: Result) -> tuple[str, ...]:
    """Return the bibliography keys of the parts, each once."""
    return tuple(dict.fromkeys(key for part in parts for key in part.sources))


def t_estimate(value: float, se: float, df: float, confidence: float, **about: Any) -> Estimate:
    """Return an estimate with its t interval: value ± t × standard error."""
    half = float(stdtrit(df, (1 + confidence) / 2)) * se
    return Estimate(value=value, low=value - half, high=value + half, confidence=confidence, df=df, **about)


def welch_difference(first: Floats, second: Floats, confidence: float, unit: str = "") -> Estimate:
    """Return the difference of two means with Welch's interval."""
    v1, v2 = first.var(ddof=1) / first.size, second.var(ddof=1) / second.size
    gap, se = float(first.mean() - second.mean()), sqrt(v1 + v2)
    df = (v1 + v2) ** 2 / (v1**2 / (first.size - 1) + v2**2 / (second.size - 1)) if se else first.size - 1
    how = "difference of means, Welch"
    return t_estimate(gap, se, float(df), confidence, unit=unit, n=first.size + second.size, method=how)


def hc3(y: Floats, *columns: Any) -> Any:
    """Fit `y` on a constant and `columns` by least squares, with HC3 standard errors (Long and Ervin 2000)."""
    from statsmodels.regression.linear_model import OLS

    return OLS(y, np.column_stack([np.ones(len(y)), *columns])).fit(cov_type="HC3", use_t=True)


def coefficient(fit: Any, at: int, confidence: float, method: str, unit: str = "") -> Estimate:
    """Return one coefficient of a fitted line with its interval."""
    low, high = fit.conf_int(alpha=1 - confidence)[at]
    return Estimate(
        value=float(fit.params[at]), low=float(low), high=float(high), confidence=confidence, unit=unit,
        n=int(fit.nobs), df=float(fit.df_resid), method=method,
    )  # fmt: skip


def quantities(
    estimates: Mapping[str, Estimate | None],
    numbers: Mapping[str, float] | None = None,
    columns: tuple[str, ...] = QUANTITIES,
    **shared: Any,
) -> pd.DataFrame:
    """Return one row a quantity: the estimates that are known, then plain numbers, each of those with `shared`."""
    rows = [{"quantity": name, **one.row()} for name, one in estimates.items() if one is not None]
    rows += [{"quantity": name, "estimate": value, **shared} for name, value in (numbers or {}).items()]
    return pd.DataFrame(rows).reindex(columns=list(columns))


@dataclass(frozen=True)
class ByMeasure(Result):
    """One result for each test.

    Parameters
    ----------
    parts : mapping of str to Result
        Key of the test: its result, the primary test first; may be a :class:`Refused`.
    names : mapping of str to str
        Key of the test: its name in sentences.
    """

    parts: Mapping[str, Result]
    names: Mapping[str, str]

    def __getitem__(self, measure: str) -> Result:
        if measure not in self.parts:
            raise DataError(f"{measure!r} was not audited; there are {listed(self.parts)}.")
        return self.parts[measure]

    def __iter__(self):  # type: ignore[no-untyped-def]
        return iter(self.parts)

    @property
    def cautions(self) -> tuple[str, ...]:  # type: ignore[override]
        """Every part's cautions, each once, with the tests it concerns when it does not concern all."""
        found: dict[str, list[str]] = {}
        for measure, part in self.parts.items():
            for caution in part.cautions:
                found.setdefault(caution, []).append(self.names[measure])
        return tuple(
            caution if len(tests) == len(self.parts) else f"{listed(tests)}: {caution}"
            for caution, tests in found.items()
        )

    @property
    def sources(self) -> tuple[str, ...]:  # type: ignore[override]
        """Keys of the bibliography, each once."""
        return tuple(dict.fromkeys(key for part in self.parts.values() for key in part.sources))

    def public(self) -> "ByMeasure":
        """Return every part as it may leave the house."""
        return replace(self, parts={measure: part.public() for measure, part in self.parts.items()})

    def table(self) -> pd.DataFrame:
        """Return the parts' tables below each other, with the test's key in the first column."""
        tables = [part.table().reset_index(drop=True).assign(measure=measure) for measure, part in self.parts.items()]
        if not tables:
            return pd.DataFrame(columns=["measure"])
        whole = pd.concat(tables, ignore_index=True)
        return whole[["measure", *(name for name in whole.columns if name != "measure")]]

    def sentences(self) -> tuple[str, ...]:
        """Return each part's sentences, with the test's name ahead."""
        return tuple(
            f"{self.names[measure]}: {text}" for measure, part in self.parts.items() for text in part.sentences()
        )
