"""``truechange inspect`` and ``truechange template``: what they print, write and return."""

import ast
import csv
import json
import re
from pathlib import Path

import pytest

import truechange
from truechange.cli.main import COMMANDS, main
from truechange.cli.shared import parser_of

HOUSE = Path(truechange.__file__).parent

HEADER = "person,date,occasion,measure,value\n"
GOOD = "P001,2025-01-06,baseline,timed_up_and_go,11.5\n"


@pytest.fixture
def place(tmp_path):
    def write(rows):
        (tmp_path / "assessments.csv").write_text(HEADER + rows, encoding="utf-8")
        return str(tmp_path / "assessments.csv")

    return write


def test_a_good_file_needs_nobody_and_leaves_no_copy(place, tmp_path, capsys):
    assert main(["inspect", place(GOOD)]) == 0
    assert "Nothing needs a person." in capsys.readouterr().out
    assert [file.name for file in tmp_path.iterdir()] == ["assessments.csv"]


def test_a_bad_file_is_listed_counted_and_marked(place, tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "160")
    assert main(["inspect", place(GOOD.replace("11.5", "fast"))]) == 1
    shown = capsys.readouterr().out
    for words in ("“fast” is not a number", "enter one number", "not a number", "1 rows read = 0 used + 1 set aside"):
        assert words in shown
    assert (tmp_path / "assessments_marked.xlsx").exists()


def test_json_holds_everything_and_writes_no_copy(place, tmp_path, capsys):
    assert main(["inspect", place(GOOD.replace("11.5", "fast")), "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert said["needs_a_person"] is True
    assert said["rows_read"] == said["rows_used"] + sum(part["count"] for part in said["set_aside"])
    assert said["problems"][0]["row"] == 2
    assert [file.name for file in tmp_path.iterdir()] == ["assessments.csv"]


def test_safe_repairs_are_written_and_listed(place, tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "160")
    assert main(["inspect", place(GOOD.replace("11.5", "11.5 sec")), "--fix", "safe"]) == 0
    shown = capsys.readouterr().out
    assert "11.5 sec" in shown
    assert "1 repair that lost nothing" in shown
    assert (tmp_path / "assessments_repaired.csv").read_text() == HEADER + GOOD


def test_the_order_of_dates_can_be_said(place):
    rows = GOOD.replace("2025-01-06", "06/01/2025")
    assert main(["inspect", place(rows)]) == 1
    assert main(["inspect", place(rows), "--dates", "day-first"]) == 0


def test_names_are_refused_and_replaced_with_a_key(place, tmp_path, capsys):
    file = place(GOOD.replace("P001", "Ada Lovelace"))
    assert main(["inspect", file]) == 1
    captured = capsys.readouterr()
    assert "a person's name" in captured.err
    assert "Lovelace" not in captured.err
    assert main(["inspect", file, "--pseudonyms", str(tmp_path / "key")]) == 0
    assert main(["inspect", file, "--pseudonyms", str(tmp_path / "key"), "--fix", "safe"]) == 2
    assert not (tmp_path / "assessments_repaired.csv").exists()


def test_markup_in_a_cell_is_shown_as_text(place, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "160")
    main(["inspect", place(GOOD.replace("11.5", "[red]x[/red]"))])
    assert "[red]x[/red]" in capsys.readouterr().out


def test_the_template_is_written_once(tmp_path, capsys):
    place = str(tmp_path / "clinic.xlsx")
    assert main(["template", place]) == 0
    assert main(["inspect", place]) == 0
    assert main(["template", place]) == 2
    assert "exists already" in capsys.readouterr().err


# ---- every remedy a message names can be taken where it is named -----------------------------------------------------
READS = ("audit", "study", "settings", "inspect", "person")


def options():
    table = (HOUSE / "cli" / "options.csv").read_text(encoding="utf-8").splitlines()
    return [(row["command"].split(), row["option"].split()) for row in csv.DictReader(table)]


def test_every_option_a_message_names_exists():
    known = {name for _, names in options() for name in names}
    named = set()
    for path in [*HOUSE.rglob("*.py"), HOUSE / "records" / "rules.toml"]:
        text = path.read_text(encoding="utf-8")
        nodes = ast.walk(ast.parse(text)) if path.suffix == ".py" else [ast.Constant(text)]
        texts = [node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)]
        named |= {name for words in texts for name in re.findall(r"(?<![\w-])--[a-z][a-z-]+", words)}
    assert {"--dates", "--pseudonyms", "--map", "--visits", "--measure"} <= named
    assert named - known == {"--help", "--version", "--picture"}  # of the parser itself; of plan, beside its kinds


@pytest.mark.parametrize("command", READS)
@pytest.mark.parametrize("option", ["--dates", "--pseudonyms", "--words"])
def test_whatever_reads_a_file_takes_the_remedies_of_reading(command, option):
    assert any(command in commands and option in names for commands, names in options())


def test_the_ladder_reads_dates_as_they_are_meant(place, tmp_path, capsys):
    place(GOOD)
    (tmp_path / "sessions.csv").write_text(
        "person,date,exercise,sets,reps,seat_height_cm,arms_used,pain_before,pain_after\n"
        + "".join(f"P001,0{day}/02/2025,sit to stand,3,10,{50 - day},no,1,1\n" for day in range(3, 9))
    )
    words = ["person", "--ladder", str(tmp_path), "--person", "P001", "--goal-cm", "40"]
    main(words)
    assert "to correct (errors)" in capsys.readouterr().err
    assert main([*words, "--dates", "day-first"]) == 0
    assert "to correct" not in capsys.readouterr().err


def test_notes_alike_are_one_line(place, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    rows = "".join(GOOD.replace("P001", f"P{at:03d}").replace("baseline", "pre") for at in range(1, 31))
    assert main(["inspect", place(rows), "--notes"]) == 0
    line = next(line for line in capsys.readouterr().out.splitlines() if "“pre” read as baseline" in line)
    assert line.split()[:3] == ["note", "assessments", "30"]
    assert "occasion 2, occasion 3, occasion 4 ..." in line


@pytest.mark.parametrize("command", [name for name in COMMANDS if name != "plan"])
def test_every_command_explains_itself_with_all_its_options(command):
    parser = parser_of(command)
    told = " ".join(parser.format_help().split())
    for action in parser._actions:
        assert all(option in told for option in action.option_strings)
    assert "%%" not in told
    assert "example" in told
