"""Flow of people and quality of the data: who started, was due, was tested; what reading set aside or doubted."""

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import partial, reduce
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from truechange.foundation.errors import ChoiceError, check_finite
from truechange.foundation.numbers import percent
from truechange.foundation.result import Part, told
from truechange.measures import Measure
from truechange.numerics.small_cells import FEW, HIDDEN, few, masked, pooled
from truechange.programme.parts import kind_of
from truechange.records.rules import fit_to_show, known_word

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COMPARED, NOT_YET = "compared", "not yet due"
UNTESTED, STOPPED, DOOR = "due and not tested", "stopped", "tested but the score was set aside at the door"
UNLIKE, UNABLE, NO_FIRST = "not comparable", "unable at follow-up", "no score before"
STATES = (COMPARED, NOT_YET, UNTESTED, STOPPED, DOOR, UNLIKE, UNABLE, NO_FIRST)
PLACES = re.compile(r" \([^)]*\)")  # from what to what a protocol changed: too few people each
NINE_IN_TEN, FEWEST_DATED = 0.9, 5
STOPPING = {  # how words begin
    "death": ("died", "death", "deceased", "passed away"),
    "pain or a flare": ("pain(s|ful)?\\b", "flare", "sore", "swell", "swollen"),
    "illness, injury or surgery": ("ill(ness)?\\b", "sick", "surg", "hospital", "operat", "falls?\\b", "fell", "fract",
                                   "injur", "medical"),
    "moved or could not travel": ("mov(ed|ing)", "travel", "transport", "distance"),
    "no time (work, family)": ("time", "work", "job", "famil", "busy", "care(r|giv)", "caring"),
    "declined to go on": ("declin", "withdr", "(un)?interest", "lost interest", "refus", "motivat", "(un)?want",
                          "unwill"),
    "contact lost": ("lost", "no.?show", "did not (attend|come)", "dna\\b", "unreach",
                     "(no|not|cannot) .*(contact|reach)"),
}  # fmt: skip


@dataclass(frozen=True)
class DueRule:
    """When a follow-up is due.

    Parameters
    ----------
    as_of : Timestamp or None
        Day of the count; None where the records hold no date.
    days : float or None
        Days from start to follow-up, after which it is due; None where that cannot be told.
    words : str
        The rule in words.
    """

    as_of: "pd.Timestamp | None"
    days: float | None
    words: str


def due_rule(records: Any, frames: Collection[pd.DataFrame], as_of: str | None, weeks: float | None) -> DueRule:
    """Settle when a follow-up is due, from what was stated or else from the records themselves.

    Parameters
    ----------
    records : Records
        For the latest date on which somebody was tested or trained: a later run on the same file gives the same count.
    frames : collection of DataFrame
        One row a person of the programme, for each test: person, before_date, after_date, start_date where known.
    as_of : str or None
        Day of the count as ``YYYY-MM-DD``.
    weeks : float or None
        Weeks from start to follow-up. Without it the time by which nine in ten of those tested had been tested; other
        programmes may be shorter or longer, so it is told from this one alone.

    Raises
    ------
    ChoiceError
        `as_of` is no date, or `weeks` not positive.
    """
    tests = records.assessments
    dates = [
        tests.loc[tests["result"] != "not_done", "date"],
        records.sessions.get("date", pd.Series(dtype="datetime64[ns]")),
    ]
    latest = max((day.max() for day in dates if day.notna().any()), default=None)
    day = latest if as_of is None else a_day("as_of", as_of)
    days, how = None, ""
    if weeks is not None:
        check_finite(weeks=weeks)
        if not weeks > 0:
            raise ChoiceError(f"weeks={weeks!r} must be positive: the weeks from start to follow-up.")
        days, how = 7.0 * weeks, f"{weeks:g} weeks after the start, as stated"
    else:
        taken = pd.concat([(frame["after_date"] - start_of(frame)).dt.days.groupby(frame["person"]).max()
                           for frame in frames])  # fmt: skip
        gaps = taken.groupby(level=0).max().dropna()
        if len(gaps) >= FEWEST_DATED:
            days = float(gaps.quantile(NINE_IN_TEN, interpolation="higher"))
            how = f"{days:.0f} days after the start, by when nine in ten of those tested had been tested"
    if day is None or days is None:
        lacking = "No dates tell" if day is None else f"Fewer than {FEWEST_DATED} people tested twice cannot tell"
        return DueRule(None, None, f"{lacking} whose follow-up lies ahead: everyone who started counts as due.")
    return DueRule(day, days, f"Due by {day:%Y-%m-%d}: {how}, or stopped, completed or tested before that.")


def a_day(name: str, given: str) -> pd.Timestamp:
    """Return the day an argument names, as ``YYYY-MM-DD`` alone, or refuse it."""
    day = pd.to_datetime(given, errors="coerce", format="%Y-%m-%d")
    if not isinstance(day, pd.Timestamp):
        raise ChoiceError(f"{name}={given!r} is no date; give it as YYYY-MM-DD, such as 2026-03-31.")
    return day


def with_states(
    people: pd.DataFrame, aside: Mapping[str, str], rule: DueRule, seen: Collection[str] = ()
) -> pd.DataFrame:
    """Add to one row a person who started: state, why (its reason by kind), due.

    What was measured goes before what was not, and the date decides only of those nobody saw at follow-up.

    Parameters
    ----------
    people : DataFrame
        One row a person who started: before, after, comparable, why_not, and where known start_date, before_date,
        outcome, stop_reason.
    aside : mapping of str to str
        Person: why the score that is lacking was set aside when the file was read.
    rule : DueRule
        When a follow-up is due.
    seen : collection of str, optional
        People who came to the follow-up, whichever test they did there: theirs does not lie ahead.
    """
    ahead = pd.Series(False, index=people.index)
    if rule.as_of is not None and rule.days is not None:
        ahead = start_of(people) + pd.Timedelta(days=rule.days) > rule.as_of
    outcome, stops = (people[name].fillna("") if name in people else pd.Series("", index=people.index)
                      for name in ("outcome", "stop_reason"))  # fmt: skip
    first, second, why_not = people["before"].notna(), people["after"].notna(), people["why_not"]
    door, unable = people["person"].map(aside), why_not.str.startswith("unable")
    ahead &= ~outcome.isin(["stopped", "completed"]) & ~people["person"].isin(seen)
    stopped = [kind_of(text, STOPPING, nothing="no reason recorded", other="another reason") for text in stops]
    holds = {COMPARED: people["comparable"].astype(bool), UNLIKE: first & second, UNABLE: unable, NOT_YET: ahead,
             DOOR: door.notna(), STOPPED: outcome == "stopped", UNTESTED: first, NO_FIRST: ~first}  # fmt: skip
    state = pd.Series(np.select(list(holds.values()), list(holds), ""), index=people.index)
    reasons: dict[str, Any] = {UNLIKE: why_not.str.replace(PLACES, "", regex=True), DOOR: door, STOPPED: stopped,
               UNTESTED: why_not.where(why_not.str.startswith("refused"), "").str.split(" ").str[0]}  # fmt: skip
    why: Any = np.select([state == name for name in reasons], list(reasons.values()), "")
    return people.assign(state=state, why=why, due=state != NOT_YET)


def start_of(people: pd.DataFrame) -> "pd.Series[pd.Timestamp]":
    """Return when each person started, the day of the first test where that is not recorded."""
    known = (pd.to_datetime(people[name]) for name in ("start_date", "before_date") if name in people)
    return reduce(pd.Series.fillna, known, pd.Series(pd.NaT, index=people.index, dtype="datetime64[ns]"))


def flow_of(people: pd.DataFrame, rule: DueRule) -> Part:
    """Count the states of one test.

    Parameters
    ----------
    people : DataFrame
        From :func:`with_states`.
    rule : DueRule
        When a follow-up is due.

    Returns
    -------
    Part
        ``started, not_yet_due, due, compared`` (people) and ``reasons``: state and reason of those due and not
        compared, with their number. Table: step, people, share_of_due.
    """
    started, counts = len(people), people["state"].value_counts()
    ahead, compared = int(counts.get(NOT_YET, 0)), int(counts.get(COMPARED, 0))
    lost = people[~people["state"].isin([COMPARED, NOT_YET])].groupby(["state", "why"], sort=False).size()
    order = sorted(lost.index, key=lambda pair: (STATES.index(pair[0]), -lost[pair], pair[1]))
    reasons = {f"{state}: {why}" if why else str(state): int(lost[state, why]) for state, why in order}
    dated = start_of(people).notna() | people["state"].isin([COMPARED, STOPPED])
    return _told(started, ahead, compared, int(people["before"].notna().sum()), reasons, rule, int((~dated).sum()))


def _hidden(
    started: int, ahead: int, compared: int, tested: int, reasons: dict[str, int], rule: DueRule, undated: int | str
) -> Part:
    """Return the flow with reasons of few people pooled, and without those tested before if that leaves few."""
    safe = None if few(started - tested) else tested
    return _told(started, ahead, compared, safe, pooled(reasons), rule, "Some" if few(undated) else undated)


def _told(
    started: int, ahead: int, compared: int, tested: int | None, reasons: dict[str, int], rule: DueRule,
    undated: int | str,
) -> Part:  # fmt: skip
    """Return the flow with its words, table and picture, from the counts that may be told."""
    due = started - ahead
    steps = {"started": started, "not yet due": ahead, "due": due, "tested before": tested,
             "compared": compared, **{f"not compared: {reason}": n for reason, n in reasons.items()}}  # fmt: skip
    steps = {step: people for step, people in steps.items() if people is not None}
    frame = pd.DataFrame(steps.items(), columns=["step", "people"])
    share = frame["people"].where(~frame["step"].isin(["started", "not yet due", "tested before"])) / max(due, 1)
    rest = f"; {ahead} more of the {started} who started are not yet due" if ahead else ""
    of_due = f" ({percent(compared / due)})" if due else ""
    says = [f"{compared} of the {due} people due{of_due} have two scores that may be compared{rest}."]
    why = "; ".join(f"{reason}: {n}" for reason, n in reasons.items()) or "too few for their reasons to be told"
    says += [f"The other {due - compared}: {why}."] * (due > compared)
    many = (
        f"{percent(1 - compared / due) if due else '–'} of those due cannot be compared: read every result with the "
        "bounds for the missing."
    )
    lost = f"{undated} people due have neither a start date nor a first test: whether they were due is not known."
    cautions = told({many: compared <= 0.7 * due, rule.words: ahead or rule.as_of is None,
                     lost: undated and rule.as_of is not None})  # fmt: skip
    facts = {"started": started, "not_yet_due": ahead, "due": due, "compared": compared, "reasons": reasons}
    hide = None if tested is None else partial(_hidden, started, ahead, compared, tested, reasons, rule, undated)
    return Part(
        facts, frame.assign(share_of_due=share), tuple(says), cautions, draw=partial(_draw, steps, reasons), hide=hide,
        seen="Boxes from started over due to compared, with the people lost between them.",
    )  # fmt: skip


def _draw(steps: Mapping[str, Any], reasons: Mapping[str, int], ax: "Axes") -> "Axes":
    """Draw the steps as boxes, widths in proportion to people, the reasons beside the last."""
    from truechange.foundation import drawing

    shown = [name for name in ("started", "not yet due", "due", "compared") if name != "not yet due" or steps[name]]
    for at, name in enumerate(shown):
        last = name == "compared"
        ax.barh(at, steps[name], height=0.62, color=drawing.ACCENT if last else drawing.LINE)
        ax.text(steps["started"] * 0.01, at, f"{steps[name]} {name}", va="center", fontsize=9,
                color="white" if last else drawing.INK)  # fmt: skip
    why = "\n".join(f"{people} {reason}" for reason, people in reasons.items())
    ax.text(steps["started"] * 1.03, len(shown) - 1, why, va="center", fontsize=8, color=drawing.INK, linespacing=1.4)
    ax.set_ylim(len(shown) - 0.4, -0.6)
    ax.set_xlim(0, steps["started"] * 1.6)
    ax.axis("off")
    return ax


LOOK = {"error": "to correct", "warning": "to look at", "note": "read without loss"}


def protocols_of(rows: pd.DataFrame, test: Measure) -> Part:
    """Hold the protocol facts that must match between a person's visits against those of the other people.

    Parameters
    ----------
    rows : DataFrame
        Assessments of one test behind the comparable pairs, with person, assessor and the protocol's columns.
    test : Measure
        The test.

    Returns
    -------
    Part
        Table: fact, usual, scores, other_scores, not_recorded. ``mixed`` names the facts that differ between people.
    """
    lines: list[dict[str, Any]] = []
    for fact in test.protocol:
        values = rows[fact].dropna() if fact in rows else pd.Series(dtype=float)
        line = {"fact": fact, "usual": "", "scores": len(values), "other_scores": 0,
                "not_recorded": len(rows) - len(values)}  # fmt: skip
        if len(values):
            usual = values.mode().iloc[0]
            slack = test.tolerances.get(fact, 0.0) + 1e-9
            away = (values.astype(float) - usual).abs() > slack if _is_number(usual) else values != usual
            line |= {
                "usual": f"{usual:g}" if _is_number(usual) else _word(fact, usual),
                "other_scores": int(away.sum()),
            }
        lines.append(line)
    testers = rows.groupby("person")["assessor"].nunique()
    frame = pd.DataFrame(lines, columns=["fact", "usual", "scores", "other_scores", "not_recorded"])
    return _told_quality(frame, int((testers > 1).sum()), len(testers))


def _hidden_counts(frame: pd.DataFrame, changed: int, people: int) -> Part:
    """Return the protocols without numbers of few scores or people, nor what is left over where that is few."""
    scores, other, lacking = (frame[name].to_numpy(float) for name in ("scores", "other_scores", "not_recorded"))
    safe = masked(frame, few(scores) | few(lacking), ["scores", "not_recorded"])
    testers = HIDDEN if few(changed) or few(people - changed) else changed
    return _told_quality(masked(safe, few(other) | few(scores - other), ["other_scores"]), testers, people, hide=False)


def _told_quality(frame: pd.DataFrame, changed: Any, people: int, *, hide: bool = True) -> Part:
    """Return the protocols with their words, from the numbers that may be told."""
    lines = frame.to_dict("records")
    mixed = {line["fact"]: line for line in lines if line["other_scores"]}
    notes: dict[str, Any] = {
        f"{fact_words(fact).capitalize()} was not the same for everybody: {line['usual']} behind most scores, "
        f"something else behind {_of(line['other_scores'], line['scores'])} scores. People are compared with "
        "themselves, but the mean, the error and the threshold mix two tests.": True
        for fact, line in mixed.items()
    }
    gaps = ", ".join(
        f"{fact_words(line['fact'])} ({_of(line['not_recorded'], _sum(line['scores'], line['not_recorded']))} scores)"
        for line in lines if line["not_recorded"]
    )  # fmt: skip
    notes[f"Whether everybody was tested alike is not known where it is not recorded: {gaps}."] = gaps
    notes[f"{_of(changed, people).capitalize()} people had another tester the second time: testers differ."] = changed
    says = "Every recorded fact of the protocol was the same for everybody."
    if mixed:
        says = f"Not done the same way on everybody: {', '.join(map(fact_words, mixed))}."
    elif not any(line["scores"] for line in lines):
        says = "How the test was done is not recorded."
    safe = partial(_hidden_counts, frame, changed, people) if hide else None
    return Part({"mixed": tuple(mixed)}, frame, (says,), told(notes), hide=safe)


def _of(part: Any, whole: Any) -> str:
    return "some" if HIDDEN in (part, whole) else f"{part} of {whole}"


def _sum(part: Any, rest: Any) -> Any:
    return HIDDEN if HIDDEN in (part, rest) else part + rest


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float | np.number) and not isinstance(value, bool | np.bool_)


def _word(fact: str, value: Any) -> str:
    return ("yes" if value else "no") if isinstance(value, bool | np.bool_) else known_word(fact, str(value))


def fact_words(name: str) -> str:
    """Write the name of a protocol's field as words."""
    return name.removesuffix("_cm").removesuffix("_m").replace("_", " ")


def quality_of(records: Any) -> Part:
    """Account for every row that was read, and count what the door noticed, by kind.

    Parameters
    ----------
    records : Records
        What was read; nothing of a person is kept.

    Returns
    -------
    Part
        Table: what, number.
    """
    ledger = records.ledger
    aside = dict(zip(ledger.set_aside["reason"], ledger.set_aside["count"].astype(int), strict=True))
    found: dict[str, dict[str, Any]] = {}
    for (severity, kind), n in records.problems.groupby(["severity", "kind"], sort=False).size().items():
        found.setdefault(LOOK[severity], {})[kind.replace("_", " ")] = int(n)
    told = records.words
    read_as = {f"{row.column} “{fit_to_show(row.word)}” read as {row.read_as} ({row.by})": int(row.rows)
               for row in told.itertuples()}  # fmt: skip
    by = ", ".join(dict.fromkeys(told["by"]))
    return _account(ledger.rows_read, ledger.rows_used, aside, found, read_as, by)


def _account(
    read: int, used: Any, aside: dict[str, Any], found: dict[str, dict[str, Any]], read_as: dict[str, Any],
    by: str, *, hide: bool = True,
) -> Part:  # fmt: skip
    """Return the account with its words, from the numbers that may be told."""
    left = HIDDEN if used == HIDDEN else read - used
    lines = [("read", read), ("used", used), *((f"set aside: {reason}", n) for reason, n in aside.items())]
    lines += [(f"{look}: {kind}", n) for look, kinds in found.items() for kind, n in kinds.items()]
    lines += read_as.items()
    why = ", ".join(f"{n} {reason}" for reason, n in aside.items() if n != HIDDEN)
    rows = f"{read} rows read = {used} used + {left} set aside{f' ({why})' if why else ''}."
    if left == HIDDEN:
        rows = f"{read} rows read, {FEW} of them set aside."
    sums = {look: HIDDEN if HIDDEN in kinds.values() else sum(kinds.values()) for look, kinds in found.items()}
    noticed = ", ".join(f"some {look}" if n == HIDDEN else f"{n} {look}" for look, n in sums.items())
    says: tuple[str, ...] = (rows, f"Noticed at the door: {noticed or 'nothing'}.")
    if by:
        how_many = "Some" if HIDDEN in read_as.values() else sum(read_as.values())
        says += (f"{how_many} rows had a word that was read as another (by {by}).",)
    how_many = FEW if left == HIDDEN else left
    gone = (
        f"Rows set aside when the data were read, which are in no result: {how_many}. truechange inspect lists those "
        "of a file, tc.read(...).problems those of a frame."
    )
    frame = pd.DataFrame(lines, columns=["what", "number"])
    safe = partial(_account_hidden, read, used, aside, found, read_as, by) if hide else None
    return Part({"set_aside": left}, frame, says, told({gone: left}), hide=safe)


def _account_hidden(
    read: int, used: int, aside: dict[str, int], found: dict[str, dict[str, int]], read_as: dict[str, int],
    by: str,
) -> Part:  # fmt: skip
    """Return the account with reasons of few rows hidden: one row may be one person's score."""

    def quiet(counts: dict[str, int]) -> dict[str, Any]:
        return {name: HIDDEN if few(n) else n for name, n in counts.items()}

    kinds = {look: quiet(held) for look, held in found.items()}
    left = HIDDEN if few(read - used) else used
    return _account(read, left, pooled(aside), kinds, quiet(read_as), by, hide=False)
