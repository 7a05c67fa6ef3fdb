"""True responder share: error taken out of the spread of change; cumulative responder curve; four responder rules."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from math import log, nan, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from truechange.foundation import errors
from truechange.foundation.entry import Entry, sentence_before_cut
from truechange.foundation.errors import ChoiceError, DataError, RefusedError, check_confidence
from truechange.foundation.estimate import SWAPPED, Estimate, Sem, Threshold, person_threshold, read_sem
from truechange.foundation.numbers import decimals_for, fixed, people, percent
from truechange.foundation.result import Part, Result, Spoken, told
from truechange.numerics import true_change as kernels
from truechange.numerics.intervals import Floats, wilson_limits
from truechange.numerics.resampling import percentile_limits
from truechange.responders.counting import any_threshold, group_labels, how_many, numbers, proportion, size_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SEEN = 0.4  # part of the variance of change that is true change, below which its shape is hidden by error


def spread_of(threshold: Threshold) -> float:
    """Return the standard error behind a threshold's interval, 0 if it has none."""
    if not threshold.has_interval:
        return 0.0
    return (threshold.high - threshold.low) / (2 * float(ndtri((1 + threshold.confidence) / 2)))


@dataclass(frozen=True, kw_only=True)
class TrueShare(Result, Estimate):
    """Share of people whose true change is above the MCID: an Estimate, with the observed share beside it.

    Parameters
    ----------
    observed : Estimate
        Share of the same people whose observed change reached the MCID, with Wilson's interval.
    plug_in : float
        ``1 − Φ((MCID − mean) / τ)`` with ``τ² = s² − 2 SEM²``; NaN when the spread is no larger than error.
    reliability : float
        Part of the observed variance of change that is true change; 0 or less means none can be seen.
    skew : float
        Skewness of true change, ``skew(D) (s² / (s² − 2 SEM²))^1.5``; NaN when the spread is no larger than error.
    cautions : tuple of str
        What a reader must know.
    taken_in : str
        The entry rule, with mean and SD of everyone before the cut; empty without one.
    """

    observed: Estimate
    plug_in: float
    reliability: float
    skew: float = nan
    cautions: tuple[str, ...] = ()
    taken_in: str = ""
    sources: tuple[str, ...] = field(default=("newcombe1998a",), repr=False)

    def table(self) -> pd.DataFrame:
        """Return two rows, true and observed: share, low, high, n, method."""
        rows = {"true change": self, "observed change": self.observed}
        frame = pd.DataFrame([{"share_of": name, "share": one.value} | one.row() for name, one in rows.items()])
        return frame[["share_of", "share", "low", "high", "n", "method"]]

    def sentences(self) -> tuple[str, ...]:
        """State the share with true change above the MCID, and the observed share."""
        interval = f"{100 * self.confidence:g}% interval {percent(self.low)} to {percent(self.high)}"
        observed = (
            f"Counted from the observed scores it looks like {percent(self.observed.value)}; "
            "measurement error moves people over the line in both directions."
        )
        true = f"About {percent(self.value)} of the people measured truly changed by more than the MCID ({interval})."
        return (true, observed, *((self.taken_in,) if self.taken_in else ()))

    def __str__(self) -> str:
        return Result.__str__(self)

    @property
    def alt(self) -> str:
        """The picture in words."""
        return " ".join(("True and observed share with intervals.", *self.sentences()))

    def plot(self, *, ax: Axes | None = None) -> Axes:
        """Draw the true share above the observed one."""
        from truechange.foundation import drawing

        ax = drawing.interval_rows(["true change", "observed change"], [self, self.observed], ax=ax, strong=(0,))
        ax.set_xlim(0, 1)
        drawing.percent_axis(ax)
        ax.set_xlabel("share above the MCID, of those measured")
        return ax


def measured_changes(improvement: Any) -> tuple[Floats, int]:
    """Return the finite improvements and how many were missing.

    Raises
    ------
    DataError
        Fewer than 3 people measured.
    """
    values = numbers(improvement)
    changes = values[~np.isnan(values)]
    if changes.size < 3:
        raise DataError(f"{people(changes.size)} with a usable change; at least 3 are needed.")
    return changes, int(values.size - changes.size)


def true_responder_share(
    improvement: Any, *, sem: Estimate | float, mcid: Threshold | float, sem_df: float | None = None,
    confidence: float = 0.95, before: Any = None, entry: Entry | None = None, seed: int = 0,
) -> TrueShare:  # fmt: skip
    """Estimate the share of people whose true change is above the MCID.

    Parameters
    ----------
    improvement : array-like of float, shape (n,)
        One improvement a person (positive = better); NaN without follow-up.
    sem : Estimate or float
        Standard error of measurement of one score, same test and protocol.
    mcid : Threshold or float
        Person-level MCID; its interval, if it has one, is carried through as normal.
    sem_df : float, optional
        Degrees of freedom of the SEM; taken from an Estimate. Without them the SEM counts as known exactly.
    confidence : float, optional
        Level of the interval.
    before : array-like of float, shape (n,), optional
        First scores of the same people, in the test's unit; needed with `entry`.
    entry : Entry, optional
        The rule by which people were taken in for a poor first score: regression to the mean is then taken out.
    seed : int, optional
        Of the bootstrap that gives the interval with `entry` (2,000 resamples).

    Returns
    -------
    TrueShare

    Raises
    ------
    DataError
        Fewer than 3 people measured, all changes equal, or the first scores do not fit the entry rule.
    RefusedError
        The MCID is for a group or between groups; with `entry`, fewer than 30 people.

    Notes
    -----
    Errors are normal with SD ``√2 SEM``. From 50 people on true change may have any smooth shape, and a spike of
    unchanged people: its log-density is a penalised sum of curves (``numerics.true_change.deconvolved``;
    after [1]_), fitted once for every plausible SEM, with and without a spike, each fit weighed by its evidence; the
    logit of the share in each is normal. Among fewer a shape cannot be told, so that true change is normal with mean m
    and SD τ: τ² is weighed on a grid (likelihood of the observed variance, nearly flat prior), the SEM by its
    chi-square, m given both is normal; in large samples that is ``1 − Φ((MCID − mean) / √(s² − 2 SEM²))``, kept as
    ``plug_in``. Median and interval come from the distribution function of the share.
    Own derivation, checked by simulation (``truechange.validation.simulated("true_share_shapes")``): its interval
    covers the true share where an interval around the observed share, or a normal model of skewed change, does not.
    With an entry rule: mean over people of the chance that a true change of mean E[Δ|x₁]
    exceeds the MCID (:func:`truechange.numerics.true_change.taken_in`); percentile bootstrap over people, with the SEM,
    the MCID and everyone's mean and SD drawn anew.

    References
    ----------
    .. [1] Efron B (2016). Biometrika 103(1):1-20.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> change = rng.normal(1, 2, 60) + rng.normal(0, 2, 60)
    >>> found = true_responder_share(change, sem=1.41, mcid=2, sem_df=29)
    >>> found.low < 0.309 < found.high
    True
    """
    check_confidence(confidence)
    limit, error = person_threshold(mcid, "mcid", name="mcid"), read_sem(sem, sem_df)
    if (before is None) != (entry is None):
        raise ChoiceError("before= and entry= go together: the rule speaks of the first scores.")
    changes, away = measured_changes(improvement)
    sd = float(np.std(changes, ddof=1))
    if sd == 0:
        raise DataError("All changes are equal: nothing can be said about how true change varies.")
    observed = proportion(how_many(changes, limit.value), changes.size, confidence)
    facts: dict[str, Any] = {
        "confidence": confidence, "n": changes.size, "df": error.df,
        "observed": replace(observed, method="Wilson score, observed changes"),
    }  # fmt: skip
    if entry is not None:
        return _taken_in(numbers(improvement), numbers(before), entry, error, limit, facts, seed)
    true_variance, n = sd**2 - 2 * error.value**2, changes.size
    plug_in = float(ndtr((changes.mean() - limit.value) / sqrt(true_variance))) if true_variance > 0 else nan
    reliability = true_variance / sd**2
    skew, skewed = kernels.true_skew(changes, reliability)
    fit = kernels.true_changes(changes, error.value, error.df)
    middle, low, high = kernels.share_beyond(fit, limit.value, spread_of(limit), confidence)
    free = isinstance(fit, kernels.Density)
    shape = "true change of any shape (spline log-density)" if free else "normal true change"
    return TrueShare(
        value=middle, low=low, high=high, plug_in=plug_in, reliability=reliability, skew=skew,
        method=f"{shape}, measurement error removed; {'weighed by evidence' if free else 'hierarchical'}",
        cautions=(*_cautions(n, away, reliability, skew if skewed else nan, error, limit), *error.cautions),
        sources=("efron2016", "newcombe1998a") if free else ("newcombe1998a",), **facts,
    )  # fmt: skip


FEWEST_TAKEN_IN, RESAMPLES = 30, 2000


def _taken_in(
    change: Floats, before: Floats, entry: Entry, error: Sem, limit: Threshold, facts: dict[str, Any], seed: int
) -> TrueShare:
    """Return the true share of people taken in for a poor first score, regression to the mean removed."""
    if before.size != change.size:
        raise DataError(f"before has {before.size} scores for {change.size} people; one each is needed.")
    whole = np.isfinite(change)
    first, change, away = entry.sign * before[whole], change[whole], int((~whole).sum())
    if first.size < FEWEST_TAKEN_IN or not np.isfinite(first).all():
        raise RefusedError(
            f"With an entry rule {FEWEST_TAKEN_IN} people with both scores are needed; there are "
            f"{int(np.isfinite(first).sum())}."
        )
    se = spread_of(limit)

    def share(found: kernels.TakenIn, rng: np.random.Generator | None = None) -> Floats:
        size = len(found.left)
        bar = limit.value + (np.zeros(size) if rng is None else se * rng.normal(size=size))
        return ndtr((found.expected - bar[:, None]) / np.maximum(np.sqrt(found.left), 1e-9)[:, None]).mean(axis=1)

    found, drawn = kernels.resampled_taken_in(
        entry.of_people(whole), first, first + change, error, share, n_boot=RESAMPLES, seed=seed
    )
    low, high = (float(end) for end in percentile_limits(drawn, facts["confidence"]))
    value, varies = float(share(found)[0]), float(found.left[0] + np.var(found.expected[0], ddof=1))
    reliability, failed = varies / float(np.var(change, ddof=1)), float(np.isnan(drawn).mean())
    cautions = _cautions(change.size, away, reliability, nan, error, limit)
    lost = f"{percent(failed)} of the resamples gave no share, so the interval may be too narrow."
    return TrueShare(
        value=value, low=low, high=high, plug_in=value, reliability=reliability,
        method="normal true change, measurement error and regression to the mean removed; bootstrap over people",
        taken_in=sentence_before_cut(entry, float(found.mean[0]), float(found.variance[0])),
        cautions=(
            *cautions, *error.cautions, *entry.cautions(kernels.beyond_cut(entry, first)), *told({lost: failed > 0.01}),
        ),
        **facts,
    )  # fmt: skip


def _cautions(n: int, away: int, reliability: float, skew: float, error: Sem, limit: Threshold) -> tuple[str, ...]:
    few, skewed = n < kernels.ENOUGH, skew == skew  # NaN where no more skewed than chance makes it
    return (*limit.cautions, *told({
        "True change still holds practice, natural course and placebo; it is not the effect of the programme.": True,
        f"{people(away)} without a usable follow-up {'is' if away == 1 else 'are'} not in this share.": away,
        "The changes vary no more than measurement error alone would make them: who changed cannot be told apart, "
        "and the share rests on the mean and the prior.": reliability <= 0,
        f"Only {percent(reliability)} of the variance of change is true change; the share is weakly known, and its "
        "shape is not: were it strongly skewed, the share could be off by ten points.": 0 < reliability < SEEN,
        f"With {people(n)} (fewer than {kernels.ENOUGH}) the shape of true change cannot be learned; it is taken "
        "to be normal.": few,
        f"True change looks skewed ({fixed(skew, 1)}), which a normal model cannot follow: the share may be off by ten "
        "points.": few and skewed,
        f"True change looks skewed ({fixed(skew, 1)}): the mean is not what most people had.": skewed and not few,
        SWAPPED: error.value >= limit.value,
        "The SEM is taken as known exactly; the interval is too narrow if it is not.": error.df is None,
        "The MCID is taken as known exactly.": not limit.has_interval,
    }))  # fmt: skip


class CumulativeChange(Spoken):
    """Share of those who started, or were due, that improved by at least x, for every x that occurs.

    Its facts: ``rows`` (the table), ``improvement`` (dict of group: its improvements as given, NaN where there is no
    follow-up), ``thresholds`` (lines in the picture), ``sem`` (for the second curve, of true change, or None),
    ``confidence`` (level of the bands), ``whom`` (of whom the shares are: "who started", or "due" where others'
    follow-up lies ahead). Its table, one row a group and distinct change: group, change, at_least, share, low, high
    (Wilson, pointwise), band_low, band_high (simultaneous), highest_possible, true_share (true change at least x, as in
    :func:`true_responder_share`, the missing counted as not shown; NaN without a SEM).
    """

    def at(self, threshold: Threshold | float) -> pd.DataFrame:
        """Return the share at a threshold and at both limits of its interval: does the choice matter?

        Columns: group, threshold, share, low, high.
        """
        return _shares_at(self.facts, threshold)


def _shares_at(facts: Mapping[str, Any], threshold: Threshold | float) -> pd.DataFrame:
    edges: tuple[float, ...] = (float(threshold),)
    if isinstance(threshold, Threshold) and threshold.has_interval:
        edges = (threshold.low, threshold.value, threshold.high)
    pairs = [(name, edge, how_many(values, edge), values.size)
             for name, values in facts["improvement"].items() for edge in edges]  # fmt: skip
    rows = pd.DataFrame(pairs, columns=["group", "threshold", "k", "n"])
    low, high = wilson_limits(rows["k"], rows["n"], facts["confidence"])
    return rows.assign(share=rows["k"] / rows["n"], low=low, high=high).drop(columns=["k", "n"])


def _curve_words(facts: Mapping[str, Any]) -> tuple[str, ...]:
    """Say half of each group's change, and the share at each threshold."""
    who = {name: f"{name}: " if len(facts["improvement"]) > 1 else "" for name in facts["improvement"]}
    says = []
    for name, values in facts["improvement"].items():
        half, (middle, sd) = f"{who[name]}half" if who[name] else "Half", (np.nanmedian(values), np.nanstd(values))
        went, by = "got worse" if middle < 0 else "improved", fixed(abs(middle), max(1, decimals_for(-sd, sd)))
        says.append(f"{half} of the {np.sum(~np.isnan(values))} people measured {went} by {by} or more.")
    for limit in facts["thresholds"]:
        reached = f"of those {facts['whom']} improved by at least the {limit.kind.upper()} of {size_of(limit)}."
        rows = _shares_at(facts, limit.value)[["group", "share"]].to_numpy()
        says += [f"{who[name]}{percent(share)} {reached}" for name, share in rows]
    return tuple(says)


def _draw_curves(facts: Mapping[str, Any], ax: Axes) -> Axes:
    """Draw the curves as steps with their simultaneous band, thresholds as vertical lines."""
    from truechange.foundation import drawing

    for at, (name, rows) in enumerate(facts["rows"].groupby("group", sort=False)):
        change, colour = rows["change"], drawing.SERIES[at % 5]
        ax.step(change, rows["share"], where="pre", color=colour, ls=drawing.DASHES[at % 4], lw=2, label=str(name))
        ax.fill_between(change, rows["band_low"], rows["band_high"], step="pre", color=colour, alpha=0.15, lw=0)
        if (rows["highest_possible"] > rows["share"]).any():
            ax.step(change, rows["highest_possible"], where="pre", color=colour, lw=0.8, alpha=0.7,
                    label=f"{name}, if all the missing did")  # fmt: skip
        if facts["sem"] is not None:
            ax.plot(change, rows["true_share"], color=colour, lw=1, ls=":", label=f"{name}, true change")
    for at, limit in enumerate(facts["thresholds"]):
        if limit.has_interval:
            ax.axvspan(limit.low, limit.high, color=drawing.WASH, zorder=0, lw=0)
        drawing.mark_line(ax, limit.value, limit.kind.upper(), along="x").set_position((0, 3 + 10 * at))
    ax.set(ylim=(0, 1), xlabel="improvement of at least", ylabel=f"share of those {facts['whom']}")
    drawing.percent_axis(ax, "y")
    if len(ax.get_legend_handles_labels()[0]) > 1:
        ax.legend(frameon=False, fontsize=8)
    return ax


def cumulative_change(
    improvement: Any, by: Any = None, *, thresholds: tuple[Threshold | float, ...] = (),
    sem: Estimate | float | None = None, confidence: float = 0.95, whom: str = "who started",
) -> CumulativeChange:  # fmt: skip
    """Compute the share of those who started that improved by at least x, for every x.

    Parameters
    ----------
    improvement : array-like of float, shape (n,)
        One improvement a person who started; NaN without follow-up (counts as not shown).
    by : array-like, Series or dict, optional
        Group of each person.
    thresholds : tuple of Threshold or float, optional
        Marked in the picture and read off in the sentences.
    sem : Estimate or float, optional
        Adds the curve of true change, with measurement error taken out as in :func:`true_responder_share`.
    confidence : float, optional
        Level of both bands: Wilson's at each point, and the simultaneous band of Dvoretzky, Kiefer and Wolfowitz
        with Massart's constant, ``± √(ln(2/α) / 2n)``.
    whom : str, optional
        Which people these are, for the words: "who started", "due".

    Returns
    -------
    CumulativeChange

    Raises
    ------
    DataError
        Fewer than 3 people measured in a group, or lengths that do not fit.

    Examples
    --------
    >>> curve = cumulative_change([0, 1, 1, 3, 5])
    >>> curve.table()[["change", "share"]].values.tolist()
    [[0.0, 1.0], [1.0, 0.8], [3.0, 0.4], [5.0, 0.2]]
    """
    check_confidence(confidence)
    errors.check_kind("thresholds", thresholds, (tuple, list), "one or more in a tuple, such as (2.0,)")
    values = numbers(improvement)
    if not values.size:
        raise DataError("improvement is empty: give one entry for everyone who started.")
    labels = group_labels(improvement, by, values.size)
    error = None if sem is None else read_sem(sem)
    curves, improvements, cautions = [], {}, list[str]()
    for name in sorted(set(labels)):
        improvements[name] = values[(labels == name).to_numpy()]
        changes, away = measured_changes(improvements[name])
        curves.append(_curve(name, changes, changes.size + away, error, confidence))
        lost = f"{name}: {away} people without a usable follow-up count as not shown at every change."
        cautions.extend(told({lost: away}))
    limits = tuple(any_threshold(limit) for limit in thresholds)
    facts: Any = {"rows": pd.concat(curves, ignore_index=True), "improvement": improvements, "thresholds": limits,
             "sem": error.value if error else None, "confidence": confidence, "whom": whom}  # fmt: skip
    seen = "Falling curve of the share that improved by at least each amount, with its band."
    return CumulativeChange(facts, facts["rows"], _curve_words(facts), tuple(cautions),
                            ("newcombe1998a", "massart1990"), seen, partial(_draw_curves, facts))  # fmt: skip


def _curve(name: str, changes: np.ndarray, started: int, error: Sem | None, confidence: float) -> pd.DataFrame:
    change, counts = np.unique(np.round(changes, 9), return_counts=True)  # 0.3 and 0.30000000000000004 are one step
    at_least = counts[::-1].cumsum()[::-1]
    share, (low, high) = at_least / started, wilson_limits(at_least, started, confidence)
    band = sqrt(log(2 / (1 - confidence)) / (2 * started))
    true = np.full(change.size, np.nan)
    if error is not None and float(np.var(changes, ddof=1)) > 2 * error.value**2:
        true = kernels.true_changes(changes, error.value, error.df).at_least(change) * changes.size / started
    return pd.DataFrame({
        "group": name, "change": change, "at_least": at_least, "share": share, "low": low, "high": high,
        "band_low": np.clip(share - band, 0, 1), "band_high": np.clip(share + band, 0, 1),
        "highest_possible": (at_least + started - changes.size) / started, "true_share": true,
    })  # fmt: skip


RULES = {
    "A": "change of at least the MCID",
    "B": "change of at least the MCID and of the MDC95",
    "C": "chance of more than {certainty} that the true change is above the MCID",
    "D": "expected number with true change above the MCID",
}


def responder_definitions(
    improvement: Any, *, mcid: Threshold | float, sem: Estimate | float, primary: str, sem_df: float | None = None,
    certainty: float = 0.8, confidence: float = 0.95,
) -> Part:  # fmt: skip
    """Count responders by four rules; which one counts is stated by `primary`.

    Parameters
    ----------
    improvement : array-like of float, shape (n,)
        One entry a person who started; NaN without a usable follow-up (counts as not shown).
    mcid : Threshold or float
        Person-level MCID.
    sem : Estimate or float
        Standard error of measurement of one score.
    primary : {"A", "B", "C", "D"}
        A change ≥ MCID; B change ≥ MCID and ≥ MDC95; C chance of a true change above the MCID > `certainty`;
        D the sum of those chances.
    sem_df, certainty, confidence : float, optional
        Degrees of freedom of the SEM; what counts as sure in C; level of the intervals.

    Returns
    -------
    Part
        One row a rule: definition, rule, primary, people, started, share, low, high; with `primary` and `chances`, of
        each person measured, that the true change is above the MCID, in the order given.

    Examples
    --------
    >>> found = responder_definitions([4, 1, 3, 0, 2, 5, 2, 1], mcid=2, sem=1.0, primary="A")
    >>> found.table()["definition"].tolist(), int(found.table()["people"].iloc[0])
    (['A', 'B', 'C', 'D'], 5)
    """
    errors.check_choice("primary", primary, tuple(RULES))
    check_confidence(confidence)
    limit, error = person_threshold(mcid, "mcid", name="mcid"), read_sem(sem, sem_df)
    changes, away = measured_changes(improvement)
    started, se, fit = changes.size + away, spread_of(limit), kernels.true_changes(changes, error.value, error.df)
    chances = fit.chances(changes, limit.value, se)
    mdc = float(ndtri(0.975)) * sqrt(2) * error.value
    reached = [how_many(changes, edge) for edge in (limit.value, max(limit.value, mdc))]
    counts = [*reached, int((chances > certainty).sum())]
    low, high = wilson_limits(counts, started, confidence)
    expected = np.array(kernels.share_beyond(fit, limit.value, se, confidence)[1:]) * (changes.size / started)
    people = np.array([*counts, float(chances.sum())], dtype=float)
    table = pd.DataFrame({
        "definition": list(RULES), "rule": [rule.format(certainty=certainty) for rule in RULES.values()],
        "primary": [name == primary for name in RULES], "people": people, "started": started,
        "share": people / started, "low": [*low, expected[0]], "high": [*high, expected[1]],
    })  # fmt: skip
    sentences = tuple(
        f"{row['definition']}{' (primary)' if row['primary'] else ''}, {row['rule']}: {row['people']:.3g} of "
        f"{row['started']} ({percent(row['share'])})."
        for row in table.sort_values("primary", ascending=False, kind="stable").to_dict("records")
    )
    cautions = (
        "B is strict by design: as a share it leaves out most people whose true change is just above the MCID.",
        *error.cautions,
        *told({f"{away} people without a usable follow-up count as not shown in every rule.": away}),
    )
    return Part({"rows": table, "primary": primary, "chances": chances}, table, sentences, cautions, ("newcombe1998a",))
