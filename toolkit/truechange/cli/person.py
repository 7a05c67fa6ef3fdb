"""``truechange person`` and ``page``: scores of one person in, a sentence for the chart and one for the person out."""

import argparse
import sys
from dataclasses import replace
from math import isfinite
from typing import Any

from truechange.cli.shared import print_json
from truechange.foundation.errors import ChoiceError, DataError, stated

WIDTH, LINES = 80, 24


def run_person(args: argparse.Namespace) -> int:
    """Answer; return 0, or 1 where the scores do not allow an answer."""
    if args.ladder:
        return _ladder(args)
    if not args.scores:
        raise ChoiceError("There is no score: give one a visit, the first visit first (truechange person 9 13).")
    from truechange.measures.catalogue import named_test
    from truechange.measures.settings import clinic_numbers
    from truechange.page.question import Question, ask, beside_other_side

    low, high = args.mcid_limits or (None, None)
    published = "" if args.published else None
    test = named_test(args.measure)
    measure = test.key if test else args.measure
    typed = {name: getattr(args, name) for name in ("sem", "sem_df", "mcid", "mcid_worse", "practice")}
    both_times = _facts(args.done)
    question = Question(
        tuple(args.scores), measure=measure, own={"name": args.name, "unit": args.unit, "better": args.better},
        dates=tuple(args.dates), before=both_times | _facts(args.done_before),
        after=both_times | _facts(args.done_after), known=stated(**typed, mcid_low=low, mcid_high=high),
        clinic=clinic_numbers(args.settings, measure or args.name),
        sem_from=published if args.sem_from is None else args.sem_from,
        mcid_from=published if args.mcid_from is None else args.mcid_from,
        **{name: getattr(args, name) for name in ("age", "sex", "mass", "height", "baselines", "confidence")},
    )  # fmt: skip
    result, norms = ask(question)
    if args.other_side:
        other, _ = ask(replace(question, scores=tuple(args.other_side)))
        result = beside_other_side(result, other)
    written = ""
    if args.sheet:
        from truechange.page.sheet import HandOver, write_sheet

        about = HandOver(question, norms, args.label, args.goal, args.agreed)
        written = f"Written: {write_sheet(result, args.sheet, about, args.kind)}"
    if args.json:
        print_json(_as_json(result, norms))
    else:
        print(written or "\n".join(screen(result, norms, None if args.everything else LINES)))
    return int(result.verdict == "not_assessable")


def _ladder(args: argparse.Namespace) -> int:
    """Print how far down the ladder of seats one person of a clinic's file is."""
    from truechange.individual.seats import ProgressionRule, ladder
    from truechange.individual.typed import typed_number
    from truechange.measures.settings import clinic_settings
    from truechange.records.reading import read

    dates = " ".join(args.dates).replace("-", " ") or None
    records = read(args.ladder, dates=dates, pseudonyms=args.pseudonyms, words=args.words)
    print(*records.cautions, sep="\n", end="\n" * bool(records.cautions), file=sys.stderr)
    log = records.sessions
    people = log["person"].astype(str)
    if not (people == args.person).any():
        known = ", ".join(sorted(people.unique())[:5])
        raise DataError(f"{args.ladder} has no training log of {args.person!r} (--person); it has {known} ...")
    goal = None if args.goal_cm is None else typed_number(args.goal_cm, "goal", "cm")
    clinic = clinic_settings(args.settings)
    rule = ProgressionRule(**(clinic.ladder if clinic else {}))
    seats = ladder(log[people == args.person], goal_cm=goal, goal=args.goal, rule=rule)
    for name, texts in (("Ladder", seats.sentences()), ("Mind", seats.cautions)):
        for text in texts:
            print(*_block(name, text), sep="\n")
    return 0


def _facts(words: list[str]) -> dict[str, str]:
    pairs = [word.partition("=") for word in words]
    if wrong := [fact for fact, sign, value in pairs if not (fact and sign and value)]:
        raise ChoiceError(f"{wrong[0]!r} is not FACT=VALUE; write for example seat_height_cm=43 arms_used=no.")
    return {fact.strip(): value.strip() for fact, _, value in pairs}


def screen(result: Any, norms: tuple[str, ...] = (), lines: int | None = LINES) -> list[str]:
    """Return the answer as lines of at most 80 characters; `lines` of them, or all for None.

    What does not fit is counted, never dropped in silence.
    """
    head = result.verdict.replace("worse_", "worse: ").replace("_", " ").upper()
    shown = [head, "=" * len(head)]
    says = result.sentences()
    if getattr(result, "beliefs", ()) and hasattr(result, "points"):
        names: tuple[str, ...] = ("Last", "Person", "Course", "Chance")
    else:
        names = ("Chart", "Person", *("",) * (len(says) - 3), "Surer")
    for name, text in zip(names, says, strict=False):
        shown += _block(name, text)
    cautions = [("Mind", text) for text in result.cautions]
    safety = [("Safety", text) for text in getattr(getattr(result, "test", None), "safety", ())]
    standing = [("Norms", text) for text in norms]
    # one of each before the third caution
    cautions = [*cautions[:2], *safety[:1], *standing[:1], *cautions[2:], *safety[1:], *standing[1:]]
    for done, (name, text) in enumerate(cautions):
        block = _block(name, text)
        last = done == len(cautions) - 1
        if lines is not None and len(shown) + len(block) + (not last) > lines:
            return [*shown, f"{'More':<8}{len(cautions) - done} more to mind: --everything prints all of it."]
        shown += block
    return shown


def _block(name: str, text: str) -> list[str]:
    from textwrap import wrap

    return wrap(text, WIDTH, initial_indent=f"{name:<8}", subsequent_indent=" " * 8)


def _as_json(result: Any, norms: tuple[str, ...]) -> dict[str, Any]:
    rows = result.rows() if hasattr(result, "rows") else result.table().to_dict("records")
    answer = {"verdict": result.verdict, "sentences": result.sentences(), "numbers": rows, "cautions": result.cautions}
    return _without_nan(answer | {"context": norms, "sources": result.sources})


def _without_nan(value: Any) -> Any:
    """Return `value` with null for what is missing or infinite, which JSON cannot say."""
    if isinstance(value, dict):
        return {key: _without_nan(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_without_nan(inner) for inner in value]
    return None if isinstance(value, float) and not isfinite(value) else value


def run_page(args: argparse.Namespace) -> int:
    """Serve the one-person page on this machine until Ctrl-C; return the exit status."""
    from threading import Event

    from truechange.measures.settings import clinic_settings
    from truechange.page.serve import serving

    with serving(args.port, clinic_settings(args.settings or None)) as address:
        print(f"The page is at {address}\nCtrl-C ends it.", flush=True)
        if not args.no_browser:
            import webbrowser

            webbrowser.open(address)
        try:
            Event().wait()
        except KeyboardInterrupt:
            print("\nThe page is closed.")
    return 0
