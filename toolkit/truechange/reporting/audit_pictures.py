"""The pictures of an audit: three of the first page, and those of its sections."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from truechange.figures import changes_against_thresholds, flow_boxes, share_rows, step_bars
from truechange.foundation import drawing
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.numbers import decimals_of, fixed, percent
from truechange.foundation.result import Part
from truechange.measures import measure as measure_named
from truechange.numerics.small_cells import HIDDEN
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.enough import share_of
from truechange.programme.parts import Refused
from truechange.programme.periods import WORDS, draw_trend
from truechange.reporting.audit_tables import held_to
from truechange.reporting.page import Columns, Picture
from truechange.responders.true_share import CumulativeChange

if TYPE_CHECKING:
    import pandas as pd

WHICH = "Does the choice of the threshold matter"
COURSE = "Pain and soreness by week, as far as at least five people trained"
COLUMN = 4.1  # inches drawn for half a page: print shrinks them, letters stay readable


def changes(audit: ProgrammeAudit) -> Picture | None:
    """Draw every person's improvement against both thresholds; None where the change may not be told."""
    if isinstance(audit.change[audit.primary], Refused):
        return None
    known: Any = audit.known[audit.primary]
    mcid = getattr(known, "mcid", None)
    drawn = changes_against_thresholds(
        audit.pairs[audit.primary]["improvement"],
        mdc=getattr(known, "mdc", None),
        mcid=mcid if isinstance(mcid, Threshold) else None,
        ax=drawing.axes(width=COLUMN, height=4.3),
    )
    said = audit.change[audit.primary].sentence()
    return Picture(drawn, f"Every person's improvement, least to most, against the MDC and the MCID. {said}")


def steps(audit: ProgrammeAudit, flow: "pd.DataFrame") -> Picture:
    """Draw how many people are left from starting to being counted."""
    shown = flow[~flow["step"].str.startswith("not compared") & (flow["people"] > 0)]
    left = {str(step): int(people) for step, people in zip(shown["step"], shown["people"], strict=True)}
    drawn = step_bars(left, ax=drawing.axes(width=COLUMN, height=0.4 + 0.4 * len(left)))
    whole: Any = audit.flow[audit.primary]
    return Picture(drawn, whole.alt)


def arms(audit: ProgrammeAudit) -> Picture:
    """Draw the flow of people, an arm for the programme and, where there is one, for those compared with."""
    versus: Any = audit.comparison[audit.primary]
    flows: dict[str, Any] = {audit.programme: audit.flow[audit.primary], audit.compare: getattr(versus, "flow", None)}
    flows = {name: one for name, one in flows.items() if one is not None}
    said = " ".join(f"{name}: {one.sentence()}" for name, one in flows.items())
    return Picture(flow_boxes(flows), f"People from starting to being compared. {said}")


def shares(audit: ProgrammeAudit) -> Picture | None:
    """Draw the share that changed enough beside what error alone gives and the true share; None without thresholds."""
    enough = audit.responders[audit.primary]
    if not isinstance(enough, Part):
        return None
    shown = {"by at least the MCID,\nof those due": enough.counted,
             "by at least the MDC,\nof those due": enough.beyond_error,
             "error alone, of those\ntested twice": enough.from_error,
             "true change, of those\ntested twice": enough.true_share}  # fmt: skip
    rows: dict[str, Estimate | float] = {
        words: share_of(part) for words, part in shown.items() if not isinstance(part, Refused)
    }
    if not rows:
        return None
    return Picture(share_rows(rows, ax=drawing.axes(width=COLUMN, height=2.3)), enough.alt)


def how_many_changed(audit: ProgrammeAudit, choice: "pd.DataFrame") -> list[Picture]:
    """Draw the share at every threshold as a curve, and beside it at those that could have been chosen."""
    made = []
    curve: Any = getattr(audit.responders[audit.primary], "curve", None)
    if isinstance(curve, CumulativeChange):
        drawn = curve.plot(ax=half())
        lines, words = drawn.get_legend_handles_labels()
        short = [word.removeprefix("everyone").removeprefix(", ") or "changed, as measured" for word in words]
        drawn.legend(lines, short, loc="upper right", fontsize=7, facecolor="white", framealpha=1, edgecolor="none")
        made.append(Picture(drawn, curve.alt, "Share that changed by at least each amount"))
    if len(choice):
        test = measure_named(audit.primary)
        places = decimals_of(test.resolution) + 1
        named = [
            (f"{row['held_against']}\n{fixed(row['threshold'], places)} {test.unit}", row)
            for row in choice.to_dict("records")
        ]
        rows = [Estimate(value=row["share"], low=row["low"], high=row["high"]) for _, row in named]
        strong = [at for at, (_, row) in enumerate(named) if row["held_against"] == held_to(audit, audit.primary)]
        said = "; ".join(f"{words.replace(chr(10), ', ')}: {percent(row['share'])}" for words, row in named)
        drawn = drawing.interval_rows([words for words, _ in named], rows, ax=half(), strong=strong)
        for at, row in enumerate(rows):
            drawn.text(1.02, at, percent(row.value), va="center", fontsize=9, color=drawing.INK, clip_on=False)
        drawn.set_xlim(0, 1)
        drawing.percent_axis(drawn)
        drawn.set_xlabel("share of those due")
        made.append(Picture(drawn, f"Share of those due that changed by at least each threshold. {said}.", WHICH))
    return made


def how_far_it_holds(part: Part, unit: str) -> list[Picture]:
    """Draw share and mean against how much worse the missing did, with what each is held against."""
    worse = "if the missing did worse than people like them"
    share = Picture(part.plot(ax=half()), part.alt, f"Share, {worse}")
    if part.tips_mean is None:
        return [share]
    ax = half()
    rows = part.tipping
    ax.fill_between(rows["delta"], rows["mean_low"], rows["mean_high"], color=drawing.ACCENT, alpha=0.2)
    ax.plot(rows["delta"], rows["mean"], color=drawing.ACCENT, lw=2)
    drawing.mark_line(ax, part.no_change, "no change", colour=drawing.WARM)
    if part.tips_mean == part.tips_mean:
        drawing.mark_line(ax, part.tips_mean, "tips", along="x", colour=drawing.WARM)
    ax.set_xlabel(part.scale)
    ax.set_ylabel(f"mean improvement ({unit})")
    said = f"Mean improvement falling as the missing are assumed to have done worse. {part.sentences()[2]}"
    return [share, Picture(ax, said, f"Mean, {worse}")]


def units(part: Part, rows: "pd.DataFrame", unit: str) -> list[Picture]:
    """Draw the funnel, and the mean improvement at equal score before, of units that may be shown."""
    shown = (rows["changed_enough"] != HIDDEN).to_numpy() & (rows["due"] != HIDDEN).to_numpy()
    if part.dispersion != part.dispersion or not shown.any():  # too few units for limits
        return []
    made = [Picture(part.plot(ax=half()), part.alt, f"Share of each {unit} with the limits for chance")]
    if "mean" in rows and (rows["mean"] != HIDDEN).any():
        kept = rows[rows["mean"].notna() & (rows["mean"] != HIDDEN)]
        means = [Estimate(value=row["mean"], low=row["mean_low"], high=row["mean_high"]) for _, row in kept.iterrows()]
        drawn = drawing.interval_rows(
            [str(name) for name in kept[unit]], means, ax=half(), unit="mean improvement at equal score before"
        )
        least, most = fixed(float(kept["mean"].min()), 1), fixed(float(kept["mean"].max()), 1)
        said = f"Mean improvement at equal score before with its interval, one row a {unit}, from {least} to {most}."
        made.append(Picture(drawn, said, "Mean improvement with its interval, in order of names, never of results"))
    return made


def beside(pictures: Sequence[Picture]) -> list[Columns]:
    """Set pictures beside each other; nothing for none."""
    return [Columns([[picture] for picture in pictures])] if pictures else []


def half() -> Any:
    """Return axes for half a page."""
    return drawing.axes(width=COLUMN, height=2.9)


def trend_charts(part: Part) -> list[Picture]:
    """Draw the share, and the mean improvement, period by period."""
    made = []
    for what, words in WORDS.items():
        if part.lines[what]:
            drawn = draw_trend(part.facts, what, half())
            made.append(
                Picture(drawn, f"{words.capitalize()}, period by period. {part.sentence()}", words.capitalize())
            )
    return made


def training(dose: Part) -> list[Picture]:
    """Draw the improvement against training days, and pain and soreness by week where enough people trained."""
    borne = dose.tolerance
    pictures = [Picture(dose.plot(ax=half()), dose.alt, "Improvement against training days")]
    if isinstance(borne, Part) and len(borne.weeks):
        drawn = borne.plot(ax=half())
        top = float(borne.weeks[["pain_before", "pain_after", "soreness_next_day"]].max().max())
        drawn.set_ylim(0, 10 if top > 5 else 6)
        pictures.append(Picture(drawn, borne.alt, COURSE))
    return pictures
