"""The training part of an audit as it may leave the house: done, as meant, borne; few people never counted out."""

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from truechange.foundation.numbers import fixed, percent
from truechange.programme.dose import Dose
from truechange.programme.fidelity import Fidelity
from truechange.programme.tolerance import Tolerance
from truechange.reporting.audit_pictures import beside, half
from truechange.reporting.page import Block, Picture, Words
from truechange.reporting.small_cells import HIDDEN, LEAST, suppress
from truechange.reporting.tables import ReadyTable

if TYPE_CHECKING:
    import pandas as pd

EVENT_RATE = "adverse events per 1,000 training days"
COURSE = "Pain and soreness by week, as far as at least five people trained"
FEW = f"fewer than {LEAST}"


def training_tables(dose: Dose, *, small_cells: bool = False) -> "dict[str, pd.DataFrame]":
    """Return the tables of the training part: its quantities, the weeks, and the adverse events.

    Parameters
    ----------
    dose : Dose
        The part of the audit.
    small_cells : bool, optional
        Keep numbers that rest on, or leave over, one to four people.
    """
    held = {"training": dose.table()}
    if isinstance(dose.tolerance, Tolerance):
        held |= {"training by week": dose.tolerance.weeks.copy(), "adverse events": dose.tolerance.events.copy()}
    return held if small_cells else {name: _hide(name, frame, dose) for name, frame in held.items()}


def _hide(name: str, frame: "pd.DataFrame", dose: Dose) -> "pd.DataFrame":
    if name == "training by week":
        return suppress(frame, {"people": None}, with_them={"people": [*frame.columns[2:]]})
    if name == "adverse events":
        return suppress(frame, {"people": None}, with_them={"people": ["count"]})
    few = {"people with a training log"} if _few(len(dose.people) - int(dose.people["logged"].sum())) else set()
    if isinstance(dose.fidelity, Fidelity):
        people = dose.fidelity.people
        moved = people[people["advances"] > 0]
        kept = int((moved["advances"] == moved["advances_kept"]).sum())
        for words, k, n in (
            ("people who went lower or heavier", len(moved), len(people)),
            ("people whose every advance kept the rule", kept, len(moved)),
        ):
            few |= {words} if _few(k) or _few(n - k) else set()
    if isinstance(dose.tolerance, Tolerance) and _rate_tells(dose.tolerance.events):
        few |= {EVENT_RATE}
    hide = frame["quantity"].isin(few)
    return frame.assign(
        **{
            part: frame[part].astype(object).mask(hide & frame[part].notna(), HIDDEN)
            for part in ("value", "low", "high")
        }
    )


def _few(people: int) -> bool:
    return 0 < people < LEAST


def _rate_tells(events: "pd.DataFrame") -> bool:
    """Whether the number of all events gives away one kind that few people had."""
    return len(events) > 0 and (_few(int(events["people"].sum())) or (len(events) == 1 and _few(events["people"][0])))


def training_blocks(dose: Dose, tables: "dict[str, pd.DataFrame]") -> list[Block]:
    """Lay the training part out, from the tables as they may be shown."""
    values: dict[str, Any] = {row["quantity"]: row for row in tables["training"].to_dict("records")}
    shown = tables.get("training by week")
    borne = None
    if shown is not None and isinstance(dose.tolerance, Tolerance):
        weeks = dose.tolerance.weeks[(shown["people"] != HIDDEN).to_numpy()]
        borne = replace(dose.tolerance, weeks=weeks) if len(weeks) else None
    hidden_log = values["people with a training log"]["value"] == HIDDEN
    first = dose.sentences()[0]
    if hidden_log:
        first = f"All but {FEW} people who started kept a training log."
    said = [first]
    for part in (dose.response, dose.fidelity):
        said += part.sentences() if type(part).__name__ != "Refused" else ()
    if borne is not None:
        said += [*borne.sentences()[:2], _events(tables.get("adverse events", ()), values[EVENT_RATE])]
    pictures = [Picture(dose.plot(ax=half()), _seen(dose.alt, first), "Improvement against training days")]
    if borne is not None:
        drawn = borne.plot(ax=half())
        top = float(borne.weeks[["pain_before", "pain_after", "soreness_next_day"]].max().max())
        drawn.set_ylim(0, 10 if top > 5 else 6)
        pictures.append(Picture(drawn, f"Mean pain before and after training and soreness by week. {said[-3]}", COURSE))
    cautions = [f"{FEW.capitalize()} people kept no log; nothing is assumed of their training."] if hidden_log else []
    cautions += [text for text in dose.cautions if not (hidden_log and "kept no log" in text)]
    return [Words(said), *beside(pictures), _table(values, dose.unit, tuple(cautions))]


def _seen(alt: str, first: str) -> str:
    """Give the picture's words the sentence that may be shown."""
    return alt.split(". ")[0] + ". " + first


def _events(events: "pd.DataFrame | tuple[()]", rate: "dict[str, Any]") -> str:
    if isinstance(events, tuple) or not len(events):
        return "No adverse event was written down; that is not the same as none happened."
    kinds = zip(events["adverse_event"], events["count"], events["people"], strict=True)
    told = "; ".join(
        f"{kind}: number hidden" if count == HIDDEN else f"{kind}: {count}, in {people} people"
        for kind, count, people in kinds
    )
    if rate["value"] == HIDDEN:
        return f"Adverse events written down: {told} (counts of one to four people are hidden)."
    often = f"{fixed(rate['value'], 1)} ({fixed(rate['low'], 1)} to {fixed(rate['high'], 1)})"
    return f"Adverse events written down: {told}. That is {often} per 1,000 training days."


def _table(values: "dict[str, Any]", unit: str, cautions: tuple[str, ...]) -> ReadyTable:
    rows = []
    for name, row in values.items():
        value, low = row["value"], row["low"]
        if name.startswith("p ("):  # told in the sentence
            continue
        if value == HIDDEN:
            cell = HIDDEN
        elif name.startswith(("people who started", "people with", "median training days")):
            cell = fixed(value, 0)
        elif low == low and low is not None:
            places = 2 if name.startswith("improvement") else 1
            cell = f"{fixed(value, places)} ({fixed(low, places)} to {fixed(row['high'], places)})"
        else:
            cell = percent(float(value))
        rows.append((f"{name}, {unit}" if name.startswith("improvement") and unit else name, cell))
    if any(cell == HIDDEN for _, cell in rows):
        cautions = ("A number is hidden where it rests on, or leaves over, one to four people.", *cautions)
    return ReadyTable("Training of those who started", ("", "value (95% CI)"), tuple(rows), cautions)
