"""Missing follow-up (dropouts): bounds, multiple imputation, and the tipping point of the answer."""

from collections.abc import Mapping
from functools import partial
from math import ceil, inf, isnan, nan, sqrt
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, logit, stdtrit

from truechange.foundation import drawing
from truechange.foundation.errors import DataError
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed, percent, reaches
from truechange.foundation.result import Part, Spoken, worded, wordings
from truechange.numerics.intervals import wilson_limits
from truechange.numerics.resampling import Floats
from truechange.responders.counting import how_many

WORDS = wordings(__file__)["missing"]
MEASURED, NONE, ALL = "only those measured", "none of the missing changed enough", "all of the missing changed enough"
IMPUTED = "the missing as people like them (imputed)"
MANY, TOO_MANY = 0.3, 0.5
FARTHEST, STEP = 5.0, 0.1  # tipping point: how many thresholds worse than people like them, and in what steps
FALLS = ("share", "low", "high", "mean", "mean_low", "mean_high")


def missing_follow_up(
    improvement: Floats, threshold: float, predictors: Floats, *, resolution: float = 0.0,
    against: tuple[float, float] = (0.0, 0.0), limit: str = "threshold", m: int | None = None, seed: int = 0,
    **about: Any,
) -> Part:  # fmt: skip
    """Compute the share of those due under each way of treating the missing.

    Parameters
    ----------
    improvement : ndarray, shape (n,)
        One entry a person due, NaN without a usable follow-up; −∞ for people who could not do the test then: they
        count as not changed enough and are never imputed.
    threshold : float
        Smallest change that counts; also the unit of the tipping point.
    predictors : ndarray, shape (n, p)
        What is known of everyone (score before, other visits, training days, age, site ...); may have gaps.
    resolution : float, optional
        Step of the test; an imputed improvement is rounded to it before it is held against the threshold.
    against : tuple of float, optional
        What the mean and the share are held against for the tipping point (practice gain, share from error alone).
    limit : str, optional
        What the threshold is, in words: ``"MCID"``, ``"MDC95"``.
    m : int, optional
        Filled data sets; at least 20, and at least the percentage missing, by default.
    seed : int, optional
        Of the imputation.
    **about
        ``confidence`` and ``unit`` of the result.

    Returns
    -------
    Part
        Table and ``rows``: way, people, of, share, low, high. ``due, missing, unable`` (people); ``mean`` (Estimate of
        everyone due but the unable, imputed; None where nothing was; ``able_only``: there were unable, and
        :func:`paired_change` gives a mean with a worst score for them) with ``missing_information``, the share of its
        variance that is due to the gaps; ``tipping`` (DataFrame: delta, the thresholds by which the missing did worse
        than people like them, share, low, high, mean, mean_low, mean_high); ``tips_mean, tips_share``, the smallest
        delta at which the mean's interval reaches its value in `against`, and the share's (NaN if none up to five,
        None if it may not be told); ``many`` (three in ten or more are missing, but fewer than half).

    Notes
    -----
    The improvement is imputed and cut afterwards. Shares are pooled on the log-odds scale. With half or more missing
    nothing is imputed.
    """
    lost, worst = ~np.isfinite(improvement), np.isneginf(improvement)
    improvement = np.where(lost, nan, improvement)
    due, missing, unable, k = improvement.size, int(lost.sum()), int(worst.sum()), how_many(improvement, threshold)
    people, of = np.array([k, k, k + missing]), np.array([due - missing, due, due])
    low, high = wilson_limits(people, of, about.get("confidence", 0.95))
    share = np.divide(people, of, where=of > 0, out=np.full(3, nan))
    rows = pd.DataFrame({"way": [MEASURED, NONE, ALL], "people": people.astype(float), "of": of, "share": share,
                         "low": low, "high": high})  # fmt: skip
    imputed, failed = 0 < missing < TOO_MANY * due, ""
    facts: dict[str, Any] = {
        "due": due, "missing": missing, "unable": unable, "mean": None, "missing_information": nan,
        "tipping": pd.DataFrame(columns=["delta", *FALLS], dtype=float), "tips_mean": nan, "tips_share": nan,
        "able_only": unable > 0, "no_change": against[0], "error_share": against[1], "limit": limit,
        "many": imputed and missing >= MANY * due, "scale": f"times the {limit} the missing did worse",
    }  # fmt: skip
    try:
        sets, table = m or max(20, ceil(100 * missing / max(due, 1))), np.column_stack([improvement, predictors])
        filled = impute(table[~worst], sets, seed)[:, :, 0] if imputed else np.empty((0, 0))
    except DataError as problem:
        failed, imputed = f"Nothing was imputed: {problem}", False
    if imputed:
        gap, deltas = lost[~worst], np.arange(0, FARTHEST + STEP / 2, STEP)
        lines, means = zip(*(_pool(filled - gap * delta * threshold, gap, threshold, due, resolution, **about)
                             for delta in deltas), strict=True)  # fmt: skip
        tipping = pd.DataFrame(lines)
        tipping.insert(0, "delta", deltas)
        first = tipping.iloc[0]
        rows.loc[len(rows)] = [IMPUTED, first["share"] * due, due, first["share"], first["low"], first["high"]]
        facts |= {"mean": means[0].estimate, "missing_information": means[0].missing_information, "tipping": tipping,
                  "tips_mean": _tips(tipping["mean_low"] <= against[0]),
                  "tips_share": _tips(tipping["low"] <= against[1])}  # fmt: skip
    notes = _cautions(due, missing, unable, imputed)
    return _told(facts | {"rows": rows}, (*notes, failed) if failed else notes)


def without_unable(missing: Part) -> Part:
    """Return the result without the number of people unable, nor the fall of the mean that would tell it.

    That mean falls by ``threshold × (missing − unable) / (due − unable)`` for each threshold: only its first value is
    kept (own derivation).
    """
    falls = missing.tipping.copy()
    falls.loc[falls["delta"] > 0, ["mean", "mean_low", "mean_high"]] = nan
    counted, safe = (_cautions(missing.due, missing.missing, unable, missing.mean is not None)
                     for unable in (missing.unable, "Some"))  # fmt: skip
    rest = tuple(text for text in missing.cautions if text not in counted)
    facts = {**missing.facts, "unable": 0, "tipping": falls, "tips_mean": None}
    return _told(facts, (*safe, *rest))


def _told(facts: Mapping[str, Any], cautions: tuple[str, ...]) -> Part:
    """Return the result with its words and picture, from the numbers that may be told."""
    sources = ("newcombe1998a", "rubin1987", "barnard1999", "floden2019")
    seen = "Share of responders falling as the missing are assumed to have done worse."
    return Spoken(facts, facts["rows"], _says(facts), cautions, sources, seen, partial(_draw, facts))


def _says(facts: Mapping[str, Any]) -> tuple[str, ...]:
    """Say between which shares the truth must lie, what imputation gives, and when the answer tips."""
    if not facts["missing"]:
        return ("Everyone due has a usable follow-up.",)
    rows, limit = facts["rows"].set_index("way"), facts["limit"]
    how = f": read these bounds{' and the imputed share' * (facts['mean'] is not None)} before the counted one"
    what = f"the share of those due that improved by at least the {limit}"
    low, high = (percent(float(rows.loc[way, "share"])) for way in (NONE, ALL))
    lost = f"{facts['missing']} of the {facts['due']} people due have no usable follow-up"
    said = [f"{lost}; {what} lies between {low} and {high}{how * facts['many']}."]
    if facts["mean"] is None:
        return (*said, "Nothing was imputed.")
    share, low, high = (percent(end) for end in rows.loc[IMPUTED, ["share", "low", "high"]])
    said.append(
        f"If the missing changed as people like them did, {share} changed enough ({low} to {high}) and the mean "
        f"improvement{' of those able to do the test' if facts['able_only'] else ''} is {facts['mean']}."
    )
    for what, against, delta in (("mean improvement", "no change", facts["tips_mean"]),
                                 ("share", "what error alone gives", facts["tips_share"])):  # fmt: skip
        if delta is not None:
            tips = f"could no longer be told from {against} if the missing did {fixed(delta, 1)}"
            tips = f"stays above {against} even if the missing did {FARTHEST:g}" if isnan(delta) else tips
            tips = f"The {what} {tips} times the {limit} worse than people like them."
            said.append(tips if delta != 0 else f"The {what} is not shown to be above {against}, whoever is missing.")
    return tuple(said)


def _draw(facts: Mapping[str, Any], ax: Any) -> Any:
    """Draw the share against how much worse the missing did, between the bounds, with what error alone gives."""
    shares, tipping = facts["rows"].set_index("way")["share"], facts["tipping"]
    ax.axhspan(shares[NONE], shares[ALL], color=drawing.WASH, lw=0)
    ax.fill_between(tipping["delta"], tipping["low"], tipping["high"], color=drawing.ACCENT, alpha=0.2)
    ax.plot(tipping["delta"], tipping["share"], color=drawing.ACCENT, lw=2)
    drawing.mark_line(ax, float(shares[MEASURED]), "only measured", dash=":")
    drawing.mark_line(ax, facts["error_share"], "error alone", colour=drawing.WARM)
    if not isnan(facts["tips_share"]):
        drawing.mark_line(ax, facts["tips_share"], "tips", along="x", colour=drawing.WARM)
    ax.set_ylim(0, 1)
    drawing.percent_axis(ax, "y")
    ax.set_xlabel(facts["scale"])
    ax.set_ylabel("changed enough, of all due")
    return ax


def _pool(
    filled: Floats, gap: NDArray[np.bool_], threshold: float, due: int, step: float, **about: Any
) -> tuple[dict[str, float], "Pooled"]:
    """Return share and mean of the filled data sets by Rubin's rules, and the mean itself."""
    n = filled.shape[1]
    cut = np.where(gap, np.round(filled / step) * step, filled) if step else filled
    share = np.clip(np.count_nonzero(reaches(cut, threshold), axis=1), 0.5, due - 0.5) / due
    odds = rubin(logit(share), 1 / (due * share * (1 - share)), df_complete=due - 1, **about).estimate
    mean = rubin(filled.mean(axis=1), filled.var(axis=1, ddof=1) / n, df_complete=n - 1, **about)
    low, middle, high = float(expit(odds.low)), mean.estimate, float(expit(odds.high))
    return dict(zip(FALLS, (share.mean(), low, high, middle.value, middle.low, middle.high), strict=True)), mean


def _tips(reached: "pd.Series[bool]") -> float:
    return float(np.argmax(reached.to_numpy()) * STEP) if reached.any() else nan


def _cautions(due: int, missing: int, unable: int | str, imputed: bool) -> tuple[str, ...]:
    share, half = percent(missing / max(due, 1)), missing >= TOO_MANY * due
    many, rather = MANY * due <= missing and not half, "the imputed share, not the counted one"
    facts = {"unable": unable, "share": share, "rather": rather if imputed else "the bounds, not the counted share"}
    return worded(WORDS, facts, unlike=True, unable=unable, half=half, many=many) if missing else ()


class Pooled(NamedTuple):
    """Rubin's rules for one number: variance inside the filled data sets, between them, together; ``(1 + 1/m)
    between / within``, and ``(1 + 1/m) between / total``, the share of the variance that is due to the gaps.
    """  # noqa: D205

    estimate: Estimate
    within: float
    between: float
    total: float
    relative_increase: float
    missing_information: float


def rubin(
    values: Floats, variances: Floats, *, df_complete: float = inf, confidence: float = 0.95, unit: str = ""
) -> Pooled:
    """Pool estimates from filled data sets: multiple imputation by Rubin's rules (df of Barnard and Rubin 1999).

    Parameters
    ----------
    values, variances : ndarray, shape (m,)
        Estimate and its squared standard error in each filled data set.
    df_complete : float, optional
        Degrees of freedom if nothing were missing.
    confidence, unit
        Of the pooled estimate.

    Examples
    --------
    >>> import numpy as np
    >>> found = rubin(np.array([2.0, 2.2, 1.8]), np.array([0.04, 0.05, 0.045]))
    >>> round(found.estimate.value, 2), round(found.total, 4)
    (2.0, 0.0983)
    """
    m = values.size
    within, between = float(variances.mean()), float(values.var(ddof=1)) if m > 1 else 0.0
    total = within + (1 + 1 / m) * between
    share = (1 + 1 / m) * between / total if total else 0.0
    rubin_df = (m - 1) / share**2 if share else inf
    observed = inf if df_complete == inf else (df_complete + 1) / (df_complete + 3) * df_complete * (1 - share)
    df = 1 / (1 / rubin_df + 1 / observed) if min(rubin_df, observed) < inf else inf
    half = float(stdtrit(min(df, 1e9), (1 + confidence) / 2)) * sqrt(total)
    value, how = float(values.mean()), f"multiple imputation, m = {m}, Rubin's rules"
    low, high = value - half, value + half
    estimate = Estimate(value=value, low=low, high=high, confidence=confidence, unit=unit, df=df, method=how)
    return Pooled(estimate, within, between, total, (1 + 1 / m) * between / within if within else inf, share)


def impute(table: Floats, m: int, seed: int, rounds: int = 5) -> Floats:
    """Fill the gaps of a table `m` times by chained Bayesian linear regressions.

    Each column with gaps is regressed on all others where it is known; residual variance and coefficients are drawn
    from their posterior, and the gaps from the regression with noise. `rounds` passes over the columns, fewest gaps
    first, make one filled table.

    Parameters
    ----------
    table : ndarray, shape (n, p)
        Numeric columns; NaN is a gap.
    m : int
        Filled tables.
    seed : int
        Same seed, same tables.
    rounds : int, optional
        Passes.

    Returns
    -------
    ndarray, shape (m, n, p)

    Raises
    ------
    DataError
        A column with gaps is known for fewer people than the regression has coefficients plus three.
    """
    gaps = np.isnan(table)
    order = [int(column) for column in np.argsort(gaps.sum(axis=0), kind="stable") if gaps[:, column].any()]
    for column in order:
        known = int((~gaps[:, column]).sum())
        if known < table.shape[1] + 3:
            raise DataError(
                f"{known} people with a known value are too few to fill the others from {table.shape[1]} facts."
            )
    start = np.where(gaps, np.nanmean(table, axis=0), table)
    centre, scale = start.mean(axis=0), start.std(axis=0)
    scale[scale == 0] = 1.0
    start = (start - centre) / scale
    filled = np.empty((m, *table.shape))
    streams = np.random.SeedSequence(seed).spawn(m)
    for at, stream in enumerate(streams):
        rng, draft = np.random.default_rng(stream), start.copy()
        for _ in range(rounds if len(order) > 1 else 1):
            for column in order:
                draft[gaps[:, column], column] = _fill(draft, gaps[:, column], column, rng)
        filled[at] = draft * scale + centre
    return filled


def _fill(filled: Floats, gap: NDArray[np.bool_], column: int, rng: np.random.Generator) -> Floats:
    others = np.delete(filled, column, axis=1)
    others = others[:, others[~gap].std(axis=0) > 1e-9]  # a fact that never varies where it is known says nothing
    design = np.column_stack([np.ones(len(filled)), others])
    x, y = design[~gap], filled[~gap, column]
    root = np.linalg.cholesky(np.linalg.inv(x.T @ x + 1e-6 * np.eye(x.shape[1])))
    best = root @ (root.T @ (x.T @ y))
    sigma = sqrt(float(np.sum((y - x @ best) ** 2)) / rng.chisquare(x.shape[0] - x.shape[1]))
    drawn = best + sigma * (root @ rng.standard_normal(best.size))
    return design[gap] @ drawn + sigma * rng.standard_normal(int(gap.sum()))


PREDICTORS, KINDS_OF_PREDICTORS = ("age",), ("sex", "site", "outcome", "joint")


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
