"""The catalogue's own numbers: recomputed published values follow from their arithmetic, power from work and time."""

import re
from math import sqrt

import truechange as tc
from oracles import Pairs, route

SUM = re.compile(r"[\d.]+(?:[*/](?:\(?(?:[\d.]+|sqrt2)\)?))+")


def _worked_out(sum_: str) -> float:
    """Multiply and divide numbers and sqrt2 from left to right, one pair of brackets allowed."""
    head, _, inside = sum_.partition("(")
    value, sign = 1.0, "*"
    for sign_now, word in re.findall(r"([*/]?)([\d.]+|sqrt2)", head):
        sign = sign_now or "*"
        value = value * _number(word) if sign == "*" else value / _number(word)
    if inside:
        bracket = _worked_out(inside.rstrip(")"))
        value = value * bracket if head.endswith("*") else value / bracket
    return value


def _number(word: str) -> float:
    return sqrt(2) if word == "sqrt2" else float(word)


@route("Published values", by="tc.published")
def _recomputed_values() -> Pairs:
    """The arithmetic written beside each recomputed value."""
    table = tc.published()
    found: Pairs = {}
    for row in table[table["status"] == "recomputed"].itertuples():
        sum_ = SUM.match(row.method.replace("%", ""))
        if sum_ is None or sum_.group() != row.method.replace("%", ""):
            continue
        other = _worked_out(sum_.group())
        found[f"{row.measure} {row.quantity}: {row.method}"] = (other, float(row.value), 0.006 * max(1.0, abs(other)))
    return found


@route("Published values", by="tc.sit_to_stand_power")
def _power_in_other_units() -> Pairs:
    """Power from work over time in other units (foot-pounds, minutes)."""
    pound, foot, watts = 0.45359237, 0.3048, 0.3048 * 0.45359237 * 9.81 / 60  # 1 foot-pound a minute at g = 9.81
    lifted = 0.9 * 70 / pound * (0.5 * 1.65 - 0.43) / foot * 12  # work of 12 stands, foot-pounds
    climbed = 70 / pound * (9 * 0.20) / foot
    return {
        "12 stands in 30 s": (lifted / (0.5 * 30 / 60) * watts, tc.sit_to_stand_power(70, 1.65, 0.43, 12, 30), 1e-9),
        "5 stands in 11 s": (
            lifted * 5 / 12 / (0.5 * 11 / 60) * watts,
            tc.sit_to_stand_power(70, 1.65, 0.43, 5, 11),
            1e-9,
        ),
        "9 steps in 6 s": (climbed / (6 / 60) * watts, tc.stair_power(70, 9 * 0.20, 6), 1e-9),
    }


@route("Published values", by="tc.sit_to_stand_power")
def _stands_at_the_cut_off() -> Pairs:
    """Stands needed for the relative cut-off, from the published equation."""
    table = tc.published("sit_to_stand_power")
    found: Pairs = {}
    height = re.compile(r"height ([\d.]+) m, seat ([\d.]+) m")
    for row in table[table["status"] == "recomputed"].itertuples():
        tall, seat = (float(word) for word in height.findall(row.method)[0])
        one = tc.sit_to_stand_power(1.0, tall, seat, 1, 30)  # W/kg of one stand
        if row.quantity == "cutoff":
            power = 2.1 if tall <= 1.65 else 2.6
            found[f"stands at {power:g} W/kg, height {tall:g} m"] = (power / one, float(row.value), 0.06)
        else:
            stands = float(row.method.split(" stands")[0])
            found[f"{row.quantity} of {stands:g} stands, height {tall:g} m"] = (stands * one, float(row.value), 0.006)
    return found
