"""Everything the door noticed, gathered while reading: place, value, problem, remedy; and which rows it set aside."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from truechange.records.rules import KINDS

if TYPE_CHECKING:
    from numpy.typing import NDArray

COLUMNS = ["sheet", "row", "column", "value", "problem", "remedy", "severity", "kind"]


@dataclass
class Findings:
    """Collects problems sheet by sheet, and which rows are set aside for which reason."""

    _parts: list[pd.DataFrame] = field(default_factory=list)
    _aside: dict[str, dict[str, list["NDArray[np.int64]"]]] = field(default_factory=dict)

    def add(
        self,
        kind: str,
        sheet: str,
        rows: "Sequence[int] | NDArray[np.int64] | int",
        column: str = "",
        value: Any = "",
        facts: "Mapping[str, Any] | Sequence[Mapping[str, Any]]" = (),
        *,
        aside: bool = True,
    ) -> None:
        """Note `kind` at `rows` of `sheet`; `value` and `facts` are one for all rows or one a row.

        With ``aside=False`` the rows stay in use although the kind would set them aside (a cell that is not needed).
        """
        rule = KINDS[kind]
        places = np.atleast_1d(np.asarray(rows, dtype=np.int64))
        if not len(places):
            return
        values = [value] * len(places) if isinstance(value, str) or not hasattr(value, "__len__") else list(value)
        if isinstance(facts, Mapping) and (isinstance(value, str) or "{value}" not in rule.says + rule.remedy):
            texts: Any = rule.says.format_map({"column": column, "value": value, **facts})
            remedies: Any = rule.remedy.format_map({"column": column, "value": value, **facts})
        else:
            each = [facts or {}] * len(places) if isinstance(facts, Mapping) or not facts else facts
            filled = [{"column": column, "value": one, **more} for one, more in zip(values, each, strict=True)]
            texts = [rule.says.format_map(one) for one in filled]
            remedies = [rule.remedy.format_map(one) for one in filled]
        self._parts.append(
            pd.DataFrame(
                {
                    "sheet": sheet,
                    "row": places,
                    "column": column,
                    "value": [str(one) for one in values],
                    "problem": texts,
                    "remedy": remedies,
                    "severity": rule.severity,
                    "kind": kind,
                }
            )
        )
        if rule.reason and aside:
            self._aside.setdefault(sheet, {}).setdefault(rule.reason, []).append(places)

    def aside(self, sheet: str) -> "NDArray[np.int64]":
        """Return the row numbers of `sheet` set aside so far, each once."""
        held = [places for parts in self._aside.get(sheet, {}).values() for places in parts]
        return np.unique(np.concatenate(held)) if held else np.empty(0, dtype=np.int64)

    def reasons(self, sheet: str) -> dict[str, int]:
        """Count the rows of `sheet` set aside by reason; a row with several reasons counts under the first found."""
        counts: dict[str, int] = {}
        seen = np.empty(0, dtype=np.int64)
        for reason, parts in self._aside.get(sheet, {}).items():
            fresh = np.setdiff1d(np.concatenate(parts), seen)
            if len(fresh):
                counts[reason] = len(fresh)
                seen = np.union1d(seen, fresh)
        return counts

    def frame(self) -> pd.DataFrame:
        """Return all findings, errors first, then by sheet and row."""
        if not self._parts:
            return pd.DataFrame({name: pd.Series(dtype="int64" if name == "row" else "str") for name in COLUMNS})
        found = pd.concat(self._parts, ignore_index=True)
        order = found["severity"].map({"error": 0, "warning": 1, "note": 2})
        return found.assign(order=order).sort_values(["order", "sheet", "row"], kind="stable", ignore_index=True)[
            COLUMNS
        ]
