"""Flow of participants: started, due for follow-up, compared, and why the others were not (dropout, missing, door)."""

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
from truechange.numerics.small_cells import few, pooled
from truechange.programme.parts import kind_of

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
    day = latest
    if as_of is not None:
        day = pd.to_datetime(as_of, errors="coerce", format="%Y-%m-%d")
        if day is pd.NaT:
            raise ChoiceError(f"as_of={as_of!r} is no date; give it as YYYY-MM-DD, such as 2026-03-31.")
    days, how = None, ""
    if weeks is not None:
        check_finite(weeks=weeks)
        if not weeks > 0:
            raise ChoiceError(f"weeks={weeks!r} must be positive: the weeks from start to follow-up.")
        days, how = 7.0 * weeks, f"{weeks:g} weeks after the start, as stated"
    else:
        taken = pd.concat([(frame["after_date"] - _start(frame)).dt.days.groupby(frame["person"]).max()
                           for frame in frames])  # fmt: skip
        gaps = taken.groupby(level=0).max().dropna()
        if len(gaps) >= FEWEST_DATED:
            days = float(gaps.quantile(NINE_IN_TEN, interpolation="higher"))
            how = f"{days:.0f} days after the start, by when nine in ten of those tested had been tested"
    if day is None or days is None:
        lacking = "No dates tell" if day is None else f"Fewer than {FEWEST_DATED} people tested twice cannot tell"
        return DueRule(None, None, f"{lacking} whose follow-up lies ahead: everyone who started counts as due.")
    return DueRule(day, days, f"Due by {day:%Y-%m-%d}: {how}, or stopped, completed or tested before that.")


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
        ahead = _start(people) + pd.Timedelta(days=rule.days) > rule.as_of
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


def _start(people: pd.DataFrame) -> "pd.Series[pd.Timestamp]":
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
    dated = _start(people).notna() | people["state"].isin([COMPARED, STOPPED])
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
