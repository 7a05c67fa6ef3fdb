"""The form of the one-person page: labelled fields, an error beside the field it is about, the answer beside."""

from collections.abc import Callable
from functools import cache, partial
from html import escape
from threading import Thread
from typing import Any

import ipywidgets as widgets

from truechange.foundation.errors import OutcomeError
from truechange.foundation.html import bullet_list, figure
from truechange.individual.typed import named, typed_score
from truechange.measures.catalogue import catalogue, facts
from truechange.measures.published import published_rows
from truechange.page.question import CAUTION, COMPARES, GROUP, Question, ask, number

OWN = "type our own"
WAITING = '<div class="tc-said none"><p>The answer appears here as soon as the fields are filled.</p></div>'
WORDS = {
    "sem": "Error of one score (SEM)", "sem_df": "People retested", "mcid": "Change that matters (MCID)",
    "mcid_low": "MCID, lower limit", "mcid_high": "MCID, upper limit", "practice": "Gain from practice alone",
    "mean_before": "Mean before", "mean_after": "Mean after", "sd_before": "Spread (SD) before",
    "sd_after": "Spread (SD) after", "correlation": "Correlation", "n": "People measured twice",
}  # fmt: skip


class Form:
    """The widgets, and what happens when one of them changes.

    Nothing typed is stored: it lives in this process until the page is closed.
    """

    def __init__(self) -> None:
        self.fields: dict[str, Any] = {}
        self.wrong: dict[str, widgets.HTML] = {}
        tests = [(test.name, key) for key, test in catalogue().items()]
        self.answer = self._html(WAITING, "tc-answer")
        self.done = widgets.VBox()
        self.rows = {
            "measure": self._field("measure", "Test", tests),
            "scores": [self._field("first", "First score"), self._field("last", "Last score")],
            "dates": [self._field("first_date", "First date"), self._field("last_date", "Last date")],
            "person": [self._field("age", "Age, years"), self._field("sex", "Sex", ["", "female", "male"])],
            "sem": [self._field("sem_from", "Error from", [OWN]), self._field("sem", WORDS["sem"])],
            "mcid": [self._field("mcid_from", "MCID from", [OWN]), self._field("mcid", WORDS["mcid"])],
        }
        more = [self._field(name, WORDS[name]) for name in ("sem_df", "mcid_low", "mcid_high", "practice", *GROUP)]
        button = widgets.Button(description="Show the answer")
        button.on_click(lambda _: self.show())
        heads = {"scores": "Scores", "dates": "Dates (YYYY-MM-DD) and person, if known", "sem": "Thresholds"}
        parts: list[Any] = [self.rows.pop("measure")]
        for name, row in self.rows.items():
            parts += [self._html(f"<h2>{heads[name]}</h2>")] if name in heads else []
            parts += row
            if name == "scores":
                parts += [self._html("<h2>How each test was done</h2>"), self.done, self._mark("done")]
        extra = widgets.Accordion([widgets.VBox(more)], titles=["What else we know: uncertainty, our programme"])
        parts += [extra, button]
        lead = "Two scores of one person: is the change real, is it enough, how sure? Nothing typed is stored or sent."
        head = self._html(f'<h1>One person\'s change</h1><p class="quiet">{lead} {CAUTION}</p>', "tc-lead")
        form = widgets.VBox(parts).add_class("tc-form")
        columns = widgets.HBox([form, self.answer]).add_class("tc-columns")
        self.page = widgets.VBox([head, columns]).add_class("tc")
        self.fields["measure"].observe(lambda _: self._new_test(), "value")
        for name in ("sem", "mcid"):  # a number and a source of it exclude each other: the later one stays
            self.fields[name].observe(lambda seen, name=name: self._only(f"{name}_from", OWN, seen["new"]), "value")
            self.fields[f"{name}_from"].observe(
                lambda seen, name=name: self._only(name, "", seen["new"] not in (OWN, None)), "value"
            )
        self._new_test()

    def _only(self, other: str, empty: str, given: object) -> None:
        if given:
            self.fields[other].value = empty

    def _html(self, text: str, *classes: str) -> widgets.HTML:
        made = widgets.HTML(text)
        for name in classes:
            made.add_class(name)
        return made

    def _mark(self, name: str) -> widgets.HTML:
        self.wrong[name] = self._html("", "tc-wrong")
        return self.wrong[name]

    def _field(self, name: str, label: str, options: list[Any] | None = None) -> widgets.VBox:
        """Return a labelled field with room for what is wrong with it."""
        look = {"description": label, "style": {"description_width": "11rem"}}
        made = widgets.Dropdown(options=options, **look) if options else widgets.Text(continuous_update=False, **look)
        self.fields[name] = made
        if name != "measure":
            made.observe(lambda _: self.show(quiet=True), "value")
        return widgets.VBox([made, self._mark(name)])

    def _new_test(self) -> None:
        """Ask for the protocol facts and offer the published values of the chosen test."""
        test = catalogue()[self.fields["measure"].value]
        for name in [name for name in self.fields if ":" in name]:
            del self.fields[name]
        which = (("before", "first test"), ("after", "last test"))
        self.done.children = [
            self._field(f"{side}:{fact}", f"{named(fact)}, {words}", ["", "no", "yes"] if fact == "arms_used" else None)
            for fact in test.protocol
            for side, words in which
        ]
        for name, quantities in (("sem_from", ("mdc95", "mdc90")), ("mcid_from", ("mic",))):
            rows = [row for row in published_rows() if row["measure"] == test.key and row["quantity"] in quantities]
            usable = [row for row in rows if row["usable"] == "yes" and row["status"] != "from memory"]
            once = [r["citation"] for r in usable if sum(r["citation"] == other["citation"] for other in usable) == 1]
            self.fields[name].options = [OWN, *once]
        self.show(quiet=True)

    def _typed(self, name: str, read: Callable[[str], Any]) -> Any:
        """Return what `read` makes of a field's text, None for an empty one; what is wrong is said beside it."""
        text = self.fields[name].value
        try:
            return read(text) if text.strip() else None
        except OutcomeError as trouble:
            self.wrong[name].value = escape(str(trouble))
            return None

    def question(self) -> Question | None:
        """Return what the fields ask; None while something is missing or wrong (then it is said beside the field)."""
        test = catalogue()[self.fields["measure"].value]
        numbers = {name: self._typed(name, partial(number, name, unit=test.unit)) for name in (*WORDS, "age")}
        scores = tuple(
            self._typed(name, partial(typed_score, name=f"{name} score", test=test)) for name in ("first", "last")
        )
        value = {name: field.value for name, field in self.fields.items()}
        sources = {
            f"{name}_from": None if value[f"{name}_from"] == OWN else value[f"{name}_from"] for name in ("sem", "mcid")
        }
        for name, given in (
            ("first", scores[0]),
            ("last", scores[1]),
            ("sem", numbers["sem"]),
            ("mcid", numbers["mcid"]),
        ):
            if given is None and not sources.get(f"{name}_from") and not self.wrong[name].value:
                self.wrong[name].value = "Needed; a number" + (", or: unable." if name in ("first", "last") else ".")
        if any(mark.value for mark in self.wrong.values()):
            return None
        if numbers["sem_df"] is not None:
            numbers["sem_df"] -= 1  # people tested twice give one degree of freedom each, less one
        done = {
            side: {n.split(":")[1]: v for n, v in value.items() if n.startswith(f"{side}:") and v}
            for side in ("before", "after")
        }
        dates = tuple(value[name].strip() for name in ("first_date", "last_date"))
        age, typed = numbers.pop("age"), {name: number for name, number in numbers.items() if number is not None}
        return Question(
            scores, value["measure"], dates=dates if any(dates) else (), age=age, sex=value["sex"] or None,
            before=done["before"], after=done["after"], known={n: v for n, v in typed.items() if n not in GROUP},
            clinic={n: v for n, v in typed.items() if n in GROUP}, sem_from=sources["sem_from"],
            mcid_from=sources["mcid_from"],
        )  # fmt: skip

    def show(self, quiet: bool = False) -> None:
        """PersonChange, or say beside the field what is wrong; `quiet` while the form is still being filled."""
        for mark in self.wrong.values():
            mark.value = ""
        question = self.question()
        try:
            self.answer.value = answer_html(*ask(question)) if question else WAITING
        except OutcomeError as trouble:
            self.answer.value = f'<div class="tc-said none" role="alert"><p>No answer: {escape(str(trouble))}</p></div>'
            name, words = _about(str(trouble))
            self.wrong[name].value = escape(words)
        if quiet and question is None and not (self.fields["first"].value and self.fields["last"].value):
            for mark in self.wrong.values():
                mark.value = "" if mark.value.startswith("Needed") else mark.value


def _about(said: str) -> tuple[str, str]:
    """Return the field an error is about, and the words to put there."""
    changed = said.partition("two ways (")[2].partition("), so")[0]
    if changed:
        return "done", f"Not the same both times: {changed}."
    found = {"before=": "first", "after=": "last", "date": "last_date", "SEM": "sem", "sem": "sem", "MCID": "mcid",
             "mcid": "mcid", "practice": "practice", "age": "age", "programme": "n"}  # fmt: skip
    found = {named(fact): "done" for fact in facts() if fact not in ("age", "sex")} | found
    return next((name for words, name in found.items() if words in said), "last"), said


def answer_html(result: Any, there: tuple[str, ...]) -> str:
    """Return the answer for the page: words, picture, cautions, where the score stands, sources; all text escaped."""
    head = result.verdict.replace("_", " ").capitalize()
    drawn = figure(result.plot(), result.alt, dpi=110) if result.improvement == result.improvement else ""
    firm = "".join(f"<p>{escape(text)}</p>" for text in result.sentences()[2:])
    others = f"<h2>Among others</h2>{bullet_list([t.replace(COMPARES, '') for t in there])}" if there else ""
    sources = _sources(result.sources)
    return (
        f'<div class="tc-said" role="status"><p><strong>{escape(head)}</strong></p>'
        f'<p class="tc-person">{escape(result.person_sentence)}</p><p>{escape(result.chart_sentence)}</p></div>'
        f'{drawn}{firm}<h2>Mind</h2><div class="tc-mind">{bullet_list(result.cautions)}</div>{others}'
        f'<h2>Sources</h2><div class="quiet">{sources}<p>{CAUTION}</p></div>'
    )


@cache
def _sources(keys: tuple[str, ...]) -> str:
    from truechange.reporting.references import cite

    return bullet_list(str(cite(*keys)).splitlines()) if keys else ""


def show() -> widgets.VBox:
    """Return the page's widgets; the drawing and citing libraries load behind them, while somebody types."""
    Thread(target=_warm, daemon=True).start()
    return Form().page


def _warm() -> None:
    import matplotlib.pyplot  # noqa: F401

    _sources(("jacobson1991",))
