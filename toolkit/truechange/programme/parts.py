"""Shared shapes of the audit: a part that was refused, one part for each test, and how its numbers are estimated."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from truechange.foundation.errors import DataError, OutcomeError, listed
from truechange.foundation.estimate import Estimate
from truechange.foundation.result import Part, Result

Floats = NDArray[np.float64]
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


class Spoken(Part):
    """A part whose picture is told by all its sentences."""

    @property
    def alt(self) -> str:
        """The picture in words."""
        return f"{self.seen} {' '.join(self.says)}".strip()


def t_estimate(value: float, se: float, df: float, confidence: float, **about: Any) -> Estimate:
    """Return an estimate with its t interval: value ± t × standard error."""
    half = float(stdtrit(df, (1 + confidence) / 2)) * se
    return Estimate(value=value, low=value - half, high=value + half, confidence=confidence, df=df, **about)


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
