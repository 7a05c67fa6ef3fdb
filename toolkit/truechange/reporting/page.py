"""A report as a list of sections of small blocks, written as one page of HTML; PDF and Word have their own writers."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from html import escape
from typing import Any

from truechange.foundation.errors import OutcomeError
from truechange.foundation.html import bullet_list, document, embedded, png
from truechange.reporting.tables import ReadyTable

DPI = 180


@dataclass(frozen=True)
class Picture:
    """A drawn picture with its words.

    Raises
    ------
    OutcomeError
        `alt` is empty: a picture without words is lost on a screen reader, in every format.
    """

    drawn: Any
    alt: str
    caption: str = ""

    def __post_init__(self) -> None:
        """Check the alt text."""
        if not self.alt.strip():
            raise OutcomeError("A picture needs alt text: say in one sentence what it shows.")

    @cached_property
    def image(self) -> bytes:
        """The picture as PNG bytes, drawn once."""
        return png(self.drawn, dpi=DPI)

    def html(self) -> str:
        """Embed it."""
        return embedded(self.image, self.alt, self.caption, DPI)


@dataclass(frozen=True)
class Words:
    """Paragraphs, a list, or a marked box.

    Parameters
    ----------
    texts : sequence of str
        One paragraph or list item each.
    kind : {"paragraphs", "references", "list", "answer", "caution"}
        How they are set; the last two are boxes with a list.
    """

    texts: Sequence[str]
    kind: str = "paragraphs"

    def html(self) -> str:
        """Write them, escaped."""
        if not self.texts:
            return ""
        if self.kind in ("paragraphs", "references"):
            look = ' class="reference"' if self.kind == "references" else ""
            return "".join(f"<p{look}>{escape(text)}</p>" for text in self.texts)
        listed = bullet_list(self.texts)
        return listed if self.kind == "list" else f'<div class="{self.kind}">{listed}</div>'


@dataclass(frozen=True)
class Columns:
    """Pictures in columns beside each other."""

    columns: Sequence[Sequence[Picture]]

    def html(self) -> str:
        """Embed them; on a narrow screen the columns stand below each other."""
        made = "".join(f"<div>{''.join(picture.html() for picture in column)}</div>" for column in self.columns)
        return f'<div class="columns">{made}</div>'


Block = Picture | Words | Columns | ReadyTable


@dataclass(frozen=True)
class Section:
    """A heading and what stands under it; without a title, what stands right under the page's."""

    title: str
    blocks: Sequence[Block]
    starts_page: bool = False

    def html(self) -> str:
        """Write it."""
        new = ' class="new-page"' if self.starts_page else ""
        head = f"<h2>{escape(self.title)}</h2>" if self.title else ""
        return f"<section{new}>{head}{''.join(block.html() for block in self.blocks)}</section>"


def page_html(title: str, lead: str, sections: Sequence[Section], style: str = "") -> str:
    """Return one self-contained page: no script, no network, pictures embedded; `style` is added to the page's own."""
    head = f"<h1>{escape(title)}</h1>" + (f'<p class="quiet">{escape(lead)}</p>' if lead else "")
    return document(title, style + head + "".join(section.html() for section in sections))
