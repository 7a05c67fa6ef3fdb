"""Every table of an audit: those of any export, unrounded, and those of the page; small counts are hidden before."""

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from truechange.foundation.drawing import cell_text
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.numbers import decimals_of, fixed, p_value, percent, with_interval
from truechange.foundation.result import Part, Result
from truechange.measures import measure as measure_named
from truechange.numerics.small_cells import HIDDEN
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.enough import share_of
from truechange.programme.parts import ByMeasure, Refused
from truechange.programme.training import EVENT_RATE
from truechange.reporting.tables import ReadyTable
from truechange.responders.comparing import ResponderComparison
from truechange.responders.counting import Responders, size_of
from truechange.responders.true_share import CumulativeChange

if TYPE_CHECKING:
    import pandas as pd

FARTHER = (0.0, 0.5, 1.0, 2.0, 3.0, 5.0)  # thresholds; the page's extract of the tipping point
EQUAL_START = "improvement at equal score before"
CALL = re.compile(r"Give (a retest study, or )?thresholds=\{'(\w+)': \{'(\w+)': \.\.\.\}\}( with its source)?\.")
KIND, BRACKETS, PIECES = re.compile(r"error='([\w-]+)'"), re.compile(r" \(\w+=\)"), re.compile(r"(?<=[.;]) ")
CODE = re.compile(r"\b\w+=|\btc\.|\btruechange [a-z]|\bsem_df\b| --\w|`| \.[a-z]+\b")
ASKED = {"sem": "standard error of measurement", "mcid": "MCID"}


def audit_tables(audit: ProgrammeAudit) -> "dict[str, pd.DataFrame]":
    """Return the tables that go into any export, by name; nothing is computed anew.

    Parameters
    ----------
    audit : ProgrammeAudit
        The audit, from which :meth:`ProgrammeAudit.public` is taken where that was not done.
    """
    audit = audit.public()
    parts: dict[str, Result] = {
        "flow": audit.flow, "rows": audit.quality, "protocols": audit.protocols,
        "baseline": audit.baseline, "error and importance": audit.known, "change": audit.change,
        "changed enough": audit.responders, "missing": audit.missing, "comparison": audit.comparison,
        "start and regression": audit.regression, "periods": audit.periods, "targets": audit.standards,
        "training": audit.dose, "sites": audit.sites,
        "therapists": audit.therapists,
    }  # fmt: skip
    tables = {"tests": audit.table()} | {name: part.table() for name, part in parts.items()}
    tables |= {"threshold choice": threshold_choice(audit), "tipping point": tipping(audit)}
    if isinstance(audit.dose, Part) and isinstance(audit.dose.tolerance, Part):
        tables |= {"training by week": audit.dose.tolerance.weeks, "adverse events": audit.dose.tolerance.events}
    for name in ("sites", "therapists"):
        tables[name] = tables[name].rename(columns={"unit": name.removesuffix("s")})
    return {name: frame_in_words(frame) for name, frame in tables.items() if len(frame)}


def measure_rows(held: "pd.DataFrame", measure: str) -> "pd.DataFrame":
    """Return the rows of one test, without the column that names it."""
    if "measure" not in held:
        return held
    return held[held["measure"] == measure].drop(columns="measure").reset_index(drop=True)


def in_words(text: str) -> str:
    """Say what to give instead of how a programmer would write it.

    Examples
    --------
    >>> in_words("Not known. Give a retest study, or thresholds={'pain_0_10': {'sem': ...}}.")
    'Not known. Give a retest study, or its standard error of measurement in a thresholds file.'
    >>> in_words("It needs the test's SEM (sem=). Give sem_df=12, or pass the estimate itself.")
    "It needs the test's SEM."
    """
    text = KIND.sub(r"the \1 error", text)
    text = CALL.sub(
        lambda found: (
            f"Give {found[1] or ''}its {ASKED.get(found[3], found[3])} in a thresholds file"
            f"{', with the source' if found[4] else ''}."
        ),
        text,
    )
    kept = [piece for piece in PIECES.split(BRACKETS.sub("", text)) if not CODE.search(piece)]
    return f"{' '.join(kept).rstrip(' ;:.')}." if text.endswith(".") and kept else " ".join(kept) or text


def frame_in_words(frame: "pd.DataFrame") -> "pd.DataFrame":
    """Return a table with its texts so worded."""
    return frame.map(lambda value: in_words(value) if isinstance(value, str) else value)


def held_to(audit: ProgrammeAudit, measure: str) -> str:
    """Name the threshold a change in this test is held against."""
    known: Any = audit.known[measure]
    return "MCID" if isinstance(getattr(known, "mcid", None), Threshold) else "MDC95"


def threshold_choice(audit: ProgrammeAudit) -> "pd.DataFrame":
    """Return the share at each threshold and at the limits of the MCID: measure, held_against, threshold, people, ...

    Columns: measure, held_against, threshold, people, of, share, low, high; ordered by the threshold.
    """
    import pandas as pd

    frames = []
    for measure in audit.measures:
        known: Any = audit.known[measure]
        curve = getattr(audit.responders[measure], "curve", None)
        if not isinstance(curve, CumulativeChange) or isinstance(known, Refused):
            continue
        mcid, mdc = known.mcid, known.mdc
        places: dict[str, float] = {} if mdc is None else {"MDC95": mdc.value}
        if isinstance(mcid, Threshold):
            places["MCID"] = mcid.value
            if mcid.has_interval:
                places |= {"lower limit of the MCID": mcid.low, "upper limit of the MCID": mcid.high}
        whole = next(iter(curve.improvement.values())).size
        for words, place in places.items():
            row = curve.at(place).assign(measure=measure, held_against=words, of=whole)
            frames.append(row.assign(people=(row["share"] * whole).round().astype(int)))
    columns = ["measure", "held_against", "threshold", "people", "of", "share", "low", "high"]
    if not frames:
        return pd.DataFrame(columns=columns)
    return pd.concat(frames, ignore_index=True)[columns].sort_values(
        ["measure", "threshold"], kind="stable", ignore_index=True
    )


def tipping(audit: ProgrammeAudit) -> "pd.DataFrame":
    """Return the tipping point of every test below each other: measure, thresholds_worse, share, mean, intervals."""
    import pandas as pd

    tables = [
        part.tipping.rename(columns={"delta": "thresholds_worse"}).assign(measure=measure)
        for measure, part in _computed(audit.missing)
        if part.mean is not None
    ]
    whole = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=["measure"])
    return whole[["measure", *(name for name in whole.columns if name != "measure")]]


def _computed(parts: ByMeasure) -> Iterable[tuple[str, Any]]:
    return ((measure, part) for measure, part in parts.parts.items() if not isinstance(part, Refused))


def counted_rows(rows: "pd.DataFrame", audit: ProgrammeAudit) -> "pd.DataFrame":
    """Write threshold and people in words, for a table narrow enough for a small screen."""
    known: Any = audit.known[audit.primary]
    limits = {limit.value: size_of(limit) for limit in (known.mcid, known.mdc) if isinstance(limit, Threshold)}

    def people(row: "dict[Any, Any]") -> str:
        if row["people"] != row["people"]:
            return "–"
        count = fixed(row["people"], 1).removesuffix(".0")
        return f"{count} of {fixed(row['of'], 0)}"

    told = rows.to_dict("records")
    measured = [f" ({row['note']})" if row["note"] == "of those measured" else "" for row in told]
    return rows.assign(
        quantity=[f"{row['quantity']}{note}" for row, note in zip(told, measured, strict=True)],
        threshold=[limits.get(row["threshold"], "–") for row in told],
        people=[people(row) for row in told],
    ).drop(columns=["of", "note"])


def at_equal_start(rows: "pd.DataFrame", measure: str) -> "pd.DataFrame":
    """Write each unit's mean improvement with its interval into one column, where it is known."""
    if "mean" not in rows:
        return rows
    places = decimals_of(measure_named(measure).resolution) + 1

    def cell(row: "dict[Any, Any]") -> str:
        if row["mean"] == HIDDEN:
            return HIDDEN
        mean = (row["mean"], row["mean_low"], row["mean_high"])
        return with_interval(*mean, places) if row["mean"] == row["mean"] else "–"

    return rows.assign(**{EQUAL_START: [cell(row) for row in rows.to_dict("records")]})


def trend_rows(rows: "pd.DataFrame", measure: str) -> "pd.DataFrame":
    """Write each period's people, share and mean improvement into three columns."""
    places = decimals_of(measure_named(measure).resolution) + 1

    def told(value: float, low: float, high: float, decimals: int | None = None) -> str:
        return "–" if value != value else with_interval(value, low, high, decimals)

    found = rows.to_dict("records")
    complete = [f"{row['period']}{'' if row['complete'] else ', not complete'}" for row in found]
    return rows.assign(
        period=complete, threshold=[fixed(row["threshold"], places) for row in found],
        changed_of_due=[told(row["share"], row["low"], row["high"]) for row in found],
        mean_improvement=[told(row["mean"], row["mean_low"], row["mean_high"], places) for row in found],
    )[["period", "due", "tested", "threshold", "changed_of_due", "mean_improvement"]]  # fmt: skip


def tipping_table(rows: "pd.DataFrame", measure: str, threshold: str, size: float) -> ReadyTable:
    """Show share and mean if the missing did worse than people like them, in a few steps."""
    test = measure_named(measure)
    places = decimals_of(test.resolution) + 1
    body = []
    for row in rows.to_dict("records"):
        if min(abs(row["thresholds_worse"] - step) for step in FARTHER) < 1e-6:
            far = f"{row['thresholds_worse']:g} × {threshold}"
            worse = far if row["thresholds_worse"] > 1e-6 else "as people like them"
            mean = (row["mean"], row["mean_low"], row["mean_high"])
            told = with_interval(*mean, places) if row["mean"] == row["mean"] else HIDDEN
            body.append((worse, with_interval(row["share"], row["low"], row["high"]), told))
    head = ("the missing did worse by", "changed enough (95% CI)", f"mean improvement, {test.unit} (95% CI)")
    note = f"1 × {threshold} = {fixed(size, places)} {test.unit}."
    return ReadyTable("If the missing did worse than people like them", head, tuple(body), (note,))


def comparison_tables(part: Part) -> list[ReadyTable]:
    """Set the two groups beside each other; subgroups named beforehand in a table of their own."""
    unit = part.adjusted.unit
    rows = [(f"difference of mean improvements, {unit}", _plain(part.unadjusted), "–"),
            ("the same at equal score before", _plain(part.adjusted), _p(part))]  # fmt: skip
    shares = part.responders
    if isinstance(shares, ResponderComparison):
        need = shares.number_needed_to_treat
        rows += [(f"changed enough, {part.programme}", _share(shares.first), "–"),
                 (f"changed enough, {part.compare}", _share(shares.second), "–"),
                 ("difference of these shares", _share(shares.difference), _p(shares))]  # fmt: skip
        if part.adjusted_shares is not None:
            rows.append(("the same at equal score before, of those measured", _share(part.adjusted_shares), "–"))
        needed = str(need).replace(f"{100 * need.confidence:g}% CI ", "")
        rows += [("people needed in the programme for one more who changed enough", needed, "–"),
                 ("risk ratio", _plain(shares.risk_ratio), "–")]  # fmt: skip
    head = ("", "value (95% CI)", "p")
    made = [ReadyTable(f"{part.programme} beside {part.compare}", head, tuple(rows), part.cautions)]
    spread = part.response
    body: list[tuple[str, ...]] = [(f"SD of change, {part.programme}", fixed(spread.sd_programme, 2)),
                                   (f"SD of change, {part.compare}", fixed(spread.sd_comparison, 2)),
                                   ("SD of the people's own response", _plain(spread.value))]  # fmt: skip
    note = "Own response: what is left of the spread of change once the spread of the other group is taken off."
    made.append(ReadyTable("Do people differ in their response", ("", f"{unit} (95% CI)"), tuple(body), (note,)))
    if len(part.subgroups):
        body = [
            (row["fact"], with_interval(row["estimate"], row["low"], row["high"], 2),
             bare_p(row["p"]), str(row["people"]))
            for row in part.subgroups.to_dict("records")
        ]  # fmt: skip
        heads = ("subgroup named beforehand", f"the difference differs by, {unit} (95% CI)", "p", "people")
        made.append(ReadyTable("Does the difference depend on who it is", heads, tuple(body)))
    return made


def _share(share: Estimate) -> str:
    return with_interval(share.value, share.low, share.high)


def _plain(kept: Estimate) -> str:
    return with_interval(kept.value, kept.low, kept.high, kept.decimals)


def baseline(frame: "pd.DataFrame") -> ReadyTable:
    """Set the groups side by side: mean (SD) or count (share), and how many are not known."""
    groups = list(dict.fromkeys(frame["group"]))
    facts = dict.fromkeys(zip(frame["fact"], frame["level"].fillna(""), strict=True))
    held = {(row["group"], row["fact"], row["level"] or ""): row for row in frame.to_dict("records")}
    sizes = [held[(group, *next(iter(facts)))]["started"] for group in groups]
    rows = []
    for fact, level in facts:
        cells = [_fact(held.get((group, fact, level))) for group in groups]
        name = str(fact).replace("_cm", " (cm)").replace("_kg", " (kg)")
        rows.append((f"{name}: {level}" if level else name, *cells))
    head = ("", *(f"{group} ({size} started)" for group, size in zip(groups, sizes, strict=True)))
    note = "Mean (SD), or people (share of those known)."
    return ReadyTable("The people when they started", head, tuple(rows), (note,))


def _fact(row: "dict[Any, Any] | None") -> str:
    if row is None:
        return "0"
    unknown = f"; {'some' if row['missing'] == HIDDEN else row['missing']} not known" if row["missing"] else ""
    if HIDDEN in (row["count"], row["mean"]):
        return HIDDEN
    if row["count"] == row["count"] and row["count"] is not None:
        share = "" if row["share"] == HIDDEN else f" ({percent(row['share'])})"
        return f"{cell_text(row['count'], 0)}{share}"
    return f"{fixed(row['mean'], 1)} ({fixed(row['sd'], 1)}){unknown}"


def all_tests(audit: ProgrammeAudit) -> ReadyTable:
    """Set every test beside the others, each with the digits of its own scale."""
    rows = []
    holm: Any = audit.table().set_index("measure").get("p_holm", {})
    for key in audit.measures:
        places = decimals_of(measure_named(key).resolution) + 1
        flow, change, known, enough = (
            _of(part, key) for part in (audit.flow, audit.change, audit.known, audit.responders)
        )
        mcid, counted, true = (getattr(part, name, None) for part, name in
                               ((known, "mcid"), (enough, "counted"), (enough, "true_share")))  # fmt: skip
        rows.append((
            audit.flow.names[key], f"{flow.compared} of {flow.due} due" if hasattr(flow, "due") else "–",
            change.mean.text(places).replace("95% CI ", "") if hasattr(change, "mean") else "–",
            bare_p(holm[key]) if key in holm else "–",
            fixed(mcid.value, places) if isinstance(mcid, Threshold) else "–",
            _share(share_of(counted)) if isinstance(counted, Responders) else "–",
            _share(true) if isinstance(true, Estimate) else "–",
        ))  # fmt: skip
    head = ("test", "compared", "mean improvement (95% CI)", "p, all tests", "MCID", "changed by at least the MCID",
            "true change above the MCID")  # fmt: skip
    notes = (
        f"p, all tests: of the mean improvement, raised because {len(audit.measures)} tests were looked at.",
        "Changed by at least the MCID: of those due. True change: of those measured, error taken out.",
        "The first test is the primary one; the others are support.",
    )
    return ReadyTable("Every test side by side", head, tuple(rows), notes)


def training_table(dose: Part) -> ReadyTable:
    """Set what was planned beside what was done, and how it was borne."""
    rows = []
    for row in dose.table().to_dict("records"):
        name, cell = row["quantity"], _training_cell(row)
        if not name.startswith("p ("):  # told in the sentence
            rows.append((f"{name}, {dose.unit}" if name.startswith("improvement") and dose.unit else name, cell))
    return ReadyTable("Training of those due", ("", "value (95% CI)"), tuple(rows), dose.cautions)


def _training_cell(row: "dict[Any, Any]") -> str:
    name, value, low = row["quantity"], row["value"], row["low"]
    if value == HIDDEN:
        return HIDDEN
    if name.startswith(("people due", "people with", "median training days")):
        return fixed(value, 0)
    if low == low and low is not None:
        places = 1 if name == EVENT_RATE else 2
        return f"{fixed(value, places)} ({fixed(low, places)} to {fixed(row['high'], places)})"
    return percent(float(value))


def _of(part: ByMeasure, measure: str) -> Any:
    return part[measure]


def bare_p(p: float) -> str:
    """Write a p-value without its letter and equals sign, for a column that is headed by them."""
    return p_value(p).removeprefix("p ").removeprefix("= ")


def _p(tested: Any) -> str:
    return p_value(tested.p_value).removeprefix("p ")
