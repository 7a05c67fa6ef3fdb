"""From a retest study to the measurement error, whichever way the scores allow."""

from dataclasses import replace
from math import sqrt

import numpy as np
import pandas as pd
from scipy.special import ndtri

from truechange.foundation.errors import (
    ChoiceError,
    DataError,
    check_choice,
    check_confidence,
    check_finite,
    check_whole,
    listed,
    stated,
)
from truechange.foundation.origin import Origin
from truechange.numerics.mean_squares import MeanSquares, mean_squares
from truechange.reliability.components import VarianceComponents
from truechange.reliability.error import MeasurementError, mean_gain, shown, threshold
from truechange.reliability.layout import Sample, check_long, count_cautions, trial_table
from truechange.reliability.sem import ERRORS, LIMITS, sems_from_components, sems_from_squares, sems_resampled

Z95 = float(ndtri(0.975))


def measurement_error(
    data: pd.DataFrame,
    *,
    person: str = "person",
    trial: str = "trial",
    value: str = "value",
    confidence: float = 0.95,
    error: str = "agreement",
    missing: str = "refuse",
    session: str | None = None,
    scores_per_visit: int = 1,
    stable: str | None = None,
    result: str | None = None,
    limits: str = "exact",
    n_boot: int = 10_000,
    seed: int = 0,
    unit: str = "",
    population: str = "",
    protocol: str = "",
    interval: str = "",
    resolution: float | None = None,
) -> MeasurementError:
    """Estimate the standard error of measurement and the smallest change beyond it.

    Parameters
    ----------
    data : DataFrame
        Long table of a retest study, one row a person and trial; not changed.
    person, trial, value : str, optional
        Its columns.
    confidence : float, optional
        Level of the intervals (not of the MDCs, which are 90% and 95%).
    error : {"agreement", "consistency", "one-way"}, optional
        Which SEM the MDCs use. ``"agreement"`` (default) counts a shift
        between trials as error: right when testers or occasions differ
        haphazardly between two visits. ``"consistency"`` leaves the shift
        out: right when it is learning that is corrected apart.
    missing : {"refuse", "leave out", "reml"}, optional
        What to do with people who lack a trial: an error that names them, set aside and
        counted, or use every score by REML (assumes missing at random; not so when unable).
    session : str, optional
        Column of visits, for a study with trials within visits. Variances of
        person, session, person x session and residual are then fitted by REML,
        and the SEM is that of the score of one visit: trials of one visit alone
        would understate the error of a later retest.
    scores_per_visit : int, optional
        With `session`: how many trials are averaged to the score of a visit.
    stable, result : str, optional
        Columns that say who was stable (true/false) and which trials gave a
        score (``measured`` or why not); others are set aside and counted.
    limits : {"exact", "percentile", "bca"}, optional
        Exact normal-theory intervals, or bootstrap over people.
    n_boot, seed : int, optional
        Resamples and their seed, for bootstrap limits.
    unit, population, protocol, interval : str, optional
        Travel with the numbers as their origin; `interval` is the time between the tests.
    resolution : float, optional
        Smallest step of the scale: the MDC where the trials agree completely.

    Returns
    -------
    MeasurementError

    Raises
    ------
    DataError
        As :func:`icc`; all scores equal is no error here, but a caution.
    RefusedError
        REML with fewer than 10 people who have two or more scores.
    ChoiceError
        `error`, `missing`, `limits` or `confidence` is not available.

    Notes
    -----
    SEM: consistency √E, one-way √W, agreement √(T/n + (1-1/n)E), whose value
    always equals the one-way SEM; only the interval differs. Intervals: chi-square, and
    [1]_ for agreement, whose `.df` is Satterthwaite's. MDC = z √2 SEM [2]_ [3]_.
    With `session` and m scores a visit: SEM² = session + person x session +
    residual/m (consistency leaves out session).

    References
    ----------
    .. [1] Graybill FA, Wang CM (1980). J Am Stat Assoc 75(372):869-873 (from memory).
    .. [2] Stratford PW, Goldsmith CH (1997). Physical Therapy 77(7):745-750.
    .. [3] de Vet HCW, Terwee CB, Knol DL, Bouter LM (2006). J Clin Epidemiol 59(10):1033-1039.

    Examples
    --------
    >>> stands = pd.DataFrame({
    ...     "person": list("AABBCCDD"), "trial": [1, 2] * 4, "value": [9, 10, 12, 12, 7, 8, 14, 13],
    ... })
    >>> found = measurement_error(stands, unit="stands")
    >>> round(found.sem_consistency.value, 3), round(found.mdc95.value, 3), found.mdc95_group.level
    (0.677, 1.697, 'group')
    """
    check_choice("error", error, ERRORS)
    check_choice("limits", limits, LIMITS)
    check_confidence(confidence)
    check_long(data)
    check_whole(scores_per_visit=scores_per_visit)
    check_finite(**stated(resolution=resolution))
    if scores_per_visit < 1:
        raise ChoiceError("scores_per_visit=0: at least 1 score is averaged to the score of a visit.")
    label = trial
    if session:
        absent = [name for name in (session, trial) if name not in data.columns]
        if absent:
            raise DataError(f"No column {listed(absent)} in the data; it has {listed(data.columns, 12)}.")
        label = f"{session} and {trial}"
        both = pd.Series(list(zip(data[session], data[trial], strict=True)), index=data.index)
        data = data.assign(**{label: both})
    held = trial_table(data, person=person, trial=label, value=value, missing=missing, stable=stable, result=result)
    n = len(held.people)
    origin = replace(Origin.own(population, protocol, interval, n=n), trials=scores_per_visit if session else None)
    sample = Sample(n, confidence, unit, origin)
    gaps = int(np.isnan(held.scores).any(axis=1).sum())
    ms: MeanSquares | None = None
    fit: VarianceComponents | None = None
    if session:
        scores = held.long.assign(session=[visit for visit, _ in held.long["trial"]])
        scores["trial"] = [within for _, within in scores["trial"]]
        fixed = ("trial",) if len(set(scores["trial"])) > 1 else ()
        noise = {"person:session": 1.0, "residual": 1 / scores_per_visit}
        sems, fit = sems_from_components(scores, "session", noise, fixed, sample)
        visits = scores.groupby(["person", "session"])["value"].mean().unstack()  # noqa: PD010
        held = replace(held, scores=visits.to_numpy(), trials=tuple(visits.columns))
    elif gaps:
        sems, fit = sems_from_components(held.long, "trial", {"residual": 1.0}, (), sample)
    else:
        ms = mean_squares(held.scores)
        sems = sems_from_squares(ms, sample)
    if limits != "exact":
        if fit:
            raise ChoiceError(f"limits={limits!r} needs one complete table of trials; leave limits='exact' here.")
        sems = sems_resampled(held.scores, sems, limits, n_boot, seed)
    sem = sems[error]
    if sem.value == 0 and resolution:
        sem = sample.estimate(resolution / (sqrt(2) * Z95), df=sem.df)
    mdc90, mdc95 = (
        threshold(sem, sqrt(2) * z, f"{z:.3f} × √2 × SEM ({error})") for z in (float(ndtri(0.95)), float(ndtri(0.975)))
    )
    found = MeasurementError(
        sems["agreement"],
        sems["consistency"],
        sems["one-way"],
        mdc90,
        mdc95,
        threshold(mdc95, 1 / sqrt(n), f"MDC95 of one person / √{n}", "group"),
        mean_gain(held.scores[:, 0], held.scores[:, 1], sample),
        error,
        held.scores,
        held.people,
        held.trials,
        sample,
        mean_squares=ms,
        components=fit,
        scores_per_visit=scores_per_visit,
        sources=("stratford1997", "devet2006", *(fit.sources if fit else ("graybill1980",))),
    )
    said = [*held.cautions, *count_cautions(n), *_cautions(found, resolution), *(fit.cautions if fit else ())]
    if gaps:
        said.append(f"{gaps} people lack a score; all their others are used, as if missing by chance (not if unable).")
    return replace(found, cautions=tuple(dict.fromkeys(said)))


def _cautions(found: MeasurementError, resolution: float | None) -> list[str]:
    sem, ms, gain, error = found.sem, found.mean_squares, found.learning, found.error
    said = []
    if sem.value == 0:
        said.append("The trials agree completely: were the scores rounded or copied? The MDC cannot be 0 in truth.")
        if resolution:
            said.append(f"The MDC is set to the smallest step of the scale ({resolution:g}).")
    elif sem.df is not None and sem.df < 20 and sem.low > 0:
        said.append(
            f"The SEM rests on {sem.df:.3g} degrees of freedom: it and the MDC are known only within a factor of "
            f"{sem.high / sem.low:.2g}."
        )
    if ms and ms.error > 0 and ms.trials < ms.error:
        said.append("Trials differ less than error alone would make them: their own variance is taken as 0.")
    if gain.low > 0 or gain.high < 0:
        two = " Two trials cannot tell learning from a one-off shift; a third could." if len(found.trials) == 2 else ""
        said.append(
            f"Scores shift between the first two trials by {gain}, and error='{error}' "
            f"{'leaves that out' if error == 'consistency' else 'counts it as error'}.{two} If it is learning, "
            "give a practice trial, or use error='consistency' and carry the gain as practice."
        )
    if found.outlying:
        without = shown(found.sem_without_outlying)
        said.append(f"Trials of {listed(found.outlying)} differ far more than usual; kept in (SEM without: {without}).")
    if sem.value > 0 and len(found.complete) >= 10 and found.spread.flagged:
        said.append("The error depends on the level of the score: see .spread and .mdc_at(), or .on_log_scale().")
    return said
