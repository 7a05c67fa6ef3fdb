"""What a reader may attack (sensitivity analyses): how far each doubt moves the number it is about, most first."""

from collections.abc import Callable, Iterable, Mapping
from functools import partial
from math import isfinite, isnan, nan
from typing import TYPE_CHECKING, Any

import pandas as pd

from truechange.foundation.errors import RefusedError
from truechange.foundation.estimate import Estimate
from truechange.foundation.result import Part, gathered
from truechange.meaningful_change import McidStudy, cross_fit_mcid, mcid
from truechange.meaningful_change.estimators import METHODS
from truechange.programme.assumptions import clustering, error_shape, ratings_not_given
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.parts import attempt
from truechange.responders import proportion
from truechange.responders.counting import Responders

if TYPE_CHECKING:
    from truechange.records import Pairs
    from truechange.reliability import MeasurementError

COLUMNS = ["doubt", "number", "told", "low", "high", "least", "most", "moved", "unit"]
MDC, MCID, SHARE = "MDC95 of one person", "MCID", "share of those due that changed enough"
MEASURED = "share of those measured that changed enough"
MEAN, GAP = "mean improvement", "difference between the groups"
RESAMPLES = 400
LOOKED = {"errors": "Shape of the errors", "cross-fitting": "Internal validation", "ratings": "Ratings not given",
          "therapist": "Likeness of one therapist's people", "site": "Likeness of one site's people"}  # fmt: skip


def assumptions(
    error: "MeasurementError", change: "Pairs", matters: Any, audit: ProgrammeAudit, cut: int, drawing: dict[str, Any]
) -> dict[str, Any]:
    """Look at every assumption of a study that its data can speak to; each a Part, or a refusal with its reason.

    Parameters
    ----------
    error, change, matters, audit
        Parts of the study: measurement error, pairs of the programme's people, MCID study (or refusal), audit.
    cut : int
        Lowest rating that counts as improved.
    drawing : mapping
        n_boot and seed.
    """
    people, method = audit.pairs[audit.primary], getattr(matters, "recommended_method", "")
    due = people[people["due"]]
    measured = due.dropna(subset=["before", "improvement"])
    scores = [measured[name].to_numpy(float) for name in ("improvement", "before")]

    def again(rated: pd.DataFrame, at: int) -> float:
        few: dict[str, Any] = {"before": rated["before"], "after": rated["after"], "n_boot": 100}
        found = mcid(rated["improvement"], rated["rating"], at, sem=error.sem, **few)
        return float(found.estimates["estimate"].to_dict()[method])

    def held_out() -> Part:
        if not method:
            raise RefusedError("There is no MCID to hold people against.")
        few = drawing | {"n_boot": min(RESAMPLES, drawing["n_boot"])}
        return cross_fit_mcid(due, method, cut=cut, sem=error.sem, **few)

    unit, places = change.measure.unit, matters.recommended.decimals if method else 1
    work: dict[str, Callable[[], Any]] = {"errors": lambda: error_shape(error), "cross-fitting": held_out}
    work |= {"ratings": lambda: ratings_not_given(change.usable, cut, again, places)} if method else {}
    work |= {name: partial(clustering, measured[name], *scores, name=name, test_unit=unit)
             for name in ("therapist", "site") if name in measured}  # fmt: skip
    return {name: attempt(one, LOOKED[name]) for name, one in work.items()}


def attacks(error: "MeasurementError", matters: Any, audit: ProgrammeAudit, checks: Mapping[str, Any]) -> Part:
    """Order every doubt that can be put into numbers by how far it moves its number, in halves of that one's interval.

    Returns
    -------
    Part
        Table: doubt, number, told, low, high, least, most (what the number becomes), moved, unit.
    """
    rows: list[dict[str, Any]] = []

    def doubt(words: str, number: str, told: Estimate, others: Iterable[Any], moved: float = nan) -> None:
        found = [value for value in map(float, others) if isfinite(value)]
        half = (told.high - told.low) / 2
        if found and half > 0:
            far = max(abs(value - told.value) for value in found) / half
            rows.append({"doubt": words, "number": number, "told": told.value, "low": told.low, "high": told.high,
                         "least": min(found), "most": max(found), "moved": far if isnan(moved) else moved,
                         "unit": told.unit})  # fmt: skip

    for add in (_of_error, _of_mcid, _of_share, _of_group):
        add(doubt, error, matters, audit, checks)
    frame = pd.DataFrame(rows, columns=COLUMNS).sort_values("moved", ascending=False, kind="stable", ignore_index=True)
    return Part({"rows": frame, "records": frame.to_dict("records")}, frame, (), gathered((), *checks.values()))


def _of_error(doubt: Callable[..., None], error: Any, _matters: Any, _audit: Any, checks: Mapping[str, Any]) -> None:
    if isinstance(shape := checks["errors"], Part):
        doubt("the errors are taken as normal: the spread that 95% of people kept", MDC, error.mdc95, [shape.within])
        if shape.at_low is not None:
            doubt("the error depends on the score", MDC, error.mdc95, [shape.at_low, shape.at_high])


def _of_mcid(doubt: Callable[..., None], _error: Any, matters: Any, _audit: Any, checks: Mapping[str, Any]) -> None:
    if not isinstance(matters, McidStudy) or matters.recommended is None:
        return
    value, rows = matters.recommended, matters.estimates
    if matters.recommended_method == "latent_threshold":
        wrong = matters.wrong_sem["latent_threshold"]
        doubt("the measurement error is 20% smaller or larger", MCID, value, [wrong[0.8], wrong[1.2]])
    person = [name for name in rows.index if METHODS[name].level == "person" and "MCID" not in METHODS[name].use
              and name != "detectability_limit" and not rows["use"][name].startswith(("do not", "not "))]  # fmt: skip
    doubt("another estimator is used on the same people", MCID, value, rows["estimate"][person])
    if isinstance(ratings := checks.get("ratings"), Part):
        doubt("the people without a rating had all rated themselves improved, or all unchanged", MCID, value,
              [ratings.if_improved, ratings.if_unchanged])  # fmt: skip
        doubt("only a rating one step higher counts as improved", MCID, value, [ratings.next_cut])


def _of_share(doubt: Callable[..., None], _error: Any, _matters: Any, audit: Any, checks: Mapping[str, Any]) -> None:
    enough = audit.responders[audit.primary]
    counted = getattr(enough, "counted", None)
    if not isinstance(counted, Responders):
        return
    row, share = counted.rows.iloc[0], counted.share()
    doubt("none, or all, of the people without a follow-up changed enough", SHARE, share,
          row[["lowest_possible", "highest_possible"]])  # fmt: skip
    doubt("the MCID lies elsewhere in its interval", SHARE, share, row[["share_at_low", "share_at_high"]])
    if isinstance(fit := checks.get("cross-fitting"), Part):
        doubt("people are held against an MCID that they had no part in", SHARE, share, [fit.share.value])
    if isinstance(enough.true_share, Estimate) and row["measured"]:
        told = proportion(row["changed_enough"], row["measured"])
        doubt("measurement error is taken out of the changes", MEASURED, told, [enough.true_share.value])


def _of_group(doubt: Callable[..., None], _error: Any, _matters: Any, audit: Any, checks: Mapping[str, Any]) -> None:
    change, versus, gaps = (part[audit.primary] for part in (audit.change, audit.comparison, audit.missing))
    if isinstance(change, Part):
        beyond, filled = change.beyond_practice or nan, getattr(gaps, "mean", None) or nan
        doubt("what repeating the test gives by itself is taken off", MEAN, change.mean, [beyond])
        doubt("the people without a follow-up did as people like them", MEAN, change.mean, [filled])
        for name in ("therapist", "site"):
            if isinstance(one := checks.get(name), Part):
                wider = (one.mean.high - one.mean.low) / (change.mean.high - change.mean.low) - 1
                doubt(f"people of one {name} are alike: the ends of its interval", MEAN, change.mean,
                      [one.mean.low, one.mean.high], wider)  # fmt: skip
    if isinstance(versus, Part):
        seen = versus.checks
        doubt("the groups are not adjusted for where they started", GAP, versus.adjusted, [versus.unadjusted])
        doubt("each group has a slope of its own: people who start 1 SD lower, or higher", GAP, versus.adjusted,
              [seen.low_start, seen.high_start])  # fmt: skip
        doubt("the line is curved", GAP, versus.adjusted, [seen.bent])
        doubt("one person is left out", GAP, versus.adjusted, [seen.least, seen.most])
