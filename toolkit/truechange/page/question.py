"""From what somebody typed about one person to the library's question; standard library only, so it starts fast."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from math import nan
from typing import Any

from truechange import individual
from truechange.foundation.entry import Entry
from truechange.foundation.errors import ChoiceError, DataError, RefusedError
from truechange.foundation.estimate import Estimate, Origin, Threshold
from truechange.foundation.numbers import percent
from truechange.foundation.result import told
from truechange.foundation.sem import read_sem
from truechange.individual.assess import own_test, person_change
from truechange.individual.body import power_sentences
from truechange.individual.score_error import Programme
from truechange.individual.several_visits import next_visit
from truechange.individual.typed import (
    MINOR,
    compare_protocols,
    converted,
    named,
    typed_number,
    typed_score,
    typed_word,
    within,
)
from truechange.measures.catalogue import Measure, facts
from truechange.measures.catalogue import measure as look_up
from truechange.measures.settings import GROUP

CAUTION = "It informs a judgement; it does not diagnose. Local rules and a licensed clinician decide."
COMPARES = " This compares; it does not diagnose."


@dataclass(frozen=True)
class Question:
    """Everything that was typed about one person.

    Parameters
    ----------
    scores : tuple of str or float
        As typed, in order of time: numbers in the unit of the test, ``9/10`` for two tests at one stage, ``unable``.
    measure : str
        Key of a test of the catalogue; empty for one of your own, which `own` describes (name, unit, better).
    dates : tuple of str
        ISO dates, one a score, or none.
    age, sex : str, float or None
        For norms and cut-offs, as typed.
    mass, height : str, float or None
        Body mass and height, as typed, for leg power.
    before, after : mapping
        Protocol facts of the two tests.
    known : mapping
        Numbers typed for this question (sem, sem_df, mcid, mcid_low, mcid_high, mcid_worse, practice), text or number.
    clinic : mapping
        What the programme file says of this test; typed numbers go first.
    sem_from, mcid_from : str or None
        Part of the citation whose published value to use; empty text for the only one there is.
    baselines : int
        How many of the first scores are baseline, for more than two.
    confidence : float
        Level of the MDC and the intervals.
    """

    scores: tuple[Any, ...]
    measure: str = ""
    own: Mapping[str, Any] = field(default_factory=dict)
    dates: tuple[str, ...] = ()
    age: str | float | None = None
    sex: str | None = None
    mass: str | float | None = None
    height: str | float | None = None
    before: Mapping[str, object] = field(default_factory=dict)
    after: Mapping[str, object] = field(default_factory=dict)
    known: Mapping[str, Any] = field(default_factory=dict)
    clinic: Mapping[str, Any] = field(default_factory=dict)
    sem_from: str | None = None
    mcid_from: str | None = None
    baselines: int = 1
    confidence: str | float = 0.95

    @property
    def days(self) -> tuple[int, ...]:
        """Days between the first date and each."""
        try:
            dates = [date.fromisoformat(when) for when in self.dates]
        except ValueError as wrong:
            raise DataError(
                f"A date is not understood ({wrong}); write it as YYYY-MM-DD, such as 2026-03-31."
            ) from None
        if dates and len(dates) != len(self.scores):
            raise DataError(f"{len(dates)} dates for {len(self.scores)} scores: give one date a score, or none.")
        if dates != sorted(dates):
            raise DataError(
                f"The dates run backwards ({', '.join(self.dates)}): give scores and dates in order of time."
            )
        return tuple((when - dates[0]).days for when in dates)


def ask(question: Question) -> tuple[Any, tuple[str, ...]]:
    """Answer a question; return the result (PersonChange or Visits) and where the last score stands among norms.

    Raises
    ------
    OutcomeError
        What was typed cannot be used; the message says how to mend it.
    """
    own, days, done = question.own, question.days, question.clinic.get("done")
    test = _test(question)
    typed = question
    question = replace(
        question,
        scores=tuple(typed_score(text, f"score {place}", test) for place, text in enumerate(question.scores, start=1)),
        known={name: number(name, text, test.unit) for name, text in question.known.items()},
        before=facts_named(question.before, test),
        after=facts_named(question.after, test),
        clinic={**question.clinic, **({"done": facts_named(done, test)} if done else {})},
    )
    numbers = {**question.clinic, **question.known}
    about: dict[str, Any] = {"measure": test.key, "better": own.get("better")} if test.key else dict(own)
    gap = float(days[-1]) if days else None
    about |= {"sem": _sem(question, numbers, test.unit, gap), "mcid": _mcid(question, numbers, test.unit, gap)}
    about |= {"mcid_deterioration": numbers.get("mcid_worse"), "practice": numbers.get("practice", 0.0)}
    about |= {"practice_se": numbers.get("practice_se", 0.0)}
    group, said = _group(question, test)
    about |= {"programme": group, "confidence": typed_number(question.confidence, "confidence")}
    if len(question.scores) == 2:
        about |= {"before_protocol": question.before or None, "after_protocol": question.after or None}
        found: Any = person_change(*question.scores, **about, dates=(question.dates or ("", ""))[:2])  # type: ignore[arg-type]
    else:
        found = _course(question, days, about)
    there, odd = _among_others(question, test)
    again = next_visit(group, question.clinic.get("weeks"), found, test)
    said += told({
        again: again,
        "All scores are of one day: that shows how far scores repeat, not a change.": gap == 0,
        **dict.fromkeys(odd, True), **_typed_over(question),
    })  # fmt: skip
    cautions = (*said, *_transport(question, about), *found.cautions, *_read_as(typed, question, test))
    return replace(found, cautions=cautions), there


def beside_other_side(result: Any, other: Any) -> Any:
    """Return the answer of one side with the other side's words in its cautions: two looks at one person.

    Raises
    ------
    ChoiceError
        The test has no sides.
    """
    test = getattr(result, "test", None) or result.changes[-1].test
    if not test.sides:
        raise ChoiceError(f"{test.name or 'This test'} has no sides: leave the scores of another side out.")
    level = result.confidence if hasattr(result, "confidence") else result.level.confidence
    passes = f"one of them passes the error in {percent(1 - level**2)} of unchanged people"
    price = f"Both sides were looked at: {passes}, not in {percent(1 - level)}."
    return replace(result, cautions=(f"Other side: {other.sentences()[0]}", price, *result.cautions))


def _among_others(question: Question, test: Measure) -> tuple[tuple[str, ...], list[str]]:
    """Return where the last score and its leg power stand among norms and cut-offs, and what is odd of the person."""
    last, odd = question.scores[-1], []
    age = None if question.age is None else number("age", question.age)
    sex = typed_word("sex", question.sex) if question.sex else None
    if age is not None and (text := within("age", age, facts()["age"])):
        odd.append(text)
    if sex == "other":
        odd, sex = [*odd, "other: norms are published for female and male only."], None
    if not test.key or not isinstance(last, float) or (test.zero_unable and last == 0):
        return (), odd
    there = individual.place(test.key, last, age=age, sex=sex)
    if question.mass is None:
        return there, odd
    body = (
        number("mass", question.mass, "kg"),
        nan if question.height is None else number("height", question.height, "cm"),
    )
    ends = tuple(score if isinstance(score, float) else nan for score in (question.scores[0], last))
    return (*power_sentences(test, ends, (question.before, question.after), body, age=age, sex=sex), *there), odd  # type: ignore[arg-type]


def _typed_over(question: Question) -> dict[str, object]:
    """Say which of the clinic's own numbers a typed one stands in for."""
    names = {"sem": "SEM", "mcid": "MCID", "practice": "practice gain"}
    return {
        f"{words} {question.known[name]:g} was typed and is used; the clinic's settings say {question.clinic[name]:g}.":
        question.known[name] != question.clinic[name]
        for name, words in names.items() if name in question.known and name in question.clinic
    }  # fmt: skip


def _read_as(typed: Question, read: Question, test: Measure) -> list[str]:
    """Say what was converted: a number typed in another unit, with what it was read as."""
    unit = {"age": "years", "mass": "kg", "height": "cm"}
    entries: list[tuple[str, object, str]] = [
        (f"Score {at}", text, test.unit) for at, text in enumerate(typed.scores, 1)
    ]
    entries += [(name, text, test.unit) for name, text in typed.known.items() if name != "sem_df"]
    entries += [(name, getattr(typed, name), unit[name]) for name in ("mass", "height")]
    entries += [(named(fact), text, facts()[fact].unit) for side in (read.before, read.after)
                for fact, text in side.items() if fact in facts() and facts()[fact].unit]  # fmt: skip
    return list(dict.fromkeys(filter(None, (converted(name, text, to) for name, text, to in entries))))


def number(name: str, text: object, unit: str = "") -> float:
    """Return a number typed for a fact of a question (a key of ``OLD_NUMBERS``, or age); `unit` is that of the test."""
    unit = {"sem_df": "", "correlation": "", "n": "", "age": "years"}.get(name, unit)
    return typed_number(text, name.replace("_", " ").replace("sem", "SEM").replace("mcid", "MCID"), unit)


def _test(question: Question) -> Measure:
    """Return the test that was asked about; one of the catalogue takes no other name or unit."""
    own = question.own
    if not question.measure:
        return own_test(own.get("name", ""), own.get("unit", ""), own.get("better") or "higher", 1.0)
    test = look_up(question.measure)
    if own.get("name") or own.get("unit", "") not in ("", test.unit):
        raise ChoiceError(
            f"{test.name} has its own name and unit ({test.unit}): leave out --name and --unit, or leave out --measure "
            "for a test of your own."
        )
    return test


def facts_named(given: Mapping[str, object], test: Measure) -> dict[str, object]:
    """Return how a test was done under the names the library knows; another name is refused."""
    known = (*(test.protocol or [fact for fact in facts() if fact not in ("age", "sex")]), *MINOR)
    found = {}
    for fact, value in given.items():
        name = fact
        if fact not in known and fact not in facts():
            from truechange.records.rules import match_column

            name, _, sure = match_column(fact, "assessments")
            if name not in facts() or sure == "guess":
                raise ChoiceError(
                    f"{fact!r} is not a fact of how {test.name or 'a test'} is done; known: {', '.join(known)}."
                )
        found[name] = value
    return found


def _course(question: Question, days: tuple[int, ...], about: dict[str, Any]) -> Any:
    from truechange.individual.several_visits import visits

    if not days and len(question.scores) > 1:
        raise ChoiceError("More than two scores need their dates (--dates), one a score, in order.")
    seen = [(day, one) for day, score in zip(days or (0,), question.scores, strict=True) for one in _each(score)]
    changed, _ = compare_protocols(question.before, question.after)
    if changed:
        raise RefusedError(f"The tests were done in two ways ({'; '.join(changed)}): they make no course.")
    columns = {"day": [day for day, _ in seen], "score": [score for _, score in seen]}
    columns |= {fact: [value] * len(seen) for fact, value in question.after.items()}
    return visits(columns, protocol=tuple(question.after), baselines=question.baselines, **about)


def _each(score: Any) -> tuple[Any, ...]:
    return score if isinstance(score, tuple) else (score,)


def _sem(question: Question, numbers: Mapping[str, Any], unit: str, gap: float | None) -> Estimate:
    _one_source(question, "sem", question.sem_from)
    if question.sem_from is not None and "sem" not in question.known:
        return individual.chosen(question.measure, "sem", question.sem_from, gap)
    if "sem" not in numbers:
        raise ChoiceError(f"The SEM is missing: type it (--sem){_choices(question.measure, 'sem')}.")
    df = (
        numbers.get("sem_df")
        if ("sem" in question.known) == ("sem_df" in question.known)
        else question.known.get("sem_df")
    )
    return replace(read_sem(numbers["sem"], df, unit=unit).estimate, origin=_origin(question, "sem"))


def _mcid(question: Question, numbers: Mapping[str, Any], unit: str, gap: float | None) -> Threshold:
    _one_source(question, "mcid", question.mcid_from)
    if question.mcid_from is not None and "mcid" not in question.known:
        return individual.chosen(question.measure, "mcid", question.mcid_from, gap)
    if "mcid" not in numbers:
        raise ChoiceError(f"The MCID is missing: type it (--mcid){_choices(question.measure, 'mcid')}.")
    source = question.known if "mcid" in question.known else numbers
    low, high = source.get("mcid_low", nan), source.get("mcid_high", nan)
    if (low == low) != (high == high) or low > numbers["mcid"] or high < numbers["mcid"]:
        raise ChoiceError(f"The MCID {numbers['mcid']:g} lies between two limits, LOW first; got {low:g} and {high:g}.")
    origin = _origin(question, "mcid")
    return Threshold(value=numbers["mcid"], low=low, high=high, kind="mcid", unit=unit, method="given", origin=origin)


def _one_source(question: Question, what: str, source: str | None) -> None:
    if source and what in question.known:
        both = f"both a number ({question.known[what]:g}) and a source ({source})"
        raise ChoiceError(f"{what.upper()}: {both} were given; leave one out.")


def _origin(question: Question, what: str) -> Origin:
    if what in question.known or not question.clinic:
        return Origin.stated()
    return Origin.own(population=str(question.clinic.get("name", "programme file")))


def _choices(measure: str, what: str) -> str:
    """Offer what was published for the test, to be chosen by name; nothing is chosen for the user."""
    listed = "; ".join(one.words for one in individual.offers(measure, what)) if measure else ""
    return f", or choose a published one (--{what}-from with part of its citation; {listed})" if listed else ""


def _group(question: Question, test: Measure) -> tuple[Programme | None, tuple[str, ...]]:
    clinic = question.clinic
    given = [name for name in GROUP if name in clinic]
    if not given:
        return None, ()
    if len(given) < len(GROUP):
        raise DataError(f"The programme file lacks {', '.join(sorted(set(GROUP) - set(given)))}; it needs all or none.")
    name = str(clinic.get("name", "the programme"))
    changed, _ = compare_protocols(clinic.get("done"), question.after, tolerances=test.tolerances)
    if changed:
        there = "; ".join(changed).replace(" before", f" in {name}").replace(" after", " here")
        return None, (f"Not used, because tested in another way ({there}): {name}.",)
    moments: dict[str, Any] = {key: number(key, clinic[key], test.unit) for key in GROUP}
    if moments["n"] % 1:
        raise DataError(f"n={moments['n']:g} must be a whole number of people.")
    moments["n"] = int(moments["n"])
    if "entry" in clinic:
        moments["entry"] = Entry.read(clinic["entry"], sign=test.sign, step=test.resolution, name=test.key)
    return Programme(name=name, origin=Origin.own(population=name), **moments), ()


def _transport(question: Question, about: Mapping[str, Any]) -> tuple[str, ...]:
    """Hold published numbers against this person's test and, where they are known, the clinic's own baseline scores."""
    scores = question.clinic.get("baseline_scores")
    found = []
    for what in ("sem", "mcid"):
        if about[what].origin.kind == "published":
            from truechange.reliability.transport import transport_check

            gap = f"{question.days[-1]} days" if question.dates else ""
            check = transport_check(about[what], scores, protocol=question.after or None, interval=gap)
            if check.verdict == "do not use":
                raise RefusedError(f"The published {what.upper()} must not be used here: {' '.join(check.reasons)}")
            found.append(f"Transport check of the {what.upper()}: {check.verdict}. {' '.join(check.reasons)}".strip())
    return tuple(found)
