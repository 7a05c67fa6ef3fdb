"""What every result object can do: say itself in words, show a table, carry its cautions into any export."""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd


_LONE = r"(?<![\w.,−/])1 (people|rows|tests|scores|groups)\b( due| without a usable follow-up)?( [a-z]+)?"
_ONE = {"people": "person", " are": " is", " have": " has", " lack": " lacks", " were": " was", " count": " counts"}


def told(notes: Mapping[str, object]) -> tuple[str, ...]:
    """Return the sentences whose condition holds: ``{"Only 8 people.": n < 10}``; one of a thing in the singular."""

    def one(found: re.Match[str]) -> str:
        noun, more, verb = found.groups("")
        return f"1 {_ONE.get(noun, noun[:-1])}{more}{_ONE.get(verb, verb)}"

    # no pattern at import: it would be compiled for answers that never need it
    return tuple(re.sub(_LONE, one, text) if "1 " in text else text for text, holds in notes.items() if holds)


def gathered(own: Iterable[str], *parts: object) -> tuple[str, ...]:
    """Return a result's own cautions, then those of the results it holds, each once: none stays behind in a part."""
    return tuple(dict.fromkeys((*own, *(text for part in parts for text in getattr(part, "cautions", ())))))


class Result:
    """Base of the frozen result objects.

    A subclass is ``@dataclass(frozen=True)``, has a field or property
    ``cautions`` (tuple of sentences) and defines :meth:`table` (tidy,
    unrounded) and :meth:`sentences` (plain words). Where a picture helps it
    adds ``plot(self, *, ax=None)``.
    """

    __slots__ = ()

    cautions: tuple[str, ...]
    sources: tuple[str, ...] = ()  # keys of the bibliography for what was really computed

    def table(self) -> "pd.DataFrame":
        """Return the numbers, tidy and unrounded."""
        raise NotImplementedError

    def sentences(self) -> tuple[str, ...]:
        """Return the result in plain words, one sentence an item."""
        raise NotImplementedError

    def sentence(self) -> str:
        """Return the first sentence: the answer."""
        return self.sentences()[0]

    def public(self) -> "Result":
        """Return the result as it may leave the house: small counts of people hidden; this one holds none."""
        return self

    def __str__(self) -> str:
        return "\n".join((*self.sentences(), *(f"Caution: {caution}" for caution in self.cautions)))

    def _repr_html_(self) -> str:
        from html import escape

        from truechange.foundation.drawing import frame_table, paragraphs

        items = "".join(f"<li>{escape(text)}</li>" for text in self.cautions)
        cautions = f"<p><strong>Cautions</strong></p><ul>{items}</ul>" if items else ""
        return f"{paragraphs(*self.sentences())}{frame_table(self.table())}{cautions}"


@dataclass(frozen=True)
class Part(Result):
    """One part of a report: its numbers by name, one table, its words, cautions and sources, and how it is drawn.

    Parameters
    ----------
    facts : mapping of str to object
        Numbers and estimates, readable as attributes (``part.mean``).
    frame : DataFrame
        Tidy and unrounded.
    says : tuple of str
        Plain words; the first sentence is the answer.
    cautions, sources : tuple of str
        What a reader must know; keys of the bibliography for what was really computed.
    seen : str
        What the picture shows, in words; the answer follows it.
    draw : callable or None
        Draws the part on matplotlib axes and returns them.
    hide : callable or None
        Returns the part with small counts of people hidden, for one that holds some.
    height : float
        Inches of a picture of its own.
    """

    facts: Mapping[str, Any]
    frame: "pd.DataFrame"
    says: tuple[str, ...]
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    seen: str = ""
    draw: "Callable[[Any], Any] | None" = field(default=None, repr=False)
    hide: "Callable[[], Result] | None" = field(default=None, repr=False)
    height: float = field(default=3.6, repr=False)

    def __getattr__(self, name: str) -> Any:
        facts = self.__dict__.get("facts", {})  # empty while a copy or a pickle is being built
        if name in facts:
            return facts[name]
        raise AttributeError(f"this part has no {name!r}; it has {', '.join(facts) or 'no numbers by name'}")

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *self.facts]

    def table(self) -> "pd.DataFrame":
        """Return the numbers, tidy and unrounded."""
        return self.frame.copy()

    def sentences(self) -> tuple[str, ...]:
        """Return the part in plain words."""
        return self.says

    def public(self) -> Result:
        """Return the part with small counts of people hidden, in its words, table and picture."""
        return self if self.hide is None else self.hide()

    @property
    def alt(self) -> str:
        """The picture in words."""
        return f"{self.seen} {self.sentence()}".strip()

    def plot(self, *, ax: Any = None, **size: float) -> Any:
        """Draw the part on `ax`, or on new axes of the given `width` and `height` in inches."""
        from truechange.foundation import drawing

        if self.draw is None:
            raise AttributeError("this part has no picture")
        return self.draw(drawing.axes(ax, **{"height": self.height, **size}))


class Spoken(Part):
    """A part whose picture is told by all its sentences."""

    @property
    def alt(self) -> str:
        """The picture in words."""
        return f"{self.seen} {' '.join(self.says)}".strip()
