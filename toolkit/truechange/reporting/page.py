"""A report as sections of small blocks, and its three writers: HTML page, accessible PDF (PDF/UA-1), Word document.

What a notebook shows besides tables are the same blocks: sentences that wrap, pictures with their words and a caption.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from hashlib import sha256
from html import escape
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, ClassVar, Final
from zipfile import BadZipFile, ZipFile

from truechange.foundation.drawing import TEMPLATES, block_html, data_address, document, png
from truechange.foundation.errors import OutcomeError, check_choice, needs
from truechange.foundation.result import Result
from truechange.reporting.files import settle_zip
from truechange.reporting.tables import PAGE_INCHES, SHORT, ReadyTable

DPI = 180


class Shown:
    """A block of a report; its macro writes it as HTML."""

    macro: ClassVar[str] = ""

    def html(self) -> str:
        """Write it, escaped."""
        return block_html(self)


@dataclass(frozen=True)
class Picture(Shown):
    """A drawn picture with its words.

    Raises
    ------
    OutcomeError
        `alt` is empty: a picture without words is lost on a screen reader, in every format.
    """

    macro = "picture"
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

    @property
    def address(self) -> str:
        """The picture as an address that needs no file and no network."""
        return data_address(self.image)

    @property
    def inches(self) -> float:
        """The width it was drawn for."""
        return int.from_bytes(self.image[16:20], "big") / DPI

    @property
    def width(self) -> int:
        """The same in CSS pixels."""
        return round(self.inches * 96)

    def __repr__(self) -> str:
        return self.alt

    def _ipython_display_(self) -> None:
        from IPython.display import display

        shown = {"image/png": self.address.partition(",")[2], "text/plain": self.alt}
        display(shown, raw=True, metadata={"image/png": {"alt": self.alt, "width": self.width}})
        if self.caption:
            words = {"text/html": f"<p><em>{escape(self.caption)}</em></p>", "text/plain": self.caption}
            display(words, raw=True)


@dataclass(frozen=True)
class Words(Shown):
    """Paragraphs, a list, or a marked box.

    Parameters
    ----------
    texts : sequence of str
        One paragraph or list item each.
    kind : {"paragraphs", "headline", "references", "list", "answer", "caution"}
        How they are set; the last two are boxes with a list.
    """

    macro = "words"
    texts: Sequence[str]
    kind: str = "paragraphs"

    def __repr__(self) -> str:
        return "\n".join(self.texts)

    def _repr_html_(self) -> str:
        return self.html()


@dataclass(frozen=True)
class Columns(Shown):
    """Pictures in columns beside each other; on a narrow screen the columns stand below each other."""

    macro = "columns"
    columns: Sequence[Sequence[Picture]]


@dataclass(frozen=True)
class Figures(Shown):
    """A row of large numbers, each with whom it is of, what it is and its interval: four texts a cell."""

    macro = "figures"
    cells: Sequence[tuple[str, str, str, str]]


Block = Figures | Picture | Words | Columns | ReadyTable


@dataclass(frozen=True)
class Section(Shown):
    """A heading and what stands under it; without a title, what stands right under the page's."""

    macro = "section"
    title: str
    blocks: Sequence[Block]
    starts_page: bool = False


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
        if isinstance(part, Result):
            yield from part.sentences()
        elif isinstance(part, Iterable) and not isinstance(part, str):
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


def numbered(sections: Sequence[Section]) -> list[Section]:
    """Return the sections with tables and figures numbered in order of appearance, each named in its section's text."""
    counts, made = {"Table": 0, "Figure": 0}, []
    for section in sections:
        blocks, first = list(section.blocks), dict(counts)
        for at, block in enumerate(blocks):
            if isinstance(block, Picture | ReadyTable):
                kind, name = ("Figure", "caption") if isinstance(block, Picture) else ("Table", "title")
                counts[kind] += 1
                blocks[at] = replace(block, **{name: f"{kind} {counts[kind]}. {getattr(block, name)}"})  # type: ignore[arg-type]
        spans = {kind: dict.fromkeys((first[kind] + 1, counts[kind])) for kind in counts if counts[kind] > first[kind]}
        named = " and ".join(f"{kind}{'s' * (len(at) > 1)} {' to '.join(map(str, at))}" for kind, at in spans.items())
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
        told = {"title": title, "lead": lead, "one_page": one_page, "sections": [
            {"title": section.title, "starts_page": section.starts_page,
             "blocks": [_told(block, aside) for block in section.blocks]}
            for section in sections
        ]}  # fmt: skip
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
    if isinstance(block, Columns):
        return {"block": "columns", "columns": [[_told(one, aside) for one in column] for column in block.columns]}
    if isinstance(block, Picture):
        name = f"{len(list(aside.iterdir()))}.png"
        (aside / name).write_bytes(block.image)
        return {"block": "picture", "file": name, "alt": block.alt, "caption": block.caption, "inches": block.inches}
    if isinstance(block, ReadyTable):
        about = {"numeric": block.numeric(), "widths": block.widths(), "short": len(block.rows) <= SHORT}
        return {"block": "table"} | vars(block) | about
    return {"block": block.macro} | vars(block)


CORE = "docProps/core.xml"
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
    made.core_properties.title, made.core_properties.author = title, ""
    _look(made)
    made.add_heading(title, level=0)
    made.add_paragraph(lead)
    for section in sections:
        made.add_heading(section.title, level=1)
        for block in section.blocks:
            _add(made, block)
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


def _look(made: Any) -> None:
    """Set an A4 page, one quiet typeface and dark headings."""
    from docx.shared import Cm, Pt, RGBColor

    page = made.sections[0]
    page.page_width, page.page_height = Cm(21), Cm(29.7)
    page.left_margin = page.right_margin = Cm(2.4)
    page.top_margin = page.bottom_margin = Cm(2.2)
    sizes = {"Normal": 10.5, "Title": 18, "Heading 1": 13, "Caption": 9, "List Bullet": 10.5}
    for name, size in sizes.items():
        style = made.styles[name]
        style.font.name, style.font.size = "Calibri", Pt(size)
        style.font.color.rgb = RGBColor(0x22, 0x30, 0x3C)
        fonts = style.element.get_or_add_rPr().get_or_add_rFonts()
        for key in [key for key in fonts.attrib if key.endswith("Theme")]:
            del fonts.attrib[key]


def _add(made: Any, block: Block) -> None:
    """Add a block to a Word document: a picture at the size it was drawn for, with alt text and caption."""
    from docx.shared import Inches

    if isinstance(block, ReadyTable):
        block.add_to(made)
    elif isinstance(block, Words):
        for text in block.texts:
            paragraph = made.add_paragraph(text, style=STYLES.get(block.kind))
            paragraph.paragraph_format.space_after = 0 if block.kind == "references" else None
    elif isinstance(block, Figures):
        for cell in block.cells:
            made.add_paragraph(" · ".join(cell), style="List Bullet")
    elif isinstance(block, Columns):
        for one in (one for column in block.columns for one in column):
            _add(made, one)
    else:
        paragraph = made.add_paragraph()
        paragraph.paragraph_format.keep_with_next = bool(block.caption)
        drawn = block.drawn if hasattr(block.drawn, "savefig") else block.drawn.figure
        width = min(PAGE_INCHES, float(drawn.get_size_inches()[0]))
        shape = paragraph.add_run().add_picture(BytesIO(block.image), width=Inches(width))
        shape._inline.docPr.set("descr", block.alt)
        if block.caption:
            made.add_paragraph(block.caption, style="Caption")
