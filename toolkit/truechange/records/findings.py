"""Everything the door noticed, gathered while reading: place, value, problem, remedy; and which rows it set aside."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from truechange.records.rules import KINDS, fit_to_show

COLUMNS = ("sheet", "row", "column", "value", "problem", "remedy", "severity", "kind", "repair")

_RANK = {"error": 0, "warning": 1, "note": 2}


@dataclass
class Findings:
    """Collects problems sheet by sheet, and which rows are set aside for which reason."""

    _columns: dict[str, list[Any]] = field(default_factory=lambda: {name: [] for name in COLUMNS})
    _aside: dict[str, dict[str, list[Any]]] = field(default_factory=dict)
    _derived: dict[str, str] = field(default_factory=dict)

    def add(
        self,
        kind: str,
        sheet: str,
        rows: Any,
        column: str = "",
        *,
        values: Sequence[str] | None = None,
        facts: Mapping[str, Any] | Sequence[Mapping[str, Any]] | None = None,
        repairs: Sequence[str] = (),
        aside: bool = True,
    ) -> None:
        """Note `kind` at `rows` of `sheet`.

        Parameters
        ----------
        kind : str
            One of the declared kinds.
        sheet, column : str
            Where; `column` as the file calls it.
        rows : int or array of int
            Row numbers.
        values : sequence of str, optional
            What stands there, one a row.
        facts : mapping or sequence of mapping, optional
            What the wording needs, for all rows or one a row.
        repairs : sequence of str, optional
            What the cell was read as, where that loses nothing.
        aside : bool
            False keeps the rows in use although the kind would set them aside (a cell that is not needed).
        """
        rule, places = KINDS[kind], np.atleast_1d(np.asarray(rows, dtype=np.int64))
        if not len(places):
            return
        shown = [fit_to_show(value) for value in values] if values is not None else [""] * len(places)
        each = facts if isinstance(facts, Sequence) else [facts or {}] * len(places)
        filled = [{"column": column, "value": value, **more} for value, more in zip(shown, each, strict=True)]
        fixed = {"sheet": sheet, "column": column, "severity": rule.severity, "kind": kind}
        parts = {name: [text] * len(places) for name, text in fixed.items()}
        parts |= {"row": places.tolist(), "value": shown, "repair": list(repairs) or [""] * len(places)}
        parts |= {"problem": [rule.says.format_map(one) for one in filled]}
        parts |= {"remedy": [rule.remedy.format_map(one) for one in filled]}
        for name, column_of in self._columns.items():
            column_of += parts[name]
        if rule.reason and aside:
            self._aside.setdefault(sheet, {}).setdefault(rule.reason, []).append(places)

    def derived(self, sheet: str, table: str) -> str:
        """Return a name for a table taken out of `sheet`: rows set aside are its own, findings stand in the sheet."""
        name = f"{sheet} ({table})"
        self._derived[name] = sheet
        return name

    def is_derived(self, sheet: str) -> bool:
        """Whether the rows of `sheet` were taken out of another, where they are counted already."""
        return sheet in self._derived

    def aside(self, sheet: str) -> Any:
        """Return the row numbers of `sheet` set aside so far, each once."""
        held = [places for parts in self._aside.get(sheet, {}).values() for places in parts]
        return np.unique(np.concatenate(held)) if held else np.empty(0, dtype=np.int64)

    def reason_of(self, sheet: str) -> dict[int, str]:
        """Return why each row of `sheet` was set aside: the reason found first."""
        found: dict[int, str] = {}
        for reason, parts in self._aside.get(sheet, {}).items():
            for row in np.concatenate(parts).tolist():
                found.setdefault(row, reason)
        return found

    def reasons(self, sheet: str) -> dict[str, int]:
        """Count the rows of `sheet` set aside by reason; a row with several reasons counts under the first found."""
        counts: dict[str, int] = {}
        seen = np.empty(0, dtype=np.int64)
        for reason, parts in self._aside.get(sheet, {}).items():
            fresh = np.setdiff1d(np.concatenate(parts), seen)
            counts[reason] = len(fresh)
            seen = np.union1d(seen, fresh)
        return counts

    def frame(self) -> pd.DataFrame:
        """Return all findings, errors first, then by sheet and row."""
        held = self._columns | {"sheet": [self._derived.get(name, name) for name in self._columns["sheet"]]}
        if not held["row"]:
            return pd.DataFrame({name: pd.Series(dtype="int64" if name == "row" else "str") for name in COLUMNS})
        key = list(zip(map(_RANK.get, held["severity"]), held["sheet"], held["row"], strict=True))
        order = sorted(range(len(key)), key=key.__getitem__)
        return pd.DataFrame(
            {name: [column[place] for place in order] for name, column in held.items()}
        ).drop_duplicates(ignore_index=True)
