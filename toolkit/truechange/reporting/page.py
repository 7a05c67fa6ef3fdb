"""A report as a list of sections of small blocks, written as one page or as an accessible PDF."""

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from html import escape
from pathlib import Path
from typing import Any

from truechange.foundation.errors import needs
from truechange.foundation.html import bullet_list, document, embedded, png
from truechange.reporting.tables import ReadyTable

DPI = 180


@dataclass(frozen=True)
class Picture:
    """A drawn picture with its words."""

    drawn: Any
    alt: str
    caption: str = ""

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
    """A heading and what stands under it; the heading of the first page is the title."""

    title: str
    blocks: Sequence[Block]
    starts_page: bool = False

    def html(self) -> str:
        """Write it."""
        new = ' class="new-page"' if self.starts_page else ""
        return f"<section{new}><h2>{escape(self.title)}</h2>{''.join(block.html() for block in self.blocks)}</section>"


def page_html(title: str, lead: str, sections: Sequence[Section]) -> str:
    """Return one self-contained page: no script, no network, pictures embedded."""
    head = f'<h1>{escape(title)}</h1><p class="quiet">{escape(lead)}</p>'
    return document(title, head + "".join(section.html() for section in sections))


def write_pdf(html: str, path: Path) -> Path:
    """Write a page as a tagged PDF (PDF/UA-1); the same page gives the same bytes.

    Raises
    ------
    MissingPartError
        The extra ``pdf`` is not installed.
    """
    try:
        from weasyprint import HTML
    except (ImportError, OSError) as missing:
        raise needs("What writes PDF files", "pdf") from missing

    with _no_clock():
        HTML(string=html).write_pdf(path, pdf_variant="pdf/ua-1")
    return Path(path)


@contextmanager
def _no_clock() -> Iterator[None]:
    kept = os.environ.get("SOURCE_DATE_EPOCH")
    os.environ.setdefault("SOURCE_DATE_EPOCH", "315532800")
    try:
        yield
    finally:
        if kept is None:
            del os.environ["SOURCE_DATE_EPOCH"]
