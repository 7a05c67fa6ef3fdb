"""Intraclass correlation (ICC), which form fits a design, and the variance components behind it."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from math import inf, isfinite, nan, sqrt
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import fdtrc

from truechange.foundation import errors
from truechange.foundation.drawing import Axes, interval_rows
from truechange.foundation.errors import ChoiceError, DataError, RefusedError, listed, stated
from truechange.foundation.estimate import Estimate, Origin
from truechange.foundation.numbers import fixed, people
from truechange.foundation.result import Part, told
from truechange.numerics import variances as kernels
from truechange.numerics.resampling import Floats, percentile_limits
from truechange.reliability import scores as tables

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

    def _estimate(
        self, value: float, drawn: Floats, sample: tables.Sample, method: str, df: float | None = None
    ) -> Estimate:
        ends = percentile_limits(drawn, sample.confidence)
        return sample.estimate(value, *ends, f"{method} by REML; {self.how} interval", df)

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
        draws = np.sqrt(np.maximum(self._sum(noise, self.draws), 0.0))
        return self._estimate(sqrt(total), draws, self.sample, f"√({terms})", df)

    def icc(self, noise: Mapping[str, float], method: str = "ICC") -> Estimate:
        """Return person / (person + weighted noise)."""

        def share(variances: Floats) -> Floats:
            true = np.maximum(self._sum({"person": 1.0}, variances), 0.0)
            return true / (true + self._sum(noise, variances))

        bare = replace(self.sample, unit="")
        return self._estimate(float(share(self.fit.variances)), share(self.draws), bare, method)


def variance_components(
    data: pd.DataFrame, random: Sequence[str] = ("person", "trial"), fixed: Sequence[str] = (),
    sample: tables.Sample | None = None, *, value: str = "value", limits: str = "auto", n_boot: int = 1000,
    seed: int = 0,
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
    tables.check_long(data)
    errors.check_whole(n_boot=n_boot, **stated(seed=seed))
    errors.check_choice("limits", limits, ("auto", "monte-carlo", "bootstrap"))
    sample = sample or tables.Sample(0, origin=Origin.own(n=data[random[0]].nunique() if random[0] in data else None))
    design, fit, sample = _fit(data, random, (value, *fixed), sample)
    names = (*random, "residual")
    zero = np.array(names)[fit.boundary]
    if limits == "monte-carlo" and zero.size:
        raise RefusedError(f"The variance of {listed(zero)} is estimated as 0, where logarithms fail; use 'bootstrap'.")
    by_logs = limits == "monte-carlo" or (limits == "auto" and not zero.size)
    many = max(n_boot, 4000)
    draws = kernels.log_normal_draws(fit, many, seed) if by_logs else kernels.bootstrap_draws(design, fit, n_boot, seed)
    how = "Monte-Carlo" if by_logs else f"parametric bootstrap (B = {n_boot})"
    return _components(names, design, fit, draws, how, sample)


def session_components(table: tables.TrialTable, crossed: bool, sample: tables.Sample) -> VarianceComponents:
    """Fit person, session (`crossed`), session within person and residual to trials within sessions.

    Complete tables get the intervals of generalized pivots: those of logarithms are far too wide where the sessions
    differ little.
    """
    scores, (n, cells) = table.long, table.scores.shape
    m, k = (scores[name].nunique() for name in ("session", "trial"))
    random, fixed = ("person", *(("session",) if crossed else ()), "person:session"), ("trial",) if k > 1 else ()
    if cells != m * k or k < 2 or np.isnan(table.scores).any():
        return variance_components(scores, random, fixed, sample)
    design, fit, sample = _fit(scores, random, ("value", *fixed), sample)
    draws = kernels.session_draws(table.scores.reshape(n, m, k), crossed, 10_000, 0)
    return _components((*random, "residual"), design, fit, draws, "generalized", sample)


def _fit(
    data: pd.DataFrame, random: Sequence[str], used: Sequence[str], sample: tables.Sample
) -> tuple[kernels.Design, kernels.RemlFit, tables.Sample]:
    """Fit the random terms; `used` is the column of scores and those of fixed categories."""
    columns = [*used, *(part for term in random for part in term.split(":"))]
    tables.check_columns(data, columns)
    scores = data.dropna(subset=columns)
    repeated = int((scores[random[0]].value_counts() >= 2).sum())
    if repeated < FEWEST_REPEATED:
        raise RefusedError(
            f"Only {people(repeated, 'people have', 'person has')} two or more scores; REML needs at least "
            f"{FEWEST_REPEATED}. Measure more people, or use complete data."
        )
    groups = [scores.groupby(term.split(":"), sort=True, observed=True) for term in random]
    terms = [group.ngroup().to_numpy(dtype=np.intp) for group in groups]
    dummies = [pd.get_dummies(scores[name], drop_first=True, dtype=float).to_numpy() for name in used[1:]]
    design = kernels.Design(terms, np.hstack([np.ones((len(scores), 1)), *dummies]))
    try:
        fit = kernels.fit_reml(design, scores[used[0]].to_numpy(dtype=float))
    except ValueError as exact:
        raise RefusedError(f"No error can be estimated: {exact}. Were the scores rounded or copied?") from exact
    return design, fit, replace(sample, n=int(scores[random[0]].nunique()))


def _components(
    names: Sequence[str], design: kernels.Design, fit: kernels.RemlFit, draws: Floats, how: str, sample: tables.Sample
) -> VarianceComponents:
    """Put the variances with their intervals into words and a table."""
    zero = tuple(name for name, at in zip(names, fit.boundary, strict=True) if at)
    failed = 100 * float(np.isnan(draws).any(axis=1).mean())
    squared = replace(sample, unit=f"{sample.unit}²" if sample.unit else "")
    rows = zip(names, fit.variances, *percentile_limits(np.maximum(draws, 0.0), sample.confidence), strict=True)
    variances = {name: squared.estimate(v, low, high, f"REML; {how} interval") for name, v, low, high in rows}
    few = [name for name, term in zip(names, design.terms, strict=False) if term.max() + 1 < FEWEST_LEVELS]
    shares = zip(names, 100 * fit.variances / fit.variances.sum(), strict=True)
    parts = ", ".join(f"{name} {share:.0f}%" for name, share in shares)
    table = tables.estimates_table(variances, "term")
    return VarianceComponents(
        {"variances": variances, "draws": draws, "at_boundary": zero, "fit": fit, "sample": sample, "how": how},
        table.assign(at_boundary=table.index.isin(zero)),
        (f"Of the variance of a single score: {parts} ({sample.n} people).",),
        told({
            f"The variance of {name} is estimated as 0 (on the boundary); its interval starts there.": True
            for name in zero
        } | {
            f"Fewer than {FEWEST_LEVELS} levels of {listed(few)}: that variance is hardly known.": few,
            "The fit did not settle; do not use these variances.": not fit.converged,
            f"{failed:.1f}% of the simulated refits failed and were left out.": failed > 1,
        }), ("patterson1971", "tenhove2025"),
    )  # fmt: skip


def shared_trials(observed: np.ndarray) -> tuple[float, float]:
    """Return the harmonic mean number of scores a person, and the weight q of the trial variance in a mean of them.

    q is half the trial part of the variance of the difference between two
    people's means, averaged over all pairs: 1/k̂ minus the mean of
    shared/(k_s k_s'). 0 when all share their trials, 1/k̂ when none do.
    """
    counts = observed.sum(axis=1).astype(float)
    harmonic = counts.size / float(np.sum(1 / counts))
    shared = (observed.astype(float) @ observed.T.astype(float)) / np.outer(counts, counts)
    return harmonic, 1 / harmonic - float(shared.sum() - np.trace(shared)) / (counts.size * (counts.size - 1))


REASONS: dict[str, dict[bool | None, str]] = {  # what each answer to a question about the design means
    "others in use": {
        True: "Other testers or occasions will be in use, so those of the study are a sample: random effects.",
        False: "Only the testers or occasions of the study count: a fixed set, so the result holds for them alone."},
    "shifts matter": {
        None: "Nothing links one person's trials with another's, so only a one-way model is left; it cannot separate "
              "shifts.",
        True: "A shift of level between tests would mislead, so it counts as error: absolute agreement.",
        False: "A shift of level is reported and corrected apart, so it does not count as error: consistency."},
    "scores averaged": {True: "The score in use is the mean of the study's trials: average form.",
                        False: "The score in use is a single one: single form."},
    "complete": {True: "Everybody has every trial: mean squares.",
                 False: "Scores are missing or testers differ between people: fit the variances by REML."},
}  # fmt: skip


def choose_icc(
    *, others_in_use: bool = True, shifts_matter: bool = True, scores_averaged: bool = False, complete: bool = True,
    trials_linked: bool = True,
) -> Part:  # fmt: skip
    """Turn the four questions about a design into the form of the ICC.

    Parameters
    ----------
    others_in_use : bool, optional
        Will the testers or occasions in practice be others than those of the study? Almost always yes.
    shifts_matter : bool, optional
        Would a shift of everybody's level mislead the decision? Yes for change over time and for cut-offs.
    scores_averaged : bool, optional
        Is the score in use the mean of all k trials of the study? Not for a single score, not for a best-of score.
    complete : bool, optional
        Does everybody have every trial (or tester)? If not, fit by REML.
    trials_linked : bool, optional
        Do all people share the same trials in the same order (or the same testers)? If each person
        had others and nothing is known of which, only the one-way form is left.

    Returns
    -------
    Part
        ``form`` and ``missing``, to pass to :func:`icc`; ``reasons``, a sentence a question, and ``reason``, all of
        them as one text.

    Raises
    ------
    ChoiceError
        An answer is neither True nor False.

    Notes
    -----
    After McGraw & Wong 1996 and ten Hove, Jorgensen & van der Ark 2024 (testers are seldom a fixed set).

    Examples
    --------
    >>> choose_icc().form, choose_icc(shifts_matter=False, scores_averaged=True).form
    ('ICC(A,1)', 'ICC(C,k)')
    """
    questions = {"others_in_use": others_in_use, "shifts_matter": shifts_matter, "scores_averaged": scores_averaged}
    for name, answer in {**questions, "complete": complete, "trials_linked": trials_linked}.items():
        errors.check_choice(name, answer, (True, False))
    kind = "" if not trials_linked else "A," if shifts_matter else "C,"
    form = f"ICC({kind}{'k' if scores_averaged else '1'})"
    answers = (others_in_use, shifts_matter if trials_linked else None, scores_averaged, complete)
    reasons = tuple(words[answer] for words, answer in zip(REASONS.values(), answers, strict=True))
    fixed_set = "With a fixed set of testers the same formula serves, but do not carry it over to other testers."
    missing = "refuse" if complete else "reml"
    facts = {"form": form, "reasons": reasons, "missing": missing, "reason": " ".join(reasons)}
    frame = pd.DataFrame({"question": tuple(REASONS), "reason": reasons})
    cautions = told({fixed_set: not others_in_use and shifts_matter})
    return Part(facts, frame, (f"Use {form}.", *reasons), cautions, ("mcgraw1996", "tenhove2024"))


OLD = ("ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)")
SHROUT_FLEISS = dict(zip(kernels.FORMS, OLD, strict=True))
OLDER = {re.sub(r"\W", "", name).lower(): form for form, name in SHROUT_FLEISS.items()}  # as many write them
OLDER |= {name.removesuffix("1"): form for name, form in OLDER.items()}  # a "1" at the end is left out by some
MODELS = ("one-way random", "two-way, absolute agreement", "two-way, consistency")
COUNTS = ("one score", "mean of k scores")
IN_WORDS = dict(zip(kernels.FORMS, (f"{model}, {count}" for count in COUNTS for model in MODELS), strict=True))


Read = tuple[dict[str, Any], tuple[str, ...], tuple[str, ...]]  # facts, cautions, sources
BANDS = ((0.5, "poor"), (0.75, "moderate"), (0.9, "good"), (9.0, "excellent"))  # Koo & Li 2016, from memory


class IccResult(Part):
    """One intraclass correlation with everything needed to report it.

    Its facts: ``estimate`` (the coefficient, no unit, with its interval), ``form`` and ``shrout_fleiss`` (McGraw and
    Wong's and Shrout and Fleiss's name of it), ``f, df1, df2, p_value`` (F test that people do not differ; NaN by
    REML), ``mean_squares`` (the table it was read from; None by REML), ``trials`` (a person, k).
    """

    def plot(self, *, ax: Axes | None = None) -> Axes:  # type: ignore[override]
        """Draw the coefficient with its interval on a 0 to 1 axis."""
        ax = interval_rows([self.form], [self.estimate], ax=ax, strong=(0,))
        ax.set_xlabel(f"Intraclass correlation, {self.estimate.n} people")
        ax.set_xlim(min(0.0, self.estimate.low if isfinite(self.estimate.low) else 0.0), 1)
        return ax


def icc(
    data: pd.DataFrame, *, form: str, person: str = "person", trial: str = "trial", value: str = "value",
    confidence: float = 0.95, missing: str = "refuse", limits: str = "exact", n_boot: int = 10_000, seed: int = 0,
) -> IccResult:  # fmt: skip
    """Estimate how well a test tells people apart, given its error.

    Parameters
    ----------
    data : DataFrame
        Long table, one row a person and trial; not changed.
    form : {"ICC(1)", "ICC(A,1)", "ICC(C,1)", "ICC(k)", "ICC(A,k)", "ICC(C,k)"}
        Which coefficient, in the notation of [1]_. No default: it follows
        from the design. :func:`choose_icc` asks the questions.
    person, trial, value : str, optional
        Its columns; `value` is in the unit of the test.
    confidence : float, optional
        Level of the interval.
    missing : {"refuse", "leave out", "reml"}, optional
        People who lack a trial: an error that names them, set aside and
        counted, or every score used by REML (assumes missing at random; not so when unable).
    limits : {"exact", "percentile", "bca"}, optional
        F interval, or bootstrap over people (complete tables).
    n_boot, seed : int, optional
        Resamples and their seed, for bootstrap limits.

    Returns
    -------
    IccResult

    Raises
    ------
    DataError
        Two scores for one person and trial, gaps under ``"refuse"``, text
        among the scores, fewer than 2 people or trials, or no variance at all.
    RefusedError
        REML with fewer than 10 people who have two or more scores.
    ChoiceError
        `form`, `missing`, `limits` or `confidence` is not available.

    Notes
    -----
    With mean squares of persons P, trials T, error E and within persons W of
    an n x k table: ICC(1) = (P-W)/(P+(k-1)W), ICC(A,1) =
    (P-E)/(P+(k-1)E+k(T-E)/n), ICC(C,1) = (P-E)/(P+(k-1)E); the mean forms have
    (P-W)/P, (P-E)/(P+(T-E)/n), (P-E)/P. Intervals from the F distribution, for
    agreement with Satterthwaite's degrees of freedom [1]_. By REML: the same
    ratios of variance components, the mean forms for the harmonic mean number
    of scores a person.

    References
    ----------
    .. [1] McGraw KO, Wong SP (1996). Psychological Methods 1(1):30-46, and its correction 1(4):390.
    .. [2] Shrout PE, Fleiss JL (1979). Psychological Bulletin 86(2):420-428.

    Examples
    --------
    >>> walk = pd.DataFrame({
    ...     "person": ["A", "A", "B", "B", "C", "C", "D", "D"],
    ...     "trial": [1, 2] * 4,
    ...     "value": [402, 410, 455, 447, 510, 522, 380, 371],
    ... })
    >>> print(icc(walk, form="ICC(A,1)").sentence())
    ICC(A,1) = 0.99 (95% CI 0.83 to 1.00), 4 people, 2 trials.
    """
    if isinstance(form, str) and form not in kernels.FORMS and (known := OLDER.get(re.sub(r"\W", "", form).lower())):
        raise ChoiceError(f"form={errors.in_short(form)} is the older name: use form={known!r} ({IN_WORDS[known]}).")
    errors.check_choice("form", form, kernels.FORMS)
    errors.check_confidence(confidence)
    errors.check_choice("limits", limits, tables.LIMITS)
    table = tables.trial_table(data, tables.Columns(person, trial, value), missing)
    return _one_form(table, form, confidence, limits=limits, n_boot=n_boot, seed=seed)


def icc_table(
    data: pd.DataFrame, *, person: str = "person", trial: str = "trial", value: str = "value",
    confidence: float = 0.95, missing: str = "refuse",
) -> pd.DataFrame:  # fmt: skip
    """Return all six ICCs side by side, unrounded.

    Parameters and errors as in :func:`icc`.

    Returns
    -------
    DataFrame
        Indexed by form: estimate, low, high, f, df1, df2, p_value, shrout_fleiss.

    Examples
    --------
    >>> scores = pd.DataFrame({"person": list("AABBCC"), "trial": [1, 2] * 3, "value": [9, 10, 12, 12, 7, 8]})
    >>> icc_table(scores)["estimate"].round(3).tolist()
    [0.937, 0.938, 0.968, 0.967, 0.968, 0.984]
    """
    errors.check_confidence(confidence)
    table = tables.trial_table(data, tables.Columns(person, trial, value), missing)
    columns = ["estimate", "low", "high", "f", "df1", "df2", "p_value", "shrout_fleiss"]
    rows = [_one_form(table, form, confidence).frame.loc[0, columns] for form in kernels.FORMS]
    return pd.DataFrame(rows, index=pd.Index(kernels.FORMS, name="form")).infer_objects()


def _one_form(
    table: tables.TrialTable, form: str, confidence: float, limits: str = "exact", **resampling: int
) -> IccResult:
    n, k = table.scores.shape
    estimated = _by_reml if np.isnan(table.scores).any() else _from_table
    facts, notes, sources = estimated(table, form, tables.Sample(n, confidence, origin=Origin.own(n=n)))
    e = facts["estimate"]
    if limits != "exact":
        of_form = partial(kernels.icc_values, form=form)
        low, high, how = tables.resampled_limits(table.scores, of_form, limits, confidence=confidence, **resampling)
        e = replace(e, low=low, high=high, method=f"{IN_WORDS[form]}; {how}")
    facts |= {"estimate": e, "form": form, "shrout_fleiss": SHROUT_FLEISS[form], "trials": k}
    test = {name: facts[name] for name in ("f", "df1", "df2", "p_value")}
    row = {"form": form, "shrout_fleiss": SHROUT_FLEISS[form], "trials": k, **e.row(), **test}
    says = (
        f"{form} = {fixed(e.value, 2)} ({e.interval_text(2)}), {e.n} people, {k} trials.",
        f"Form: {IN_WORDS[form]} ({SHROUT_FLEISS[form]} in the older notation).", _reading(e),
    )  # fmt: skip
    return IccResult(facts, pd.DataFrame([row]), says, (*table.cautions, *tables.count_cautions(n), *notes), sources)


def _reading(e: Estimate) -> str:
    """Say what the coefficient is good for, judged by its lower limit."""
    if not isfinite(e.low):
        return "Without an interval it cannot be read; look at the standard error of measurement."
    if e.value <= 0:
        return "Differences between people are not distinguishable from error in these data."
    band = next(word for top, word in BANDS if e.low < top)
    return (
        f"Judged by the lower limit the test tells groups of people like these apart with {band} reliability; "
        "for one person the standard error of measurement decides, not this number."
    )


def _from_table(table: tables.TrialTable, form: str, sample: tables.Sample) -> Read:
    """Read the coefficient from the mean squares, with its F interval and the F test that people do not differ."""
    if np.ptp(table.scores) == 0:
        raise DataError("All scores are equal: no variance, so no intraclass correlation. Report agreement as it is.")
    ms = kernels.mean_squares(table.scores)
    noise = "within" if form in ("ICC(1)", "ICC(k)") else "error"
    square, df1, df2 = getattr(ms, noise), ms.df["persons"], ms.df[noise]
    f = float(ms.persons / square) if square > 0 else inf
    value, ends = float(kernels.icc_values(ms, form)), kernels.icc_limits(ms, form, sample.confidence)
    low, high = (float(end) if isfinite(value) else nan for end in ends)
    estimate = sample.estimate(value, low, high, f"{IN_WORDS[form]}; F interval")
    p_value = float(fdtrc(df1, df2, f)) if isfinite(f) else 0.0
    facts = {"estimate": estimate, "f": f, "df1": df1, "df2": df2, "p_value": p_value, "mean_squares": ms}
    return facts, _cautions(ms, form, value), ("shrout1979", "mcgraw1996")


def _by_reml(table: tables.TrialTable, form: str, sample: tables.Sample) -> Read:
    """Read the coefficient from variance components, where scores are missing."""
    one_way, average = form in ("ICC(1)", "ICC(k)"), form.endswith("k)")
    fit = variance_components(table.long, ("person",) if one_way else ("person", "trial"), (), sample)
    harmonic, apart = shared_trials(np.isfinite(table.scores))
    count = harmonic if average else 1.0
    noise = {"residual": 1 / count} | ({"trial": 1 / count} if form.startswith("ICC(A") else {})
    notes = [*fit.cautions]
    if average:
        notes.append(f"For the mean of {harmonic:.2f} scores, the harmonic mean number of scores a person.")
    if average and not one_way and 1e-9 < apart < 1 / harmonic - 1e-9:
        partly = fit.icc({"trial": apart, "residual": 1 / harmonic})
        notes.append(f"People share only part of their trials: for comparing their means, ICC(Q,k) = {partly.text(2)}.")
    no_test = dict.fromkeys(("f", "df1", "df2", "p_value"), nan) | {"mean_squares": None}
    return no_test | {"estimate": fit.icc(noise, IN_WORDS[form])}, tuple(notes), fit.sources


def _cautions(ms: kernels.MeanSquares, form: str, value: float) -> tuple[str, ...]:
    one_way, average = form in ("ICC(1)", "ICC(k)"), form.endswith("k)")
    # with trials that differ less than error REML drops them, and people may then stand out a little after all
    without_trials = float(kernels.icc_values(ms, "ICC(k)" if average else "ICC(1)"))
    reml = fixed(without_trials, 2) if without_trials > 0 else "0"
    what = "The estimate is negative" if isfinite(value) else f"{form} cannot be estimated"
    return told({
        f"{what}: people differ less than error alone would make them differ; by REML the value would be {reml}.":
            not value >= 0,
        "No residual error at all, so no F interval; were the scores rounded or copied?":
            (ms.within if one_way else ms.error) == 0,
        "A one-way form ignores the order of trials; with a fixed order its interval is too narrow when later trials "
        "are shifted. Use ICC(A,1) for a retest.": one_way and ms.trials > ms.error,
        "Two trials give the shift between trials one degree of freedom: the interval is wide and lopsided.":
            ms.k == 2 and form.startswith("ICC(A"),
        f"Holds only if the score in use is the mean of {ms.k} trials; a best-of score is not a mean.": average,
    })  # fmt: skip
