"""SEM and minimal detectable change (MDC) of a retest study; ICC and SEM of trials within sessions."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial
from math import inf, nan, sqrt
from textwrap import fill

import numpy as np
import pandas as pd
from scipy.special import ndtri, stdtrit

from truechange.foundation import errors
from truechange.foundation.drawing import WASH, Axes, axes, interval_rows
from truechange.foundation.errors import ChoiceError, DataError, listed, stated
from truechange.foundation.estimate import Estimate, Origin, Threshold
from truechange.foundation.numbers import people
from truechange.foundation.result import Part, Result, gathered, told
from truechange.numerics.resampling import Floats
from truechange.numerics.variances import MeanSquares, mean_squares
from truechange.reliability import scores as tables
from truechange.reliability.agreement import Z95, Spread, log_error, logarithms, spread_of
from truechange.reliability.icc import VarianceComponents, session_components, variance_components

OUTLYING = 4.0  # median absolute deviations (scaled to an SD) from the median difference


def _resampled(
    scores: Floats, sems: Mapping[str, Estimate], limits: str, n_boot: int, seed: int
) -> dict[str, Estimate]:
    """Return the same SEMs with bootstrap limits instead; agreement and one-way are the same number."""
    drawn = {}
    for error, sem in sems.items():
        root = lambda ms, square=tables.SQUARES[error]: np.sqrt(getattr(ms, square))  # noqa: E731
        low, high, how = tables.resampled_limits(scores, root, limits, n_boot, seed, sem.confidence)
        drawn[error] = replace(sem, low=low, high=high, method=f"{sem.method.split(';')[0]}; {how}")
    return drawn


def _sems_from_components(
    fits: Sequence[VarianceComponents], crossed: str, noise: Mapping[str, float]
) -> tuple[dict[str, Estimate], VarianceComponents]:
    """Return the three SEMs from fits with and without the `crossed` term, whose shifts only agreement counts."""
    fit, alone = fits
    return dict(
        zip(tables.ERRORS, (fit.sem({crossed: 1.0, **noise}), fit.sem(noise), alone.sem(noise)), strict=True)
    ), fit


@dataclass(frozen=True)
class MeasurementError(Result):
    """How far two scores of an unchanged person lie apart.

    Parameters
    ----------
    sem_agreement, sem_consistency, sem_one_way : Estimate
        Standard errors of measurement in the unit of the test, with `.df`.
    mdc90, mdc95 : Threshold
        Smallest change of one person beyond error (level ``"person"``).
    mdc95_group : Threshold
        Change that error alone could make in the mean of this many people (level ``"group"``).
    learning : Estimate
        Mean gain from the first to the second trial, raw (not turned into an improvement).
    error : {"agreement", "consistency", "one-way"}
        Which SEM the thresholds use.
    scores : ndarray, shape (n, k)
        What it was computed from; NaN where a score is missing.
    people, trials : tuple
        Labels of its rows and columns.
    sample : Sample
        People, unit, level of the intervals and origin.
    mean_squares : MeanSquares or None
        None where variance components were fitted by REML.
    components : VarianceComponents or None
        The other way round.
    """

    sem_agreement: Estimate
    sem_consistency: Estimate
    sem_one_way: Estimate
    mdc90: Threshold
    mdc95: Threshold
    mdc95_group: Threshold
    learning: Estimate
    error: str
    scores: Floats
    people: tuple[object, ...]
    trials: tuple[object, ...]
    sample: tables.Sample
    mean_squares: MeanSquares | None = None
    components: VarianceComponents | None = None
    scores_per_visit: int = 1
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()

    @property
    def sem(self) -> Estimate:
        """The SEM the thresholds use."""
        return getattr(self, f"sem_{self.error.replace('-', '_')}")

    @property
    def complete(self) -> Floats:
        """Scores of the people who have every trial."""
        return self.scores[np.isfinite(self.scores).all(axis=1)]

    def mdc(
        self, confidence: float = 0.95, *, scores_before: int = 1, scores_after: int = 1,
        sem_after: float | None = None, quantile: str = "normal",
    ) -> Threshold:  # fmt: skip
        """Return the smallest change of one person beyond error at any confidence.

        Parameters
        ----------
        confidence : float, optional
            0.95 leaves 2.5% false alarms each way for a person who did not change.
        scores_before, scores_after : int, optional
            How many independent visit scores are averaged on either side.
        sem_after : float, optional
            SEM of the second score where it differs from that of the first; the result then has no interval.
        quantile : {"normal", "t"}, optional
            ``"t"`` allows for the SEM's own degrees of freedom.
        """
        errors.check_confidence(confidence)
        errors.check_choice("quantile", quantile, ("normal", "t"))
        p, sem = (1 + confidence) / 2, self.sem
        times = float(ndtri(p) if quantile == "normal" else stdtrit(sem.df or inf, p))
        if sem_after is not None:
            how = f"{times:.3f} × √(SEM₁²/{scores_before} + SEM₂²/{scores_after})"
            both = sqrt(sem.value**2 / scores_before + sem_after**2 / scores_after)
            return threshold(self.sample.estimate(times * both), 1.0, how)
        how = f"{times:.3f} × √(1/{scores_before} + 1/{scores_after}) × SEM ({self.error})"
        return threshold(sem, times * sqrt(1 / scores_before + 1 / scores_after), how)

    def mdc_at(self, level: float, confidence: float = 0.95, *, seed: int = 0) -> Threshold:
        """Return the MDC at one level of score where the error depends on the level (consistency)."""
        sem, times = self.spread.sem_at(level, seed=seed), float(ndtri((1 + confidence) / 2))
        return threshold(sem, sqrt(2) * times, f"{times:.3f} × √2 × {sem.method}")

    @property
    def spread(self) -> Spread:
        """Whether the error depends on the level of the score (people with every trial)."""
        return spread_of(self.complete, self.sample)

    def learning_between_trials(self, margin: float | None = None) -> Part:
        """Return the gains between consecutive trials; `margin` is the gain too small to matter (such as MCID / 4)."""
        return tables.learning_between(self.complete, self.trials, self.sample, margin)

    def on_log_scale(self) -> Part:
        """Return the same error as a ratio, for errors that grow with the score.

        Raises
        ------
        RefusedError
            A score is 0 or less.
        """
        squares = mean_squares(logarithms(self.complete))
        return log_error(self.complete, tables.sems_from_squares(squares, replace(self.sample, unit=""))[self.error])

    @property
    def outlying(self) -> tuple[object, ...]:
        """People whose trials differ by more than 4 robust SDs from the usual difference; they are kept in."""
        residual = self.scores - np.nanmean(self.scores, axis=0)
        apart = np.nanmax(residual, axis=1) - np.nanmin(residual, axis=1)
        signed = residual[:, -1] - residual[:, 0] if self.scores.shape[1] == 2 else apart
        middle = np.nanmedian(signed)
        scale = 1.4826 * np.nanmedian(np.abs(signed - middle))
        if not scale > 0:
            return ()
        far = np.abs(signed - middle) > OUTLYING * scale
        return tuple(who for who, out in zip(self.people, far, strict=True) if out)

    @property
    def sem_without_outlying(self) -> Estimate:
        """The SEM without the outlying people, to set beside the real one."""
        far = self.outlying
        inside = np.array([who not in far for who in self.people]) & np.isfinite(self.scores).all(axis=1)
        if (n := int(inside.sum())) < 2:
            raise DataError("Fewer than 2 people are left without the outlying ones.")
        return tables.sems_from_squares(mean_squares(self.scores[inside]), replace(self.sample, n=n))[self.error]

    def table(self) -> pd.DataFrame:
        """Return one row a quantity, unrounded."""
        return tables.estimates_table({
            "SEM (agreement)": self.sem_agreement, "SEM (consistency)": self.sem_consistency,
            "SEM (one-way)": self.sem_one_way, "MDC90 (person)": self.mdc90, "MDC95 (person)": self.mdc95,
            f"MDC95 (mean of {self.mdc95_group.n})": self.mdc95_group, "gain, first to second trial": self.learning,
        })  # fmt: skip

    def sentences(self) -> tuple[str, ...]:
        """Say the number for the wall first."""
        named = all(isinstance(trial, str) for trial in self.trials[:2])  # words are in order as sorted, so say which
        first, second = self.trials[:2] if named else ("the first", "the second")
        visit = f", each the {self.sem.origin.score}" if self.sem.origin.score else ""
        return (
            f"One person must change by more than {self.mdc95} before error is an unlikely explanation.",
            f"That is the MDC95, from {people(self.sem.n or 0)} with {self.scores.shape[1]} scores each{visit}.",
            f"Standard error of measurement ({self.error}): {self.sem}.",
            f"Mean gain from {first} to {second}: {self.learning}.",
            f"Error alone can move a mean of {people(self.mdc95_group.n or 0)} by {self.mdc95_group}; no use for one.",
        )

    def facts(self) -> dict[str, str]:
        """Return what a reporting checklist for reliability studies asks and this analysis knows."""
        origin, levels = self.sem.origin, np.nanmean(self.scores, axis=1)
        answers = {
            "population": origin.population, "interval": origin.interval,
            "statistics": f"{self.sem.method}; MDC: {self.mdc95.method}",
            "included": f"{people(len(self.people))}, {self.scores.shape[1]} scores each at most",
            "sample": f"mean {levels.mean():.3g}, SD {levels.std(ddof=1):.3g} {self.sample.unit}",
            "estimates": f"SEM {self.sem}; MDC95 {self.mdc95}", "meaning": self.sentence(),
        }  # fmt: skip
        return {name: words for name, words in answers.items() if words}

    @property
    def alt(self) -> str:
        """Alt text of the picture."""
        return f"Standard error of measurement with its interval, {self.sem}, beside other values."

    def plot(self, *, ax: Axes | None = None, beside: pd.DataFrame | Mapping[str, Estimate] | None = None) -> Axes:
        """Draw own SEM as a forest beside published ones (rows of ``published()`` or named estimates)."""
        rows = {f"Own, {self.error} ({people(self.sem.n or 0)})": self.sem}
        if beside is None:
            forms = dict(zip(tables.ERRORS, (self.sem_agreement, self.sem_consistency, self.sem_one_way), strict=True))
            rows |= {f"Own, {name}": sem for name, sem in forms.items() if name != self.error}
        elif isinstance(beside, pd.DataFrame):
            for row in beside.to_dict("records"):
                author = re.sub(r"(\d{4}).*", r"\1", str(row.get("citation", "")))
                gap = row.get("interval") or "interval not given"
                label = f"{author}: {row.get('population', '')}, {gap} [{row.get('status', '')}]"
                label = label if label not in rows else f"{label} ({row['value']:g})"
                rows[label] = Estimate(value=row["value"], low=row.get("ci_low", nan), high=row.get("ci_high", nan))
        else:
            rows |= beside
        ax = axes(width=8.4, height=0.9 + 0.42 * len(rows)) if ax is None else ax
        ax = interval_rows([fill(label, 52) for label in rows], list(rows.values()), ax=ax, strong=(0,))
        ax.tick_params(axis="y", labelsize=8)
        ax.set_xlabel(f"Standard error of measurement{f' ({self.sample.unit})' if self.sample.unit else ''}")
        ax.set_xlim(left=0)
        ax.axvspan(self.sem.low, self.sem.high, color=WASH, zorder=0)
        return ax


def threshold(base: Estimate, factor: float, method: str, level: str = "person") -> Threshold:
    """Return an estimate times a factor as an MDC."""
    times = base.scaled(factor, method=method)
    known = {field.name: getattr(times, field.name) for field in fields(Estimate)}
    return Threshold(**known, kind="mdc", level=level, protocol=base.origin.protocol)


def measurement_error(
    data: pd.DataFrame, *, person: str = "person", trial: str = "trial", value: str = "value", confidence: float = 0.95,
    error: str = "agreement", missing: str = "refuse", session: str | None = None, scores_per_visit: int = 1,
    rule: str = "", stable: str | None = None, result: str | None = None, limits: str = "exact", n_boot: int = 10_000,
    seed: int = 0, unit: str = "", population: str = "", protocol: str = "", interval: str = "",
    resolution: float | None = None,
) -> MeasurementError:  # fmt: skip
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
    rule : {"mean", "first", "last", "highest", "lowest"}, optional
        With `session`: the trials of each visit are made one score by the rule of the programme, and the visits'
        scores are compared: the SEM of a best of two is neither that of one trial nor that of their mean.
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
    errors.check_choice("error", error, tables.ERRORS)
    errors.check_choice("limits", limits, tables.LIMITS)
    errors.check_confidence(confidence)
    errors.check_whole(scores_per_visit=scores_per_visit)
    errors.check_finite(**stated(resolution=resolution))
    if scores_per_visit < 1:
        raise ChoiceError("scores_per_visit=0: at least 1 score is averaged to the score of a visit.")
    if (rule or scores_per_visit > 1) and not session:
        raise ChoiceError(f"{'rule' if rule else 'scores_per_visit'}= needs session=, the column of visits.")
    columns = tables.Columns(person, trial, value, session, stable, result)
    table = tables.trial_table(data, columns, missing, rule)
    n, averaged = len(table.people), table.per_visit if rule else scores_per_visit
    origin, made = Origin.own(population, protocol, interval, n=n), "best" if rule in ("highest", "lowest") else rule
    origin = replace(origin, trials=averaged if session else None, rule=made)
    sample = tables.Sample(n, confidence, unit, origin)
    gaps = int(np.isnan(table.scores).any(axis=1).sum())
    ms, fit = None, None
    if session and not rule:
        sems, fit, table = _by_visit(table, scores_per_visit, sample)
    elif gaps:
        fits = [variance_components(table.long, ("person", *trial), (), sample) for trial in (("trial",), ())]
        sems, fit = _sems_from_components(fits, "trial", {"residual": 1.0})
    else:
        ms = mean_squares(table.scores)
        sems = tables.sems_from_squares(ms, sample)
    if limits != "exact":
        if fit:
            raise ChoiceError(f"limits={limits!r} needs one complete table of trials; leave limits='exact' here.")
        sems = _resampled(table.scores, sems, limits, n_boot, seed)
    sem = sems[error]
    if sem.value == 0 and resolution:
        sem = sample.estimate(resolution / (sqrt(2) * Z95), df=sem.df)
    mdc90, mdc95 = (threshold(sem, sqrt(2) * z, f"{z:.3f} × √2 × SEM ({error})") for z in (float(ndtri(0.95)), Z95))
    study = MeasurementError(
        sems["agreement"], sems["consistency"], sems["one-way"], mdc90, mdc95,
        threshold(mdc95, 1 / sqrt(n), f"MDC95 of one person / √{n}", "group"),
        tables.mean_gain(table.scores[:, 0], table.scores[:, 1], sample), error,
        table.scores, table.people, table.trials, sample, ms, fit, averaged,
        sources=("stratford1997", "devet2006", *(fit.sources if fit else ("graybill1980",))),
    )  # fmt: skip
    gap = f"{gaps} people lack a score; all their others are used, as if missing by chance (not if unable)."
    notes = (*table.cautions, *tables.count_cautions(n), *_cautions(study, resolution))
    return replace(study, cautions=(*gathered(notes, fit), *told({gap: gaps})))


def _by_visit(
    table: tables.TrialTable, scores_per_visit: int, sample: tables.Sample
) -> tuple[dict[str, Estimate], VarianceComponents, tables.TrialTable]:
    """Return the SEMs of the score of one visit by REML, and the table of visit means."""
    fits = [session_components(table, crossed, sample) for crossed in (True, False)]
    sems, fit = _sems_from_components(fits, "session", {"person:session": 1.0, "residual": 1 / scores_per_visit})
    visits = table.long.groupby(["person", "session"])["value"].mean().unstack()  # noqa: PD010
    return sems, fit, replace(table, scores=visits.to_numpy(), trials=tuple(visits.columns))


def _cautions(study: MeasurementError, resolution: float | None) -> tuple[str, ...]:
    sem, ms, gain, exact = study.sem, study.mean_squares, study.learning, study.sem.value == 0
    shifted = "leaves that out" if study.error == "consistency" else "counts it as error"
    use = "use error='consistency' and " * (study.error != "consistency")
    two = " Two trials cannot tell learning from a one-off shift; a third could." if len(study.trials) == 2 else ""
    outlying, without = study.outlying, study.sem_without_outlying if study.outlying else ""
    return told({
        "The trials agree completely: were the scores rounded or copied? The MDC cannot be 0 in truth.": exact,
        f"The MDC is set to the smallest step of the scale ({resolution or 0:g}).": exact and resolution,
        f"The SEM rests on {sem.df or 0:.3g} degrees of freedom: it and the MDC are known only within a factor of "
        f"{sem.high / (sem.low or nan):.2g}.": not exact and sem.df is not None and sem.df < 20 and sem.low > 0,
        "Trials differ less than error alone would make them: their own variance is taken as 0.":
            ms and ms.error > 0 and ms.trials < ms.error,
        f"Scores shift between the first two trials by {gain}, and error='{study.error}' {shifted}.{two} If it is "
        f"learning, give a practice trial, or {use}carry the gain as practice.":
            gain.low > 0 or gain.high < 0,
        f"Trials of {listed(outlying)} differ far more than usual; kept in (SEM without: {without}).": outlying,
        "The error depends on the level of the score: see .spread and .mdc_at(), or .on_log_scale().":
            not exact and len(study.complete) >= 10 and study.spread.flagged,
    })  # fmt: skip


class SessionReliability(Part):
    """What a score is worth that is made of k trials in each of m sessions.

    Its facts: ``icc`` and ``sem`` (of one trial in one session), ``components`` (the variances of person, session,
    person x session and residual, with their draws), ``error``, ``trials`` and ``sessions`` (of the study). The table
    has one row a way of making the score.
    """

    def at(self, trials: int = 1, sessions: int = 1) -> Part:
        """Return ``icc``, ``sem`` and ``mdc95`` of the mean of `trials` in each of `sessions` sessions."""
        errors.check_whole(trials=trials, sessions=sessions)
        if not (trials and sessions):
            raise ChoiceError(f"trials={trials}, sessions={sessions}: a score has at least one of each.")
        fit, crossed = self.components, {"session": 1 / sessions} if self.error == "agreement" else {}
        noise = crossed | {"person:session": 1 / sessions, "residual": 1 / (trials * sessions)}
        sem, icc = fit.sem(noise), fit.icc(noise, f"ICC ({self.error})")
        origin = replace(sem.origin, trials=trials, rule="mean", visits=sessions)
        sem = replace(sem, origin=origin)
        mdc = threshold(sem, sqrt(2) * Z95, f"{Z95:.3f} × √2 × SEM ({self.error})")
        made = origin.score or "single trial in one session"
        says = (f"A score that is the {made}: ICC {icc.text(2)}, SEM {sem}, MDC95 {mdc}.",)
        facts = {"icc": icc, "sem": sem, "mdc95": mdc}
        return Part(facts, tables.estimates_table({"ICC": icc, "SEM": sem, "MDC95 (person)": mdc}), says)


def session_reliability(
    data: pd.DataFrame, columns: Sequence[str] = ("person", "session", "trial", "value"), *, error: str = "agreement",
    missing: str = "refuse", confidence: float = 0.95, unit: str = "", origin: Origin | None = None,
) -> SessionReliability:  # fmt: skip
    """Estimate ICC and SEM from trials within sessions, for any number of trials and sessions behind a score.

    Parameters
    ----------
    data : DataFrame
        Long table of a retest study, one row a person, session and trial; not changed.
    columns : sequence of str, optional
        Its columns of person, session, trial (numbered from 1 in every session) and score, in this order.
    error : {"agreement", "consistency", "one-way"}, optional
        Whether a shift of everybody between sessions counts as error, does not, or is not told apart from the
        variation of persons between sessions (session within person).
    missing : {"refuse", "leave out", "reml"}, optional
        People who lack a trial: an error that names them, set aside and counted, or every score used.
    confidence : float, optional
        Level of the intervals.
    unit : str, optional
        Unit of the scores.
    origin : Origin, optional
        Population, protocol and time between sessions, to travel with the numbers: ``Origin.own(...)``.

    Returns
    -------
    SessionReliability
        ``.at(trials=2)`` gives the ICC, SEM and MDC95 of the mean of two trials of one session.

    Raises
    ------
    DataError
        As :func:`measurement_error`; trial numbers that run on over the sessions.
    RefusedError
        Fewer than 10 people, or one trial a session: nothing then separates trial from session.
    ChoiceError
        `error`, `missing` or `confidence` is not available.

    Notes
    -----
    Random effects of person (p), session (s), person x session (ps) and trial (e), the order of trials within a session
    fixed, by REML. For the mean of k trials in each of m sessions: SEM² = (s + ps)/m + e/(km), ICC = p/(p + SEM²)
    [1]_; consistency leaves s out, one-way fits session within person in place of s + ps. A best of k is no mean:
    :func:`measurement_error` with ``rule=`` compares best scores.

    References
    ----------
    .. [1] Cronbach LJ, Rajaratnam N, Gleser GC (1963). Br J Stat Psychol 16(2):137-163 (from memory).

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> person, session, trial = (at.ravel() for at in np.indices((40, 2, 2)))
    >>> score = 12 + rng.normal(0, 3, 40)[person] + rng.normal(0, 1, (40, 2))[person, session] + rng.normal(0, 1, 160)
    >>> retest = pd.DataFrame({"person": person, "session": session, "trial": trial, "value": score})
    >>> found = session_reliability(retest, error="consistency", unit="stands")
    >>> round(found.icc.value, 2), round(found.at(trials=2).icc.value, 2), round(found.at(2, sessions=2).sem.value, 2)
    (0.84, 0.91, 0.62)
    """
    errors.check_choice("error", error, tables.ERRORS)
    errors.check_confidence(confidence)
    errors.check_kind("columns", columns, (tuple, list), "four names: person, session, trial, score")
    if len(columns) != 4:
        raise ChoiceError(f"columns={columns!r}: give four names, of person, session, trial and score.")
    person, session, trial, value = columns
    table = tables.trial_table(data, tables.Columns(person, trial, value, session), missing)
    scores, n = table.long, len(table.people)
    sessions, trials = (scores[name].nunique() for name in ("session", "trial"))
    if min(trials, sessions) < 2:
        raise errors.RefusedError(
            f"{people(sessions, 'sessions', 'session')} with {people(trials, 'trials', 'trial')}: the two cannot be "
            "told apart. With one trial a session use measurement_error(trial=...) and name the session there; one "
            "session says nothing of a later visit."
        )
    sample = tables.Sample(n, confidence, unit, replace(origin or Origin.own(), n=n))
    fit = session_components(table, error != "one-way", sample)
    cautions = gathered((*table.cautions, *tables.count_cautions(n)), fit) + told({
        "One-way takes a shift of everybody between sessions for chance: its interval is too narrow if there is one.":
            error == "one-way",
    })  # fmt: skip
    facts = {"components": fit, "error": error, "trials": trials, "sessions": sessions}
    bare = SessionReliability(facts, pd.DataFrame(), (), sources=fit.sources)
    ways = {(k, m): bare.at(k, m) for m in range(1, sessions + 1) for k in range(1, trials + 1)}
    frame = pd.concat({way: part.frame for way, part in ways.items()}, names=["trials", "sessions", "quantity"])
    says = tuple(part.sentence() for part in ways.values())
    return replace(
        bare, facts=facts | {"icc": ways[1, 1].icc, "sem": ways[1, 1].sem}, frame=frame.reset_index(), says=says,
        cautions=cautions, draw=partial(_draw_ways, ways),
        seen="Standard error of measurement by trials and sessions behind a score.",
    )  # fmt: skip


def _draw_ways(ways: dict[tuple[int, int], Part], ax: Axes) -> Axes:
    names = [f"{k} trial{'s' * (k > 1)} in {m} session{'s' * (m > 1)}" for k, m in ways]
    sems = [part.sem for part in ways.values()]
    unit = f" ({sems[0].unit})" if sems[0].unit else ""
    ax = interval_rows(names, sems, ax=ax, strong=(0,), unit=f"Standard error of measurement{unit}")
    ax.set_xlim(left=0)
    return ax
