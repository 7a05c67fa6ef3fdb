"""The same sections as a Word document, for a thesis."""

from collections.abc import Sequence
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from zipfile import BadZipFile, ZipFile

from truechange.foundation.errors import needs
from truechange.reporting.page import Columns, Picture, Section, Words
from truechange.reporting.safe_files import settle_zip

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
            elif isinstance(block, Columns):
                for picture in (one for column in block.columns for one in column):
                    _picture(made, picture)
            else:
                block.add_to(made)
    held = BytesIO()
    made.save(held)
    made.core_properties.identifier = _fingerprint(held)
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
