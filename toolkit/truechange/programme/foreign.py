"""A number from elsewhere is held against the clinic's own people before the audit leans on it."""

import pandas as pd

from truechange.foundation.estimate import Estimate
from truechange.programme.parts import Refused
from truechange.reliability import transport_check


def held_against_own_people(name: str, number: Estimate, pairs: pd.DataFrame, unit: str) -> tuple[str, Refused | None]:
    """Check whether a published SEM or MCID fits these people; own and merely stated numbers pass without a word.

    Parameters
    ----------
    name : str
        What it is, such as ``"SEM"``.
    number : Estimate
        The number with its origin.
    pairs : DataFrame
        Usable pairs with ``before``, and where known ``before_date`` and ``after_date``.
    unit : str
        Unit of the scores.

    Returns
    -------
    str, Refused or None
        A caution ("" if none is needed), and the refusal where the number may not be used here.
    """
    if number.origin.kind != "published":
        return "", None
    baseline = pairs["before"].to_numpy(float) if len(pairs) > 1 else None
    found = transport_check(number, baseline, interval=_gap(pairs), unit=unit)
    where = f"{name} from {number.origin.sentence()}"
    reasons = found.findings.loc[found.findings["finding"] == found.verdict, "reason"]
    said = " ".join(dict.fromkeys(reason for reason in reasons if reason))
    if found.verdict == "do not use":
        return "", Refused(name, f"{where}: do not use it here. {said}")
    return f"{where}: {found.verdict} for these people. {said}".strip(), None


def _gap(pairs: pd.DataFrame) -> str:
    if not {"before_date", "after_date"} <= set(pairs):
        return ""
    days = (pd.to_datetime(pairs["after_date"]) - pd.to_datetime(pairs["before_date"])).dt.days.median()
    return f"{days / 7:.0f} weeks" if days == days else ""
