"""What is known of a test's error and of the change that matters; what is not known is named, never invented."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import sqrt
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from truechange.foundation.errors import ChoiceError, OutcomeError, listed
from truechange.foundation.estimate import Estimate, Threshold, person_threshold
from truechange.foundation.origin import Origin
from truechange.foundation.result import Result
from truechange.foundation.sem import read_sem
from truechange.measures import measure as measure_of
from truechange.programme.foreign import held_against_own_people
from truechange.programme.parts import Refused

KEYS = ("sem", "sem_df", "mcid", "practice")


@dataclass(frozen=True)
class Known(Result):
    """Error and importance of one test's change.

    Parameters
    ----------
    sem : Estimate or Refused
        Standard error of measurement of one score, or why there is none.
    mcid : Threshold or Refused
        Smallest important improvement of one person, or why there is none.
    practice : Estimate or None
        Gain of unchanged people from repeating the test, positive = better.
    retest_gains : ndarray or None
        Improvements of unchanged people tested twice, if a retest study was given.
    """

    sem: "Estimate | Refused"
    mcid: "Threshold | Refused"
    practice: Estimate | None = None
    retest_gains: np.ndarray | None = None
    cautions: tuple[str, ...] = ()

    @property
    def mdc(self) -> Threshold | None:
        """Smallest change of one person beyond error, ``1.96 √2 SEM``; None without a SEM."""
        if isinstance(self.sem, Refused):
            return None
        factor = float(ndtri(0.975)) * sqrt(2)
        scaled = self.sem.scaled(factor)
        return Threshold(
            value=scaled.value, low=scaled.low, high=scaled.high, confidence=scaled.confidence, unit=scaled.unit,
            n=scaled.n, df=scaled.df, origin=scaled.origin, kind="mdc", method="1.96 √2 SEM",
        )  # fmt: skip

    def table(self) -> pd.DataFrame:
        """Return one row a quantity: quantity, estimate, low, high, df, origin; refused ones with their reason."""
        named = {"SEM": self.sem, "MDC95": self.mdc, "MCID": self.mcid, "practice gain": self.practice}
        rows: list[dict[str, Any]] = []
        for name, kept in named.items():
            if isinstance(kept, Refused):
                rows.append({"quantity": name, "origin": f"not known: {kept.reason}"})
            elif kept is not None:
                rows.append({"quantity": name, **kept.row()})
        columns = ["quantity", "estimate", "low", "high", "df", "unit", "method", "origin"]
        return pd.DataFrame(rows).reindex(columns=columns)

    def sentences(self) -> tuple[str, ...]:
        """Say each quantity and where it comes from."""
        said: list[str] = []
        for name, kept in (("SEM", self.sem), ("MCID", self.mcid)):
            if isinstance(kept, Refused):
                said.append(f"{name}: not known. {kept.reason}")
            else:
                said.append(f"{name} {kept}, {kept.origin.sentence()}.")
        return tuple(said)


def known_of(
    measure: str,
    pairs: pd.DataFrame,
    *,
    thresholds: Mapping[str, Mapping[str, Any]],
    retest: pd.DataFrame | None,
    anchor: str | None,
    trials: str,
    n_boot: int,
    seed: int,
    confidence: float,
) -> Known:
    """Collect SEM, MCID and practice gain of a test: what was stated first, then what own data give.

    Parameters
    ----------
    measure : str
        Key of the test.
    pairs : DataFrame
        Usable pairs: before, after, improvement, and `anchor`'s column if there are ratings.
    thresholds : mapping
        Key of the test: ``sem``, ``sem_df``, ``mcid``, ``practice``.
    retest : DataFrame or None
        Assessments of a retest study of unchanged people.
    anchor : str or None
        Column of the ratings in `pairs`.
    trials : str
        How several trials of one occasion become one score; the last by default.
    n_boot, seed, confidence
        For the MCID's interval.

    Raises
    ------
    ChoiceError
        A threshold has an unknown name.
    """
    stated = dict(thresholds.get(measure, {}))
    if strange := sorted(set(stated) - set(KEYS)):
        raise ChoiceError(f"thresholds[{measure!r}] has {listed(strange)}; choose from {', '.join(KEYS)}.")
    unit = measure_of(measure).unit
    notes: list[str] = []
    own = None if retest is None else _from_retest(measure, retest, trials, unit, confidence)
    sem: Estimate | Refused
    if "sem" in stated:
        sem, said_of_sem = _stated_sem(stated["sem"], stated.get("sem_df"), unit, trials)
        notes += said_of_sem
    elif isinstance(own, Known):
        sem = own.sem
    else:
        why = own.reason if isinstance(own, Refused) else "No standard error of measurement was given for this test."
        sem = Refused("SEM", f"{why} Give a retest study, or thresholds={{{measure!r}: {{'sem': ...}}}}.")
    if not isinstance(sem, Refused):
        said, refused = held_against_own_people("SEM", sem, pairs, unit)
        sem = refused or sem
        notes += [said] if said else []
    practice = own.practice if isinstance(own, Known) else None
    if stated.get("practice") is not None:
        gain = stated["practice"]
        practice = (
            gain if isinstance(gain, Estimate) else Estimate(value=float(gain), unit=unit, origin=Origin.stated())
        )
    mcid: Threshold | Refused
    if "mcid" in stated:
        mcid = person_threshold(stated["mcid"], "mcid", name=f"thresholds[{measure!r}]['mcid']", unit=unit)
    else:
        mcid = _from_ratings(pairs, sem, anchor, unit, n_boot, seed, confidence, measure)
        if isinstance(mcid, Threshold):
            notes.append("The MCID was estimated from the ratings of the same people it is used on.")
    if not isinstance(mcid, Refused):
        said, refused = held_against_own_people("MCID", mcid, pairs, unit)
        mcid = refused or mcid
        notes += [said] if said else []
    gains = own.retest_gains if isinstance(own, Known) else None
    return Known(sem, mcid, practice, gains, tuple(notes))


def _stated_sem(given: Any, df: float | None, unit: str, trials: str) -> "tuple[Estimate | Refused, list[str]]":
    """Read the SEM that was stated and hold the trials it averages against those that make a score here."""
    read = read_sem(given, df, unit=unit)
    said: list[str] = []
    averaged = read.estimate.origin.trials
    if averaged and averaged > 1 and trials in ("best", "first", "last"):
        why = f"It is that of the mean of {averaged} trials a visit, but here the {trials} one alone counts"
        return Refused("SEM", f"{why}. Give trials='mean', or the SEM of a single trial."), said
    if trials == "mean" and averaged in (None, 1):
        said.append("Each score is the mean of a visit's trials; the SEM given is not known to be of such means.")
    return read.estimate, [*said, *read.cautions]


def _from_retest(measure: str, retest: pd.DataFrame, trials: str, unit: str, confidence: float) -> "Known | Refused":
    """Estimate the SEM between occasions from one score a person and occasion; the shift between them is practice."""
    from truechange.reliability import measurement_error

    sign, rows = measure_of(measure).sign, retest[retest["measure"] == measure]
    if "result" in rows:
        rows = rows[rows["result"].fillna("measured") == "measured"]
    if rows.empty:
        return Refused("SEM", "The retest study does not contain this test.")
    order = [name for name in ("date", "trial") if name in rows]
    rows = rows.assign(occasion=_in_time(rows))
    groups = rows.sort_values(["person", "occasion", *order]).groupby(["person", "occasion"], as_index=False)
    rule = {"best": "max" if sign > 0 else "min", "refuse": "last"}.get(trials, trials)
    last = pd.DataFrame(groups["value"].agg(rule))
    try:
        found = measurement_error(
            last, person="person", trial="occasion", value="value", error="consistency", missing="leave out", unit=unit,
            confidence=confidence,
        )  # fmt: skip
    except OutcomeError as problem:
        return Refused("SEM", f"The retest study cannot give it: {problem}")
    gains = sign * (found.scores[:, 1] - found.scores[:, 0])
    shift, averaged = found.learning, int(groups.size()["size"].min())
    low, high = sorted((sign * shift.low, sign * shift.high))
    practice = replace(shift, value=sign * shift.value, low=low, high=high)
    sem = found.sem_consistency
    if rule == "mean" and averaged > 1:
        sem = replace(sem, origin=replace(sem.origin, trials=averaged))
    return Known(sem, Refused("MCID", ""), practice, gains)


def _in_time(rows: pd.DataFrame) -> "pd.Series[int]":
    """Return the occasions numbered in order of time (of their names, where no dates are known)."""
    dates = rows.groupby("occasion")["date"].min() if "date" in rows else pd.Series(dtype=object)
    names = list(dates.sort_values().index) if len(dates) and dates.notna().all() else sorted(rows["occasion"].unique())
    return rows["occasion"].map({name: at for at, name in enumerate(names, start=1)})


def _from_ratings(
    pairs: pd.DataFrame,
    sem: "Estimate | Refused",
    anchor: str | None,
    unit: str,
    n_boot: int,
    seed: int,
    confidence: float,
    measure: str,
) -> "Threshold | Refused":
    cure = f"Give thresholds={{{measure!r}: {{'mcid': ...}}}} with its source."
    if anchor is None or anchor not in pairs or pairs[anchor].notna().sum() < 10:
        return Refused("MCID", f"No MCID was given and there are no ratings to estimate one from. {cure}")
    from truechange.meaningful_change import mcid as estimate_mcid

    rated = pairs[pairs[anchor].notna()]
    try:
        found = estimate_mcid(
            rated["improvement"].to_numpy(float), rated[anchor].to_numpy(float),
            before=rated["before"].to_numpy(float), after=rated["after"].to_numpy(float),
            sem=None if isinstance(sem, Refused) else sem, n_boot=n_boot, seed=seed, confidence=confidence, unit=unit,
            resolution=measure_of(measure).resolution,
        )  # fmt: skip
        recommended = found.recommended
    except OutcomeError as problem:
        return Refused("MCID", f"The ratings do not give one: {problem} {cure}")
    if recommended is None:
        return Refused("MCID", f"The ratings do not give one: {found.refused}. {cure}")
    if recommended.doubts:
        doubts = "; ".join(doubt.rstrip(".") for doubt in recommended.doubts)
        return Refused("MCID", f"The ratings give {recommended}, but {doubts}. {cure}")
    return replace(recommended, unit=recommended.unit or unit)
