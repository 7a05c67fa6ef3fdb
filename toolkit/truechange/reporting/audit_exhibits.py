"""The exhibits of an audit: its tables, those of any export unrounded and those of the page, and its pictures.

Small counts are hidden before (:meth:`ProgrammeAudit.public`); nothing is computed anew.
"""

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from truechange.figures import changes_against_thresholds, flow_boxes, share_rows, step_bars
from truechange.foundation import drawing
from truechange.foundation.drawing import cell_text
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import decimals_of, fixed, p_value, percent, with_interval
from truechange.foundation.result import ByMeasure, Part, Refused
from truechange.measures.catalogue import measure as measure_named
from truechange.numerics.small_cells import HIDDEN
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.known import share_of
from truechange.programme.periods import WORDS, draw_trend
from truechange.programme.training import EVENT_RATE
from truechange.reporting.methods import in_words
from truechange.reporting.page import Picture
from truechange.reporting.tables import ReadyTable, bare_p, estimate_cell, interval_cells
from truechange.responders.counting import size_of

TABLES = {
    "flow": "flow", "rows": "quality", "protocols": "protocols", "baseline": "baseline",
    "error and importance": "known", "change": "change", "changed enough": "responders", "missing": "missing",
    "comparison": "comparison", "start and regression": "regression", "periods": "periods", "targets": "standards",
    "training": "dose", "sites": "sites", "therapists": "therapists",
}  # fmt: skip
CHOICE = ["measure", "held_against", "threshold", "people", "of", "share", "low", "high"]
SHARE, MEAN = ("share", "low", "high"), ("mean", "mean_low", "mean_high")  # a value and its limits
FARTHER = (0.0, 0.5, 1.0, 2.0, 3.0, 5.0)  # thresholds; the page's extract of the tipping point
EQUAL_START = "improvement at equal score before"
COURSE = "Pain and soreness by week, as far as at least five people trained"
COLUMN = 4.1  # inches drawn for half a page: print shrinks them, letters stay readable


def computed(part: Any) -> Any:
    """Return a part, or None where it was not computed."""
    return None if isinstance(part, Refused) else part


class OneTest:
    """One test of an audit as a report shows it: its scale, its thresholds, each part of the audit (None if refused).

    Parameters
    ----------
    audit : ProgrammeAudit
        Its parts are attributes by the same names: ``test.change``, ``test.missing``.
    key : str, optional
        Which test; the primary one by default.
    """

    def __init__(self, audit: ProgrammeAudit, key: str = "") -> None:
        self.audit, self.key = audit, key or audit.primary
        self.measure, self.name = measure_named(self.key), audit.flow.names[self.key]
        self.unit, self.places = self.measure.unit, decimals_of(self.measure.resolution) + 1
        numbers = ("sem", "mdc", "mcid", "practice")
        self.sem, self.mdc, self.mcid, self.practice = (computed(getattr(self.known, name, None)) for name in numbers)
        self.limit_word = "MDC95" if self.mcid is None else "MCID"  # what a change is held against
        shares = ("counted", "beyond_error", "from_error", "true_share", "curve")
        by_mcid, by_mdc, error, self.true_share, self.curve = (
            computed(getattr(self.responders, name, None)) for name in shares
        )
        # who reached the threshold, what error alone gives of it, and the threshold in steps of the test
        self.by_mcid, self.counted = by_mcid, by_mcid or by_mdc
        limit = None if self.counted is None else self.counted.threshold
        self.size = "" if limit is None else limit.shown(self.measure.resolution)
        self.error = error if limit and error and abs(error.threshold.value - limit.value) < 1e-9 else None

    def __getattr__(self, name: str) -> Any:
        part = getattr(self.audit, name)
        return computed(part.parts.get(self.key) if isinstance(part, ByMeasure) else part)


def audit_tables(audit: ProgrammeAudit) -> dict[str, pd.DataFrame]:
    """Return the tables that go into any export, by name.

    Parameters
    ----------
    audit : ProgrammeAudit
        The audit, from which :meth:`ProgrammeAudit.public` is taken where that was not done.
    """
    audit = audit.public()
    tables = {"tests": audit.table()} | {name: getattr(audit, part).table() for name, part in TABLES.items()}
    tables |= {"threshold choice": _threshold_choice(audit), "tipping point": _tipping(audit)}
    borne = getattr(audit.dose, "tolerance", None)
    tables |= {"training by week": borne.weeks, "adverse events": borne.events} if isinstance(borne, Part) else {}
    for name in ("sites", "therapists"):
        tables[name] = tables[name].rename(columns={"unit": name.removesuffix("s")})
    return {name: frame.map(in_words) for name, frame in tables.items() if len(frame)}


def measure_rows(frame: pd.DataFrame, measure: str) -> pd.DataFrame:
    """Return the rows of one test, without the column that names it."""
    if "measure" not in frame:
        return frame
    return frame[frame["measure"] == measure].drop(columns="measure").reset_index(drop=True)


def _threshold_choice(audit: ProgrammeAudit) -> pd.DataFrame:
    """Return the share at each threshold and at the limits of the MCID, ordered by the threshold."""
    frames = []
    for one in (OneTest(audit, key) for key in audit.measures):
        if one.known is None or one.curve is None:
            continue
        limits = {} if one.mdc is None else {"MDC95": one.mdc.value}
        if one.mcid is not None:
            limits["MCID"] = one.mcid.value
            if one.mcid.has_interval:
                limits |= {"lower limit of the MCID": one.mcid.low, "upper limit of the MCID": one.mcid.high}
        whole = next(iter(one.curve.improvement.values())).size
        for words, threshold in limits.items():
            row = one.curve.at(threshold).assign(measure=one.key, held_against=words, of=whole)
            frames.append(row.assign(people=(row["share"] * whole).round().astype(int)))
    table = pd.concat(frames, ignore_index=True)[CHOICE] if frames else pd.DataFrame(columns=CHOICE)
    return table.sort_values(["measure", "threshold"], kind="stable", ignore_index=True)


def _tipping(audit: ProgrammeAudit) -> pd.DataFrame:
    """Return the tipping point of every test below each other: measure, thresholds_worse, share, mean, intervals."""
    parts: dict[str, Any] = {key: part for key, part in audit.missing.parts.items() if hasattr(part, "mean")}
    falls = {
        key: Part({}, part.tipping.rename(columns={"delta": "thresholds_worse"}), ())
        for key, part in parts.items()
        if part.mean is not None
    }
    return replace(audit.missing, parts=falls).table()


def counted_rows(rows: pd.DataFrame, test: OneTest) -> pd.DataFrame:
    """Write threshold and people in words, for a table narrow enough for a small screen."""
    limits = {limit.value: size_of(limit) for limit in (test.mcid, test.mdc) if limit is not None}
    people = [
        f"{fixed(count, 1).removesuffix('.0')} of {fixed(whole, 0)}" if count == count else "–"
        for count, whole in zip(rows["people"], rows["of"], strict=True)
    ]
    measured = np.where(rows["note"] == "of those measured", " (of those measured)", "")
    threshold = rows["threshold"].map(lambda at: limits.get(at, "–"))
    return rows.assign(quantity=rows["quantity"] + measured, threshold=threshold, people=people).drop(
        columns=["of", "note"]
    )


def trend_rows(rows: pd.DataFrame, places: int) -> pd.DataFrame:
    """Write each period's people, share and mean improvement into three columns."""
    return rows.assign(
        period=rows["period"] + np.where(rows["complete"], "", ", not complete"),
        threshold=[fixed(threshold, places) for threshold in rows["threshold"]],
        changed_of_due=interval_cells(rows, SHARE), mean_improvement=interval_cells(rows, MEAN, places),
    )[["period", "due", "tested", "threshold", "changed_of_due", "mean_improvement"]]  # fmt: skip


def tipping_table(rows: pd.DataFrame, test: OneTest) -> ReadyTable:
    """Show share and mean if the missing did worse than people like them, in a few steps."""
    word, unit, places = test.limit_word, test.unit, test.places
    size = (test.mdc if test.mcid is None else test.mcid).value
    rows = rows[[min(abs(worse - step) for step in FARTHER) < 1e-6 for worse in rows["thresholds_worse"]]]
    worse = [f"{far:g} × {word}" if far > 1e-6 else "as people like them" for far in rows["thresholds_worse"]]
    means = interval_cells(rows, MEAN, places, HIDDEN)
    head = ("the missing did worse by", "changed enough (95% CI)", f"mean improvement, {unit} (95% CI)")
    body = tuple(zip(worse, interval_cells(rows, SHARE), means, strict=True))
    note = f"1 × {word} = {fixed(size, places)} {unit}."
    return ReadyTable("If the missing did worse than people like them", head, body, (note,))


def comparison_tables(part: Part) -> list[ReadyTable]:
    """Set the two groups beside each other; subgroups named beforehand in a table of their own."""

    def plain(one: Estimate) -> str:
        return estimate_cell(one, one.decimals)

    def p_of(tested: Any) -> str:
        return p_value(tested.p_value).removeprefix("p ")

    unit, shares, spread = part.adjusted.unit, computed(part.responders), part.response
    rows = [(f"difference of mean improvements, {unit}", plain(part.unadjusted), "–"),
            ("the same at equal score before", plain(part.adjusted), p_of(part))]  # fmt: skip
    if shares is not None:
        need = shares.number_needed_to_treat
        rows += [(f"changed enough, {part.programme}", estimate_cell(shares.first), "–"),
                 (f"changed enough, {part.compare}", estimate_cell(shares.second), "–"),
                 ("difference of these shares", estimate_cell(shares.difference), p_of(shares))]  # fmt: skip
        if part.adjusted_shares is not None:
            rows.append(("the same at equal score before, of those measured", estimate_cell(part.adjusted_shares), "–"))
        needed = str(need).replace(f"{100 * need.confidence:g}% CI ", "")
        rows += [("people needed in the programme for one more who changed enough", needed, "–"),
                 ("risk ratio", plain(shares.risk_ratio), "–")]  # fmt: skip
    spreads = ((f"SD of change, {part.programme}", fixed(spread.sd_programme, 2)),
               (f"SD of change, {part.compare}", fixed(spread.sd_comparison, 2)),
               ("SD of the people's own response", plain(spread.value)))  # fmt: skip
    note = "Own response: what is left of the spread of change once the spread of the other group is taken off."
    title = f"{part.programme} beside {part.compare}"
    tables = [ReadyTable(title, ("", "value (95% CI)", "p"), tuple(rows), part.cautions),
              ReadyTable("Do people differ in their response", ("", f"{unit} (95% CI)"), spreads, (note,))]  # fmt: skip
    if len(named := part.subgroups):
        differs = interval_cells(named, ("estimate", "low", "high"), 2)
        body = zip(named["fact"], differs, map(bare_p, named["p"]), map(str, named["people"]), strict=True)
        heads = ("subgroup named beforehand", f"the difference differs by, {unit} (95% CI)", "p", "people")
        tables.append(ReadyTable("Does the difference depend on who it is", heads, tuple(body)))
    return tables


def baseline(frame: pd.DataFrame) -> ReadyTable:
    """Set the groups side by side: mean (SD) or count (share), and how many are not known."""
    sizes = frame.groupby("group", sort=False)["started"].first()
    records = {(row["group"], row["fact"], row["level"] or ""): row for row in frame.to_dict("records")}
    rows = []
    for fact, level in dict.fromkeys(zip(frame["fact"], frame["level"].fillna(""), strict=True)):
        name = str(fact).replace("_cm", " (cm)").replace("_kg", " (kg)")
        cells = [_fact(records.get((group, fact, level))) for group in sizes.index]
        rows.append((f"{name}: {level}" if level else name, *cells))
    head = ("", *(f"{group} ({size} started)" for group, size in sizes.items()))
    note = "Mean (SD), or people (share of those known)."
    return ReadyTable("The people when they started", head, tuple(rows), (note,))


def _fact(row: dict[Any, Any] | None) -> str:
    if row is None:
        return "0"
    unknown = f"; {'some' if row['missing'] == HIDDEN else row['missing']} not known" if row["missing"] else ""
    if HIDDEN in (row["count"], row["mean"]):
        return HIDDEN
    if row["count"] == row["count"] and row["count"] is not None:
        return cell_text(row["count"], 0) + ("" if row["share"] == HIDDEN else f" ({percent(row['share'])})")
    return f"{fixed(row['mean'], 1)} ({fixed(row['sd'], 1)}){unknown}"


def all_tests(audit: ProgrammeAudit) -> ReadyTable:
    """Set every test beside the others, each with the digits of its own scale."""
    rows = []
    holm: Any = audit.table().set_index("measure").get("p_holm", {})
    for one in (OneTest(audit, key) for key in audit.measures):
        flow, change, mcid = one.flow, one.change, one.mcid
        rows.append((
            one.name, f"{flow.compared} of {flow.due} due" if flow else "–",
            change.mean.text(one.places).replace("95% CI ", "") if change else "–",
            bare_p(holm[one.key]) if one.key in holm else "–",
            fixed(mcid.value, one.places) if mcid else "–",
            *("–" if share is None else estimate_cell(share_of(share)) for share in (one.by_mcid, one.true_share)),
        ))  # fmt: skip
    head = ("test", "compared", "mean improvement (95% CI)", "p, all tests", "MCID", "improved by at least the MCID",
            "true change above the MCID")  # fmt: skip
    notes = (
        f"p, all tests: of the mean improvement, raised because {len(audit.measures)} tests were looked at.",
        "Improved by at least the MCID: of those due. True change: of those measured, error taken out.",
        "The first test is the primary one; the others are support.",
    )
    return ReadyTable("Every test side by side", head, tuple(rows), notes)


def training_table(dose: Part) -> ReadyTable:
    """Set what was planned beside what was done, and how it was borne."""

    def cell(row: dict[Any, Any]) -> str:
        name, value = row["quantity"], row["value"]
        if value == HIDDEN:
            return HIDDEN
        if name.startswith(("people due", "people with", "median training days")):
            return fixed(value, 0)
        if row["low"] == row["low"] and row["low"] is not None:
            return with_interval(value, row["low"], row["high"], 1 if name == EVENT_RATE else 2)
        return percent(float(value))

    unit = f", {dose.unit}" if dose.unit else ""
    rows = [
        (row["quantity"] + (unit if row["quantity"].startswith("improvement") else ""), cell(row))
        for row in dose.table().to_dict("records")
        if not row["quantity"].startswith("p (")  # told in the sentence
    ]
    return ReadyTable("Training of those due", ("", "value (95% CI)"), tuple(rows), dose.cautions)


def _estimates(rows: pd.DataFrame, columns: tuple[str, ...]) -> list[Estimate]:
    """Return three columns of numbers (value and limits) as estimates."""
    return [Estimate(value=value, low=low, high=high) for value, low, high in rows[list(columns)].to_numpy(dtype=float)]


def _half() -> Any:
    """Return axes for half a page."""
    return drawing.axes(width=COLUMN, height=2.9)


def changes(test: OneTest) -> Picture | None:
    """Draw every person's improvement against both thresholds; None where the change may not be told."""
    if test.change is None:
        return None
    improvements, ax = test.audit.pairs[test.key]["improvement"], drawing.axes(width=COLUMN, height=4.3)
    drawn = changes_against_thresholds(improvements, mdc=test.mdc, mcid=test.mcid, ax=ax)
    words = "Every person's improvement, least to most, against the MDC and the MCID."
    return Picture(drawn, f"{words} {test.change.sentence()}")


def steps(test: OneTest, flow: pd.DataFrame) -> Picture:
    """Draw how many people are left from starting to being counted."""
    shown = flow[~flow["step"].str.startswith("not compared") & (flow["people"] > 0)]
    left = {str(step): int(people) for step, people in zip(shown["step"], shown["people"], strict=True)}
    return Picture(step_bars(left, ax=drawing.axes(width=COLUMN, height=0.4 + 0.4 * len(left))), test.flow.alt)


def arms(test: OneTest) -> Picture:
    """Draw the flow of people, an arm for the programme and, where there is one, for those compared with."""
    audit, others = test.audit, getattr(test.comparison, "flow", None)
    flows = {audit.programme: test.flow} | ({} if others is None else {audit.compare: others})
    words = " ".join(f"{name}: {flow.sentence()}" for name, flow in flows.items())
    return Picture(flow_boxes(flows), f"People from starting to being compared. {words}")


def shares(test: OneTest) -> Picture | None:
    """Draw the share that changed enough beside what error alone gives and the true share; None without thresholds."""
    if (enough := test.responders) is None:
        return None
    shown = {"by at least the MCID,\nof those due": enough.counted,
             "by at least the MDC,\nof those due": enough.beyond_error,
             "error alone, of those\ntested twice": enough.from_error,
             "true change, of those\ntested twice": enough.true_share}  # fmt: skip
    rows = {words: share_of(part) for words, part in shown.items() if not isinstance(part, Refused)}
    return Picture(share_rows(rows, ax=drawing.axes(width=COLUMN, height=2.3)), enough.alt) if rows else None


def how_many_changed(test: OneTest, choice: pd.DataFrame) -> list[Picture]:
    """Draw the share at every threshold as a curve, and beside it at those that could have been chosen."""
    pictures = []
    if (curve := test.curve) is not None:
        drawn = curve.plot(ax=_half())
        lines, words = drawn.get_legend_handles_labels()
        short = [word.removeprefix("everyone").removeprefix(", ") or "changed, as measured" for word in words]
        drawn.legend(lines, short, loc="upper right", fontsize=7, facecolor="white", framealpha=1, edgecolor="none")
        pictures.append(Picture(drawn, curve.alt, "Share that improved by at least each amount"))
    if len(choice):
        limits = (fixed(limit, test.places) for limit in choice["threshold"])
        names = [f"{word}\n{at} {test.unit}" for word, at in zip(choice["held_against"], limits, strict=True)]
        rows = dict(zip(names, _estimates(choice, SHARE), strict=True))
        strong = np.flatnonzero(choice["held_against"] == test.limit_word).tolist()
        words = "; ".join(f"{name.replace(chr(10), ', ')}: {percent(row.value)}" for name, row in rows.items())
        drawn = share_rows(rows, ax=_half(), strong=strong)
        drawn.set_xlabel("share of those due")
        seen = f"Share of those due that improved by at least each threshold. {words}."
        pictures.append(Picture(drawn, seen, "Does the choice of the threshold matter"))
    return pictures


def how_far_it_holds(test: OneTest) -> list[Picture]:
    """Draw share and mean against how much worse the missing did, with what each is held against."""
    part, worse = test.missing, "if the missing did worse than people like them"
    share = Picture(part.plot(ax=_half()), part.alt, f"Share, {worse}")
    if part.tips_mean is None:
        return [share]
    ax, rows = _half(), part.tipping
    ax.fill_between(rows["delta"], rows["mean_low"], rows["mean_high"], color=drawing.ACCENT, alpha=0.2)
    ax.plot(rows["delta"], rows["mean"], color=drawing.ACCENT, lw=2)
    drawing.mark_line(ax, part.no_change, "no change", colour=drawing.WARM)
    if part.tips_mean == part.tips_mean:
        drawing.mark_line(ax, part.tips_mean, "tips", along="x", colour=drawing.WARM)
    ax.set_xlabel(part.scale)
    ax.set_ylabel(f"mean improvement ({test.unit})")
    seen = f"Mean improvement falling as the missing are assumed to have done worse. {part.sentences()[2]}"
    return [share, Picture(ax, seen, f"Mean, {worse}")]


def units(part: Part, rows: pd.DataFrame, unit: str) -> list[Picture]:
    """Draw the funnel, and the mean improvement at equal score before, of units that may be shown."""
    shown = (rows["changed_enough"] != HIDDEN).to_numpy() & (rows["due"] != HIDDEN).to_numpy()
    if part.dispersion != part.dispersion or not shown.any():  # too few units for limits
        return []
    pictures = [Picture(part.plot(ax=_half()), part.alt, f"Share of each {unit} with the limits for chance")]
    if "mean" in rows and (rows["mean"] != HIDDEN).any():
        known = rows[rows["mean"].notna() & (rows["mean"] != HIDDEN)]
        axis = "mean improvement at equal score before"
        drawn = drawing.interval_rows(list(map(str, known[unit])), _estimates(known, MEAN), ax=_half(), unit=axis)
        least, most = fixed(float(known["mean"].min()), 1), fixed(float(known["mean"].max()), 1)
        seen = f"Mean improvement at equal score before with its interval, one row a {unit}, from {least} to {most}."
        pictures.append(Picture(drawn, seen, "Mean improvement with its interval, in order of names, never of results"))
    return pictures


def trend_charts(part: Part) -> list[Picture]:
    """Draw the share, and the mean improvement, period by period."""
    pictures = []
    for what, words in WORDS.items():
        if part.lines[what]:
            title, drawn = words.capitalize(), draw_trend(part.facts, what, _half())
            pictures.append(Picture(drawn, f"{title}, period by period. {part.sentence()}", title))
    return pictures


def training(dose: Part) -> list[Picture]:
    """Draw the improvement against training days, and pain and soreness by week where enough people trained."""
    borne = dose.tolerance
    pictures = [Picture(dose.plot(ax=_half()), dose.alt, "Improvement against training days")]
    if isinstance(borne, Part) and len(borne.weeks):
        drawn = borne.plot(ax=_half())
        top = float(borne.weeks[["pain_before", "pain_after", "soreness_next_day"]].max().max())
        drawn.set_ylim(0, 10 if top > 5 else 6)
        pictures.append(Picture(drawn, borne.alt, COURSE))
    return pictures
