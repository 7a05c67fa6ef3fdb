# ruff: noqa: F401 -- the calls of the table use these names
"""Every sentence and caution of some hundred answers, word for word as stored in ``texts.json``.

The calls stand in ``calls.toml``. After a change of wording that is meant, ``TRUECHANGE_STORE=1`` stores what is said
now; read the difference before it is committed.
"""

import json
import os
import tomllib
from math import nan
from pathlib import Path

import numpy as np
import pytest

import truechange as tc
from truechange.planning.power import plan_two_programmes, plan_two_shares
from truechange.planning.precision import plan_agreement, plan_error
from truechange.responders.true_share import responder_definitions
from truechange.validation.cases import long

HERE = Path(__file__).parent
TABLE = tomllib.loads((HERE / "calls.toml").read_text(encoding="utf-8"))
KNOWN = dict(globals())
for _name, _text in TABLE["names"].items():
    KNOWN[_name] = eval(_text, KNOWN)
CALLS = [call for room, calls in TABLE.items() if room != "names" for call in calls["calls"]]


@pytest.fixture(scope="module")
def stored():
    held = json.loads((HERE / "texts.json").read_text(encoding="utf-8"))
    yield held
    if os.environ.get("TRUECHANGE_STORE") == "1":
        text = json.dumps({call: held[call] for call in CALLS}, ensure_ascii=False, indent=1)
        (HERE / "texts.json").write_text(text + "\n", encoding="utf-8")


@pytest.mark.parametrize("call", CALLS)
def test_an_answer_says_what_it_said(call, stored):
    found = eval(call, KNOWN)
    said = {"sentences": list(found.sentences()), "cautions": list(found.cautions)}
    if os.environ.get("TRUECHANGE_STORE") == "1":
        stored[call] = said
    assert said == stored[call]
