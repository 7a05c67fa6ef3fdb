"""A report as sections of small blocks, and its three writers: HTML page, accessible PDF (PDF/UA-1), Word document."""

import json
from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from hashlib import sha256
from html import escape
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final
from zipfile import BadZipFile, ZipFile

from truechange.foundation.drawing import TEMPLATES, bullet_list, document, embedded, png
from truechange.foundation.errors import OutcomeError, needs
from truechange.reporting.files import settle_zip
from truechange.reporting.tables import SHORT, ReadyTable

DPI = 180
LOOKS = {"paragraphs": "", "headline": ' class="headline"', "references": ' class="reference"'}


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
        return png(self.drawn, dpi=DPI, trim=False)

    def html(self) -> str:
        """Embed it."""
        return embedded(self.image, self.alt, self.caption, DPI)

    def __repr__(self) -> str:
        return self.alt

    def _ipython_display_(self) -> None:
        from IPython.display import display

        width = round(int.from_bytes(self.image[16:20], "big") * 96 / DPI)  # the size it was drawn for
        shown = {"image/png": b64encode(self.image).decode("ascii"), "text/plain": self.alt}
        display(shown, raw=True, metadata={"image/png": {"alt": self.alt, "width": width}})
        if self.caption:
            words = {"text/html": f"<p><em>{escape(self.caption)}</em></p>", "text/plain": self.caption}
            display(words, raw=True)


@dataclass(frozen=True)
class Words:
    """Paragraphs, a list, or a marked box.

    Parameters
    ----------
    texts : sequence of str
        One paragraph or list item each.
    kind : {"paragraphs", "headline", "references", "list", "answer", "caution"}
        How they are set; the last two are boxes with a list.
    """

    texts: Sequence[str]
    kind: str = "paragraphs"

    def __repr__(self) -> str:
        return "\n".join(self.texts)

    def _repr_html_(self) -> str:
        return self.html()

    def html(self) -> str:
        """Write them, escaped."""
        if not self.texts:
            return ""
        if self.kind in LOOKS:
            look = LOOKS[self.kind]
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


@dataclass(frozen=True)
class Figures:
    """A row of large numbers, each with whom it is of, what it is and its interval: four texts a cell."""

    cells: Sequence[tuple[str, str, str, str]]

    def html(self) -> str:
        """Write them side by side; below each other on a narrow screen."""
        made = "".join(
            f'<div><b>{escape(big)}</b><span class="quiet">{escape(whom)}</span><span>{escape(what)}</span>'
            f'<span class="quiet">{escape(how)}</span></div>'
            for big, whom, what, how in self.cells
        )
        return f'<div class="figures">{made}</div>'


Block = Figures | Picture | Words | Columns | ReadyTable


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


def numbered(sections: Sequence[Section]) -> list[Section]:
    """Return the sections with tables and figures numbered in order of appearance, each named in its section's text."""
    counts, made = {"Table": 0, "Figure": 0}, []
    for section in sections:
        blocks: list[Block] = []
        places: dict[str, list[int]] = {"Table": [], "Figure": []}
        for block in section.blocks:
            if isinstance(block, Picture | ReadyTable):
                kind, field = ("Figure", "caption") if isinstance(block, Picture) else ("Table", "title")
                counts[kind] += 1
                places[kind].append(counts[kind])
                block = replace(block, **{field: f"{kind} {counts[kind]}. {getattr(block, field)}"})  # type: ignore[arg-type]
            blocks.append(block)
        named = " and ".join(
            f"{kind}{'s' * (len(at) > 1)} {' to '.join(map(str, sorted({at[0], at[-1]})))}"
            for kind, at in places.items()
            if at
        )
        if named and isinstance(blocks[0], Words):
            *before, last = blocks[0].texts
            blocks[0] = replace(blocks[0], texts=[*before, f"{last} See {named}."])
        made.append(replace(section, blocks=blocks))
    return made


def page_html(title: str, lead: str, sections: Sequence[Section], style: str = "") -> str:
    """Return one self-contained page: no script, no network, pictures embedded; `style` is added to the page's own."""
    head = f"<h1>{escape(title)}</h1>" + (f'<p class="quiet">{escape(lead)}</p>' if lead else "")
    return document(title, style + head + "".join(section.html() for section in sections))


BARE = '#set document(title: "one sign", date: none)\n#set text(lang: "en")\n#json("document.json")'
CONTROLS = set(map(chr, range(32))) - set("\t\n\r")  # JSON writes these as escapes
STANDARD: Final = "ua-1"  # refuses a picture without words for it, and a page without a title or language


def write_pdf(title: str, lead: str, sections: Sequence[Section], path: Path, *, one_page: bool = False) -> Path:
    """Write sections as a tagged PDF (PDF/UA-1); the same content gives the same bytes.

    Parameters
    ----------
    title, lead : str
        Heading, and the line below it; an empty lead is left out.
    sections : sequence of Section
        What stands under it.
    path : Path
        Where it goes.
    one_page : bool, optional
        Set small and close, without page numbers: a sheet for one person.

    Raises
    ------
    MissingPartError
        The extra ``pdf`` is not installed.
    """
    try:
        import typst
    except ImportError as missing:
        raise needs("What writes PDF files", "pdf") from missing

    with TemporaryDirectory() as folder:
        aside = Path(folder)
        told = {
            "title": title,
            "lead": lead,
            "one_page": one_page,
            "sections": [
                {"title": section.title, "starts_page": section.starts_page}
                | {"blocks": [_told(block, aside) for block in section.blocks]}
                for section in sections
            ],
        }
        template = (TEMPLATES / "document.typ").read_text(encoding="utf-8")

        def compiled(template: str, data: object) -> bytes:
            (aside / "main.typ").write_text(template, encoding="utf-8")
            (aside / "document.json").write_text(json.dumps(data), encoding="utf-8")
            return typst.compile(aside / "main.typ", format="pdf", pdf_standards=STANDARD, ignore_system_fonts=True)

        def lacks(sign: str) -> bool:
            try:
                return not compiled(BARE, sign)
            except typst.TypstError:
                return True

        try:
            made = compiled(template, told)
        except typst.TypstError:  # a sign that no embedded font has, or another fault, which is then raised again
            signs = set(json.dumps(told, ensure_ascii=False)) | CONTROLS
            codes = {ord(sign): f"[U+{ord(sign):04X}]" for sign in signs if lacks(sign)}
            made = compiled(template, _spelled(told, codes))
    Path(path).write_bytes(made)
    return Path(path)


def _spelled(told: Any, codes: dict[int, str]) -> Any:
    """Return the data with signs that no font here has written as their code points: seen, not lost."""
    if isinstance(told, str):
        return told.translate(codes)
    if isinstance(told, dict):
        return {name: _spelled(value, codes) for name, value in told.items()}
    return [_spelled(value, codes) for value in told] if isinstance(told, list | tuple) else told


def _told(block: Block, aside: Path) -> dict[str, Any]:
    """Return a block as data for the template; a picture's bytes go into `aside`."""
    if isinstance(block, Words):
        return {"block": "words", "kind": block.kind, "texts": list(block.texts)}
    if isinstance(block, Columns):
        return {"block": "columns", "columns": [[_told(one, aside) for one in column] for column in block.columns]}
    if isinstance(block, Picture):
        name = f"{len(list(aside.iterdir()))}.png"
        (aside / name).write_bytes(block.image)
        inches = int.from_bytes(block.image[16:20], "big") / DPI
        return {"block": "picture", "file": name, "alt": block.alt, "caption": block.caption, "inches": inches}
    if isinstance(block, Figures):
        return {"block": "figures", "cells": [list(cell) for cell in block.cells]}
    facts = {"title": block.title, "head": block.head, "rows": block.rows, "notes": block.notes}
    return facts | {
        "block": "table",
        "numeric": block.numeric(),
        "widths": block.widths(),
        "short": len(block.rows) <= SHORT,
    }


CORE = "docProps/core.xml"
WIDTH = 6.3  # inches between the margins
STYLES = {"list": "List Bullet", "answer": "List Bullet", "caution": "List Bullet"}


def write_docx(title: str, lead: str, sections: Sequence[Section], path: Path) -> Path:
    """Write sections as a Word document: real headings, captions, alt text; the same content, the same bytes.

    Raises
    ------
    MissingPartError
        The extra ``thesis`` is not installed.
    """
    try:
        from docx import Document
    except ImportError as missing:
        raise needs("What writes Word documents", "thesis") from missing

    made = Document()
    made.core_properties.title = title
    made.core_properties.author = ""
    _look(made)
    made.add_heading(title, level=0)
    made.add_paragraph(lead)
    for section in sections:
        made.add_heading(section.title, level=1)
        for block in section.blocks:
            if isinstance(block, Words):
                for text in block.texts:
                    paragraph = made.add_paragraph(text, style=STYLES.get(block.kind))
                    paragraph.paragraph_format.space_after = 0 if block.kind == "references" else None
            elif isinstance(block, Picture):
                _picture(made, block)
            elif isinstance(block, Figures):
                for cell in block.cells:
                    made.add_paragraph(" · ".join(cell), style="List Bullet")
            elif isinstance(block, Columns):
                for picture in (one for column in block.columns for one in column):
                    _picture(made, picture)
            else:
                block.add_to(made)
    buffer = BytesIO()
    made.save(buffer)
    made.core_properties.identifier = _fingerprint(buffer)
    made.save(str(path))
    settle_zip(Path(path))
    return Path(path)


def edited(path: Path) -> bool:
    """Return whether a file is there that is not, part by part, what :func:`write_docx` wrote: somebody's own work."""
    if not Path(path).exists():
        return False
    try:
        with ZipFile(path) as there:
            return _fingerprint(path).encode() not in there.read(CORE)
    except (BadZipFile, KeyError):  # not a document, or without the facts of one: not ours
        return True


def _fingerprint(document: "Path | BytesIO") -> str:
    """Return the SHA-256 of every part but the one that holds the fingerprint."""
    with ZipFile(document) as there:
        parts = sorted((info.filename, there.read(info)) for info in there.infolist() if info.filename != CORE)
    return sha256(repr(parts).encode()).hexdigest()


def _look(made: object) -> None:
    """Set an A4 page, one quiet typeface and dark headings."""
    from docx.shared import Cm, Pt, RGBColor

    page = made.sections[0]  # type: ignore[attr-defined]
    page.page_width, page.page_height = Cm(21), Cm(29.7)
    page.left_margin = page.right_margin = Cm(2.4)
    page.top_margin = page.bottom_margin = Cm(2.2)
    sizes = {"Normal": 10.5, "Title": 18, "Heading 1": 13, "Caption": 9, "List Bullet": 10.5}
    for name, size in sizes.items():
        style = made.styles[name]  # type: ignore[attr-defined]
        style.font.name, style.font.size = "Calibri", Pt(size)
        style.font.color.rgb = RGBColor(0x22, 0x30, 0x3C)
        fonts = style.element.get_or_add_rPr().get_or_add_rFonts()
        for key in [key for key in fonts.attrib if key.endswith("Theme")]:
            del fonts.attrib[key]


def _picture(made: object, picture: Picture) -> None:
    from docx.shared import Inches

    paragraph = made.add_paragraph()  # type: ignore[attr-defined]
    paragraph.paragraph_format.keep_with_next = bool(picture.caption)
    drawn = picture.drawn if hasattr(picture.drawn, "savefig") else picture.drawn.figure
    width = min(WIDTH, float(drawn.get_size_inches()[0]))
    shape = paragraph.add_run().add_picture(BytesIO(picture.image), width=Inches(width))
    shape._inline.docPr.set("descr", picture.alt)
    if picture.caption:
        made.add_paragraph(picture.caption, style="Caption")  # type: ignore[attr-defined]
