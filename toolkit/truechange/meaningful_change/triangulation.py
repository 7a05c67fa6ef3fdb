"""Several anchors, one value: a fixed rule written before the data are opened, and what each anchor contributes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import atanh, isfinite, nan, sqrt

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtri, stdtrit

from truechange.foundation.errors import DataError, RefusedError, listed
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.origin import Origin
from truechange.foundation.result import Result
from truechange.foundation.sem import read_sem
from truechange.meaningful_change.estimators import Layout, estimate_rows, starts_of
from truechange.meaningful_change.people import numbers, rated_people
from truechange.meaningful_change.result import McidStudy
from truechange.meaningful_change.study import mcid
from truechange.numerics.kinds import Kinds, draw_counts, rows_at_once
from truechange.numerics.resampling import Floats, in_blocks, percentile_limits

MOST_CORRELATED = 0.999


@dataclass(frozen=True)
class Triangulation(Result):
    """One MCID from several anchors.

    Parameters
    ----------
    recommended : Threshold or None
        Weighted mean over the anchors that passed their checks; None if none did.
    anchors : DataFrame
        Indexed by anchor: estimate, low, high, method, correlation, weight (0 for a dropped anchor), why_dropped.
    leave_one_out : DataFrame
        Indexed by the anchor left out: estimate without it.
    studies : dict of str to McidStudy
        The study of each anchor.
    """

    recommended: Threshold | None
    anchors: pd.DataFrame
    leave_one_out: pd.DataFrame
    studies: Mapping[str, McidStudy]
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ("trigg2021",)

    def table(self) -> pd.DataFrame:
        """Return one row an anchor, unrounded."""
        return self.anchors

    def sentences(self) -> tuple[str, ...]:
        """Say the combined value and how much it hangs on one anchor."""
        kept = self.anchors.index[self.anchors["weight"] > 0]
        if self.recommended is None:
            return ("None of the anchors passed its checks, so no MCID is given.",)
        said = [f"Together, {len(kept)} of {len(self.anchors)} anchors give an MCID of {self.recommended}."]
        if len(kept) > 1:
            low, high = self.leave_one_out["estimate"].min(), self.leave_one_out["estimate"].max()
            places = self.recommended.decimals
            said.append(f"Leaving out one anchor at a time moves it between {low:.{places}f} and {high:.{places}f}.")
        return tuple(said)


def triangulate(
    improvement: ArrayLike,
    anchors: Mapping[str, ArrayLike],
    cut: int = 1,
    sem: "float | Estimate | None" = None,
    sem_df: float | None = None,
    before: ArrayLike | None = None,
    after: ArrayLike | None = None,
    n_boot: int = 2000,
    seed: int = 0,
    confidence: float = 0.95,
    *,
    unit: str = "",
    protocol: str = "",
) -> Triangulation:
    """Combine several anchors by a fixed rule.

    Parameters
    ----------
    improvement : array_like, shape (n,)
        Change of each person, positive = better.
    anchors : mapping of str to array_like
        Name and ratings of each anchor, all coded like the `anchor` of :func:`mcid`.
    cut, sem, sem_df, before, after, n_boot, seed, confidence, unit, protocol
        As in :func:`mcid`.

    Returns
    -------
    Triangulation

    Raises
    ------
    DataError
        No anchor was given, or one does not line up.

    Notes
    -----
    Anchors that fail their checks are dropped, not down-weighted. The rest are averaged with weights proportional to
    Fisher's z of their absolute correlation with the change (Trigg & Griffiths 2021; from memory). The interval
    resamples people once for all anchors together, so that their overlap is kept.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(3)
    >>> true = rng.normal(2, 2, 200)
    >>> change = true + rng.normal(0, 1.2, 200)
    >>> ratings = {"stairs": np.digitize(true + rng.normal(0, 1.5, 200), [-2, 2, 5]) - 1,
    ...            "mood": rng.integers(-1, 3, 200)}
    >>> both = triangulate(change, ratings, sem=0.85, sem_df=49, n_boot=200)
    >>> both.anchors["weight"].round(2).to_dict()
    {'stairs': 1.0, 'mood': 0.0}
    """
    if not anchors:
        raise DataError("Give at least one anchor: a mapping of name to ratings.")
    shared = {"cut": cut, "sem": sem, "sem_df": sem_df, "before": before, "after": after, "n_boot": n_boot}
    shared |= {"seed": seed, "confidence": confidence, "unit": unit, "protocol": protocol}
    studies = {name: mcid(improvement, ratings, **shared) for name, ratings in anchors.items()}  # type: ignore[arg-type]
    kept = [name for name, study in studies.items() if study.recommended is not None]
    strength = {name: atanh(min(MOST_CORRELATED, studies[name].anchor.correlation.value)) for name in kept}
    weights = {name: strength.get(name, 0.0) / max(sum(strength.values()), 1e-300) for name in studies}
    frame = pd.DataFrame([_row(study, weights[name]) for name, study in studies.items()], index=pd.Index(studies))
    frame = frame.rename_axis("anchor")
    values = {name: float(value) for name, value in zip(studies, frame["estimate"], strict=True)}
    without = {name: _mean(values, {k: w for k, w in weights.items() if k != name and w > 0}) for name in kept}
    recommended = None
    if kept:
        draws = _joint_draws(improvement, {name: anchors[name] for name in kept}, studies, weights, shared)
        low, high = percentile_limits(draws[np.isfinite(draws)], confidence)
        recommended = Threshold(
            kind="mcid", level="person", value=_mean(values, {name: weights[name] for name in kept}), low=float(low),
            high=float(high), confidence=confidence, unit=unit, n=max(studies[name].n for name in kept),
            method=f"mean of {listed(kept)}, weighted by correlation", origin=Origin.own(), protocol=protocol,
        )  # fmt: skip
    cautions = [f"{name}: dropped, {study.refused}." for name, study in studies.items() if name not in kept]
    cautions += [f"{name}: {caution}" for name in kept for caution in studies[name].cautions]
    loo = pd.DataFrame({"estimate": without}).rename_axis("left_out")
    sources = tuple(dict.fromkeys(key for study in studies.values() for key in study.sources))
    return Triangulation(recommended, frame, loo, studies, tuple(cautions), ("trigg2021", *sources))


def _row(study: McidStudy, weight: float) -> dict[str, object]:
    value = study.recommended
    return {
        "estimate": nan if value is None else value.value,
        "low": nan if value is None else value.low,
        "high": nan if value is None else value.high,
        "method": study.recommended_method,
        "correlation": study.anchor.correlation.value,
        "weight": weight,
        "why_dropped": study.refused,
    }


def _mean(values: Mapping[str, float], weights: Mapping[str, float]) -> float:
    total = sum(weights.values())
    return sum(values[name] * weight for name, weight in weights.items()) / total if total > 0 else nan


def _joint_draws(
    improvement: ArrayLike,
    anchors: Mapping[str, ArrayLike],
    studies: Mapping[str, McidStudy],
    weights: Mapping[str, float],
    shared: Mapping[str, object],
) -> Floats:
    error = None if shared["sem"] is None else read_sem(shared["sem"], shared["sem_df"])  # type: ignore[arg-type]
    change = numbers("improvement", improvement)
    spread = None if error is None else np.array([error.value**2])
    parts = []
    for name, ratings in anchors.items():
        seen = np.isfinite(change) & np.isfinite(numbers("anchor", ratings))
        given = {key: shared[key] for key in ("cut", "before", "after")}
        layout = Layout.of(rated_people(improvement, ratings, **given), collapse=False)  # type: ignore[arg-type]
        rows = estimate_rows(layout, layout.kinds.counts[None], spread)
        parts.append((seen, layout, starts_of(layout, rows), studies[name].recommended_method, weights[name]))
    everybody = Kinds(change[:, None], np.ones(change.size), np.arange(change.size))

    def work(rng: np.random.Generator, size: int) -> Floats:
        counts = draw_counts(rng, size, everybody)
        drawn_spread = None
        if error is not None:
            drawn_spread = error.value**2 * np.ones(size)
            drawn_spread *= 1.0 if error.df is None else error.df / rng.chisquare(error.df, size)
        total = np.zeros(size)
        for seen, layout, starts, method, weight in parts:
            rows = estimate_rows(layout, counts[:, seen], drawn_spread, starts=starts, ordinal=False)
            total += weight * rows[method]
        return total

    n_boot, seed = int(shared["n_boot"]), int(shared["seed"])  # type: ignore[call-overload]
    return in_blocks(work, n_boot, seed=seed, block=rows_at_once(change.size))


def pool_thresholds(thresholds: Sequence[Threshold], confidence: float = 0.95) -> tuple[Estimate, Estimate]:
    """Average MCIDs of several studies of one protocol: the mean, and the interval for the next study.

    Parameters
    ----------
    thresholds : sequence of Threshold
        At least three, each with an interval, of one kind, level, direction, unit and protocol.
    confidence : float, optional
        Level of both intervals.

    Returns
    -------
    tuple of Estimate
        Random-effects mean, and the same value with its prediction interval.

    Raises
    ------
    RefusedError
        They are not of one sort, a protocol is unknown, an interval is missing, or there are fewer than three.

    Notes
    -----
    Between-study variance after DerSimonian & Laird 1986, Control Clin Trials 7:177-188; prediction interval with
    t on k - 2 degrees of freedom (Higgins et al. 2009, J R Stat Soc A 172:137-159). Both from memory.

    Examples
    --------
    >>> kind = {"kind": "mcid", "unit": "stands", "protocol": "43 cm chair, no arms"}
    >>> found = [Threshold(value=v, low=v - 0.6, high=v + 0.6, **kind) for v in (1.8, 2.2, 2.6)]
    >>> mean, following = pool_thresholds(found)
    >>> print(mean)
    2.20 stands (95% CI 1.75 to 2.65)
    """
    sorts = {(t.kind, t.level, t.direction, t.unit, t.protocol) for t in thresholds}
    if len(sorts) > 1 or any(not t.protocol for t in thresholds):
        raise RefusedError(
            "Only MCIDs of one kind, level, direction, unit and (stated) protocol may be averaged; show the others "
            "beside your own instead."
        )
    if len(thresholds) < 3 or any(not (t.has_interval and isfinite(t.high - t.low)) for t in thresholds):
        raise RefusedError("At least three MCIDs, each with an interval, are needed for an average.")
    values = np.array([t.value for t in thresholds])
    error = np.array([(t.high - t.low) / (2 * float(ndtri((1 + t.confidence) / 2))) for t in thresholds])
    fixed = 1 / error**2
    spread = float(fixed @ (values - fixed @ values / fixed.sum()) ** 2)
    between = max(0.0, (spread - values.size + 1) / (fixed.sum() - (fixed @ fixed) / fixed.sum()))
    weight = 1 / (error**2 + between)
    mean, se = float(weight @ values / weight.sum()), 1 / sqrt(weight.sum())
    reach = float(ndtri((1 + confidence) / 2)) * se
    ahead = float(stdtrit(values.size - 2, (1 + confidence) / 2)) * sqrt(between + se**2)
    origin = Origin(
        "published", citation=listed(t.origin.citation or "own data" for t in thresholds), status="recomputed"
    )
    held = {"value": mean, "confidence": confidence, "unit": thresholds[0].unit, "origin": origin}
    return (
        Estimate(low=mean - reach, high=mean + reach, method="random effects", **held),  # type: ignore[arg-type]
        Estimate(low=mean - ahead, high=mean + ahead, method="prediction interval", **held),  # type: ignore[arg-type]
    )
