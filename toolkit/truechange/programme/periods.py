"""Trend over periods (run chart, control chart), and audit against a standard (targets decided by the interval)."""

from collections.abc import Mapping
from functools import partial
from math import nan, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import chdtrc, fdtrc

from truechange.foundation.errors import ChoiceError, DataError, check_choice, listed
from truechange.foundation.numbers import decimals_of, fixed, p_value, percent, reaches, with_interval
from truechange.foundation.result import Part, told
from truechange.measures.settings import TARGETS
from truechange.numerics import intervals as charts
from truechange.numerics.intervals import mean_limits_of, welch_of_moments, wilson_limits
from truechange.numerics.small_cells import HIDDEN, few, masked
from truechange.programme.flow import COMPARED, DOOR, UNABLE, UNLIKE, start_of
from truechange.responders.comparing import compare_responders

if TYPE_CHECKING:
    from matplotlib.axes import Axes

EVERY = {"month": "M", "quarter": "Q", "year": "Y"}
COUNTS = ["period", "complete", "due", "tested", "changed_enough", "mean", "sd", "threshold"]
KEPT = ["programme", "test", "unit", "before", "after", "every", *COUNTS]  # the columns of a file of saved counts
LISTED, TICKS = 6, 8  # periods told one by one; periods named under a picture
CHARTED = {"run": ("perla2011",), "control": ("laney2002", "nelson1984")}
UNTIL = " to "  # between first and last of periods that were joined
WORDS = {"share": "share of those due that changed enough", "mean": "mean improvement"}
EXPECTED = 5.0  # people expected in every cell of the chi-square test, as usual


def counts_by_period(people: pd.DataFrame, threshold: float, every: str) -> tuple[pd.DataFrame, int]:
    """Count people by the period in which they started.

    Parameters
    ----------
    people : DataFrame
        One row a person who started, from :func:`truechange.programme.flow.with_states`.
    threshold : float
        Smallest change that counts, in the unit of the test; NaN where none is known.
    every : {"month", "quarter", "year"}
        Length of a period.

    Returns
    -------
    DataFrame, int
        ``COUNTS``, one row a period in order of time, also those without anybody; people without a date.
    """
    starts = start_of(people)
    dated, when = people[starts.notna()], starts[starts.notna()].dt.to_period(EVERY[every])
    if dated.empty:
        return pd.DataFrame(columns=COUNTS), len(people)
    gains = dated["improvement"].where(dated["due"])
    people_of = dated.assign(gain=gains, reached=reaches(gains, threshold)).groupby(when)
    rows = people_of.agg(
        started=("due", "size"), due=("due", "sum"), tested=("gain", "count"), changed_enough=("reached", "sum"),
        mean=("gain", "mean"), sd=("gain", "std"),
    ).reindex(pd.period_range(when.min(), when.max()))  # fmt: skip
    counts = ["started", "due", "tested", "changed_enough"]
    rows[counts] = rows[counts].fillna(0).astype(int)
    if threshold != threshold:
        rows["changed_enough"] = nan
    words = rows.index.astype(str).str.replace("Q", " Q")
    rows = rows.assign(period=words, complete=rows["started"] == rows["due"], threshold=threshold)
    return rows[COUNTS].reset_index(drop=True), len(people) - len(dated)


def trend(
    counts: pd.DataFrame, *, every: str, unit: str, resolution: float, undated: int = 0,
    saved: pd.DataFrame | None = None, confidence: float = 0.95,
) -> Part:  # fmt: skip
    """Set periods beside each other: shares and means with intervals, a run or control chart, and its rules.

    Parameters
    ----------
    counts : DataFrame
        From :func:`counts_by_period`.
    every : str
        Length of a period, in words.
    unit : str
        Of the test.
    resolution : float
        Its smallest step.
    undated : int, optional
        People without a date, who are in no period.
    saved : DataFrame, optional
        Counts that an earlier audit of the same programme and test kept (``KEPT``), for periods this file lacks.
    confidence : float, optional
        Level of the intervals.

    Returns
    -------
    Part
        Table: period, complete (nobody not yet due), due, tested, changed_enough, mean, sd, threshold, saved, share,
        low, high, mean_low, mean_high. ``chart`` ("run" below 12 complete periods, else "control"), ``marks`` (rules),
        ``differ`` and ``means_differ`` (p of no difference between periods; NaN where too few people), ``last``
        (the last complete period less the one before: ``share``, an Estimate, and ``mean`` with its limits), ``lines``.
    """
    here, notes = counts.assign(saved=False), dict[str, object]()
    if saved is not None and len(saved):
        here, notes = _with_saved(here, saved, unit)
    return _told({"rows": here, "every": every, "unit": unit, "resolution": resolution, "undated": undated,
                  "confidence": confidence, "notes": notes})  # fmt: skip


def saved_rows(part: Part, **about: str) -> pd.DataFrame:
    """Return the counts of a trend as a file keeps them (``KEPT``), small periods joined where they are so here."""
    return part.rows.assign(every=part.every, unit=part.unit, **about)[KEPT]


def _with_saved(here: pd.DataFrame, saved: pd.DataFrame, unit: str) -> tuple[pd.DataFrame, dict[str, object]]:
    """Return the saved periods that end before this file begins, then this file's own; what was left out is said."""
    if lacking := [name for name in KEPT if name not in saved]:
        raise DataError(f"The saved counts lack {listed(lacking)}: no audit wrote them so.")
    same = saved["unit"] == unit
    ends = saved["period"].astype(str).str.split(UNTIL).str[-1]
    before = same & (ends < str(here["period"].min()) if len(here) else True)
    again, other = saved.loc[same & ~before, "period"], sorted(set(saved.loc[~same, "unit"].astype(str)))
    notes: dict[str, object] = {
        f"Saved counts of {', '.join(map(str, again))} gave way to those of this file.": len(again),
        f"Saved counts in another unit ({', '.join(other)}) were left out.": other,
    }
    return pd.concat([saved.loc[before, COUNTS].assign(saved=True), here], ignore_index=True), notes


def _with_intervals(rows: pd.DataFrame, confidence: float) -> pd.DataFrame:
    k, n = rows["changed_enough"].to_numpy(float), rows["due"].to_numpy(float)
    low, high = wilson_limits(k, n, confidence)
    with np.errstate(divide="ignore", invalid="ignore"):
        rows = rows.assign(share=k / n, low=low, high=high)
    moments = (rows[name].to_numpy(float) for name in ("mean", "sd", "tested"))
    edges = [mean_limits_of(mean, sd, int(tested), confidence) for mean, sd, tested in zip(*moments, strict=True)]
    return rows.assign(mean_low=[low for low, _ in edges], mean_high=[high for _, high in edges])


def _told(facts: Mapping[str, Any], *, hide: bool = True) -> Part:
    """Return the trend with its chart, words and cautions, from the numbers that may be told."""
    rows = _with_intervals(facts["rows"], facts["confidence"])
    last = rows["threshold"].dropna().iloc[-1:]
    same = rows["threshold"].isna() | (rows["threshold"] - (last.iloc[0] if len(last) else nan)).abs().lt(1e-9)
    usable = rows[same & rows["complete"].astype(bool) & (rows["due"] > 0)]
    chart = "control" if len(usable) >= charts.FEWEST else "run"
    lines = {what: _lines(usable[usable[what].notna()], what, chart) for what in WORDS}
    found = {
        **facts, "rows": rows, "chart": chart, "usable": usable, "other": rows[~same], "lines": lines,
        "marks": _marks(lines, chart), "differ": _shares_differ(usable), "means_differ": _means_differ(usable),
        "last": _last_two(usable, facts["confidence"]),
    }  # fmt: skip
    what = "share" if usable["share"].notna().any() else "mean"
    seen = f"{WORDS[what].capitalize()} by the {facts['every']} in which people started, with its interval."
    return Part(
        found, rows, _says(found), _cautions(found), ("newcombe1998a", *CHARTED[chart]), seen,
        partial(draw_trend, found, what), partial(_hidden, facts) if hide else None, height=3.0,
    )  # fmt: skip


def _hidden(facts: Mapping[str, Any]) -> Part:
    """Return the trend with periods of few people joined to a neighbour, until no count has to be hidden."""
    rows = facts["rows"]
    own = rows[~rows["saved"].astype(bool)].reset_index(drop=True)
    while len(own) > 1:
        due, changed, tested = (own[name].fillna(0).to_numpy(int) for name in ("due", "changed_enough", "tested"))
        small = few(due) | few(changed) | few(due - changed) | few(tested) | few(due - tested)
        if not small.any():
            break
        at = int(np.flatnonzero(small)[due[small].argmin()])
        beside = min((place for place in (at - 1, at + 1) if 0 <= place < len(own)), key=lambda place: due[place])
        own = _join(own, min(at, beside))
    together = pd.concat([rows[rows["saved"].astype(bool)], own], ignore_index=True)
    return _told({**facts, "rows": together, "joined": len(together) < len(rows)}, hide=False)


def _join(rows: pd.DataFrame, at: int) -> pd.DataFrame:
    """Return the rows with `at` and the next one as one period, its mean and SD those of all their people."""
    pair = rows.iloc[at : at + 2]
    first, last = (str(period).split(UNTIL)[side] for period, side in zip(pair["period"], (0, -1), strict=True))
    n, mean, sd = (pair[name].fillna(0).to_numpy(float) for name in ("tested", "mean", "sd"))
    whole = float((n * mean).sum() / n.sum()) if n.sum() else nan
    squares = float((np.maximum(n - 1, 0) * sd**2 + n * (mean - whole) ** 2).sum()) if n.sum() > 1 else nan
    sums = pair[["due", "tested", "changed_enough"]].sum(min_count=1)
    one = {"period": f"{first}{UNTIL}{last}", "complete": bool(pair["complete"].all()), **sums, "mean": whole,
           "sd": sqrt(squares / (n.sum() - 1)) if squares == squares else nan, "saved": False,
           "threshold": pair["threshold"].iloc[-1]}  # fmt: skip
    return pd.concat([rows.iloc[:at], pd.DataFrame([one]), rows.iloc[at + 2 :]], ignore_index=True)[rows.columns]


def _lines(rows: pd.DataFrame, what: str, chart: str) -> dict[str, Any]:
    """Return centre and limits of a chart: the median alone for a run chart; p′ or XmR limits for a control chart."""
    if len(rows) < 2:
        return {}
    values = rows[what].to_numpy(float)
    lines: dict[str, Any] = {"periods": rows["period"].tolist(), "values": values}
    if chart == "run":
        return lines | {"centre": float(np.median(values))}
    if what == "share":
        centre, low, high, spread = charts.share_limits(rows["changed_enough"], rows["due"])
        return lines | {"centre": centre, "low": low, "high": high, "spread": spread}
    centre, least, most = charts.xmr_limits(values)
    return lines | {"centre": centre, "low": np.full(len(rows), least), "high": np.full(len(rows), most)}


def _marks(lines_of: Mapping[str, dict[str, Any]], chart: str) -> dict[tuple[str, str], list[str]]:
    """Return what the rules of the chart mark: share or mean and the rule in words, and the periods."""
    row, run = charts.TREND if chart == "control" else charts.RISE, charts.RUN
    marks = {}
    for what, lines in lines_of.items():
        values = lines.get("values", np.empty(0))
        rules = {f"{row} or more in a row rising or falling": charts.in_a_row(values, row)}
        if "low" in lines:  # a run chart is too short for runs: of 11 periods 5 lie on one side of their median
            rules[f"{run} or more in a row on one side of the centre"] = charts.one_side(values, lines["centre"], run)
            rules["beyond the limits"] = (values < lines["low"] - 1e-12) | (values > lines["high"] + 1e-12)
        for rule, hits in rules.items():
            if hits.any():
                marks[what, rule] = [lines["periods"][at] for at in np.flatnonzero(hits)]
    return marks


def _shares_differ(rows: pd.DataFrame) -> float:
    """Return p of Pearson's chi-square that all periods have one share; NaN where too few people are expected."""
    rows = rows[rows["share"].notna()]
    k, n = rows["changed_enough"].to_numpy(float), rows["due"].to_numpy(float)
    if len(rows) < 2 or not 0 < k.sum() < n.sum():
        return nan
    share = k.sum() / n.sum()
    if (n * min(share, 1 - share)).min() < EXPECTED:
        return nan
    return float(chdtrc(len(rows) - 1, ((k - n * share) ** 2 / (n * share * (1 - share))).sum()))


def _means_differ(rows: pd.DataFrame) -> float:
    """Return p of Welch's analysis of variance (1951) that all periods have one mean; NaN for fewer than two."""
    rows = rows[(rows["sd"] > 0) & (rows["tested"] > 1)]
    groups = len(rows)
    if groups < 2:
        return nan
    mean, sd, n = (rows[name].to_numpy(float) for name in ("mean", "sd", "tested"))
    weight = n / sd**2
    common = (weight * mean).sum() / weight.sum()
    loss = ((1 - weight / weight.sum()) ** 2 / (n - 1)).sum() / (groups**2 - 1)
    f = (weight * (mean - common) ** 2).sum() / (groups - 1) / (1 + 2 * (groups - 2) * loss)
    return float(fdtrc(groups - 1, 1 / (3 * loss), f))


def _last_two(usable: pd.DataFrame, confidence: float) -> dict[str, Any]:
    """Return the differences of the last complete period from the one before it."""
    rows = usable[usable["share"].notna() | usable["mean"].notna()].tail(2)
    if len(rows) < 2:
        return {}
    old, new = rows.to_dict("records")
    last: dict[str, Any] = {"periods": (old["period"], new["period"])}
    if rows["share"].notna().all():
        k1, n1, k2, n2 = (int(row[name]) for row in (new, old) for name in ("changed_enough", "due"))
        last["share"] = compare_responders(k1, n1, k2, n2, confidence).difference
    if rows["sd"].notna().all():
        later, earlier = ((row["mean"], row["sd"] ** 2, int(row["tested"])) for row in (new, old))
        last["mean"] = (new["mean"] - old["mean"], *welch_of_moments(later, earlier, confidence))
    return last


def _says(facts: Mapping[str, Any]) -> tuple[str, ...]:
    rows, every, last = facts["usable"], facts["every"], facts["last"]
    if len(rows) < 2:
        return (f"Fewer than two {every}s are complete: nothing can be said of a trend yet.",)
    says, shown = [], rows[rows["share"].notna()]
    if len(shown):
        ends, which = (shown, "") if len(shown) <= LISTED else (shown.iloc[[0, -1]], "first and last ")
        told_of = ends[["period", "share", "due"]].itertuples(index=False)
        shares = ", ".join(f"{period} {percent(share)} of {due:.0f}" for period, share, due in told_of)
        says.append(f"Share of those due that changed enough, by the {every} in which they started: {which}{shares}.")
    for p, what in ((facts["differ"], "shares"), (facts["means_differ"], "mean improvements")):
        differ = "differ" if p < 1 - facts["confidence"] else "do not differ"
        if p == p:
            says.append(f"The {what} of the {len(rows)} periods {differ} by more than chance explains ({p_value(p)}).")
    gaps, level = [], f"{100 * facts['confidence']:g}% CI"
    if "share" in last:
        gaps.append(last["share"].scaled(100, unit="percentage points").text(0))
    if "mean" in last and last["mean"][1] == last["mean"][1]:
        gap, low, high = (fixed(value, decimals_of(facts["resolution"]) + 1) for value in last["mean"])
        gaps.append(f"{gap} {facts['unit']} in the mean ({level} {low} to {high})")
    if gaps:
        says.append(f"{last['periods'][1]} less {last['periods'][0]}: {' and '.join(gaps)}.")
    limits = f"too few for limits ({charts.FEWEST}), so a run chart around the median"
    if facts["chart"] == "control":
        limits = "limits for chance are drawn"
    marks = [f"{WORDS[what]}, {rule} ({', '.join(periods)})" for (what, rule), periods in facts["marks"].items()]
    marked = f"Its rules mark: {'; '.join(marks)}." if marks else "Its rules mark nothing."
    return (*says, f"{len(rows)} complete periods: {limits}. {marked}")


def _cautions(facts: Mapping[str, Any]) -> tuple[str, ...]:
    rows, every, other, undated = facts["rows"], facts["every"], facts["other"], facts["undated"]
    ahead = rows.loc[~rows["complete"].astype(bool), "period"].tolist()
    sizes = ", ".join(f"{row['period']}: {row['threshold']:g}" for row in other.to_dict("records"))
    several = len(facts["usable"]) > 1
    return told(facts["notes"] | {
        f"Not complete, so drawn hollow and in no rule: {', '.join(ahead)}; some of their people are not yet due.":
            ahead,
        f"Counted against another threshold, so drawn apart and in no rule: {sizes} {facts['unit']}.": len(other),
        f"{every.capitalize()}s with too few people to be shown were joined to the one beside them.":
            facts.get("joined"),
        f"{undated} people have neither a start date nor a first test with a date: they are in no {every}.": undated,
        f"Where nothing changes, each of these tests still finds in one audit of twenty that {every}s differ.": several,
        f"Who came may have changed from {every} to {every}, not only what was done with them.": several,
    })  # fmt: skip


def draw_trend(facts: Mapping[str, Any], what: str, ax: "Axes") -> "Axes":
    """Draw a run or control chart of the ``share`` or the ``mean``: points with intervals, centre, limits, marks."""
    from truechange.foundation import drawing

    rows, lines, usable = facts["rows"], facts["lines"][what], set(facts["usable"]["period"])
    at = {period: place for place, period in enumerate(rows["period"])}
    low, high = ("low", "high") if what == "share" else ("mean_low", "mean_high")
    marked = {period for (of, _), periods in facts["marks"].items() if of == what for period in periods}
    ax.vlines(range(len(rows)), rows[low].astype(float), rows[high].astype(float), color=drawing.LINE, lw=2)
    for row in rows.to_dict("records"):
        colour = drawing.WARM if row["period"] in marked else drawing.ACCENT
        ax.plot(at[row["period"]], row[what], "D" if row["period"] in marked else "o", color=colour, ms=6, zorder=3,
                mfc=colour if row["period"] in usable else "white")  # fmt: skip
    if lines:
        places = [at[period] for period in lines["periods"]]
        ax.plot(places, lines["values"], "-", color=drawing.QUIET, lw=1)
        value = percent(lines["centre"]) if what == "share" else fixed(lines["centre"], 1)
        drawing.mark_line(ax, lines["centre"], f"{'median' if facts['chart'] == 'run' else 'all'} {value}", dash="-")
        for edge in [edge for edge in ("low", "high") if edge in lines]:
            ax.step(places, lines[edge], where="mid", color=drawing.QUIET, lw=1, ls="--")
    named = rows["period"].astype(str).str.replace(UNTIL, " to\n")[:: 1 + len(rows) // TICKS]
    ax.set_xticks(list(named.index), list(named))
    ax.set_xlim(-0.5, len(rows) - 0.5)
    if what == "share":
        ax.set_ylim(0, 1)
        drawing.percent_axis(ax, "y")
    ax.set_ylabel("changed enough, of those due" if what == "share" else f"mean improvement ({facts['unit']})")
    return ax


STANDARDS = dict(zip(TARGETS, (  # what may be aimed at, in words, and of whom it is a share
    ("tested again", "of those due"), ("tested the same way both times", "of those with two scores"),
    ("changed enough", "of those due"),
), strict=True))  # fmt: skip
REACHED, MISSED, OPEN, NO_TARGET = "reached", "not reached", "not decided", "no target was set"
UNKNOWN = "cannot be told from these data"
AIMED = ["standard", "whom", "people", "of", "share", "low", "high", "target", "verdict"]


def standards(
    people: pd.DataFrame, changed_enough: Any, targets: Mapping[str, float], confidence: float = 0.95
) -> Part:  # fmt: skip
    """Hold what was found against what was aimed at, by the interval and not by the figure alone.

    Parameters
    ----------
    people : DataFrame
        One row a person due, with state (:func:`truechange.programme.flow.with_states`).
    changed_enough : int or None
        How many of them changed enough; None where that cannot be said.
    targets : mapping of str to float
        Share aimed at (0 to 1), for any of ``STANDARDS``.
    confidence : float, optional
        Level of the intervals (Wilson).

    Returns
    -------
    Part
        Table: standard, whom, people, of, share, low, high, target, verdict ("reached" where the whole interval lies at
        or above the target, "not reached" where it lies below, else "not decided").

    Raises
    ------
    ChoiceError
        A target for something else, or one that is no share.
    """
    for name, target in targets.items():
        check_choice("targets", name, tuple(STANDARDS))
        if not 0 < target <= 1:
            raise ChoiceError(f"The target for {name} is {target!r}; give a share above 0 and at most 1, such as 0.85.")
    state, due = people["state"].value_counts(), len(people)
    compared, unlike, unable, door = (int(state.get(name, 0)) for name in (COMPARED, UNLIKE, UNABLE, DOOR))
    both, rows = compared + unlike, []
    counts = {"tested": (both + unable + door, due), "same_way": (compared, both),
              "changed_enough": (changed_enough, due)}  # fmt: skip
    for name, (k, n) in counts.items():
        target, known = targets.get(name, nan), k is not None and n
        k = k if known else nan
        low, high = (float(edge) for edge in wilson_limits(k, n, confidence))
        verdict = NO_TARGET if target != target else REACHED if low >= target else MISSED if high < target else OPEN
        row = (*STANDARDS[name], k, n, k / max(n, 1), low, high, target, verdict if known else UNKNOWN)
        rows.append(dict(zip(AIMED, row, strict=True)))
    return _standards_told(pd.DataFrame(rows, columns=AIMED))


def _standards_told(frame: pd.DataFrame, *, hide: bool = True) -> Part:
    """Return the standards with their words, from the numbers that may be told."""
    aimed = frame[frame["target"].notna()]
    says = [
        f"{row['standard'].capitalize()}, {row['whom']}: "
        + ("" if row["share"] in (HIDDEN, None) else f"{with_interval(row['share'], row['low'], row['high'])}, ")
        + f"target {percent(row['target'])}: {row['verdict']}."
        for row in aimed.astype(object).where(aimed.notna(), None).to_dict("records")
    ] or ["No target was set."]
    notes = {"Whether a target is reached is told from the whole interval, not from the figure alone.": len(aimed)}
    return Part({"rows": frame}, frame, tuple(says), told(notes), ("newcombe1998a",),
                hide=partial(_standards_hidden, frame) if hide else None)  # fmt: skip


def _standards_hidden(frame: pd.DataFrame) -> Part:
    """Return the standards without shares that would tell of fewer than five people."""
    small = few(frame["people"]) | few(frame["of"] - frame["people"])
    return _standards_told(masked(frame, small, ["people", "share", "low", "high", "verdict"]), hide=False)
