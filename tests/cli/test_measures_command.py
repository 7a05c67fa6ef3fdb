"""``truechange measures`` says what a test is, what must match, and how far to trust what was published."""

import json

import pytest

from truechange.cli.main import main


def test_every_published_value_shows_its_status(capsys):
    assert main(["measures", "chair_stand_30s", "--published", "mdc95"]) == 0
    rows = [line for line in capsys.readouterr().out.splitlines() if line.startswith("chair_stand_30s mdc95")]
    assert rows
    assert all(line.endswith(("[checked]", "[recomputed]", "[from memory]")) for line in rows)


def test_what_was_looked_up_since_is_shown_beside_the_value(capsys):
    assert main(["measures", "sit_to_stand_5", "--published", "mic"]) == 0
    copd, balance = capsys.readouterr().out.split("sit_to_stand_5 mic")[1:]
    assert "looked up" not in copd
    assert "looked up: abstract, PubMed 17538213" in balance
    assert main(["measures", "timed_up_and_go", "--published", "mdc90"]) == 0
    assert "looked up: sought 2026-11-28, not found" in capsys.readouterr().out


@pytest.mark.parametrize("words", [[], ["chair_stand_30s"], ["chair_stand_30s", "--published"]])
def test_json_can_be_read_by_another_program(words, capsys):
    assert main(["measures", *words, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)
