# ruff: noqa: F401 -- the calls of the table use these names
"""Every sentence and caution of some hundred answers as stored in ``texts.json``, every number as in ``numbers.json``.

The calls stand in ``calls.toml``. After a change that is meant, ``TRUECHANGE_STORE=1`` stores what is said and computed
now; read the difference before it is committed. Stored numbers only show that something moved: where they are right is
held by ``truechange validate``, the oracles and the simulations.
"""

import json
import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from importlib import import_module
from inspect import isfunction, signature
from math import nan
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import truechange as tc
from truechange.foundation.result import Result
from truechange.individual import norms
from truechange.planning.power import plan_two_programmes, plan_two_shares
from truechange.planning.precision import plan_agreement, plan_error
from truechange.programme import assumptions, change, comparison, flow, known, missing, periods, sites, training
from truechange.responders.true_share import responder_definitions
from truechange.validation.cases import long

HERE = Path(__file__).parent
TABLE = tomllib.loads((HERE / "calls.toml").read_text(encoding="utf-8"))
KNOWN = dict(globals())
for _name, _text in TABLE["names"].items():
    KNOWN[_name] = eval(_text, KNOWN)
NUMBERS = TABLE.pop("numbers")["calls"]
CALLS = [call for room, calls in TABLE.items() if room != "names" for call in calls["calls"]]
STORE = os.environ.get("TRUECHANGE_STORE") == "1"


@pytest.fixture(scope="module")
def stored():
    files = {HERE / "texts.json": CALLS, HERE / "numbers.json": NUMBERS + CALLS}
    held = [json.loads(file.read_text(encoding="utf-8")) for file in files]
    yield held
    for (file, calls), content in zip(files.items(), held, strict=True):
        if STORE:
            text = json.dumps({call: content[call] for call in calls}, ensure_ascii=False, indent=1)
            file.write_text(text + "\n", encoding="utf-8")


@cache
def answer(call):
    return eval(call, KNOWN)  # asked once for its words and its numbers


def numbers(found):
    """Yield every number of a result: its fields, facts and table; long columns by their sum and a weighted sum."""
    if isinstance(found, float | int | np.number | np.bool_):
        yield float(found)
    elif isinstance(found, pd.DataFrame):
        yield from (number for name in found for number in numbers(found[name].tolist()))
    elif isinstance(found, Mapping):
        yield from numbers(list(found.values()))
    elif isinstance(found, np.ndarray):
        yield from numbers(found.ravel().tolist())
    elif isinstance(found, list | tuple):
        inside = [number for one in found for number in numbers(one)]
        whole = np.nan_to_num(inside, posinf=7, neginf=-7)
        yield from (
            inside if len(inside) <= 12 else (whole.size, whole.sum(), whole @ np.arange(whole.size) / whole.size)
        )
    elif is_dataclass(found):
        yield from (number for one in fields(found) for number in numbers(getattr(found, one.name)))
        if isinstance(found, Result):
            yield from numbers(found.table())


@pytest.mark.parametrize("call", CALLS)
def test_an_answer_says_what_it_said(call, stored):
    found = answer(call)
    said = {"sentences": list(found.sentences()), "cautions": list(found.cautions)}
    if STORE:
        stored[0][call] = said
    assert said == stored[0][call]


@pytest.mark.parametrize("call", NUMBERS + CALLS)
def test_an_answer_has_the_numbers_it_had(call, stored):
    found = list(numbers(answer(call)))
    if STORE:
        stored[1][call] = " ".join(f"{one:.9g}" for one in found)
    np.testing.assert_allclose(found, [float(one) for one in stored[1][call].split()], rtol=2e-7, atol=1e-9)


def test_every_default_is_the_one_it_was():
    rooms = "numerics", "reliability", "meaningful_change", "individual", "responders", "programme", "planning"
    found = {}
    for place in sorted(at for room in rooms for at in (Path(tc.__file__).parent / room).glob("[a-z]*.py")):
        name = f"truechange.{place.parent.name}.{place.stem}"
        for one in vars(import_module(name)).values():
            if isfunction(one) and one.__module__ == name and signature(one).parameters:
                given = [f"{key}={own.default!r}" for key, own in signature(one).parameters.items()]
                known = [text for text in given if not re.search("<class| at 0x|frozenset", text)]
                found |= {f"{place.parent.name}.{place.stem}.{one.__qualname__}": ", ".join(known)} if known else {}
    file = HERE / "defaults.json"
    if STORE:
        file.write_text(json.dumps(found, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
    assert found == json.loads(file.read_text(encoding="utf-8"))
