"""What every result object can do: say itself in words, show a table, carry its cautions into any export."""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cache, partial
from typing import TYPE_CHECKING, Any

from truechange.foundation.errors import DataError, OutcomeError, listed

if TYPE_CHECKING:
    import pandas as pd


_THINGS = r"(people|rows|tests|scores|groups|sites|therapists)\b( due| without a usable follow-up)?"
_LONE = rf"(?<![\w.,−/])1 (of (?:the )?\d+ )?{_THINGS}( \(\d+%\))?( [a-z]+)?"
_ONE = {"people": "person", " are": " is", " have": " has", " lack": " lacks", " were": " was", " count": " counts"}


def in_singular(text: str) -> str:
    """Return a sentence with one of a thing in the singular: ``1 people have`` is ``1 person has``."""

    def one(found: re.Match[str]) -> str:
        of, noun, more, share, verb = found.groups("")
        noun = noun if of and not of.endswith(" 1 ") else _ONE.get(noun, noun[:-1])
        return f"1 {of}{noun}{more}{share}{_ONE.get(verb, verb)}"

    # no pattern at import: it would be compiled for answers that never need it
    return re.sub(_LONE, one, text) if "1 " in text else text


def told(notes: Mapping[str, object]) -> tuple[str, ...]:
    """Return the sentences whose condition holds: ``{"Only 8 people.": n < 10}``; one of a thing in the singular."""
    return tuple(in_singular(text) for text, holds in notes.items() if holds)


@cache
def wordings(module: str) -> dict[str, dict[str, Any]]:
    """Return the wordings of a room, by part and name, from the ``words.toml`` beside a module (its ``__file__``)."""
    import tomllib
    from pathlib import Path

    return tomllib.loads((Path(module).parent / "words.toml").read_text(encoding="utf-8"))


def worded(words: Mapping[str, str], facts: Mapping[str, Any], **holds: object) -> tuple[str, ...]:
    """Return, in this order, the wordings whose condition holds, filled in with `facts`; ``few=n < 10``."""
    return told({words[name].format_map(facts): True for name, one in holds.items() if one})


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

    def __post_init__(self) -> None:
        object.__setattr__(self, "says", tuple(map(in_singular, self.says)))

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


def hideable(make: Callable[..., Part], hidden: Callable[..., dict[str, Any]], **counts: Any) -> Part:
    """Return the part made of counts of people; it leaves the house made of the same with the small ones `hidden`."""
    return replace(make(**counts), hide=partial(_with_hidden, make, hidden, counts))


def _with_hidden(make: Callable[..., Part], hidden: Callable[..., dict[str, Any]], counts: dict[str, Any]) -> Part:
    return make(**counts | hidden(**counts))


@dataclass(frozen=True)
class Refused(Result):
    """A part of a report that could not be computed honestly: named, with the reason.

    Parameters
    ----------
    part : str
        What was refused.
    reason : str
        Why, and what would make it possible.
    """

    part: str
    reason: str
    cautions: tuple[str, ...] = ()

    def table(self) -> "pd.DataFrame":
        """Return one row: part, refused."""
        import pandas as pd

        return pd.DataFrame([{"part": self.part, "refused": self.reason}])

    def sentences(self) -> tuple[str, ...]:
        """Say what is missing and why."""
        return (f"{self.part}: not computed. {self.reason}",)


def attempt(work: Callable[[], Any], part: str) -> Any:
    """Return the part, or a :class:`Refused` with the reason it could not be computed."""
    try:
        return work()
    except OutcomeError as problem:
        return Refused(part, str(problem))


def sources_of(*parts: Result) -> tuple[str, ...]:
    """Return the bibliography keys of the parts, each once."""
    return tuple(dict.fromkeys(key for part in parts for key in part.sources))


@dataclass(frozen=True)
class ByMeasure(Result):
    """One result for each test.

    Parameters
    ----------
    parts : mapping of str to Result
        Key of the test: its result, the primary test first; may be a :class:`Refused`.
    names : mapping of str to str
        Key of the test: its name in sentences.
    """

    parts: Mapping[str, Result]
    names: Mapping[str, str]

    def __getitem__(self, measure: str) -> Result:
        if measure not in self.parts:
            raise DataError(f"{measure!r} was not audited; there are {listed(self.parts)}.")
        return self.parts[measure]

    def __iter__(self) -> Iterator[str]:
        return iter(self.parts)

    @property
    def cautions(self) -> tuple[str, ...]:  # type: ignore[override]
        """Every part's cautions, each once, with the tests it concerns when it does not concern all."""
        tests: dict[str, list[str]] = {}
        for measure, part in self.parts.items():
            for caution in part.cautions:
                tests.setdefault(caution, []).append(self.names[measure])
        return tuple(
            caution if len(names) == len(self.parts) else f"{listed(names)}: {caution}"
            for caution, names in tests.items()
        )

    @property
    def sources(self) -> tuple[str, ...]:  # type: ignore[override]
        """Keys of the bibliography, each once."""
        return sources_of(*self.parts.values())

    def public(self) -> "ByMeasure":
        """Return every part as it may leave the house."""
        return replace(self, parts={measure: part.public() for measure, part in self.parts.items()})

    def table(self) -> "pd.DataFrame":
        """Return the parts' tables below each other, with the test's key in the first column."""
        import pandas as pd

        tables = [part.table().reset_index(drop=True).assign(measure=measure) for measure, part in self.parts.items()]
        if not tables:
            return pd.DataFrame(columns=["measure"])
        whole = pd.concat(tables, ignore_index=True)
        return whole[["measure", *(name for name in whole.columns if name != "measure")]]

    def sentences(self) -> tuple[str, ...]:
        """Return each part's sentences, with the test's name ahead."""
        return tuple(
            f"{self.names[measure]}: {text}" for measure, part in self.parts.items() for text in part.sentences()
        )
