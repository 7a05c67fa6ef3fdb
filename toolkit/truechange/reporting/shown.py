"""What a notebook shows besides tables: sentences that wrap, pictures with their words and a caption."""

from collections.abc import Iterable
from typing import Any

from truechange.foundation.errors import check_choice
from truechange.foundation.result import Result
from truechange.reporting.page import Picture, Words


def tell(*parts: Any, kind: str = "paragraphs") -> Words:
    """Show sentences as text that wraps: words and numbers of the run, where a printed line would run off the page.

    Parameters
    ----------
    *parts : str, Result, Estimate, or an iterable of them
        One paragraph each; a result gives its sentences.
    kind : {"paragraphs", "list"}, optional
        How they are set.

    Returns
    -------
    Words
        Its text is the sentences, one a line.

    Examples
    --------
    >>> tell("The error is small.", ["One.", "Two."])
    The error is small.
    One.
    Two.
    """
    check_choice("kind", kind, ("paragraphs", "list"))
    return Words(tuple(_sentences(parts)), kind)


def _sentences(parts: Iterable[Any]) -> Iterable[str]:
    for part in parts:
        if isinstance(part, str):
            yield part
        elif isinstance(part, Result):
            yield from part.sentences()
        elif isinstance(part, Iterable):
            yield from _sentences(part)
        else:
            yield str(part)


def picture(drawn: Any, caption: str, *, alt: str = "", **options: Any) -> Picture:
    """Show a picture with a caption below it, and with words for who cannot see it.

    Parameters
    ----------
    drawn : Result, Axes or Figure
        A result is drawn by its ``plot``, and its own words are the alt text.
    caption : str
        What the reader is to see in it.
    alt : str, optional
        The picture in words; needed for axes, and for a result that has none of its own.
    **options
        Handed to the result's ``plot``.

    Returns
    -------
    Picture

    Raises
    ------
    OutcomeError
        There is no alt text, or no picture.
    """
    if isinstance(drawn, Result):
        drawn, alt = drawn.plot(**options), alt or drawn.alt  # type: ignore[attr-defined]
    made = Picture(drawn, alt, caption)
    made.image  # noqa: B018  drawn now: what waits is shown a second time, bare, at the end of the cell
    return made
