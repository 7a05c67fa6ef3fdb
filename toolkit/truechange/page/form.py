"""The one-person form: its fields, the answer to what was typed, its picture, and the pages to hand over."""

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from itertools import zip_longest
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from truechange.foundation import INFORMS
from truechange.foundation.errors import OutcomeError
from truechange.individual.typed import named, typed_number, typed_score
from truechange.measures.catalogue import Measure, catalogue, facts
from truechange.page.question import COMPARES, Question, ask, beside_other_side, number

WEB = Path(__file__).parent / "web"
FIRST_TEST = "chair_stand_30s"
SIDES = (("before", "first test"), ("after", "last test"))
MORE = {  # fields for those who know more, by the name of the question's number
    "sem_df": "People retested for that error", "mcid_low": "MCID, lower limit", "mcid_high": "MCID, upper limit",
    "mcid_worse": "Change that matters, for the worse", "practice": "Gain from practice alone",
}  # fmt: skip
PROGRAMME = {
    "mean_before": "Mean before", "mean_after": "Mean after", "sd_before": "Spread (SD) before",
    "sd_after": "Spread (SD) after", "correlation": "Correlation", "n": "People measured twice",
}  # fmt: skip
LADDER = {"day": "date", "seat": "seat_height_cm", "arms": "arms_used", "load": "load_kg", "reps": "reps",
          "sore": "sore"}  # fmt: skip
BODY = {"age": "years", "mass": "kg", "height": "cm"}
MOST_VISITS = 40
Typed = Mapping[str, Any]  # one text a field; lists of texts for the visits


@cache
def _pages() -> Environment:
    return Environment(loader=FileSystemLoader(WEB), autoescape=True, undefined=StrictUndefined, trim_blocks=True)


def _page(name: str, **facts: Any) -> str:
    return _pages().get_template(f"{name}.html").render(**facts)


def form_page(clinic: Any, key: str = "") -> str:
    """Return the whole page, its fields those of the test `key`."""
    from truechange.individual.norms import offers

    test = catalogue().get(key) or catalogue()[FIRST_TEST]
    errors, importants = ([(one.key, one.words) for one in offers(test.key, what)] for what in ("sem", "mcid"))
    return _page(
        "form", tests=catalogue().values(), test=test, own=clinic.of(test.key) if clinic else {}, clinic=clinic,
        sides=SIDES, more=MORE, programme=PROGRAMME, errors=errors, importants=importants, caution=INFORMS,
        facts=[(fact, named(fact), tuple(facts()[fact].words)) for fact in test.protocol],
    )  # fmt: skip


def read(typed: Typed, clinic: Any) -> tuple[Question | None, dict[str, str]]:
    """Return the question the fields ask, and what is wrong or missing, field by field; None while anything is."""
    wrong: dict[str, str] = {}
    test = catalogue().get(str(typed.get("measure", "")))
    if test is None:
        return None, {"measure": "Choose a test."}

    def given(field: str, unit: str) -> float | None:
        text = str(typed.get(field) or "").strip()
        try:
            return number(field, text, unit) if text else None
        except OutcomeError as trouble:
            wrong[field] = str(trouble)
            return None

    own = clinic.of(test.key) if clinic else {}
    numbers = {name: given(name, test.unit) for name in ("sem", "mcid", *MORE, *PROGRAMME)}
    person: dict[str, Any] = {name: given(name, unit) and typed[name] for name, unit in BODY.items()}
    scores, dates = _visits(typed, test, wrong)
    source = {name: str(typed.get(f"{name}_from") or "") or None for name in ("sem", "mcid")}
    for name, published in source.items():
        if numbers[name] is None and published is None and name not in own:
            wrong.setdefault(name, "Needed: a number, or one of the published ones.")
    if wrong:
        return None, wrong
    if numbers["sem_df"] is not None:
        numbers["sem_df"] -= 1  # people tested twice give one degree of freedom each, less one
    done = {
        side: {fact: str(typed[f"{side}:{fact}"]) for fact in test.protocol if typed.get(f"{side}:{fact}")}
        for side, _ in SIDES
    }
    known = {name: value for name, value in numbers.items() if value is not None}
    group = {name: known.pop(name) for name in PROGRAMME if name in known}
    question = Question(
        scores, test.key, dates=dates, sex=str(typed.get("sex") or "") or None, **person, before=done["before"],
        after=done["after"] or done["before"], known=known, clinic={**own, **group},
        sem_from=source["sem"], mcid_from=source["mcid"],
    )  # fmt: skip
    return question, {}


def _visits(typed: Typed, test: Measure, wrong: dict[str, str]) -> tuple[tuple[Any, ...], tuple[str, ...]]:
    """Return scores and dates of the visits, empty rows left out; what is wrong goes to the row's field."""
    pairs = zip_longest(typed.get("when", ()), typed.get("score", ()), fillvalue="")
    rows = [(at, str(when or "").strip(), str(score or "").strip()) for at, (when, score) in enumerate(pairs)]
    rows = [row for row in rows if row[1] or row[2] or row[0] < 2][:MOST_VISITS]
    scores = []
    for place, when, score in rows:
        try:
            if score:
                scores.append(typed_score(score, f"score {place + 1}", test))
            else:
                wrong[f"score:{place}"] = "Needed: a number, or: unable."
        except OutcomeError as trouble:
            wrong[f"score:{place}"] = str(trouble)
        if not when and (len(rows) > 2 or any(row[1] for row in rows)):
            wrong[f"when:{place}"] = "Needed: a date at every visit, or at none of two."
    return tuple(scores), tuple(when for _, when, _ in rows if when)


def reply(typed: Typed, clinic: Any = None) -> dict[str, Any]:
    """Return what the page shows for what was typed: the answer as HTML, or what is wrong beside which field."""
    question, wrong = read(typed, clinic)
    if question is None:
        return {"wrong": wrong, "answer": "", "drawn": False}
    try:
        result, there = _asked(question, typed)
    except OutcomeError as trouble:
        return {"wrong": {}, "answer": _page("refused", why=str(trouble)), "drawn": False}
    return {"wrong": {}, "answer": _answer(result, there), "drawn": result.drawable}


def _asked(question: Question, typed: Typed) -> tuple[Any, tuple[str, ...]]:
    """Answer the question, beside it that of the other side where its scores were typed."""
    result, there = ask(question)
    if other := tuple(text for text in map(str, typed.get("other", ())) if text.strip()):
        result = beside_other_side(result, ask(replace(question, scores=other))[0])
    return result, there


def climbed(typed: Typed, clinic: Any = None) -> dict[str, Any]:
    """Return how far down the ladder of seats the typed days lead, in words and a picture; or what is wrong."""
    from truechange.foundation.drawing import data_address, png
    from truechange.individual.seats import ProgressionRule, ladder

    columns = {ours: [str(text).strip() for text in typed.get(name, ())] for name, ours in LADDER.items()}
    filled = [at for at, text in enumerate(columns["seat_height_cm"]) if text]
    try:
        days: dict[str, Any] = {name: [texts[at] for at in filled] for name, texts in columns.items()}
        for name, unit in (("seat_height_cm", "cm"), ("load_kg", "kg"), ("reps", "")):
            days[name] = [typed_number(text or "0", named(name), unit) for text in days[name]]
        days["soreness_next_day"] = [10 if text == "yes" else 0 for text in days.pop("sore")]
        goal = str(typed.get("goal_cm") or "").strip()
        seats = ladder(
            days, goal_cm=typed_number(goal, "goal", "cm") if goal else None, goal=str(typed.get("goal") or ""),
            rule=ProgressionRule(**(clinic.ladder if clinic else {})),
        )  # fmt: skip
        picture = data_address(png(seats.plot(width=4.6, height=3.0), dpi=110))
    except OutcomeError as trouble:
        return {"says": [str(trouble)], "cautions": [], "src": "", "alt": ""}
    return {"says": seats.sentences(), "cautions": seats.cautions, "src": picture, "alt": seats.alt}


def _answer(result: Any, there: tuple[str, ...]) -> str:
    from truechange.individual.verdict import sure_text, without_practice

    course, last = hasattr(result, "points"), result.last
    return _page(
        "answer", head=result.verdict.replace("_", " ").capitalize(), says=result.sentences(), course=course,
        chance=sure_text(last.leads()) if last is not None and last.beliefs else "", last=last, caution=INFORMS,
        cautions=result.cautions, others=[text.replace(COMPARES, "") for text in there],
        safety=result.test.safety, without=without_practice(last) if last else "",
    )  # fmt: skip


def drawn(typed: Typed, clinic: Any = None) -> dict[str, Any]:
    """Return what takes longer than the answer: its picture as a data address, the same in words, and its sources."""
    from truechange.foundation.drawing import data_address, png
    from truechange.reporting.references import cite

    question, _ = read(typed, clinic)
    try:
        result: Any = _asked(question, typed)[0] if question else None
    except OutcomeError:
        result = None  # the answer has said why
    if result is None:
        return {"src": "", "alt": "", "sources": []}
    picture = png(result.plot(), dpi=110, trim=False) if result.drawable else b""
    return {
        "src": data_address(picture) if picture else "", "alt": result.alt,
        "sources": str(cite(*result.sources)).splitlines() if result.sources else [],
    }  # fmt: skip


def handed_over(typed: Typed, clinic: Any, kind: str, *, pdf: bool = False) -> str | bytes:
    """Return a page for the chart, the person or the referrer, as HTML or PDF; a refusal stands on the page.

    Raises
    ------
    ChoiceError
        There is no page of that kind.
    """
    from tempfile import TemporaryDirectory

    from truechange.page.sheet import HandOver, sheet_html, write_sheet

    question, wrong = read(typed, clinic)
    if question is None:
        return _page("refused", why=" ".join(wrong.values()))
    try:
        result, there = _asked(question, typed)
        label, goal, agreed = (str(typed.get(name) or "").strip() for name in ("label", "goal", "agreed"))
        about = HandOver(question, there, label, goal, agreed)
        if not pdf:
            return sheet_html(result, about, kind)
        with TemporaryDirectory() as aside:
            return write_sheet(result, f"{aside}/page.pdf", about, kind).read_bytes()
    except OutcomeError as trouble:
        return _page("refused", why=str(trouble))
