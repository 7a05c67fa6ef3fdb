"""The training part of an audit laid out: done, as meant, borne."""

from typing import Any

from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Part
from truechange.numerics.small_cells import HIDDEN
from truechange.programme.training import EVENT_RATE
from truechange.reporting.audit_pictures import beside, half
from truechange.reporting.page import Block, Picture, Words
from truechange.reporting.tables import ReadyTable

COURSE = "Pain and soreness by week, as far as at least five people trained"


def training_blocks(dose: Part) -> list[Block]:
    """Lay the training part out, from the part as it may be shown."""
    borne = dose.tolerance
    pictures = [Picture(dose.plot(ax=half()), dose.alt, "Improvement against training days")]
    if isinstance(borne, Part) and len(borne.weeks):
        drawn = borne.plot(ax=half())
        top = float(borne.weeks[["pain_before", "pain_after", "soreness_next_day"]].max().max())
        drawn.set_ylim(0, 10 if top > 5 else 6)
        pictures.append(Picture(drawn, borne.alt, COURSE))
    return [Words(dose.sentences()), *beside(pictures), _table(dose)]


def _table(dose: Part) -> ReadyTable:
    rows = []
    for row in dose.table().to_dict("records"):
        name, cell = row["quantity"], _cell(row)
        if not name.startswith("p ("):  # told in the sentence
            rows.append((f"{name}, {dose.unit}" if name.startswith("improvement") and dose.unit else name, cell))
    return ReadyTable("Training of those due", ("", "value (95% CI)"), tuple(rows), dose.cautions)


def _cell(row: "dict[Any, Any]") -> str:
    name, value, low = row["quantity"], row["value"], row["low"]
    if value == HIDDEN:
        return HIDDEN
    if name.startswith(("people due", "people with", "median training days")):
        return fixed(value, 0)
    if low == low and low is not None:
        places = 1 if name == EVENT_RATE else 2
        return f"{fixed(value, places)} ({fixed(low, places)} to {fixed(row['high'], places)})"
    return percent(float(value))
