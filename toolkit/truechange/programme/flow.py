"""Flow of participants: started, due for follow-up, compared, and why the others were not (dropout, missing, door)."""

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

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
STOPPING = {
    "pain or a flare": ("pain", "flare", "sore", "swell"),
    "illness, injury or surgery": ("ill", "sick", "surg", "hospital", "operat", "fall", "fract", "injur", "medical"),
    "moved or could not travel": ("mov", "travel", "transport", "distance"),
    "no time (work, family)": ("time", "work", "job", "famil", "busy", "care"),
    "declined to go on": ("declin", "withdr", "interest", "refus", "motivat", "want"),
}


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
        For the latest date they hold: a later run on the same file gives the same count.
    frames : collection of DataFrame
        Pairs of each test: before_date, after_date.
    as_of : str or None
        Day of the count as ``YYYY-MM-DD``.
    weeks : float or None
        Weeks from start to follow-up. Without it the time by which nine in ten of those tested had been tested.

    Raises
    ------
    ChoiceError
        `as_of` is no date, or `weeks` not positive.
    """
    dates = [table[name] for table, name in ((records.assessments, "date"), (records.sessions, "date"),
                                             (records.people, "start_date")) if name in table]  # fmt: skip
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
        gaps = pd.concat([(frame["after_date"] - frame["before_date"]).dt.days for frame in frames]).dropna()
        if len(gaps) >= FEWEST_DATED:
            days = float(gaps.quantile(NINE_IN_TEN, interpolation="higher"))
            how = f"{days:.0f} days after the start, by when nine in ten of those tested had been tested"
    if day is None or days is None:
        return DueRule(None, None, "No dates tell whose follow-up lies ahead: everyone who started counts as due.")
    return DueRule(day, days, f"Due by {day:%Y-%m-%d}: {how}, or stopped, completed or tested before that.")


def with_states(people: pd.DataFrame, aside: Mapping[str, str], rule: DueRule) -> pd.DataFrame:
    """Add to one row a person who started: state, why (its reason by kind), due.

    Parameters
    ----------
    people : DataFrame
        One row a person who started: before, after, comparable, why_not, and where known start_date, before_date,
        outcome, stop_reason.
    aside : mapping of str to str
        Person: why a row of this test was set aside when the file was read.
    rule : DueRule
        When a follow-up is due.
    """
    start = _dates(people, "start_date").fillna(_dates(people, "before_date"))
    ahead = pd.Series(False, index=people.index)
    if rule.as_of is not None and rule.days is not None:
        ahead = start + pd.Timedelta(days=rule.days) > rule.as_of
    outcome = people["outcome"].fillna("") if "outcome" in people else pd.Series("", index=people.index)
    stops = people["stop_reason"] if "stop_reason" in people else pd.Series("", index=people.index)
    columns: list[Any] = [people["person"], people["comparable"].astype(bool), people["before"].notna(),
                          people["after"].notna(), people["why_not"], outcome, stops, ahead]  # fmt: skip
    found = [_state(*row, aside) for row in zip(*columns, strict=True)]
    states = pd.DataFrame(found, columns=["state", "why"], index=people.index)
    return people.assign(**states, due=states["state"] != NOT_YET)


def _dates(people: pd.DataFrame, name: str) -> "pd.Series[pd.Timestamp]":
    return pd.to_datetime(people[name]) if name in people else pd.Series(pd.NaT, index=people.index)


def _state(
    person: str, comparable: bool, first: bool, second: bool, why_not: str, outcome: str, stop: Any, ahead: bool,
    aside: Mapping[str, str],
) -> tuple[str, str]:  # fmt: skip
    """Return one person's state and its reason; what was measured goes before what was not, the date decides last."""
    if comparable:
        return COMPARED, ""
    if first and second:
        return UNLIKE, PLACES.sub("", why_not)
    if why_not.startswith("unable"):
        return UNABLE, ""
    if person in aside:
        return DOOR, aside[person]
    if outcome == "stopped":
        return STOPPED, kind_of(stop, STOPPING, nothing="no reason recorded", other="another reason")
    if ahead and outcome != "completed":
        return NOT_YET, ""
    return (UNTESTED, "refused" if why_not.startswith("refused") else "") if first else (NO_FIRST, "")


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
    return _told(started, ahead, compared, int(people["before"].notna().sum()), reasons, rule)


def _hidden(started: int, ahead: int, compared: int, tested: int, reasons: dict[str, int], rule: DueRule) -> Part:
    """Return the flow with reasons of few people pooled, and without those tested before if that leaves few."""
    return _told(started, ahead, compared, None if few(started - tested) else tested, pooled(reasons), rule)


def _told(
    started: int, ahead: int, compared: int, tested: int | None, reasons: dict[str, int], rule: DueRule
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
    cautions = told({many: compared < 0.7 * due, rule.words: ahead or rule.as_of is None})
    facts = {"started": started, "not_yet_due": ahead, "due": due, "compared": compared, "reasons": reasons}
    hide = None if tested is None else partial(_hidden, started, ahead, compared, tested, reasons, rule)
    return Part(
        facts, frame.assign(share_of_due=share), tuple(says), cautions, draw=partial(_draw, steps, reasons), hide=hide,
        seen="Boxes from started over due to compared, with the people lost between them.",
    )  # fmt: skip


def _draw(steps: Mapping[str, int], reasons: Mapping[str, int], ax: "Axes") -> "Axes":
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
