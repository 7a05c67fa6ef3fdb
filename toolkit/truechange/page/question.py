"""From what somebody typed about one person to the library's question; standard library only, so it starts fast."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import nan
from typing import Any

from truechange.foundation.errors import ChoiceError, DataError, RefusedError
from truechange.foundation.estimate import Estimate, Origin, Threshold, read_sem
from truechange.foundation.numbers import percent
from truechange.foundation.result import told
from truechange.individual import typed as reading
from truechange.individual.assess import own_test, person_change
from truechange.individual.change import next_visit
from truechange.individual.score_error import Programme
from truechange.measures.catalogue import Measure, facts
from truechange.measures.catalogue import measure as look_up

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
        if not self.dates:
            return ()
        from datetime import date  # here: two scores may come without, and are answered sooner

        try:
            dates = [date.fromisoformat(when) for when in self.dates]
        except ValueError as wrong:
            remedy = "write it as YYYY-MM-DD, such as 2026-03-31."
            raise DataError(f"A date is not understood ({wrong}); {remedy}") from None
        if len(dates) != len(self.scores):
            raise DataError(f"{len(dates)} dates for {len(self.scores)} scores: give one date a score, or none.")
        if dates != sorted(dates):
            backwards = ", ".join(self.dates)
            raise DataError(f"The dates run backwards ({backwards}): give scores and dates in order of time.")
        return tuple((when - dates[0]).days for when in dates)


def ask(question: Question) -> tuple[Any, tuple[str, ...]]:
    """Answer a question; return the result (PersonChange or Visits) and where the last score stands among norms.

    Raises
    ------
    OutcomeError
        What was typed cannot be used; the message says how to mend it.
    """
    days, test, typed = question.days, _test(question), question
    question = _read(question, test)
    numbers = {**question.clinic, **question.known}
    gap = float(days[-1]) if days else None
    about: dict[str, Any] = {
        **({"measure": test.key, "better": question.own.get("better")} if test.key else question.own),
        "sem": _number_of("sem", question, numbers, test.unit, gap),
        "mcid": _number_of("mcid", question, numbers, test.unit, gap),
        "mcid_deterioration": numbers.get("mcid_worse"), "practice": numbers.get("practice", 0.0),
        "practice_se": numbers.get("practice_se", 0.0),
    }  # fmt: skip
    group, notes = _group(question, test) if question.clinic else (None, ())
    about |= {"programme": group, "confidence": reading.typed_number(question.confidence, "confidence")}
    if len(question.scores) == 2:
        about |= {"before_protocol": question.before or None, "after_protocol": question.after or None}
        result: Any = person_change(*question.scores, **about, dates=(question.dates or ("", ""))[:2])  # type: ignore[arg-type]
    else:
        result = _course(question, days, about)
    there, odd = _among_others(question, test)
    again = next_visit(group, question.clinic.get("weeks"), result, test)
    notes += told({
        again: again,
        "All scores are of one day: that shows how far scores repeat, not a change.": gap == 0,
        **dict.fromkeys(odd, True), **_typed_over(question),
    })  # fmt: skip
    cautions = (*notes, *_transport(question, about), *result.cautions, *_converted(typed, question, test))
    return replace(result, cautions=cautions), there


def _read(typed: Question, test: Measure) -> Question:
    """Return the question with what was typed as numbers, scores and facts of its test."""
    done = typed.clinic.get("done")
    return replace(
        typed,
        scores=tuple(reading.typed_score(text, f"score {at}", test) for at, text in enumerate(typed.scores, start=1)),
        known={name: number(name, text, test.unit) for name, text in typed.known.items()},
        before=facts_named(typed.before, test), after=facts_named(typed.after, test),
        clinic={**typed.clinic, **({"done": facts_named(done, test)} if done else {})},
    )  # fmt: skip


def beside_other_side(result: Any, other: Any) -> Any:
    """Return the answer of one side with the other side's words in its cautions: two looks at one person.

    Raises
    ------
    ChoiceError
        The test has no sides.
    """
    if not result.test.sides:
        raise ChoiceError(f"{result.test.name or 'This test'} has no sides: leave the scores of another side out.")
    looked = all(one.last and one.last.mdc for one in (result, other))
    level = result.confidence if hasattr(result, "confidence") else result.level.confidence
    passes = f"one of them passes the error in {percent(1 - level**2)} of unchanged people"
    price = f"Both sides were looked at: {passes}, not in {percent(1 - level)}."
    return replace(result, cautions=(f"Other side: {other.sentences()[0]}", *told({price: looked}), *result.cautions))


def _among_others(question: Question, test: Measure) -> tuple[tuple[str, ...], list[str]]:
    """Return where the last score and its leg power stand among norms and cut-offs, and what is odd of the person."""
    last, odd = question.scores[-1], []
    age = None if question.age is None else number("age", question.age)
    sex = reading.typed_word("sex", question.sex) if question.sex else None
    if age is not None and (text := reading.within("age", age, facts()["age"])):
        odd.append(text)
    if sex == "other":
        odd, sex = [*odd, "other: norms are published for female and male only."], None
    if not test.key or not isinstance(last, float) or (test.zero_unable and last == 0):
        return (), odd
    from truechange.individual import norms

    there = norms.place(test.key, last, age=age, sex=sex)
    if question.mass is None:
        return there, odd
    height = nan if question.height is None else number("height", question.height, "cm")
    body = (number("mass", question.mass, "kg"), height)
    first = question.scores[0]
    ends = (first if isinstance(first, float) else nan, last)
    return (*norms.power_sentences(test, ends, (question.before, question.after), body, age=age, sex=sex), *there), odd


def _typed_over(question: Question) -> dict[str, object]:
    """Say which of the clinic's own numbers a typed one stands in for."""
    names = {"sem": "SEM", "mcid": "MCID", "practice": "practice gain"}
    return {
        f"{words} {question.known[name]:g} was typed and is used; the clinic's settings say {question.clinic[name]:g}.":
        question.known[name] != question.clinic[name]
        for name, words in names.items() if name in question.known and name in question.clinic
    }  # fmt: skip


def _converted(typed: Question, read: Question, test: Measure) -> list[str]:
    """Say what was converted: a number typed in another unit, with what it was read as."""
    entries = [(f"Score {at}", text, test.unit) for at, text in enumerate(typed.scores, 1)]
    entries += [(name, text, test.unit) for name, text in typed.known.items() if name != "sem_df"]
    entries += [("mass", typed.mass, "kg"), ("height", typed.height, "cm")]
    entries += [(reading.named(fact), text, facts()[fact].unit) for side in (read.before, read.after)
                for fact, text in side.items() if fact in facts() and facts()[fact].unit]  # fmt: skip
    return list(dict.fromkeys(filter(None, (reading.converted(*entry) for entry in entries))))


def number(name: str, text: object, unit: str = "") -> float:
    """Return a number typed for a fact of a question (a key of ``OLD_NUMBERS``, or age); `unit` is that of the test."""
    unit = {"sem_df": "", "correlation": "", "n": "", "age": "years"}.get(name, unit)
    return reading.typed_number(text, name.replace("_", " ").replace("sem", "SEM").replace("mcid", "MCID"), unit)


def _test(question: Question) -> Measure:
    """Return the test that was asked about; one of the catalogue takes no other name or unit."""
    own = question.own
    if not question.measure:
        return own_test(own.get("name", ""), own.get("unit", ""), own.get("better") or "higher", 1.0)
    test = look_up(question.measure)
    if own.get("name") or own.get("unit", "") not in ("", test.unit):
        remedy = "leave out --name and --unit, or leave out --measure for a test of your own."
        raise ChoiceError(f"{test.name} has its own name and unit ({test.unit}): {remedy}")
    return test


def facts_named(given: Mapping[str, object], test: Measure) -> dict[str, object]:
    """Return how a test was done under the names the library knows; another name is refused."""
    if not given:
        return {}
    known = (*(test.protocol or [fact for fact in facts() if fact not in ("age", "sex")]), *reading.MINOR)
    by_name = {}
    for name, value in given.items():
        fact = name
        if name not in known and name not in facts():
            from truechange.records.rules import match_column

            fact, _, sure = match_column(name, "assessments")
            if fact not in facts() or sure == "guess":
                what = f"{name!r} is not a fact of how {test.name or 'a test'} is done"
                raise ChoiceError(f"{what}; known: {', '.join(known)}.")
        by_name[fact] = value
    return by_name


def _course(question: Question, days: tuple[int, ...], about: dict[str, Any]) -> Any:
    if not days and len(question.scores) > 1:
        raise ChoiceError("More than two scores need their dates (--dates), one a score, in order.")
    by_day = zip(days or (0,), question.scores, strict=True)
    seen = [(day, one) for day, score in by_day for one in (score if isinstance(score, tuple) else (score,))]
    changed, _ = reading.compare_protocols(question.before, question.after)
    if changed:
        raise RefusedError(f"The tests were done in two ways ({'; '.join(changed)}): they make no course.")
    columns = {"day": [day for day, _ in seen], "score": [score for _, score in seen]}
    columns |= {fact: [value] * len(seen) for fact, value in question.after.items()}
    from truechange.individual.several_visits import visits

    return visits(columns, protocol=tuple(question.after), baselines=question.baselines, **about)


def _number_of(
    what: str, question: Question, numbers: Mapping[str, Any], unit: str, gap: float | None
) -> Estimate | Threshold:
    """Return the SEM or the MCID: typed, published where a source was named, else the clinic's own.

    What was published is offered by name; nothing is chosen for the user.
    """
    typed, source = what in question.known, question.sem_from if what == "sem" else question.mcid_from
    if source and typed:
        both = f"both a number ({question.known[what]:g}) and a source ({source})"
        raise ChoiceError(f"{what.upper()}: {both} were given; leave one out.")
    if (source is not None and not typed) or what not in numbers:
        from truechange.individual import norms  # here: a typed number needs nothing published

        if source is not None:
            return norms.chosen(question.measure, what, source, gap)
        offered = "; ".join(one.words for one in norms.offers(question.measure, what)) if question.measure else ""
        choose = f", or choose a published one (--{what}-from with part of its citation; {offered})" if offered else ""
        raise ChoiceError(f"The {what.upper()} is missing: type it (--{what}){choose}.")
    origin = Origin.own(population=str(question.clinic.get("name", "programme file")))
    origin = Origin.stated() if typed or not question.clinic else origin
    value, beside = numbers[what], question.known if typed else numbers  # a typed number brings its own limits or df
    if what == "sem":
        return replace(read_sem(value, beside.get("sem_df"), unit=unit).estimate, origin=origin)
    low, high = beside.get("mcid_low", nan), beside.get("mcid_high", nan)
    if (low == low) != (high == high) or low > value or high < value:
        raise ChoiceError(f"The MCID {value:g} lies between two limits, LOW first; got {low:g} and {high:g}.")
    return Threshold(value=value, low=low, high=high, kind="mcid", unit=unit, method="given", origin=origin)


def _group(question: Question, test: Measure) -> tuple[Programme | None, tuple[str, ...]]:
    from truechange.foundation.entry import Entry
    from truechange.measures.settings import GROUP

    clinic = question.clinic
    given = [name for name in GROUP if name in clinic]
    if not given:
        return None, ()
    if len(given) < len(GROUP):
        raise DataError(f"The programme file lacks {', '.join(sorted(set(GROUP) - set(given)))}; it needs all or none.")
    name = str(clinic.get("name", "the programme"))
    changed, _ = reading.compare_protocols(clinic.get("done"), question.after, tolerances=test.tolerances)
    if changed:
        there = "; ".join(changed).replace(" before", f" in {name}").replace(" after", " here")
        return None, (f"Not used, because tested in another way ({there}): {name}.",)
    numbers: dict[str, Any] = {key: number(key, clinic[key], test.unit) for key in GROUP}
    if numbers["n"] % 1:
        raise DataError(f"n={numbers['n']:g} must be a whole number of people.")
    numbers["n"] = int(numbers["n"])
    if "entry" in clinic:
        numbers["entry"] = Entry.read(clinic["entry"], sign=test.sign, step=test.resolution, name=test.key)
    return Programme(name=name, origin=Origin.own(population=name), **numbers), ()


def _transport(question: Question, about: Mapping[str, Any]) -> tuple[str, ...]:
    """Hold published numbers against this person's test and, where they are known, the clinic's own baseline scores."""
    scores, checks = question.clinic.get("baseline_scores"), []
    for what in ("sem", "mcid"):
        if about[what].origin.kind == "published":
            from truechange.reliability.transport import transport_check

            gap = f"{question.days[-1]} days" if question.dates else ""
            check = transport_check(about[what], scores, protocol=question.after or None, interval=gap)
            if check.verdict == "do not use":
                raise RefusedError(f"The published {what.upper()} must not be used here: {' '.join(check.reasons)}")
            checks.append(f"Transport check of the {what.upper()}: {check.verdict}. {' '.join(check.reasons)}".strip())
    return tuple(checks)
