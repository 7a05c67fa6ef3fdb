"""Reporting checklists: filled where the analysis knows the answer, left as a question where it does not."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from truechange.foundation.errors import ChoiceError, check_choice, listed
from truechange.foundation.result import Result
from truechange.reporting.tables import ReadyTable

if TYPE_CHECKING:
    import pandas as pd

ITEMS = Path(__file__).with_name("checklists.toml")
QUESTION = "For you to answer."


@cache
def _lists() -> dict[str, Any]:
    return tomllib.loads(ITEMS.read_text(encoding="utf-8"))


@dataclass(frozen=True)
class Checklist(Result):
    """One checklist with what the analysis knows filled in.

    Parameters
    ----------
    name, title : str
        Short name and heading.
    rows : tuple of (str, str, str)
        Number, what to report, the answer; an empty answer is a question left to the author.
    sources : tuple of str
        Bibliography key of the guideline. Items are in our own words.
    """

    name: str
    title: str
    rows: tuple[tuple[str, str, str], ...]
    sources: tuple[str, ...]
    cautions: tuple[str, ...] = ()

    @property
    def filled(self) -> int:
        """How many items the analysis could answer."""
        return sum(bool(answer) for _, _, answer in self.rows)

    def table(self) -> "pd.DataFrame":
        """Return item, what to report, answer and who answered it."""
        import pandas as pd

        rows = [
            {"item": number, "report": what, "answer": answer, "answered": bool(answer)}
            for number, what, answer in self.rows
        ]
        return pd.DataFrame(rows, columns=["item", "report", "answer", "answered"])

    def sentences(self) -> tuple[str, ...]:
        """Say how far the list is filled."""
        return (f"{self.title}: {self.filled} of {len(self.rows)} items answered from the analysis.",)

    def ready(self) -> ReadyTable:
        """Return it as a table to paste; open items carry a question."""
        rows = tuple((f"{number}. {what}", answer or QUESTION) for number, what, answer in self.rows)
        return ReadyTable(self.title, ("to report", "in this analysis"), rows)


def checklist(name: str, known: Mapping[str, str]) -> Checklist:
    """Fill one checklist from what the analysis knows.

    Parameters
    ----------
    name : {"grras", "cosmin_error", "consort_outcomes", "consort_pro"}
        Which list: reliability and agreement, measurement error, outcomes, outcomes people rate themselves.
    known : mapping of str to str
        Answers by the name of the fact they state; facts no item asks for are refused.

    Raises
    ------
    ChoiceError
        `name` is unknown, or a fact is not asked for in any checklist.

    Examples
    --------
    >>> filled = checklist("grras", {"instrument": "30-second chair stand, in stands"})
    >>> filled.filled, len(filled.rows)
    (1, 15)
    """
    lists = _lists()
    check_choice("name", name, tuple(lists))
    asked = {fact for one in lists.values() for _, _, fact in one["items"] if fact}
    if strange := [fact for fact in known if fact not in asked]:
        raise ChoiceError(f"No checklist asks for {listed(strange)}; facts are {listed(sorted(asked), most=40)}.")
    one = lists[name]
    rows = tuple((number, what, known.get(fact, "")) for number, what, fact in one["items"])
    return Checklist(name, one["title"], rows, (one["source"],))
