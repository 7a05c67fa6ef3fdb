"""Variance components by REML: any pattern of missing cells; sessions, trials and raters at once."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import sqrt

import numpy as np
import pandas as pd

from truechange.foundation.errors import RefusedError, check_choice, check_whole, listed, stated
from truechange.foundation.estimate import Estimate
from truechange.foundation.origin import Origin
from truechange.foundation.result import Part, told
from truechange.numerics.reml import Design, RemlFit, bootstrap_draws, fit_reml, log_normal_draws
from truechange.numerics.resampling import Floats, percentile_limits
from truechange.reliability.scores import Sample, check_columns, check_long, estimates_table

INTERVALS = ("auto", "monte-carlo", "bootstrap")
FEWEST_REPEATED = 10  # people with two or more scores; own choice: below, REML's intervals mislead
FEWEST_LEVELS = 5  # of a random term; below, its variance is hardly known


class VarianceComponents(Part):
    """Variances of people, trials, sessions ... and error, with what can be read from them.

    Its facts: ``variances`` (Estimate of each random term, ``"residual"`` last, in squared units), ``draws`` (plausible
    sets of variances, one row each, behind the intervals), ``at_boundary`` (terms estimated as exactly 0), ``fit``
    (the fit itself), ``sample`` (people, unit, level and origin), ``how`` (how the intervals were found).
    """

    def _sum(self, weights: Mapping[str, float], draws: Floats) -> Floats:
        return np.asarray(sum(draws[..., list(self.variances).index(name)] * w for name, w in weights.items()))

    def _estimate(self, value: float, drawn: Floats, sample: Sample, method: str, df: float | None = None) -> Estimate:
        return sample.estimate(
            value, *percentile_limits(drawn, sample.confidence), f"{method} by REML; {self.how} interval", df
        )

    def sem(self, noise: Mapping[str, float]) -> Estimate:
        """Return the square root of a weighted sum of variances, such as ``{"session": 1, "residual": 1 / 2}``.

        Its `df` is Satterthwaite's from the expected information.
        """
        total = float(self._sum(noise, self.fit.variances))
        weights = np.array([noise.get(name, 0.0) for name in self.variances])
        inside = ~self.fit.boundary
        covariance = np.linalg.inv(self.fit.information[np.ix_(inside, inside)])
        spread = float(weights[inside] @ covariance @ weights[inside])
        df = 2 * total**2 / spread if spread > 0 else None
        terms = " + ".join(name if w == 1 else f"{w:.3g} × {name}" for name, w in noise.items())
        return self._estimate(sqrt(total), np.sqrt(self._sum(noise, self.draws)), self.sample, f"√({terms})", df)

    def icc(self, noise: Mapping[str, float], method: str = "ICC") -> Estimate:
        """Return person / (person + weighted noise)."""

        def share(variances: Floats) -> Floats:
            true = self._sum({"person": 1.0}, variances)
            return true / (true + self._sum(noise, variances))

        bare = replace(self.sample, unit="")
        return self._estimate(float(share(self.fit.variances)), share(self.draws), bare, method)


def variance_components(
    data: pd.DataFrame, random: Sequence[str] = ("person", "trial"), fixed: Sequence[str] = (),
    sample: Sample | None = None, *, value: str = "value", limits: str = "auto", n_boot: int = 1000, seed: int = 0,
) -> VarianceComponents:  # fmt: skip
    """Fit random intercepts by REML to scores in any pattern of missing cells.

    Parameters
    ----------
    data : DataFrame
        One row a score; rows without a score are left out (missing at random is assumed:
        not so when people were unable).
    random : sequence of str
        Columns with a random effect, the person first; ``"person:session"`` is an interaction.
    fixed : sequence of str
        Columns taken as fixed categories, such as the trial within a visit.
    sample : Sample, optional
        Unit, level of the intervals and origin; the people are counted here.
    value : str
        Column of scores.
    limits : {"auto", "monte-carlo", "bootstrap"}
        Monte-Carlo draws of the log-variances, or a parametric bootstrap.
        ``"auto"`` takes the bootstrap when a variance is estimated as 0, where logarithms fail.
    n_boot, seed : int
        Draws, and the seed of their stream.

    Returns
    -------
    VarianceComponents

    Raises
    ------
    RefusedError
        Fewer than 10 people have two or more scores, or no residual variance is left.
    DataError
        A column is absent or a score is not a number.

    Notes
    -----
    Restricted likelihood (Patterson & Thompson 1971); balanced data give the
    analysis-of-variance estimates unless one is negative. Monte-Carlo
    intervals after ten Hove, Jorgensen & van der Ark 2025.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> person = np.repeat(np.arange(20), 3)
    >>> score = 12 + rng.normal(0, 3, 20)[person] + rng.normal(0, 1, 60)
    >>> scores = pd.DataFrame({"person": person, "trial": np.tile([1, 2, 3], 20), "value": score})
    >>> found = variance_components(scores.iloc[:-3], random=["person"])
    >>> found.sample.n, [round(e.value, 1) for e in found.variances.values()]
    (19, [2.9, 1.0])
    """
    check_long(data)
    check_whole(n_boot=n_boot, **stated(seed=seed))
    check_choice("limits", limits, INTERVALS)
    columns = [value, *fixed, *(part for term in random for part in term.split(":"))]
    check_columns(data, columns)
    scores = data.dropna(subset=columns)
    repeated = int((scores[random[0]].value_counts() >= 2).sum())
    if repeated < FEWEST_REPEATED:
        raise RefusedError(
            f"Only {repeated} people have two or more scores; REML needs at least {FEWEST_REPEATED}. "
            "Measure more people, or use complete data."
        )
    groups = [scores.groupby(term.split(":"), sort=True, observed=True) for term in random]
    terms = [group.ngroup().to_numpy(dtype=np.intp) for group in groups]
    dummies = [pd.get_dummies(scores[name], drop_first=True, dtype=float).to_numpy() for name in fixed]
    design = Design(terms, np.hstack([np.ones((len(scores), 1)), *dummies]))
    try:
        fit = fit_reml(design, scores[value].to_numpy(dtype=float))
    except ValueError as exact:
        raise RefusedError(f"No error can be estimated: {exact}. Were the scores rounded or copied?") from exact
    names = (*random, "residual")
    zero = tuple(name for name, at in zip(names, fit.boundary, strict=True) if at)
    if limits == "monte-carlo" and zero:
        raise RefusedError(f"The variance of {listed(zero)} is estimated as 0, where logarithms fail; use 'bootstrap'.")
    by_logs = limits == "monte-carlo" or (limits == "auto" and not zero)
    draws = log_normal_draws(fit, max(n_boot, 4000), seed) if by_logs else bootstrap_draws(design, fit, n_boot, seed)
    how = "Monte-Carlo" if by_logs else f"parametric bootstrap (B = {n_boot})"
    n = int(scores[random[0]].nunique())
    sample = replace(sample, n=n) if sample else Sample(n, origin=Origin.own(n=data[random[0]].nunique()))
    squared = replace(sample, unit=f"{sample.unit}²" if sample.unit else "")
    rows = zip(names, fit.variances, *percentile_limits(draws, sample.confidence), strict=True)
    variances = {name: squared.estimate(v, low, high, f"REML; {how} interval") for name, v, low, high in rows}
    few = [name for name, term in zip(random, terms, strict=True) if term.max() + 1 < FEWEST_LEVELS]
    shares = zip(names, 100 * fit.variances / fit.variances.sum(), strict=True)
    parts = ", ".join(f"{name} {share:.0f}%" for name, share in shares)
    table = estimates_table(variances, "term")
    return VarianceComponents(
        {"variances": variances, "draws": draws, "at_boundary": zero, "fit": fit, "sample": sample, "how": how},
        table.assign(at_boundary=table.index.isin(zero)),
        (f"Of the variance of a single score: {parts} ({n} people).",),
        _cautions(fit, zero, few, draws), ("patterson1971", "tenhove2025"),
    )  # fmt: skip


def _cautions(fit: RemlFit, zero: Sequence[str], few: Sequence[str], draws: Floats) -> tuple[str, ...]:
    failed = float(np.isnan(draws).any(axis=1).mean())
    at_zero = (
        f"The variance of {name} is estimated as 0 (on the boundary); its interval starts there." for name in zero
    )
    return tuple(at_zero) + told({
        f"Fewer than {FEWEST_LEVELS} levels of {listed(few)}: that variance is hardly known.": few,
        "The fit did not settle; do not use these variances.": not fit.converged,
        f"{100 * failed:.1f}% of the simulated refits failed and were left out.": failed > 0.01,
    })  # fmt: skip


def shared_trials(observed: np.ndarray) -> tuple[float, float]:
    """Return the harmonic mean number of scores a person, and the weight q of the trial variance in a mean of them.

    q is half the trial part of the variance of the difference between two
    people's means, averaged over all pairs: 1/k̂ minus the mean of
    shared/(k_s k_s'). 0 when all share their trials, 1/k̂ when none do.
    """
    counts = observed.sum(axis=1).astype(float)
    harmonic = counts.size / float(np.sum(1 / counts))
    shared = (observed.astype(float) @ observed.T.astype(float)) / np.outer(counts, counts)
    pairs = counts.size * (counts.size - 1)
    return harmonic, 1 / harmonic - float(shared.sum() - np.trace(shared)) / pairs
