"""Clinic settings from a clinic's own data: what an audit found of each test, as ``clinic.toml`` keeps it.

Only numbers of groups: nothing in them is of one person.
"""

from typing import Any

from truechange.foundation.estimate import Estimate, Threshold
from truechange.measures import measure as measure_of
from truechange.programme.audit_result import ProgrammeAudit

FEWEST = 15  # people measured twice from whom a programme's spread is worth keeping; as for one person's comparison
DIGITS = 4


def own_numbers(audit: ProgrammeAudit) -> dict[str, dict[str, Any]]:
    """Return the tables ``measures`` and ``programme`` of a clinic's settings.

    Parameters
    ----------
    audit : ProgrammeAudit
        Of the clinic's own programme, with its retest study where there is one.

    Returns
    -------
    dict
        ``{"measures": {test: {"sem", "sem_df", "practice", "mcid", "protocol"}}, "programme": {test: {"name", "weeks",
        "mean_before", "mean_after", "sd_before", "sd_after", "correlation", "n"}}}``; what was refused is left out.
    """
    measures, programme = {}, {}
    for key in audit.measures:
        known: Any = audit.known[key]
        about: dict[str, Any] = {}
        if isinstance(known.sem, Estimate):
            about |= {"sem": _short(known.sem.value), "sem_people": known.sem.n}
            about |= {"sem_df": _short(known.sem.df)} if known.sem.df else {}
        if known.practice is not None:
            about |= {"practice": _short(known.practice.value)}
        if isinstance(known.mcid, Threshold):
            about["mcid"] = _kept({"value": known.mcid.value, "low": known.mcid.low, "high": known.mcid.high})
            about["mcid"] |= {"n": known.mcid.n} if known.mcid.n else {}
            about["mcid"] |= {"source": known.mcid.origin.sentence()}
        rows = audit.protocols[key].table().to_dict("records")
        facts = {row["fact"]: row["usual"] for row in rows if row.get("usual")}
        about |= {"protocol": facts} if facts else {}
        if about:
            measures[key] = about
        frame = audit.pairs[key]
        both = frame[frame["improvement"].notna()]
        if len(both) >= FEWEST:
            first, second = both["before"], both["after"]
            moments = {"mean_before": first.mean(), "mean_after": second.mean(), "sd_before": first.std(),
                       "sd_after": second.std(), "correlation": first.corr(second)}  # fmt: skip
            weeks = {"weeks": round(audit.rule.days / 7, 1)} if audit.rule.days else {}
            programme[key] = {"name": audit.programme, **weeks, **_kept(moments), "n": len(both)}
    return {"measures": measures, "programme": programme}


def missing_words(audit: ProgrammeAudit) -> tuple[str, ...]:
    """Say of each test what could not be estimated, and why."""
    found = []
    for key in audit.measures:
        known: Any = audit.known[key]
        found += [f"{measure_of(key).name}: no {one.part}. {one.reason}" for one in (known.sem, known.mcid)
                  if not isinstance(one, Estimate)]  # fmt: skip
    return tuple(found)


def _kept(numbers: dict[str, float]) -> dict[str, float]:
    return {name: _short(value) for name, value in numbers.items() if value == value}


def _short(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")
