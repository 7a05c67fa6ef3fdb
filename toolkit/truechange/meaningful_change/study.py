"""The MCID study: every estimator on the same people, one recommended by a fixed rule, the rest for comparison."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import isfinite, nan
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from truechange.foundation.entry import Entry, sentence_before_cut
from truechange.foundation.errors import ChoiceError, RefusedError, check_choice
from truechange.foundation.estimate import Estimate, Origin, Threshold
from truechange.foundation.numbers import decimals_for, fixed, percent, with_interval
from truechange.foundation.result import Result, told
from truechange.meaningful_change import beside
from truechange.meaningful_change.draws import DRAWN, EXTRAS, LEAST, bias_table, draw_quantities, limits_of
from truechange.meaningful_change.estimators import METHODS, OWN, Layout, Rows, adjusted_2022, kept_of
from truechange.meaningful_change.ratings import AnchorCheck, RatedPeople
from truechange.meaningful_change.rules import Begun, begin, boundary_table, doubts_of
from truechange.numerics.intervals import mean_limits, welch_limits
from truechange.numerics.resampling import Floats, auc_interval
from truechange.numerics.small_cells import HIDDEN, few, masked

if TYPE_CHECKING:
    from matplotlib.axes import Axes


SLACK, OUTSIDE = 1e-9, "; no interval: the resamples leave the value out"


@dataclass(frozen=True)
class McidStudy(Result):
    """Every estimate of the smallest change that people call an improvement, from the same people.

    Parameters
    ----------
    estimates : DataFrame
        Indexed by method: estimate, low, high (unit of the test), n, bias_direction, use.
    recommended : Threshold or None
        The within-person MCID chosen by the fixed rule; None where the rule gives none (the reason is in `cautions`).
    recommended_method : str
        Row of the table it comes from; empty if none.
    anchor : AnchorCheck
        The checks of the rating.
    size_references : DataFrame
        0.5 SD, 0.2 SD, 1 SEM, MDC: sizes to compare with, which say nothing about importance.
    credibility : DataFrame
        The credibility sheet.
    bias_map : DataFrame
        Indexed by method: estimate, known_bias, direction, without_known_bias.
    boundaries : DataFrame
        Indexed by rating (the upper one of two neighbours): change, low, high, n_below, n_above, separate_fit, use.
    anchor_reliability, change_reliability, present_state_bias, area : Estimate
        Share of the rating's variance that is true change; share of the change's variance that is true; 0 = people
        rate change, 1 = people rate how they are now; area under the ROC curve.
    calibration : DataFrame
        Observed share improved by fifths of the change.
    curve : tuple of float
        Intercept and slope of the probit curve.
    wrong_sem : DataFrame
        The recommended estimate if the SEM were 20% smaller or larger.
    assumptions : DataFrame
        Indexed by assumption of the latent threshold: holds (yes, no, not asked, not contradicted), otherwise_low and
        otherwise_high, between which the value lies if it fails, and p of the test that looked, if any.
    deterioration : Threshold or None
        Smallest worsening that people call one, if enough of them worsened.
    adjustment : tuple of float
        Predictive estimate, and SD x point-biserial correlation x log odds of having improved.
    refused : str
        Why no value is recommended; empty if one is.
    n, mean, sd : int, float, float
        People used, mean and SD of their change: an MCID moves with them, so they are reported with it.
    taken_in : str
        The entry rule, with mean and SD of everyone before the cut; empty without one.
    rule : DataFrame
        The fixed rule as it was run, one row a question: question, seen, so (what followed).
    at_cut : DataFrame
        How well the recommended value tells the improved from the others, indexed by quantity: estimate, low, high, n.
    """

    estimates: pd.DataFrame
    recommended: Threshold | None
    recommended_method: str
    anchor: AnchorCheck
    size_references: pd.DataFrame
    credibility: pd.DataFrame
    bias_map: pd.DataFrame
    boundaries: pd.DataFrame
    anchor_reliability: Estimate
    change_reliability: Estimate
    present_state_bias: Estimate
    area: Estimate
    calibration: pd.DataFrame
    curve: tuple[float, float]
    wrong_sem: pd.DataFrame
    assumptions: pd.DataFrame
    deterioration: Threshold | None
    adjustment: tuple[float, float]
    refused: str
    n: int
    mean: float
    sd: float
    cut: int
    unit: str
    confidence: float
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    taken_in: str = ""
    rule: pd.DataFrame = field(default_factory=pd.DataFrame)
    at_cut: pd.DataFrame = field(default_factory=pd.DataFrame)

    def table(self) -> pd.DataFrame:
        """Return one row a method, unrounded: estimate, low, high, n, bias_direction, use."""
        return self.estimates

    def threshold(self, method: str) -> Threshold:
        """Return one row of the table as a threshold of the level it is good for.

        Parameters
        ----------
        method : str
            A row of the table. ``"mean_change"`` gives a group-level value, ``"mean_difference"`` a between-group
            one, the others a value for one person.

        Raises
        ------
        ChoiceError
            There is no such row.
        RefusedError
            The row was not computed or must not be used (its `use` says why), or is no MCID.
        """
        check_choice("method", method, tuple(METHODS))
        row, about = self.estimates.loc[method].to_dict(), METHODS[method]
        if method == "detectability_limit":
            raise RefusedError("The limit of detection says how much the unchanged vary; it is not an MCID.")
        if row["use"].startswith(("do not use", "not computed")) or not row["estimate"] >= 0:
            why = f"{row['use']} (estimate {row['estimate']:.3g})"
            raise RefusedError(f"{about.words} gives no threshold here: {why}.")
        facts = {"confidence": self.confidence, "unit": self.unit, "n": int(row["n"]), "level": about.level}
        return _threshold((row["estimate"], row["low"], row["high"]), about.words, **facts)

    def public(self) -> McidStudy:
        """Return the study without numbers of few people who gave a rating."""
        anchor, at_cut = self.anchor.public(), self.at_cut
        if len(at_cut):
            at_cut = masked(at_cut, few(at_cut["n"]), ["estimate", "low", "high", "n"])
        if len(anchor.categories) == len(self.anchor.categories):
            return replace(self, at_cut=at_cut)
        alone = self.estimates.index == "mean_change"  # of one rating
        return replace(self, anchor=anchor, at_cut=at_cut, estimates=masked(self.estimates, alone, ["n"]))

    def sentences(self) -> tuple[str, ...]:
        """Say the recommended value, or why there is none, and how the other methods compare."""
        unit, to = f" {self.unit}" if self.unit else "", max(1, decimals_for(-self.sd, self.sd))
        meant = "" if self.cut == 1 else f", counted from a rating of {fixed(self.cut, 0)}"
        places = to if self.recommended is None else self.recommended.decimals
        first = f"These data give no single MCID: {self.refused}."
        if self.recommended is not None:
            first = (
                f"A change of about {self.recommended} is the smallest that these {self.n} people call an improvement"
                f"{meant} ({METHODS[self.recommended_method].words})."
            ) + "".join(f" Do not lean on it: {doubt}" for doubt in self.recommended.doubts)
        share, spread = percent(self.anchor.improved.value), f"{fixed(self.mean, to)}{unit} (SD {fixed(self.sd, to)})"
        said = [first, f"{share} of them rated themselves improved{meant}; their mean change was {spread}."]
        said += [self.taken_in] if self.taken_in else []
        if len(self.at_cut) > 1 and not (self.at_cut == HIDDEN).any(axis=None):
            spans = self.at_cut[["estimate", "low", "high"]].astype(float)
            hit, clear = (with_interval(*spans.iloc[at]) for at in (0, 1))
            said.append(
                f"It is reached by {hit} of the improved (sensitivity) and missed by {clear} of the others "
                f"(specificity); area under the ROC curve {self.area}."
            )
        shown = self.estimates["estimate"].drop("detectability_limit").dropna()
        if len(shown) > 1:
            low, high = (fixed(float(end), places) for end in (shown.min(), shown.max()))
            said.append(f"On the same people the {len(shown)} methods give values from {low} to {high}{unit}.")
        if self.recommended_method == "latent_threshold":
            small, _, large = (fixed(float(v), places) for v in self.wrong_sem["latent_threshold"])
            said.append(f"Were the test's error 20% smaller or larger, the value would be {small} or {large}{unit}.")
            said += filter(None, [beside.sentence_of_assumptions(self.assumptions, unit, places)])
        return tuple(said)

    def plot(self, *, ax: Axes | None = None) -> Axes:
        """Draw the bias map: the recommended value large, the others small with the push of their known bias."""
        from truechange.meaningful_change.pictures import bias_map

        frame = self.estimates[["estimate", "low", "high"]].assign(
            known_bias=self.bias_map["known_bias"], name=[method.words for method in METHODS.values()]
        )
        return bias_map(frame, chosen=self.recommended_method, unit=self.unit, ax=ax)

    def plot_anchor(self, *, axes: tuple[Axes, Axes] | None = None) -> tuple[Axes, Axes]:
        """Draw the anchor: mean change of each rating beside the fitted curve and what was observed."""
        from truechange.meaningful_change.pictures import anchor_pair

        value = None if self.recommended is None else self.recommended.value
        return anchor_pair(
            self.anchor.categories, self.calibration, self.curve, cut=self.cut, mark=value, unit=self.unit, pair=axes
        )

    @property
    def alt(self) -> str:
        """Describe the bias map in words."""
        head = "No value is recommended" if self.recommended is None else f"Recommended: {self.recommended}"
        told = [
            f"{METHODS[method].words} {fixed(row['estimate'], 1)} (known bias {row['direction']})"
            for method, row in zip(METHODS, self.bias_map.to_dict("records"), strict=True)
            if isfinite(row["estimate"]) and method != self.recommended_method
        ]
        return f"{head}. Beside it: {'; '.join(told)}."

    def adjusted(self, anchor_reliability: float) -> float:
        """Return the predictive estimate adjusted (2022) for an anchor reliability known from elsewhere.

        Raises
        ------
        ChoiceError
            `anchor_reliability` is not above 0 and at most 1.
        """
        if not 0 < anchor_reliability <= 1:
            raise ChoiceError(f"anchor_reliability={anchor_reliability!r} must lie above 0 and be at most 1.")
        base, per_factor = self.adjustment
        one = {"predictive": base, "sd": per_factor, "point_biserial": 1.0, "log_odds": 1.0}
        return float(adjusted_2022(one, anchor_reliability))  # type: ignore[arg-type]


def mcid(
    improvement: ArrayLike, anchor: ArrayLike, cut: int = 1, sem: float | Estimate | None = None,
    sem_df: float | None = None, before: ArrayLike | None = None, after: ArrayLike | None = None, n_boot: int = 2000,
    seed: int = 0, confidence: float = 0.95, *, unit: str = "", protocol: str = "", resolution: float = 0.0,
    entry: Entry | None = None, interval: str = "", told: bool | None = None,
) -> McidStudy:  # fmt: skip
    r"""Estimate the smallest change that people themselves call an improvement, by every method side by side.

    Parameters
    ----------
    improvement : array_like, shape (n,)
        Change of each person, positive = better, in the unit of the test. Missing values are set aside and counted.
    anchor : array_like of int, shape (n,)
        Rating of change: 0 unchanged, 1 a little better, higher better still, negative worse.
    cut : int, optional
        Lowest rating that counts as improved; "a little better" is the rating equal to it, "unchanged" the one below.
    sem : float or Estimate, optional
        Standard error of measurement of one test score, same unit and protocol; an Estimate brings its degrees of
        freedom. Without it the latent-threshold methods are left out.
    sem_df : float, optional
        Degrees of freedom of the SEM; its uncertainty is then carried into every interval.
    before, after : array_like, shape (n,), optional
        The two scores behind the improvement, either direction of better.
    n_boot : int, optional
        Resamples of people for the intervals, at least 100.
    seed : int, optional
        Seed of the resampling.
    confidence : float, optional
        Level of all intervals, as a fraction.
    unit, protocol : str, optional
        Unit of the test, and how it is done; they travel with the threshold.
    resolution : float, optional
        Step in which the test is scored, for what error alone would give; 0 for a scale without steps.
    entry : Entry, optional
        The rule by which people were taken in for a poor first score. The two-state estimator is then recommended,
        with mean and SD of everyone before the cut; needs `sem`, `before`, `after` and 80 people.
    interval : str, optional
        Time between the two scores, such as ``"12 weeks"``: held against the time between the tests of the SEM, where
        that is known.
    told : bool, optional
        Whether people had heard their test result before they rated; None where nobody knows.

    Returns
    -------
    McidStudy
        ``recommended`` is None where the fixed rule gives no value; the rest of the study stays, with the reason in
        ``cautions``.

    Raises
    ------
    DataError
        The columns do not line up, hold text, or nobody is complete.
    ChoiceError
        `cut`, `sem`, `sem_df`, `n_boot` or `confidence` is not understood.

    Notes
    -----
    With :math:`m, s` the mean and SD of change :math:`D`, :math:`p` the share improved, :math:`L` its log odds and
    :math:`r` the point-biserial correlation:

    - predictive: :math:`\mathrm{logit} P = C + B D`, value :math:`(L - C)/B` (Terluin et al. 2015);
    - adjusted 2017: minus :math:`(0.090 + 0.103 r) s L`; adjusted 2022: minus
      :math:`(0.8/\mathrm{rel}_T - 0.5) s r L`, :math:`\mathrm{rel}_T` the anchor's reliability (both as attributed
      to Terluin, Eekhout & Terwee in public code; not read in the papers);
    - latent threshold (own derivation, checked by simulation): probit :math:`P = \Phi(\alpha + \beta D)`,
      :math:`\mathrm{rel}_D = 1 - 2\,\mathrm{SEM}^2/s^2`, value :math:`m + \mathrm{rel}_D(-\alpha/\beta - m)`,
      with :math:`\mathrm{rel}_T = (\beta s)^2/(1 + (\beta s)^2)/\mathrm{rel}_D`. It is the mean personal threshold
      on the scale of true change if true change, errors and thresholds are normal and independent;
    - two states: the same with both scores in the probit, for people who rate how they are; all ratings: the same
      with an ordered probit, every boundary between ratings from one fit;
    - with an entry rule (own derivation, checked by simulation): a cut on the first score leaves the probit on both
      scores and the line of the second on the first as they are, so two states with the moments of everyone before the
      cut (Pearson-Lawley), read at the mean true scores of those taken in. Those moments are redrawn with the people.

    Intervals: t and Welch for the two means, percentile bootstrap over people for the rest (the whole procedure is
    repeated), SEM squared redrawn as :math:`\mathrm{SEM}^2\,df/\chi^2_{df}` in each resample.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> true_change = rng.normal(2.3, 2, 300)
    >>> improvement = np.round(true_change + rng.normal(0, 1.2, 300))
    >>> rating = np.digitize(true_change + rng.normal(0, 1.5, 300), [-2, 2, 5]) - 1
    >>> study = mcid(improvement, rating, sem=0.85, sem_df=49, n_boot=500, unit="stands")
    >>> study.recommended_method, study.recommended.level
    ('latent_threshold', 'person')
    >>> print(study.recommended)
    2.22 stands (95% CI 1.85 to 2.60)
    """
    rated = {"improvement": improvement, "anchor": anchor, "cut": cut, "before": before, "after": after}
    begun = begin(rated, sem, sem_df, unit, resolution, entry, (n_boot, seed, confidence))
    people, error, unit, check, layout, rows, ends, method, refused = begun[:9]
    facts = {"confidence": confidence, "unit": unit, "n": people.n, "protocol": protocol}
    draws = draw_quantities(layout, rows, error, n_boot, seed)
    limits = limits_of(draws, confidence)
    bias = bias_table(people, rows)
    estimates = _estimates(begun, limits, bias["direction"], confidence)
    bias = estimates[["estimate"]].join(bias).assign(without_known_bias=estimates["estimate"] - bias["known_bias"])
    recommended = _recommended(begun, estimates, facts)
    sizes = beside.size_references(people, error, confidence)
    failed = float(np.isnan(draws[:, DRAWN.index(method)]).mean()) if method and ends is None else 0.0
    cautions = [*([f"No MCID is given: {refused}."] if refused else []), *(recommended.cautions if recommended else ())]
    cautions += check.cautions + beside.parted_caution(ends) + beside.entry_cautions(people)
    leans_on, against = beside.assumptions(people, layout, rows, error, beside.Circumstances(interval, told))
    if people.n >= LEAST and 0 < rows["improved"][0] < 1 and rows["sd"][0] > 0:
        cautions += beside.error_cautions(error, rows) + against + beside.model_cautions(people, rows, failed)
        mdc = dict(zip(("value", "low", "high"), sizes.loc["MDC", ["estimate", "low", "high"]], strict=True))
        cautions += beside.below_error(recommended, error, Estimate(**mdc), resolution)
    boundaries = boundary_table(people, layout, rows, limits[:, len(DRAWN) :])
    return McidStudy(
        estimates=estimates, recommended=recommended, recommended_method=method, anchor=check, size_references=sizes,
        credibility=beside.credibility_sheet(check, recommended, blinded=None if told is None else not told),
        boundaries=boundaries, bias_map=bias, assumptions=leans_on,
        calibration=beside.calibration(people, confidence),
        wrong_sem=pd.DataFrame() if error is None else beside.wrong_sem(rows, error.value),
        curve=(float(rows["probit_intercept"][0]), float(rows["probit_slope"][0])),
        deterioration=_deterioration(boundaries, people.cut, facts), adjustment=_adjustment(rows),
        area=_area(layout, people.n, confidence), refused=refused, n=people.n, mean=float(rows["mean"][0]),
        sd=float(rows["sd"][0]), cut=people.cut, unit=unit, confidence=confidence,
        cautions=tuple(dict.fromkeys(cautions)), sources=_sources(check, estimates, method, ends is not None),
        taken_in=_taken_in(people, rows, unit), rule=pd.DataFrame(begun.asked),
        at_cut=beside.at_the_cut(people, nan if recommended is None else recommended.value, confidence),
        **{name: _extra(name, rows, limits, people.n, confidence) for name in EXTRAS[:3]},
    )  # fmt: skip


def mcid_value(
    rated: Mapping[str, Any], *, sem: float | Estimate | None = None, n_boot: int = 2000, seed: int = 0,
    confidence: float = 0.95, unit: str = "", resolution: float = 0.0, entry: Entry | None = None,
) -> tuple[Threshold | None, str]:  # fmt: skip
    """Return what :func:`mcid` recommends, or None and why: the same number, no other method resampled or tabled.

    `rated` takes improvement, anchor, cut, before and after; the others are as in :func:`mcid`.
    """
    begun = begin(rated, sem, None, unit, resolution, entry, (n_boot, seed, confidence))
    if not begun.method:
        return None, begun.refused
    draws = draw_quantities(begun.layout, begun.rows, begun.error, n_boot, seed, (METHODS[begun.method].needs,))
    estimates = _estimates(begun, limits_of(draws, confidence), dict.fromkeys(METHODS, ""), confidence)
    facts = {"confidence": confidence, "unit": begun.unit, "n": begun.people.n}
    return _recommended(begun, estimates, facts), ""


def _recommended(begun: Begun, estimates: pd.DataFrame, facts: dict[str, Any]) -> Threshold | None:
    if not begun.method:
        return None
    low, parted = float(estimates["low"][begun.method]), begun.ends is not None
    doubts = doubts_of(begun.check, begun.method, low, begun.error is None, parted)
    return _threshold(estimates.loc[begun.method], METHODS[begun.method].words, doubts=doubts, **facts)


def _taken_in(people: RatedPeople, rows: Rows, unit: str) -> str:
    """Say the entry rule and what everyone was like before the cut; empty without a rule or where nothing fits."""
    if people.entry is None or not isfinite(rows.get("everyone_mean", np.full(1, nan))[0]):
        return ""
    mean, variance = float(rows["everyone_mean"][0]), float(rows["everyone_variance"][0])
    return sentence_before_cut(people.entry, mean, variance, unit)


def _sources(check: AnchorCheck, estimates: pd.DataFrame, method: str, parted: bool) -> tuple[str, ...]:
    """Return the sources of what was computed: the checks, each method that gave a value, and how it was judged."""
    used = {METHODS[name].source: True for name in estimates.index[estimates["estimate"].notna()]}
    seen = {"delong1988": 0 < check.improved.value < 1} | used | {"firth1993": parted, "newcombe1998a": method}
    return tuple(dict.fromkeys(key for key in (*check.sources, *told(seen), "devji2020") if key != OWN))


def _spans(
    people: RatedPeople, rows: Rows, limits: Floats, ends: tuple[float, float] | None, confidence: float
) -> dict[str, tuple[float, float]]:
    """Return the limits of each method: resampled but for the two means, and for what is not a point."""
    spans = {name: (float(low), float(high)) for name, low, high in zip(DRAWN, *limits[:, : len(DRAWN)], strict=True)}
    if "anchor_reliability" not in rows:  # the anchor's reliability is assumed: the interval spans what it may be
        outer = [*spans["adjusted_low"], *spans["adjusted_high"]]
        spans["predictive_adjusted_2022"] = min(outer), max(outer)
    elif ends is not None:
        reach = [float(kept_of(rows, np.array([end]))[0]) for end in ends]
        low, high = spans["latent_threshold"]
        spans["latent_threshold"] = min(reach[0], low), max(reach[1], high)
    little, same = (people.change[people.rating == rating] for rating in (people.cut, people.cut - 1))
    spans["mean_change"] = mean_limits(little, confidence)[1:]
    spans["mean_difference"] = welch_limits(little, same, confidence)
    return spans


def _estimates(begun: Begun, limits: Floats, ways: Any, confidence: float) -> pd.DataFrame:
    """Return the table of methods; `ways` says which way each errs."""
    people, rows, uses = begun.people, begun.rows, begun.uses
    spans = _spans(people, rows, limits, begun.ends, confidence)
    little, same = (int(np.sum(people.rating == rating)) for rating in (people.cut, people.cut - 1))
    behind = {"mean_change": little, "mean_difference": little + same, "detectability_limit": same}
    lines = []
    for name in METHODS:
        value, span = float(rows[name][0]) if name in rows else nan, spans[name]
        if uses[name].startswith("not computed"):
            value, span = nan, (nan, nan)
        if not span[0] - SLACK <= value <= span[1] + SLACK:
            span, uses[name] = (nan, nan), uses[name] + OUTSIDE * isfinite(value + span[0])
        lines.append((value, *span, behind.get(name, people.n), ways[name], uses[name]))
    columns = ["estimate", "low", "high", "n", "bias_direction", "use"]
    return pd.DataFrame(lines, columns=columns, index=pd.Index(METHODS, name="method"))


def _threshold(row: Any, method: str, **facts: Any) -> Threshold:
    """Return an MCID from estimate, low and high."""
    value, low, high = (float(number) for number in list(row)[:3])
    return Threshold(
        kind="mcid", value=value, low=low, high=high, method=method, origin=Origin.own(n=facts["n"]), **facts
    )


def _deterioration(boundaries: pd.DataFrame, cut: int, facts: dict[str, Any]) -> Threshold | None:
    """Return the boundary between unchanged and worse, sign turned; None if too few worsened or it is above 0."""
    if 1 - cut not in boundaries.index or boundaries.loc[1 - cut, "use"] != "estimable":
        return None
    row = boundaries.loc[1 - cut].to_dict()
    if not row["change"] <= 0:
        return None
    turned, words = (-row["change"], -row["high"], -row["low"]), METHODS["latent_threshold_ordinal"].words
    return _threshold(turned, words, direction="deterioration", **facts)


def _extra(name: str, rows: Rows, limits: Floats, n: int, confidence: float) -> Estimate:
    value = float(rows[name][0]) if name in rows and n >= LEAST else nan
    low, high = limits[:, DRAWN.index(name)]
    return Estimate(value=value, low=float(low), high=float(high), confidence=confidence, n=n, method="bootstrap")


def _area(layout: Layout, n: int, confidence: float) -> Estimate:
    hits, misses = (part[0] for part in layout.by_group(layout.kinds.counts[None], layout.steps))
    value, low, high = auc_interval(hits, misses, confidence) if hits.any() and misses.any() else (nan, nan, nan)
    return Estimate(value=value, low=low, high=high, confidence=confidence, n=n, method="DeLong")


def _adjustment(rows: Rows) -> tuple[float, float]:
    parts = [float(rows[name][0]) for name in ("predictive", "sd", "point_biserial", "log_odds")]
    return (parts[0], parts[1] * parts[2] * parts[3]) if all(isfinite(p) for p in parts) else (nan, nan)
