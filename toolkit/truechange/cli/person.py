"""``truechange person``: two scores of one person in, a sentence for the chart and one for the person out."""

import argparse
from dataclasses import replace
from math import isfinite
from typing import Any

HELP = "tell whether one person changed beyond measurement error, and by enough to matter"
EXAMPLE = """examples:
  truechange person 9 13 --measure chair_stand_30s --sem 1.0 --sem-df 49 --mcid 2
  truechange person 9 13 --measure chair_stand_30s --sem-from "Gill et al" --mcid-from Mostafaee \\
      --dates 2026-01-12 2026-04-06 --age 72 --sex female --done seat_height_cm=43 arms_used=no
  truechange person 14.1 12.0 --name "Our stairs" --unit s --less-is-better --sem 0.6 --mcid 1.5

the clinic's own numbers stand in clinic.toml (truechange settings writes it from your data):
  [measures.chair_stand_30s]
  sem = 1.0            # from our own retests
  sem_df = 49
  mcid = { value = 2.0, low = 1.4, high = 2.7 }
  protocol = { seat_height_cm = 43, arms_used = "no" }
  [programme.chair_stand_30s]
  name = "leg-power programme"
  mean_before = 11.0
  mean_after = 13.0
  sd_before = 3.2
  sd_after = 3.4
  correlation = 0.8
  n = 60
  weeks = 12

It informs a judgement; it does not diagnose. Local rules and a licensed clinician decide."""
WIDTH, LINES = 80, 24


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of the command on `parser`."""
    add = parser.add_argument

    def number(option: str, words: str) -> None:
        add(option, metavar="N", help=words)

    add("scores", nargs="*", metavar="SCORE", help="in order of time; 14.6 or 14,6; unable; 9/10 for two at one stage")
    add("--measure", default="", metavar="TEST", help="a test of the catalogue (truechange measures)")
    add("--name", default="", help="name of a test of your own")
    add("--unit", default="", help="its unit")
    for which, better in (("less", "lower"), ("more", "higher")):
        words = f"a {better} score of your own test is an improvement"
        add(f"--{which}-is-better", action="store_const", const=better, dest="better", help=words)
    add("--other-side", nargs="+", default=[], metavar="SCORE", help="scores of the other side, where a test has sides")
    add("--dates", nargs="+", default=[], metavar="DATE", help="one a score, YYYY-MM-DD")
    number("--age", "years, for norms")
    add("--sex", help="female or male, for norms")
    number("--mass", "body mass for leg power, kg or 150lb")
    number("--height", "body height for leg power, cm or 5ft6in")
    for which, words in (("", "both tests were"), ("-before", "the first test was"), ("-after", "the last test was")):
        add(f"--done{which}", nargs="+", default=[], metavar="FACT=VALUE", help=f"how {words} done: seat=43cm arms=no")
    number("--sem", "standard error of measurement, in the unit of the test")
    number("--sem-df", "its degrees of freedom, about the number of people retested less one")
    number("--mcid", "smallest change that matters, in the unit of the test")
    add("--mcid-limits", nargs=2, help="its interval", metavar=("LOW", "HIGH"))
    number("--mcid-worse", "the same for getting worse")
    add("--published", action="store_true", help="use the published values that match best for what is not typed")
    add("--sem-from", metavar="AUTHOR", help="use the published error with this in its citation")
    add("--mcid-from", metavar="AUTHOR", help="use the published MCID with this in its citation")
    add(
        "--settings", "--programme", metavar="FILE", help="the clinic's own numbers (default: clinic.toml here, if any)"
    )
    number("--practice", "improvement from merely repeating the test")
    add("--baselines", type=int, default=1, metavar="N", help="baseline scores among more than two (default 1)")
    add("--confidence", default=0.95, metavar="SHARE", help="of the MDC and intervals (default 0.95)")
    add("--everything", action="store_true", help="print all of it, not one screen")
    add("--json", action="store_true", help="print for another program")
    add("--sheet", metavar="FILE", help="write one printable page, .html or .pdf")
    add("--for", dest="kind", default="chart", choices=("chart", "person", "referrer"), help="whom the page is for")
    add("--label", default="", help="words to put on the sheet, such as a person's code; none otherwise")
    add("--goal", default="", help="the person's own goal in their words, for the sheet or the ladder")
    add(
        "--ladder",
        metavar="FILE",
        help="follow the ladder of seats in a workbook with training logs, in place of scores",
    )
    add("--person", default="", metavar="CODE", help="whose training log, for --ladder")
    number("--goal-cm", "seat height the person wants to stand up from, for --ladder")
    add("--agreed", default="", help="the next step as agreed, for the sheet")


def run(arguments: argparse.Namespace) -> int:
    """Answer; return 0, or 1 where the scores do not allow an answer."""
    if arguments.ladder:
        return _ladder(arguments)
    from truechange.measures.catalogue import named_test
    from truechange.measures.settings import clinic_numbers
    from truechange.page.question import Question, ask, beside_other_side

    own = {"name": arguments.name, "unit": arguments.unit, "better": arguments.better}
    low, high = arguments.mcid_limits or (None, None)
    known = {name: getattr(arguments, name) for name in ("sem", "sem_df", "mcid", "mcid_worse", "practice")}
    known |= {"mcid_low": low, "mcid_high": high}
    only = "" if arguments.published else None
    named = named_test(arguments.measure)
    measure = named.key if named else arguments.measure
    both = _facts(arguments.done)
    question = Question(
        tuple(arguments.scores),
        measure=measure,
        own=own,
        dates=tuple(arguments.dates),
        age=arguments.age,
        sex=arguments.sex,
        mass=arguments.mass,
        height=arguments.height,
        before=both | _facts(arguments.done_before),
        after=both | _facts(arguments.done_after),
        known={name: value for name, value in known.items() if value is not None},
        clinic=clinic_numbers(arguments.settings, measure or arguments.name),
        sem_from=only if arguments.sem_from is None else arguments.sem_from,
        mcid_from=only if arguments.mcid_from is None else arguments.mcid_from,
        baselines=arguments.baselines,
        confidence=arguments.confidence,
    )
    result, there = ask(question)
    if arguments.other_side:
        other = ask(replace(question, scores=tuple(arguments.other_side)))[0]
        result = beside_other_side(result, other)
    written = ""
    if arguments.sheet:
        from truechange.page.sheet import HandOver, write_sheet

        about = HandOver(question, there, arguments.label, arguments.goal, arguments.agreed)
        written = f"Written: {write_sheet(result, arguments.sheet, about, arguments.kind)}"
    if arguments.json:
        print(_json(result, there))
    elif written:
        print(written)
    else:
        print("\n".join(screen(result, there, None if arguments.everything else LINES)))
    return 1 if result.verdict == "not_assessable" else 0


def _ladder(arguments: argparse.Namespace) -> int:
    """Print how far down the ladder of seats one person of a clinic's file is."""
    from truechange.foundation.errors import DataError
    from truechange.individual.seats import ProgressionRule, ladder
    from truechange.individual.typed import typed_number
    from truechange.measures.settings import progression_rule
    from truechange.records import read

    log = read(arguments.ladder).sessions
    rows = log[log["person"].astype(str) == arguments.person]
    if rows.empty:
        known = ", ".join(sorted(log["person"].astype(str).unique())[:5])
        raise DataError(
            f"{arguments.ladder} has no training log of {arguments.person!r} (--person); it has {known} ..."
        )
    goal = None if arguments.goal_cm is None else typed_number(arguments.goal_cm, "goal", "cm")
    found = ladder(
        rows, goal_cm=goal, goal=arguments.goal, rule=ProgressionRule(**progression_rule(arguments.settings))
    )
    for name, texts in (("Ladder", found.sentences()), ("Mind", found.cautions)):
        for text in texts:
            print("\n".join(_block(name, text)))
    return 0


def _facts(words: list[str]) -> dict[str, str]:
    from truechange.foundation.errors import ChoiceError

    pairs = [word.partition("=") for word in words]
    if wrong := [fact for fact, sign, value in pairs if not (fact and sign and value)]:
        raise ChoiceError(f"{wrong[0]!r} is not FACT=VALUE; write for example seat_height_cm=43 arms_used=no.")
    return {fact.strip(): value.strip() for fact, _, value in pairs}


def screen(result: Any, there: tuple[str, ...] = (), lines: int | None = LINES) -> list[str]:
    """Return the answer as lines of at most 80 characters; `lines` of them, or all for None.

    What does not fit is counted, never dropped in silence.
    """
    head = result.verdict.replace("_", " ").upper()
    shown = [head, "=" * len(head)]
    says = result.sentences()
    if getattr(result, "beliefs", ()) and hasattr(result, "points"):
        names: tuple[str, ...] = ("Last", "Person", "Course", "Chance")
    else:
        names = ("Chart", "Person", *("",) * (len(says) - 3), "Surer")
    for name, text in zip(names, says, strict=False):
        shown += _block(name, text)
    held = [("Mind", text) for text in result.cautions]
    safety = getattr(getattr(result, "test", None), "safety", ())
    rest = [*held[:2], *(("Safety", text) for text in safety[:1]), *(("Norms", text) for text in there[:1]), *held[2:]]
    rest += [*(("Safety", text) for text in safety[1:]), *(("Norms", text) for text in there[1:])]
    for done, (name, text) in enumerate(rest):
        block = _block(name, text)
        last = done == len(rest) - 1
        if lines is not None and len(shown) + len(block) + (not last) > lines:
            shown.append(f"{'More':<8}{len(rest) - done} more to mind: --everything prints all of it.")
            break
        shown += block
    return shown


def _block(name: str, text: str) -> list[str]:
    from textwrap import wrap

    return wrap(text, WIDTH, initial_indent=f"{name:<8}", subsequent_indent=" " * 8)


def _json(result: Any, there: tuple[str, ...]) -> str:
    import json

    rows = result.rows() if hasattr(result, "rows") else result.table().to_dict("records")
    held = {"verdict": result.verdict, "sentences": result.sentences(), "numbers": rows, "cautions": result.cautions}
    return json.dumps(_plain(held | {"context": there, "sources": result.sources}), indent=1, ensure_ascii=False)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(held) for key, held in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(held) for held in value]
    return None if isinstance(value, float) and not isfinite(value) else value
