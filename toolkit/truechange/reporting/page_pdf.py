"""The same sections as an accessible PDF (PDF/UA-1), set by wheels alone: no font and no library of the system."""

import json
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from truechange.foundation.errors import needs
from truechange.foundation.html import TEMPLATES
from truechange.reporting.page import DPI, Block, Columns, Picture, Section, Words
from truechange.reporting.tables import SHORT

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

    with TemporaryDirectory() as held:
        aside = Path(held)
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
    facts = {"title": block.title, "head": block.head, "rows": block.rows, "notes": block.notes}
    return facts | {
        "block": "table",
        "numeric": block.numeric(),
        "widths": block.widths(),
        "short": len(block.rows) <= SHORT,
    }
