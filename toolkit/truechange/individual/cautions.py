"""What a reader must mind before using one person's result."""

from math import isnan

from truechange.foundation.origin import Origin
from truechange.individual import priors
from truechange.individual import verdict as v
from truechange.individual.change import PersonChange
from truechange.individual.protocol import Bridge
from truechange.individual.scale_ends import Ends
from truechange.individual.words import size_text

NOT_CAUSE = "A true change is not proof that the treatment caused it: practice, natural course and mood are in it too."


def gather(
    result: PersonChange,
    *,
    ends: Ends,
    protocol: tuple[str, ...],
    stated: bool,
    mirrored: bool,
    bridge: Bridge | None,
    soft: tuple[float, float],
) -> tuple[str, ...]:
    """Collect the cautions of one result, the gravest first."""
    sign = 1 if result.better == "higher" else -1
    said = [*ends.cautions(result.before, result.after, sign, result.mcid.value)]
    said += protocol if stated else ("How the tests were done was not stated: they count only if done the same way.",)
    if bridge is not None:
        said.append(f"The first score was carried over from another protocol by a line from {bridge.n} people.")
    said += [
        f"A score of {score:g} is unusual for this test: check it."
        for score in (result.before, result.after)
        if score < soft[0] or score > soft[1]
    ]
    said += _thresholds(result, mirrored)
    said += _group(result)
    if result.practice:
        said.append(
            f"{size_text(result, result.practice)} of gain by practice is taken out of “beyond error”; "
            "the chances still include it."
        )
    if not isnan(result.improvement):
        said.append(NOT_CAUSE)
    return tuple(said)


def _thresholds(result: PersonChange, mirrored: bool) -> list[str]:
    said = []
    mdc, error = result.mdc, result.error
    if error is not None:
        if error.varies > 1.15 or error.varies < 0.87:
            said.append(
                f"The error at this person's scores is {'larger' if error.varies > 1 else 'smaller'} than on average."
            )
        if mdc is not None and mdc.value >= result.mcid.value and not result.worse:
            said.append(
                "The smallest detectable change is not below the MCID: an important change can hide in the error, and "
                "“real but below important” cannot occur."
            )
        if error.df is None:
            said.append("How well the SEM is known was not stated, so its uncertainty is not carried.")
        said += _origin("SEM", error.origin)
    said += _origin("MCID", result.mcid.origin)
    if not v.spread(result.mcid):
        said.append("The MCID was given without an interval, so its uncertainty is not carried.")
    if mirrored and result.worse:
        said.append("The MCID for getting worse was not given; the one for getting better is used.")
    return said


def _origin(what: str, origin: Origin) -> list[str]:
    if origin.status == "from memory":
        return [f"The {what} is a published value from memory ({origin.sentence()}): look it up before relying on it."]
    if origin.kind == "published":
        like = "It holds if those people, that protocol and that gap are like yours."
        return [f"The {what} is from elsewhere: {origin.sentence()}. {like}"]
    return []


def _group(result: PersonChange) -> list[str]:
    group = result.programme
    if result.error is None or isnan(result.improvement):
        return []
    if group is None:
        return [
            "No group to compare with: the chance from the scores alone is too high where most people change little."
        ]
    if group.n < priors.FEWEST:
        return [f"{group.name} has {group.n} people, fewer than {priors.FEWEST}: too few to lean on."]
    said = []
    if group.n < priors.SMALL:
        said.append(f"{group.name} has {group.n} people; the doubt about its numbers is carried.")
    if abs(result.before - group.mean_before) > 2.5 * group.sd_before:
        said.append(f"This person started far from most of {group.name}: the chances lean on people unlike them.")
    return said
