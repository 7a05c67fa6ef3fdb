"""Three printable pages about one person: for the chart, for the person, for the referrer; nothing identifies anybody.

What is typed as a label, a goal or a next step stands on the page it was typed for, and nowhere else.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from truechange.foundation import INFORMS
from truechange.foundation.errors import ChoiceError, OutcomeError, check_choice
from truechange.individual.change import draw_plain
from truechange.individual.typed import named, typed_fact
from truechange.individual.verdict import chart, score_text, size_text, sure_text, without_practice
from truechange.page.question import COMPARES, Question, facts_named
from truechange.reporting.page import Picture, Section, Words, page_html, write_pdf
from truechange.reporting.references import cite

STYLE = """<style>@page { @bottom-right { content: none; } } figure img { max-width: 36rem; width: 100%; }
@media print { html { font-size: 8.4pt; } h2 { margin-top: .7rem; } figure { margin: .3rem 0; }
figure img { max-width: 38rem; } ul, .caution, .answer { margin: .3rem 0; } }</style>"""
LARGE = (
    "<style>html { font-size: 15pt; } @media print { html { font-size: 15pt; } } figure img { width: 100%; }</style>"
)
CHART, PERSON, REFERRER = KINDS = ("chart", "person", "referrer")
UNIT_WORDS = {
    "s": "seconds", "m": "metres", "cm": "centimetres", "kg": "kilograms", "m/s": "metres a second", "W": "watts",
}  # fmt: skip
ASK = "Please ask us about anything here that is not clear."
LESS, MORE = "For this test, less is better.", "For this test, more is better."


@dataclass(frozen=True)
class HandOver:
    """What was typed for a page beside the question.

    Parameters
    ----------
    question : Question or None
        What was asked, for the conditions of the tests.
    there : tuple of str
        Where the last score stands among norms and cut-offs.
    label : str
        Words for the head, such as a code.
    goal, agreed : str
        The person's own goal in their words, and what was agreed as the next step.
    """

    question: Question | None = None
    there: tuple[str, ...] = ()
    label: str = ""
    goal: str = ""
    agreed: str = ""


def sheet_sections(result: Any, about: HandOver, kind: str = CHART) -> tuple[str, list[Section]]:
    """Return title and sections of a page.

    Parameters
    ----------
    result : PersonChange or Visits
        The answer.
    about : HandOver
        What was typed beside it.
    kind : {"chart", "person", "referrer"}
        For whom the page is.

    Raises
    ------
    ChoiceError
        There is no page of that kind.
    """
    check_choice("kind", kind, KINDS)
    last = result.last
    title = result.test.name or "One person's change"
    sections = {CHART: _for_chart, PERSON: _for_person, REFERRER: _for_referrer}[kind](result, last, about)
    return title, [section for section in sections if section.blocks]


def _for_chart(result: Any, _last: Any, about: HandOver) -> list[Section]:
    """For the record: the words, conditions, numbers with their sources, cautions, and how to test safely."""
    says = result.sentences()
    first = says if hasattr(result, "points") else says[:2]
    others = [text.replace(COMPARES, "") for text in about.there]
    sources = str(cite(*result.sources)).splitlines() if result.sources else []
    pictures = [Picture(result.plot(), result.alt)] if result.drawable else []
    return [
        Section("", [Words(first, "answer"), *pictures, Words(says[len(first) :])]),
        Section("How it was done", _conditions(about, result.test)),
        Section("Mind", [Words(result.cautions, "caution")]),
        Section("At the next test", [Words(result.test.safety, "list")] if result.test.safety else []),
        Section("Among others", [Words(others, "list")] if others else []),
        Section("Sources", [Words(sources, "references"), Words([INFORMS])]),
    ]


def _conditions(about: HandOver, test: Any) -> list[Any]:
    """Say when and how the tests were done; nothing where nothing was stated."""
    asked = about.question
    if asked is None or not (asked.before or asked.after or asked.dates):
        return []
    first, last = (facts_named(side, test) for side in (asked.before, asked.after))
    texts = [f"tested {' and '.join(asked.dates)}"] if asked.dates else []
    for fact in dict.fromkeys((*first, *last)):
        one, two = (typed_fact(fact, side.get(fact))[0] or "not stated" for side in (first, last))
        texts.append(f"{named(fact)} {one}" if one == two else f"{named(fact)} {one} first, {two} last")
    return [Words([f"{'; '.join(texts)}."])]


def _for_person(result: Any, last: Any, about: HandOver) -> list[Section]:
    """For the person: one idea a line, everyday words, large print, what comes next as agreed."""
    lines, pictures = ["You did this test once. A second time will show if something has changed."], []
    if last is not None:
        unit = UNIT_WORDS.get(last.test.unit, last.test.unit)
        first, now = (score_text(last, score) for score in (last.before, last.after))
        words = last.person_sentence if not hasattr(result, "points") else result.sentences()[1]
        scores = [f"{which}: {score if score == 'unable' else f'{score} {unit}'.strip()}."
                  for which, score in (("At first", first), ("Now", now))]  # fmt: skip
        lines = [*scores, LESS if last.test.sign < 0 else MORE, words]
        if last.drawable:
            seen = f"Your scores as dots joined by a line, better upwards: {first} and {now}."
            pictures = [Picture(draw_plain(result), seen)]
    goal = [f"Your goal: {about.goal}"] if about.goal else []
    following = [about.agreed] if about.agreed else ["We will talk about the next step together."]
    return [
        Section("", [Words(lines, "answer")]),
        Section("", pictures),
        Section("What comes next", [Words([*goal, *following, ASK])]),
    ]


def _for_referrer(result: Any, last: Any, about: HandOver) -> list[Section]:
    """For who referred the person: what was measured, what it means, what is planned, on half a page."""
    lead = chart(last) if last is not None else result.sentence()
    notes = []
    if last is not None and last.beliefs:
        what, least = "decline" if last.worse else "improvement", f"{size_text(last, last.bar.value)} {last.test.unit}"
        true, chance = f"true change{without_practice(last)}", sure_text(last.leads())
        notes.append(f"Chance that the {true} is an important {what} (at least {least}): {chance}.")
    plan = [text for text in (f"The person's goal: {about.goal}" if about.goal else "", about.agreed) if text]
    left = len(result.cautions) - 2
    more = [f"{left} more to mind stand on the page for the chart."] if left > 0 else []
    dates = about.question.dates if about.question else ()
    when = [f"Tested {dates[0]} and {dates[-1]}."] if dates else []
    return [
        Section("", [Words([*when, lead, *notes], "answer")]),
        Section("Planned", [Words(plan)] if plan else []),
        Section("", [Words([*result.cautions[:2], *more, INFORMS], "caution")]),
    ]


def sheet_html(result: Any, about: HandOver, kind: str = CHART) -> str:
    """Return a page as HTML."""
    title, sections = sheet_sections(result, about, kind)
    return page_html(title, about.label, sections, STYLE + (LARGE if kind == PERSON else ""))


def write_sheet(result: Any, path: str, about: HandOver, kind: str = CHART) -> Path:
    """Write a page as ``.html`` or ``.pdf``; return where it is.

    Raises
    ------
    ChoiceError
        The file's ending is neither, or there is no page of that kind.
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
            title, sections = sheet_sections(result, about, kind)
            return write_pdf(title, about.label, sections, place, one_page=kind != PERSON)
        place.write_text(sheet_html(result, about, kind), encoding="utf-8")
    except OSError as wrong:
        raise OutcomeError(f"{path} cannot be written: {wrong.strerror}. Choose another place.") from None
    return place
