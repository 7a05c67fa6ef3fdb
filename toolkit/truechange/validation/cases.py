"""Validation cases: numbers from print, certified data and other programs, and the public call that must give each."""

import csv
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, partial
from operator import attrgetter
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

import truechange as tc
from truechange.foundation.errors import check_choice
from truechange.foundation.result import Refused, attempt
from truechange.individual import assess, norms, score_error
from truechange.individual import change as own
from truechange.meaningful_change import beside, companions, draws, estimators, ratings, rules
from truechange.numerics import curves, intervals, resampling, small_cells, true_change, variances
from truechange.planning import precision
from truechange.programme import assumptions, change, comparison, flow, known, missing, periods, sites, training
from truechange.programme.auditing import private_sheets, worklist
from truechange.reliability import agreement, icc, scores
from truechange.responders import comparing

FOLDER = Path(__file__).parent / "cases"
CAME = {
    "printed table": "a number printed in a paper or handbook, seen there or in a faithful copy",
    "certified file": "a value certified by a standards institute, to 15 digits",
    "output of another program": "computed by another program; script and version are kept",
    "from memory": "a published number as we remember it: nobody has looked it up for this check",
    "recomputed": "computed with a separate implementation; no publication prints it",
    "independent route": "no published number exists: brute force, an identity or numerical integration instead",
}


@dataclass(frozen=True, slots=True)
class Expected:
    """One number that a case promises.

    Parameters
    ----------
    value : float
        The number.
    printed : str
        As it is printed in the source.
    tolerance : float
        Largest difference that still agrees: half of the last printed digit unless the note says why not.
    came : str
        How the number came to us, one of ``CAME``.
    left_out : str
        Why this library does not compute it; empty if it does.
    """

    value: float
    printed: str
    tolerance: float
    came: str
    left_out: str = ""

    def agrees(self, ours: float) -> bool:
        """Whether `ours` lies within the tolerance (a hair more, for the binary form of decimal halves)."""
        return abs(ours - self.value) <= self.tolerance * (1 + 1e-6)


@dataclass(frozen=True, slots=True)
class Case:
    """One worked example: where it comes from, its data, and the numbers it promises.

    Parameters
    ----------
    id, topic, checks : str
        Its name, its subject, and what it checks.
    citation, doi : str
        The source; `doi` is empty where there is none.
    came : str
        How its numbers came to us: printed table, certified file, output of another
        program, from memory, recomputed, or independent route.
    status : str
        What was seen and what was recomputed, in words.
    strength : {"A", "B", "C"}
        How much it proves. A: data and a printed or certified value, reproduced to its digits. B: usable with the
        caveat in its note. C: arithmetic or a recomputed value only, no published number behind it.
    data : mapping
        The input, as in the file.
    expected : mapping of str to Expected
        The numbers it promises.
    note : str
        What a reader must know.
    by : str
        Functions of the library through which ours are computed.
    calls : mapping of str to mapping
        What is called, in this order: function (public, a helper here, or ``room.module:name``), arguments;
        ``$path`` stands for data or for an earlier call's result. With ``refuses`` a refusal is the result, its words
        under ``reason``.
    ours : mapping of str to str
        Where each of the promised numbers is found in what was called.
    left_out : str
        Why this library computes none of them; empty if it does.
    """

    id: str
    topic: str
    checks: str
    citation: str
    doi: str
    came: str
    status: str
    strength: str
    data: Mapping[str, Any]
    expected: Mapping[str, Expected]
    note: str = ""
    by: str = ""
    calls: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    ours: Mapping[str, str] = field(default_factory=dict)
    left_out: str = ""

    @property
    def rows(self) -> list[dict[str, str]]:
        """The rows of the CSV file beside the case, all text."""
        with (FOLDER / self.data["file"]).open(newline="", encoding="utf-8") as lines:
            return list(csv.DictReader(lines))


def case_ids() -> tuple[str, ...]:
    """Return the names of all cases, sorted."""
    return tuple(sorted(path.stem for path in FOLDER.glob("*.toml")))


@cache
def load_case(name: str) -> Case:
    """Read one case by its id.

    Parameters
    ----------
    name : str
        One of :func:`case_ids`.

    Returns
    -------
    Case

    Raises
    ------
    ChoiceError
        There is no such case.

    Examples
    --------
    >>> load_case("icc_shrout_fleiss_1979").expected["ICC(2,1)"].printed
    '0.29'
    """
    check_choice("case", name, case_ids())
    content = tomllib.loads((FOLDER / f"{name}.toml").read_text(encoding="utf-8"))
    data, calls = content["data"], content.get("calls", {})
    if "same_as" in data:
        first = load_case(data["same_as"])
        data, calls = {**first.data, **data}, {**first.calls, **calls}
    expected = {key: Expected(**{"came": content["came"]} | item | {n: float(item[n]) for n in ("value", "tolerance")})
                for key, item in content["expected"].items()}  # fmt: skip
    return Case(**content | {"data": data, "expected": expected, "calls": calls})


Floats = NDArray[np.float64]


def compute(case: Case) -> dict[str, float]:
    """Make the calls of a case in their order and read off every number that its file names under ``[ours]``."""
    scope: dict[str, Any] = dict(case.data)
    if "file" in scope:
        scope["csv"] = {name: column.to_numpy() for name, column in pd.read_csv(FOLDER / scope["file"]).items()}
    for name, call in case.calls.items():
        given = {key: resolved(value, scope) for key, value in call.items() if key not in ("call", "refuses")}
        word = call["call"]
        room, _, called = word.rpartition(":")
        home = MODULES[room] if room else tc
        function = at(word[1:], scope) if word.startswith("$") else HELPERS.get(word) or attrgetter(called)(home)
        work = partial(function, *given.pop("args", ()), **given)
        scope[name] = attempt(work, word) if "refuses" in call else work()
    return {key: float(at(path, scope)) for key, path in case.ours.items()}


def resolved(value: Any, scope: Mapping[str, Any]) -> Any:
    """Put what the case holds in the place of every ``$path`` in a value of its file."""
    if isinstance(value, str) and value.startswith("$"):
        return at(value[1:], scope)
    return [resolved(item, scope) for item in value] if isinstance(value, list) else value


def at(path: str, scope: Mapping[str, Any]) -> Any:
    """Walk ``table/ICC(A,1)/low``: keys, columns or rows, places in a sequence, attributes, methods (``priors()``)."""
    first, *steps = path.split("/")
    here = scope[first]
    for step in steps:
        key = int(step) if step.isdigit() else step
        if isinstance(here, pd.DataFrame) and key not in here:
            here = here.loc[key]
        elif isinstance(key, int) or isinstance(here, Mapping | pd.DataFrame | pd.Series):
            here = here[key]
        else:
            here = getattr(here, key.removesuffix("()"))
            here = here() if key.endswith("()") else here
    return here


def worked(plus: ArrayLike, minus: ArrayLike = 0, times: Any = 1, over: Any = 1, power: float = 1) -> Floats:
    """Return ((plus - minus) x times / over) to a power: what a source derives from a number of ours."""
    return np.power((np.asarray(plus, dtype=float) - minus) * times / over, power)


def long(table: ArrayLike = (), columns: Sequence[ArrayLike] = ()) -> pd.DataFrame:
    """Turn people x trials into one row a score."""
    scores = np.asarray(np.column_stack(np.broadcast_arrays(*columns)) if columns else table, dtype=float)
    people, trials = (index.ravel() for index in np.indices(scores.shape))
    return pd.DataFrame({"person": people, "trial": trials, "value": scores.ravel()})


def spelled_out(counts: ArrayLike) -> tuple[NDArray[Any], NDArray[Any]]:
    """Spell out a table of counts as two columns of ratings."""
    table = np.rint(np.asarray(counts, dtype=float)).astype(int)
    first, second = np.indices(table.shape)
    return np.repeat(first.ravel(), table.ravel()), np.repeat(second.ravel(), table.ravel())


def made_up(n: int, mean: float = 0.0, sd: float = 1.0) -> Floats:
    """Return numbers with exactly this mean and SD, for a source that prints no more."""
    values = np.random.default_rng(n).normal(size=n)
    return mean + sd * (values - values.mean()) / values.std(ddof=1)


def table_with(n: int, k: int, msr: float, mse: float) -> Floats:
    """Return people x trials with these mean squares: residuals without trial means, orthogonal to the people."""
    basis = np.linalg.qr(np.column_stack([np.ones(n), np.random.default_rng(1).normal(size=(n, k))]))[0][:, 1:]
    noise = basis[:, 1:k] @ np.linalg.svd(np.eye(k) - 1 / k)[2][: k - 1]
    noise *= np.sqrt(mse * (n - 1) * (k - 1) / np.sum(noise**2))
    return basis[:, [0]] * np.sqrt(msr * (n - 1) / k) + noise


def raters(table: Floats, repeats: int) -> pd.DataFrame:
    """Return one row a score of people x (raters x repeats)."""
    return long(table).assign(rater=lambda rows: rows["trial"] // repeats)


def rates(scores: Floats, event: NDArray[np.bool_], cut: float) -> tuple[float, float]:
    """Return sensitivity and specificity of scores beyond a cut."""
    return float((scores[event] > cut).mean()), float((scores[~event] < cut).mean())


def binary(change: Floats, better: NDArray[np.bool_], link: str) -> tuple[float, float]:
    """Return constant and slope of the fit of "improved" on the change."""
    values, place = np.unique(change, return_inverse=True)
    hits, misses = (np.bincount(place, side, values.size).astype(float) for side in (better, ~better))
    fit = curves.fit_outcomes(values, hits[None], misses[None], link=link)
    return float(fit.intercept[0]), float(fit.slope[0])


def ordered(change: Floats, anchor: Floats) -> Floats:
    """Return slope and thresholds of the ordered probit of four grades of rating on the change."""
    kinds = resampling.distinct(np.column_stack([change, np.clip(anchor, -1, 2)]))
    fit = curves.fit_ordered(kinds.rows[:, 0], (kinds.rows[:, 1] + 1).astype(np.intp), kinds.counts[None])
    return np.array([fit.slope[0], *fit.thresholds[0]])


def reml(person: ArrayLike, trial: ArrayLike, score: ArrayLike) -> Floats:
    """Return the variances between people, between trials, and of the error."""
    places = [np.asarray(part, dtype=np.intp) - 1 for part in (person, trial)]
    design = variances.Design(places, np.ones((len(places[0]), 1)))
    return variances.fit_reml(design, np.asarray(score, dtype=float)).variances


def least_squares(table: ArrayLike) -> Any:
    """Fit the first column on the others and a constant."""
    import statsmodels.api as sm

    rows = np.asarray(table, dtype=float)
    return sm.OLS(rows[:, 0], sm.add_constant(rows[:, 1:])).fit()


def refused(of: Any, *args: Any, **given: Any) -> bool:
    """Say whether a call is refused: a public function by its name, or whatever can be called."""
    return isinstance(attempt(partial(getattr(tc, str(of), of), *args, **given), str(of)), Refused)


MODULES = {one.__name__.removeprefix("truechange."): one for one in (
    norms, score_error, estimators, curves, intervals, resampling, small_cells, true_change, variances, change, icc,
    assess, own, comparison, missing, periods, sites, training, agreement, scores, comparing, assumptions, flow, known,
    precision, beside, companions, draws, ratings, rules,
)}  # fmt: skip
HELPERS: dict[str, Callable[..., Any]] = {one.__name__: one for one in (
    worked, long, spelled_out, made_up, table_with, raters, rates, binary, ordered, reml, least_squares, worklist,
    private_sheets, refused, len, dict,
)} | {
    "frame": lambda **columns: pd.DataFrame(columns), "stack": lambda *columns: np.column_stack(columns),
    "sum_of": lambda *terms: sum(np.asarray(x, dtype=float) for x in terms), "panel": lambda: Figure().subplots(),
    "mean": np.mean, "sd": lambda values: np.std(values, ddof=1), "correlations": np.corrcoef, "log": np.log,
    "among": np.isin, "at_least": np.greater_equal, "where": lambda values, rows: values[rows], "pair": lambda *of: of,
    "repeated": lambda groups, replicates: [one[:1] + one[1:] * ((replicates - 1) // 2) for one in groups],
    "normal_quantile": ndtri, "repeat": np.repeat, "joined": np.concatenate, "dates": pd.to_datetime,
    "adjusted_2017": estimators.METHODS["predictive_adjusted_2017"].formula, "times": lambda by: lambda x: by * x,
}  # fmt: skip
