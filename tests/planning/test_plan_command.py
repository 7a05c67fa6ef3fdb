"""``truechange plan``: examples that run as printed, JSON, and exit status."""

import inspect
import json
import shlex

import pytest

import truechange as tc
from truechange.cli import plan as command
from truechange.cli.main import main
from truechange.cli.shared import purpose_and_example

EXAMPLES = [line.strip() for line in purpose_and_example("plan")[1].splitlines() if line.startswith("  truechange")]


@pytest.mark.parametrize("line", EXAMPLES)
def test_the_printed_examples_run(line, capsys):
    assert main(shlex.split(line)[1:]) == 0
    assert capsys.readouterr().out.strip()


def test_the_answer_for_another_program(capsys):
    assert main(["plan", "responders", "--share", "0.5", "--half-width", "0.1", "--json"]) == 0
    story = json.loads(capsys.readouterr().out)
    assert (story["need"], story["start"], story["groups"]) == (93, 93, 1)
    assert {"target", "need", "start"} <= set(story["table"][0])


def test_a_picture_is_written(tmp_path, capsys):
    target = tmp_path / "curve.png"
    assert main(["plan", "error", "--within", "0.25", "--picture", str(target)]) == 0
    assert target.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("kind", command.KINDS)
def test_every_option_is_explained(kind, capsys):
    with pytest.raises(SystemExit) as left:
        main(["plan", kind, "--help"])
    assert left.value.code == 0
    said = " ".join(capsys.readouterr().out.split())
    function = command.planner(kind)
    words = command.parameter_words(function)
    for name in inspect.signature(function).parameters:
        assert f"--{name.replace('_', '-')}" in said
        assert words[name]


def test_the_module_offers_every_public_plan():
    offered = {command.planner(kind).__name__ for kind in command.KINDS}
    assert offered == {name for name in tc.__all__ if name.startswith("plan_")}
