"""Flow of people, who they were (baseline characteristics), and quality of the data: set aside, doubted, unlike."""

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import partial, reduce
from math import nan
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd

from truechange.foundation import drawing
from truechange.foundation.errors import ChoiceError, check_finite
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Part, hideable, worded, wordings
from truechange.measures.catalogue import Measure
from truechange.numerics.small_cells import FEW, HIDDEN, few, masked, pooled, protect
from truechange.records.rules import fit_to_show, known_word

COMPARED, NOT_YET = "compared", "not yet due"
UNTESTED, STOPPED, DOOR = "due and not tested", "stopped", "tested but the score was set aside at the door"
UNLIKE, UNABLE, NO_FIRST = "not comparable", "unable at follow-up", "no score before"
STATES = (COMPARED, NOT_YET, UNTESTED, STOPPED, DOOR, UNLIKE, UNABLE, NO_FIRST)
PLACES = re.compile(r" \([^)]*\)")  # from what to what a protocol changed: too few people each
NINE_IN_TEN, FEWEST_DATED = 0.9, 5
WORDS = wordings(__file__)
STOPPING = WORDS["stopping"]  # how words begin

# A typed "none": the whole clause must say so, for "fell, nothing broken" is an event.
NOTHING = re.compile(
    r"\W*((no|none|nil|n|nothing|not any|n/a|na|0)\b"
    r"(\W*\b(adverse|side|events?|effects?|reactions?|problems?|issues?|falls?|pain|reported|noted|seen|today)\b)*)?\W*"
)
CLAUSES = re.compile(r"[,;]|\. |\band\b|\bbut\b")


def kind_of(text: object, kinds: Mapping[str, tuple[str, ...]], *, nothing: str, other: str) -> str:
    """Return which kind a free text speaks of, by how its words begin: no free text leaves the clinic.

    Parameters
    ----------
    text : object
        What was typed; missing counts as nothing.
    kinds : mapping of str to tuple of str
        Kind: how words begin that speak of it (regular expressions); the first that fits.
    nothing, other : str
        What to return for an empty text or a typed "none", and for one that no kind fits.

    Examples
    --------
    >>> kinds = {"fall": ("fall", "fell")}
    >>> [kind_of(text, kinds, nothing="none", other="other") for text in ("No falls.", "fell, nothing broken", "cough")]
    ['none', 'fall', 'other']
    """
    plain = "" if text is None or text != text else str(text).strip().lower()
    said = [clause for clause in CLAUSES.split(plain) if not NOTHING.fullmatch(clause)]
    if not said:
        return nothing
    return next((kind for kind, parts in kinds.items() if re.search(rf"\b({'|'.join(parts)})", " ".join(said))), other)


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
    tests, days, how = records.assessments, None, ""
    tested = tests.loc[tests["result"] != "not_done", "date"]
    trained = records.sessions.get("date", pd.Series(dtype="datetime64[ns]"))
    latest = max((dates.max() for dates in (tested, trained) if dates.notna().any()), default=None)
    day = latest if as_of is None else a_day("as_of", as_of)
    if weeks is not None:
        check_finite(weeks=weeks)
        if not weeks > 0:
            raise ChoiceError(f"weeks={weeks!r} must be positive: the weeks from start to follow-up.")
        days, how = 7.0 * weeks, f"{weeks:g} weeks after the start, as stated"
    else:
        taken = [(frame["after_date"] - start_of(frame)).dt.days.set_axis(frame["person"]) for frame in frames]
        gaps = pd.concat(taken).groupby(level=0).max().dropna()
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
    blank, ahead = pd.Series("", index=people.index), pd.Series(False, index=people.index)
    if rule.as_of is not None and rule.days is not None:
        ahead = start_of(people) + pd.Timedelta(days=rule.days) > rule.as_of
    outcome, stops = (people.get(name, blank).fillna("") for name in ("outcome", "stop_reason"))
    first, second, why_not = people["before"].notna(), people["after"].notna(), people["why_not"]
    door, unable = people["person"].map(aside), why_not.str.startswith("unable")
    ahead &= ~outcome.isin(["stopped", "completed"]) & ~people["person"].isin(seen)
    kinds = {text: kind_of(text, STOPPING, nothing="no reason recorded", other="another reason")
             for text in stops.unique()}  # fmt: skip
    holds = {COMPARED: people["comparable"].astype(bool), UNLIKE: first & second, UNABLE: unable, NOT_YET: ahead,
             DOOR: door.notna(), STOPPED: outcome == "stopped", UNTESTED: first, NO_FIRST: ~first}  # fmt: skip
    state = pd.Series(np.select(list(holds.values()), list(holds), ""), index=people.index)
    reasons: dict[str, Any] = {UNLIKE: why_not.str.replace(PLACES, "", regex=True), DOOR: door,
               STOPPED: stops.map(kinds),
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
    counts, apart = people["state"].value_counts(), [COMPARED, NOT_YET]
    lost = people[~people["state"].isin(apart)].groupby(["state", "why"], sort=False).size()
    order = sorted(lost.index, key=lambda pair: (STATES.index(pair[0]), -lost[pair], pair[1]))
    reasons = {f"{state}: {why}" if why else str(state): int(lost[state, why]) for state, why in order}
    compared, ahead = (int(counts.get(state, 0)) for state in apart)
    undated = int((start_of(people).isna() & ~people["state"].isin([COMPARED, STOPPED])).sum())
    return hideable(_flow, _hidden_flow, started=len(people), ahead=ahead, compared=compared, reasons=reasons,
                    tested=int(people["before"].notna().sum()), rule=rule, undated=undated)  # fmt: skip


def _hidden_flow(started: int, tested: int, reasons: dict[str, int], undated: int, **_: Any) -> dict[str, Any]:
    """Return reasons of few people pooled; those tested before are left out where few others are left."""
    safe = None if few(started - tested) else tested
    return {"tested": safe, "reasons": pooled(reasons), "undated": "Some" if few(undated) else undated}


def _flow(
    started: int, ahead: int, compared: int, tested: int | None, reasons: dict[str, int], rule: DueRule,
    undated: int | str,
) -> Part:  # fmt: skip
    """Return the flow with its words, table and picture, from the counts that may be told."""
    due = started - ahead
    steps = {"started": started, "not yet due": ahead, "due": due, "tested before": tested, "compared": compared}
    steps |= {f"not compared: {reason}": n for reason, n in reasons.items()}
    steps = {step: people for step, people in steps.items() if people is not None}
    frame = pd.DataFrame(steps.items(), columns=["step", "people"])
    share = frame["people"].where(~frame["step"].isin(["started", "not yet due", "tested before"])) / max(due, 1)
    rest = f"; {ahead} more of the {started} who started are not yet due" if ahead else ""
    of_due = f" ({percent(compared / due)})" if due else ""
    says = [f"{compared} of the {due} people due{of_due} have two scores that may be compared{rest}."]
    why = "; ".join(f"{reason}: {n}" for reason, n in reasons.items()) or "too few for their reasons to be told"
    says += [f"The other {due - compared}: {why}."] * (due > compared)
    filled = {"share": percent(1 - compared / due) if due else "–", "undated": undated}
    cautions = worded(WORDS["flow"] | {"rule": rule.words}, filled, lost=compared <= 0.7 * due,
                      rule=ahead or rule.as_of is None, undated=undated and rule.as_of is not None)  # fmt: skip
    facts = {"started": started, "not_yet_due": ahead, "due": due, "compared": compared, "reasons": reasons}
    return Part(facts, frame.assign(share_of_due=share), tuple(says), cautions, (), WORDS["flow"]["seen"],
                partial(_draw, steps, reasons))  # fmt: skip


def _draw(steps: Mapping[str, Any], reasons: Mapping[str, int], ax: Any) -> Any:
    """Draw the steps as boxes, widths in proportion to people, the reasons beside the last."""
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


NUMBERS = ("age", "height_cm", "mass_kg")
KINDS = ("sex", "joint", "site")
COLUMNS = ["group", "started", "fact", "level", "n", "missing", "mean", "sd", "count", "share"]
FEWEST_ROUNDED = 20  # people; above it, means to one decimal do not tell how many of them are known


def baseline_table(people: pd.DataFrame, scores: dict[str, pd.Series], group: str = "programme") -> Part:
    """Describe the people who started (baseline characteristics), by group.

    Parameters
    ----------
    people : DataFrame
        One row a person who started: person, the `group` column and whatever else is known.
    scores : dict of Series
        Name of the test: score before, indexed by person.
    group : str, optional
        Column of the groups.

    Returns
    -------
    Part
        Table: group, started, fact, level, n, missing, mean, sd, count, share.
    """
    known = people.set_index("person")
    known = known.assign(**{name: series.reindex(known.index) for name, series in scores.items()})
    rows: list[Any] = []
    for label, one in known.groupby(group, sort=True):
        started = len(one)
        for name in (fact for fact in (*NUMBERS, *scores) if fact in known):
            values = pd.to_numeric(one[name], errors="coerce").dropna()
            n = len(values)
            rows.append((label, started, name, "", n, started - n, values.mean(), values.std(), nan, nan))
        for name in (fact for fact in KINDS if fact in known):
            words = one[name].dropna().astype(str)
            levels = words[words != ""].value_counts().sort_index()
            n = int(levels.sum())
            rows += [(label, started, name, str(level), n, started - n, nan, nan, int(count), count / n)
                     for level, count in levels.items()]  # fmt: skip
    return hideable(_baseline, _hidden_baseline, rows=pd.DataFrame(rows, columns=COLUMNS))


def _baseline(rows: pd.DataFrame) -> Part:
    """Return the table, and each group's size, age and share of women in words."""
    says = []
    for group, one in rows.groupby("group", sort=False):
        age, sex = one[one["fact"] == "age"], one[one["fact"] == "sex"]
        women = sex[sex["level"].str.lower().isin(["f", "female", "woman"])]
        years = share = ""
        if len(age) and is_shown(age["mean"].iloc[0]):
            years = f", mean age {fixed(age['mean'].iloc[0], 0)} (SD {fixed(age['sd'].iloc[0], 0)})"
        if len(women) and is_shown(women["share"].iloc[0]):
            share = f", {percent(women['share'].iloc[0])} women"
        says.append(f"{group}: {int(one['started'].iloc[0])} people started{years}{share}.")
    return Part({"rows": rows}, rows, tuple(says))


def is_shown(value: object) -> bool:
    """Say whether a cell holds a number that may be told."""
    return isinstance(value, Real) and bool(np.isfinite(float(value)))


def _hidden_baseline(rows: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Hide small groups, and numbers from which the size of one could be worked out."""
    pieces = [_hidden_fact(one) for _, one in rows.groupby(["group", "fact"], sort=False)]
    return {"rows": pd.concat(pieces).sort_index() if pieces else rows}


def _hidden_fact(part: pd.DataFrame) -> pd.DataFrame:
    """Hide one fact of one group: its levels and the people of whom it is not known are parts of those who started."""
    first = part.iloc[0]
    if pd.isna(first["count"]):  # a number: n and missing
        if not few(first["n"]) and not few(first["missing"]):
            return part
        # a mean of whole scores is a fraction over n; to one decimal it fits every n that is left open
        large = first["started"] > FEWEST_ROUNDED and not few(first["n"])
        means = {name: part[name].astype(float).round(1) if large else HIDDEN for name in ("mean", "sd")}
        return masked(part, [True], ["n", "missing"]).assign(**means)
    *levels, unknown = protect([*part["count"], first["missing"]])
    part = masked(part, levels, ["count", "share"])
    return masked(part, np.full(len(part), unknown), ["n", "missing", "share"])


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
    lines: list[Any] = []
    for fact in test.protocol:
        values, usual, away = rows[fact].dropna() if fact in rows else pd.Series(dtype=float), "", 0
        if len(values):
            mode = values.mode().iloc[0]
            number = isinstance(mode, Real) and not isinstance(mode, bool)
            slack = test.tolerances.get(fact, 0.0) + 1e-9
            away = int(((values.astype(float) - mode).abs() > slack if number else values != mode).sum())
            usual = f"{mode:g}" if number else {True: "yes", False: "no"}.get(mode) or known_word(fact, str(mode))
        lines.append((fact, usual, len(values), away, len(rows) - len(values)))
    testers = rows.groupby("person")["assessor"].nunique()
    frame = pd.DataFrame(lines, columns=["fact", "usual", "scores", "other_scores", "not_recorded"])
    return hideable(_protocols, _hidden_protocols, frame=frame, scores=len(rows), changed=int((testers > 1).sum()),
                    people=len(testers))  # fmt: skip


def _hidden_protocols(frame: pd.DataFrame, changed: int, people: int, **_: Any) -> dict[str, Any]:
    """Hide numbers of few scores or people, and what is left over where that is few."""
    scores, other, lacking = (frame[name].to_numpy(float) for name in ("scores", "other_scores", "not_recorded"))
    safe = masked(frame, few(lacking) | (few(scores) & (lacking > 0)), ["scores", "not_recorded"])
    safe = masked(safe, few(other) | (few(scores - other) & (other > 0)), ["other_scores"])
    return {"frame": safe, "changed": HIDDEN if few(changed) or (changed and few(people - changed)) else changed}


def _protocols(frame: pd.DataFrame, scores: int, changed: Any, people: int) -> Part:
    """Return the protocols with their words, from the numbers that may be told."""
    lines, words = frame.to_dict("records"), WORDS["protocols"]
    mixed = {line["fact"]: line for line in lines if line["other_scores"]}
    gaps = ", ".join(f"{fact_words(line['fact'])} ({_of(line['not_recorded'], scores)} scores)"
                     for line in lines if line["not_recorded"])  # fmt: skip
    notes: tuple[str, ...] = ()
    for fact, line in mixed.items():
        about = {"fact": fact_words(fact).capitalize(), "usual": line["usual"]}
        notes += worded(words, about | {"other": _of(line["other_scores"], line["scores"])}, mixed=True)
    notes += worded(words, {"gaps": gaps, "testers": _of(changed, people).capitalize()}, gaps=gaps, testers=changed)
    says = "Every recorded fact of the protocol was the same for everybody."
    if mixed:
        says = f"Not done the same way on everybody: {', '.join(map(fact_words, mixed))}."
    elif not any(line["scores"] for line in lines):
        says = "How the test was done is not recorded."
    return Part({"mixed": tuple(mixed)}, frame, (says,), notes)


def _of(part: Any, whole: Any) -> str:
    return "some" if HIDDEN in (part, whole) else f"{part} of {whole}"


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
    ledger, words = records.ledger, records.words
    found: dict[str, dict[str, Any]] = {}
    for (severity, kind), n in records.problems.groupby(["severity", "kind"], sort=False).size().items():
        found.setdefault(LOOK[severity], {})[kind.replace("_", " ")] = int(n)
    read_as = {f"{row.column} “{fit_to_show(row.word)}” read as {row.read_as} ({row.by})": int(row.rows)
               for row in words.itertuples()}  # fmt: skip
    aside = dict(zip(ledger.set_aside["reason"], ledger.set_aside["count"].astype(int), strict=True))
    return hideable(_account, _hidden_account, read=ledger.rows_read, left=ledger.rows_read - ledger.rows_used,
                    aside=aside, found=found, read_as=read_as, by=", ".join(dict.fromkeys(words["by"])))  # fmt: skip


def _account(
    read: int, left: Any, aside: dict[str, Any], found: dict[str, dict[str, Any]], read_as: dict[str, Any], by: str
) -> Part:
    """Return the account with its words, from the numbers that may be told."""
    used = HIDDEN if left == HIDDEN else read - left
    lines = [("read", read), ("used", used), *((f"set aside: {reason}", n) for reason, n in aside.items())]
    lines += [(f"{look}: {kind}", n) for look, kinds in found.items() for kind, n in kinds.items()]
    frame = pd.DataFrame([*lines, *read_as.items()], columns=["what", "number"])
    why = ", ".join(f"{n} {reason}" for reason, n in aside.items() if n != HIDDEN)
    why = f" ({why})" if why else ""
    rows = f"{read} rows read = {used} used + {left} set aside{why}."
    if left == HIDDEN:
        rows = f"{read} rows read, {FEW} of them set aside."
    sums = {look: HIDDEN if HIDDEN in kinds.values() else sum(kinds.values()) for look, kinds in found.items()}
    noticed = ", ".join(f"some {look}" if n == HIDDEN else f"{n} {look}" for look, n in sums.items())
    says = [rows, f"Noticed at the door: {noticed or 'nothing'}."]
    filled = {"rows": "Some" if HIDDEN in read_as.values() else sum(read_as.values()), "by": by}
    if by:
        says.append(WORDS["quality"]["read_as"].format_map(filled))
    gone = worded(WORDS["quality"], {"gone": FEW if left == HIDDEN else f"{left}{why}"}, gone=left)
    return Part({"set_aside": left}, frame, tuple(says), gone)


def _hidden_account(
    left: int, aside: dict[str, int], found: dict[str, dict[str, int]], read_as: dict[str, int], **_: Any
) -> dict[str, Any]:
    """Hide reasons of few rows: one row may be one person's score."""

    def quiet(counts: dict[str, int]) -> dict[str, Any]:
        return {name: HIDDEN if few(n) else n for name, n in counts.items()}

    return {"left": HIDDEN if few(left) else left, "aside": pooled(aside), "read_as": quiet(read_as),
            "found": {look: quiet(kinds) for look, kinds in found.items()}}  # fmt: skip
