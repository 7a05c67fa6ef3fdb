"""One printable page about one person; nothing that identifies anybody unless it was typed as a label."""

from pathlib import Path
from typing import Any

from truechange.foundation.errors import ChoiceError, OutcomeError
from truechange.page.question import CAUTION, COMPARES
from truechange.reporting.page import Picture, Section, Words, page_html
from truechange.reporting.page_pdf import write_pdf
from truechange.reporting.references import cite

ONE_PAGE = """<style>@page { @bottom-right { content: none; } } figure img { max-width: 36rem; width: 100%; }
@media print { html { font-size: 8.4pt; } h2 { margin-top: .7rem; } figure { margin: .3rem 0; }
figure img { max-width: 38rem; } ul, .caution, .answer { margin: .3rem 0; } }</style>"""


def sheet_sections(result: Any, there: tuple[str, ...] = ()) -> tuple[str, list[Section]]:
    """Return title and sections: the words, the picture, the cautions, where the score stands, the sources.

    Parameters
    ----------
    result : PersonChange or Visits
        The answer.
    there : tuple of str, optional
        Where the last score stands among norms and cut-offs.
    """
    says, course = result.sentences(), hasattr(result, "points")
    test = result.changes[-1].test if course and result.changes else getattr(result, "test", None)
    title = (test.name if test else "") or "One person's change"
    first = says if course else says[:2]
    drawn = course or result.improvement == result.improvement
    picture = [Picture(result.plot(), result.alt)] if drawn else []
    sections = [Section("", [Words(first, "answer"), *picture, Words(says[len(first) :])])]
    sections.append(Section("Mind", [Words(result.cautions, "caution")]))
    if there:
        sections.append(Section("Among others", [Words([text.replace(COMPARES, "") for text in there], "list")]))
    sources = str(cite(*result.sources)).splitlines() if result.sources else []
    sections.append(Section("Sources", [Words(sources, "references"), Words([CAUTION])]))
    return title, sections


def sheet_html(result: Any, *, label: str = "", there: tuple[str, ...] = ()) -> str:
    """Return the page; `label` holds words for its head, as typed, none otherwise."""
    title, sections = sheet_sections(result, there)
    return page_html(title, label, sections, ONE_PAGE)


def write_sheet(result: Any, path: str, *, label: str = "", there: tuple[str, ...] = ()) -> Path:
    """Write the page as ``.html`` or ``.pdf``; return where it is.

    Raises
    ------
    ChoiceError
        The file's ending is neither.
    MissingPartError
        A PDF was asked for and the extra ``pdf`` is not installed.
    OutcomeError
        The file cannot be written.
    """
    place = Path(path)
    if place.suffix not in (".html", ".pdf"):
        raise ChoiceError(f"{path}: a sheet is written as .html or .pdf.")
    try:
        if place.suffix == ".pdf":
            title, sections = sheet_sections(result, there)
            return write_pdf(title, label, sections, place, one_page=True)
        place.write_text(sheet_html(result, label=label, there=there), encoding="utf-8")
    except OSError as wrong:
        raise OutcomeError(f"{path} cannot be written: {wrong.strerror}. Choose another place.") from None
    return place
