# ruff: noqa: F401 -- the rows of the table use these names
"""What is refused, one row each in ``refusals.toml``: the call or command line, the error or status, the words said."""

import builtins
import re
import shlex
import tomllib
from math import inf, nan
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from clinics import LIMITS, easy_days, few_people, registered, training_log

import truechange as tc
from truechange.cli.main import main
from truechange.foundation import errors, estimate
from truechange.individual import typed
from truechange.individual.norms import chosen
from truechange.individual.typed import bridge_from_pairs
from truechange.meaningful_change.companions import baseline_dependence, compare_scales
from truechange.measures.literature import references
from truechange.planning.power import plan_paired_shares, plan_two_programmes, plan_two_shares
from truechange.planning.precision import plan_agreement, plan_error, plan_true_share
from truechange.programme import change, comparison, missing, sites, training
from truechange.programme.periods import standards
from truechange.programme.registry import responder_registry
from truechange.reporting.files import read_thresholds
from truechange.reporting.methods import methods_paragraph
from truechange.reporting.references import checklist
from truechange.responders.true_share import responder_definitions
from truechange.validation import simulated
from truechange.validation.cases import load_case, long

TABLE = tomllib.loads((Path(__file__).parent / "refusals.toml").read_text(encoding="utf-8"))
NAMES = dict(globals())
for _name, _text in TABLE["names"].items():
    NAMES[_name] = eval(_text, NAMES)


def rows(kind):
    return [pytest.param(*row, id=f"{room}: {row[0]}") for room, held in TABLE[kind].items() for row in held]


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """A folder with the files that calls and command lines name."""
    folder = tmp_path_factory.mktemp("files")
    for name, text in TABLE["files"].items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize(("call", "error", "words"), rows("calls"))
def test_a_call_that_has_no_honest_answer_is_refused(call, error, words, files, monkeypatch):
    monkeypatch.chdir(files)
    with pytest.raises(getattr(errors, error, None) or getattr(builtins, error), match=words):
        eval(call, NAMES)


@pytest.mark.parametrize(("use", "call", "words"), rows("wrong_uses"))
def test_what_a_student_would_do_wrong_is_refused_or_cautioned_with_a_remedy(use, call, words):
    try:
        said = str(eval(call, NAMES))  # sentences, then every caution
    except errors.OutcomeError as refused:
        said = str(refused)
        assert len(said.splitlines()) <= 2
    assert re.search(words, said, re.DOTALL), f"{use}: {said}"


def test_sound_calls_are_not_taken_for_wrong_ones():
    sound = ("tc.mcid(CHANGE, RATING, sem=1.0, n_boot=100)", "tc.person_change(9, 13, sem=1.0, mcid=2.0)",
             "tc.count_responders([3, 0, 4], 2.0)", "tc.true_responder_share(CHANGE, sem=0.85, mcid=2.0)",
             "tc.limits_of_agreement(pd.Series(BEFORE), pd.Series(AFTER))", "tc.measurement_error(THIRTY)")  # fmt: skip
    said = " ".join(str(eval(call, NAMES)) for call in sound)
    assert not re.search("swapped|not as a share|is the second score minus|lowest rating|Labels occur", said)


def test_eighty_wrong_uses_are_held_each_once():
    held = TABLE["wrong_uses"]["across_the_chain"]
    assert len({call for _, call, _ in held}) == len({use for use, *_ in held}) == 80


def test_no_call_changed_the_table_it_was_given():
    pd.testing.assert_frame_equal(NAMES["FOUR"], eval(TABLE["names"]["FOUR"], NAMES))


@pytest.mark.parametrize(("line", "status", "words"), rows("commands"))
def test_a_command_says_its_answer_or_what_stands_in_its_way(line, status, words, files, monkeypatch, capsys):
    monkeypatch.chdir(files)
    assert main(shlex.split(line)) == status
    held = capsys.readouterr()
    assert words in " ".join((held.err if status else held.out).split())
    assert "Traceback" not in held.err
