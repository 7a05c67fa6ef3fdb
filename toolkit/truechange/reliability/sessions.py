"""ICC and SEM of trials within sessions (generalizability): one trial, a mean of k trials, a mean over m sessions."""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from math import sqrt
from typing import Any

import pandas as pd

from truechange.foundation import errors
from truechange.foundation.estimate import Origin
from truechange.foundation.result import Part
from truechange.reliability import scores as tables
from truechange.reliability.error import ERRORS, Z95, threshold
from truechange.reliability.icc import session_components


class SessionReliability(Part):
    """What a score is worth that is made of k trials in each of m sessions.

    Its facts: ``icc`` and ``sem`` (of one trial in one session), ``components`` (the variances of person, session,
    person x session and residual, with their draws), ``error``, ``trials`` and ``sessions`` (of the study). The table
    has one row a way of making the score.
    """

    def at(self, trials: int = 1, sessions: int = 1) -> Part:
        """Return ``icc``, ``sem`` and ``mdc95`` of the mean of `trials` in each of `sessions` sessions."""
        errors.check_whole(trials=trials, sessions=sessions)
        if not (trials and sessions):
            raise errors.ChoiceError(f"trials={trials}, sessions={sessions}: a score has at least one of each.")
        fit, crossed = self.components, {"session": 1 / sessions} if self.error == "agreement" else {}
        noise = crossed | {"person:session": 1 / sessions, "residual": 1 / (trials * sessions)}
        sem, icc = fit.sem(noise), fit.icc(noise, f"ICC ({self.error})")
        origin = replace(sem.origin, trials=trials, rule="mean", visits=sessions)
        sem = replace(sem, origin=origin)
        mdc = threshold(sem, sqrt(2) * Z95, f"{Z95:.3f} × √2 × SEM ({self.error})")
        made = origin.score or "single trial in one session"
        says = (f"A score that is the {made}: ICC {icc.text(2)}, SEM {sem}, MDC95 {mdc}.",)
        facts = {"icc": icc, "sem": sem, "mdc95": mdc}
        return Part(facts, tables.estimates_table({"ICC": icc, "SEM": sem, "MDC95 (person)": mdc}), says)


def session_reliability(
    data: pd.DataFrame, columns: Sequence[str] = ("person", "session", "trial", "value"), *, error: str = "agreement",
    missing: str = "refuse", confidence: float = 0.95, unit: str = "", origin: Origin | None = None,
) -> SessionReliability:  # fmt: skip
    """Estimate ICC and SEM from trials within sessions, for any number of trials and sessions behind a score.

    Parameters
    ----------
    data : DataFrame
        Long table of a retest study, one row a person, session and trial; not changed.
    columns : sequence of str, optional
        Its columns of person, session, trial (numbered from 1 in every session) and score, in this order.
    error : {"agreement", "consistency", "one-way"}, optional
        Whether a shift of everybody between sessions counts as error, does not, or is not told apart from the
        variation of persons between sessions (session within person).
    missing : {"refuse", "leave out", "reml"}, optional
        People who lack a trial: an error that names them, set aside and counted, or every score used.
    confidence : float, optional
        Level of the intervals.
    unit : str, optional
        Unit of the scores.
    origin : Origin, optional
        Population, protocol and time between sessions, to travel with the numbers: ``Origin.own(...)``.

    Returns
    -------
    SessionReliability
        ``.at(trials=2)`` gives the ICC, SEM and MDC95 of the mean of two trials of one session.

    Raises
    ------
    DataError
        As :func:`measurement_error`; trial numbers that run on over the sessions.
    RefusedError
        Fewer than 10 people, or one trial a session: nothing then separates trial from session.
    ChoiceError
        `error`, `missing` or `confidence` is not available.

    Notes
    -----
    Random effects of person (p), session (s), person x session (ps) and trial (e), the order of trials within a session
    fixed, by REML. For the mean of k trials in each of m sessions: SEM² = (s + ps)/m + e/(km), ICC = p/(p + SEM²)
    [1]_; consistency leaves s out, one-way fits session within person in place of s + ps. A best of k is no mean:
    :func:`measurement_error` with ``rule=`` compares best scores.

    References
    ----------
    .. [1] Cronbach LJ, Rajaratnam N, Gleser GC (1963). Br J Stat Psychol 16(2):137-163 (from memory).

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> person, session, trial = (at.ravel() for at in np.indices((40, 2, 2)))
    >>> score = 12 + rng.normal(0, 3, 40)[person] + rng.normal(0, 1, (40, 2))[person, session] + rng.normal(0, 1, 160)
    >>> retest = pd.DataFrame({"person": person, "session": session, "trial": trial, "value": score})
    >>> found = session_reliability(retest, error="consistency", unit="stands")
    >>> round(found.icc.value, 2), round(found.at(trials=2).icc.value, 2), round(found.at(2, sessions=2).sem.value, 2)
    (0.84, 0.91, 0.62)
    """
    errors.check_choice("error", error, ERRORS)
    errors.check_confidence(confidence)
    errors.check_kind("columns", columns, (tuple, list), "four names: person, session, trial, score")
    if len(columns) != 4:
        raise errors.ChoiceError(f"columns={columns!r}: give four names, of person, session, trial and score.")
    person, session, trial, value = columns
    table = tables.trial_table(data, tables.Columns(person, trial, value, session), missing)
    scores, n = table.long, len(table.people)
    sessions, trials = (scores[name].nunique() for name in ("session", "trial"))
    if min(trials, sessions) < 2:
        raise errors.RefusedError(
            f"{sessions} sessions with {trials} trials: the two cannot be told apart. With one trial a session use "
            "measurement_error(trial=...) and name the session there; one session says nothing of a later visit."
        )
    sample = tables.Sample(n, confidence, unit, replace(origin or Origin.own(), n=n))
    fit = session_components(table, error != "one-way", sample)
    alone = (
        "One-way takes a shift of everybody between sessions for chance: its interval is too narrow if there is one.",
    )
    cautions = (*table.cautions, *tables.count_cautions(n), *fit.cautions, *(alone if error == "one-way" else ()))
    facts = {"components": fit, "error": error, "trials": trials, "sessions": sessions}
    bare = SessionReliability(facts, pd.DataFrame(), (), sources=fit.sources)
    ways = {(k, m): bare.at(k, m) for m in range(1, sessions + 1) for k in range(1, trials + 1)}
    frame = pd.concat({way: part.frame for way, part in ways.items()}, names=["trials", "sessions", "quantity"])
    says = tuple(part.sentence() for part in ways.values())
    return replace(
        bare, facts=facts | {"icc": ways[1, 1].icc, "sem": ways[1, 1].sem}, frame=frame.reset_index(), says=says,
        cautions=tuple(dict.fromkeys(cautions)), draw=partial(_draw, ways),
        seen="Standard error of measurement by trials and sessions behind a score.",
    )  # fmt: skip


def _draw(ways: "dict[tuple[int, int], Part]", ax: Any) -> Any:
    from truechange.foundation.drawing import interval_rows

    names = [f"{k} trial{'s' * (k > 1)} in {m} session{'s' * (m > 1)}" for k, m in ways]
    sems = [part.sem for part in ways.values()]
    unit = f" ({sems[0].unit})" if sems[0].unit else ""
    ax = interval_rows(names, sems, ax=ax, strong=(0,), unit=f"Standard error of measurement{unit}")
    ax.set_xlim(left=0)
    return ax
