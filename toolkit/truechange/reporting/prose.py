"""Sentences that take every number from a result: a template with a digit in it is refused."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from truechange.foundation.errors import OutcomeError
from truechange.foundation.estimate import Estimate
from truechange.foundation.html import cell_text
from truechange.foundation.numbers import percent
from truechange.foundation.result import Result
from truechange.reporting.references import ReferenceList, cite

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class Share:
    """A share (0 to 1) that is to be written as a percentage."""

    value: float


@dataclass
class Telling:
    """Collects sentences, the numbers they were given and the sources they cite."""

    lines: list[tuple[str, tuple[str, ...]]] = field(default_factory=list)
    facts: list[dict[str, object]] = field(default_factory=list)
    breaks: list[int] = field(default_factory=list)

    def new_paragraph(self) -> None:
        """Let the next sentence begin a paragraph."""
        self.breaks.append(len(self.lines))

    def say(self, template: str, *keys: str, source: str = "", **fields: Any) -> None:
        """Add one sentence.

        Parameters
        ----------
        template : str
            The words, fields in braces; no digit. Citation marks go before the full stop.
        *keys : str
            Bibliography keys cited here.
        source : str, optional
            Which result the fields come from, for the record.
        **fields : Estimate, Share, int, float or str
            What is filled in, straight from a result.

        Raises
        ------
        OutcomeError
            The template holds a digit: numbers come from results, never from the wording.
        """
        if any(sign.isdigit() for sign in template):
            raise OutcomeError(f"A number stands in the wording of: {template!r}")
        told = {name: _written(value) for name, value in fields.items()}
        for name, value in fields.items():
            number = value.value if isinstance(value, Share | Estimate) else value
            self.facts.append({"field": name, "shown": told[name], "value": number, "source": source})
        self.lines.append((template.format(**told), keys))


def _written(value: Any) -> str:
    if isinstance(value, Share):
        return percent(value.value)
    if isinstance(value, Estimate):
        return value.text()
    return cell_text(value)


@dataclass(frozen=True)
class Prose(Result):
    """Generated running text whose every number traces to a result.

    Parameters
    ----------
    lines : tuple of str
        Sentences with their citation marks.
    references : ReferenceList
        What the marks point at.
    facts : tuple of dict
        Every filled-in field: field, shown, value, source.
    breaks : tuple of int
        Sentences before which a paragraph begins.
    """

    lines: tuple[str, ...]
    references: ReferenceList
    facts: tuple[dict[str, object], ...]
    breaks: tuple[int, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def sources(self) -> tuple[str, ...]:  # type: ignore[override]
        """Keys of the bibliography, in order of first use."""
        return tuple(entry.key for entry in self.references.entries)

    def sentences(self) -> tuple[str, ...]:
        """Return the sentences."""
        return self.lines

    def table(self) -> "pd.DataFrame":
        """Return where every number comes from: field, shown, value, source."""
        import pandas as pd

        return pd.DataFrame(list(self.facts), columns=["field", "shown", "value", "source"])

    @property
    def paragraphs(self) -> tuple[str, ...]:
        """The text, a paragraph an item."""
        edges = [*dict.fromkeys((0, *self.breaks)), len(self.lines)]
        return tuple(" ".join(self.lines[start:end]) for start, end in pairwise(edges) if end > start)

    def __str__(self) -> str:
        return "\n\n".join(self.paragraphs)

    def _repr_html_(self) -> str:
        from html import escape

        text = "".join(f"<p>{escape(paragraph)}</p>" for paragraph in self.paragraphs)
        return f"{text}{self.references._repr_html_()}"


def written(telling: Telling, style: str = "numbered", after: Sequence[str] = ()) -> Prose:
    """Put the citation marks in, numbered in order of first use.

    Parameters
    ----------
    telling : Telling
        What was said.
    style : {"numbered", "author-year"}
        Style of the marks.
    after : sequence of str, optional
        Further keys for the list, cited elsewhere in the same document.
    """
    listed = cite(*(key for _, keys in telling.lines for key in keys), *after, style=style)
    lines = []
    for text, keys in telling.lines:
        mark = f" {listed.marks(*dict.fromkeys(keys))}" if keys else ""
        lines.append(f"{text.removesuffix('.')}{mark}.")
    return Prose(tuple(lines), listed, tuple(telling.facts), tuple(telling.breaks), listed.cautions)
