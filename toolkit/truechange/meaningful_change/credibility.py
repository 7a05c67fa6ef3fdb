"""The credibility sheet of an anchor-based MCID: what the data answer, and what only the study team can."""

import pandas as pd

from truechange.foundation.estimate import Estimate
from truechange.meaningful_change.anchor import STRONG, WEAK, AnchorCheck

OPEN = "to be answered by the study team"


def credibility_sheet(
    check: AnchorCheck,
    value: Estimate | None,
    *,
    patient_rated: bool | None = None,
    understandable: bool | None = None,
    small_but_important: bool | None = None,
    recall_weeks: float | None = None,
    blinded: bool | None = None,
) -> pd.DataFrame:
    """Fill the credibility sheet.

    Parameters
    ----------
    check : AnchorCheck
        The anchor's checks.
    value : Estimate or None
        The MCID, if one was given.
    patient_rated, understandable, small_but_important, blinded : bool, optional
        The person gave the rating; the question is clear and about this function; the cut marks a small but important
        change; the rating was given before the person heard the test result. None = not declared.
    recall_weeks : float, optional
        Weeks the person had to look back.

    Returns
    -------
    DataFrame
        One row an item: answer, judged (yes, partly, no, open).

    Notes
    -----
    Items after Devji et al. 2020, BMJ 369:m1714 (wording ours; items beyond the first from memory). For a performance
    test "rated by the patient" is about the anchor. The rule on precision is our own: half the interval's width
    within half of the MCID is good, within the MCID fair.
    """
    r = check.correlation
    adequate = "yes" if r.value >= STRONG else "partly" if r.value >= WEAK else "no"
    before, after = check.with_before, check.with_after
    known = before.value == before.value and after.value == after.value
    weeks = OPEN if recall_weeks is None else f"{recall_weeks:g} weeks"
    recall = (
        "open" if recall_weeks is None else "yes" if recall_weeks <= 4 else "partly" if recall_weeks <= 13 else "no"
    )
    items = [
        ("the anchor is rated by the person", _said(patient_rated), _yes(patient_rated)),
        ("the anchor is understandable and about this function", _said(understandable), _yes(understandable)),
        ("rating and change correlate enough", r.text(2), adequate),
        ("the MCID is precise", *_precision(value)),
        ("the cut marks a small but important change", _said(small_but_important), _yes(small_but_important)),
        ("the time to look back is short", weeks, recall),
        ("rated before hearing the test result", _said(blinded), _yes(blinded)),
        ("the rating correlates with the second score", *_state(after, known, 1)),
        ("the rating correlates with the first score, oppositely", *_state(before, known, -1)),
    ]
    return pd.DataFrame(items, columns=["item", "answer", "judged"]).set_index("item")


def _said(answer: bool | None) -> str:
    return OPEN if answer is None else "declared: yes" if answer else "declared: no"


def _yes(answer: bool | None) -> str:
    return "open" if answer is None else "yes" if answer else "no"


def _precision(value: Estimate | None) -> tuple[str, str]:
    if value is None or not value.has_interval:
        return "no value or no interval", "no"
    half = (value.high - value.low) / 2
    return value.text(), "yes" if half <= value.value / 2 else "partly" if half <= value.value else "no"


def _state(found: Estimate, known: bool, sign: int) -> tuple[str, str]:
    if not known:
        return "scores not given", "open"
    return found.text(2), "yes" if sign * found.value >= WEAK else "partly" if sign * found.value > 0.1 else "no"
