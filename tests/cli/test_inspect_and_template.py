"""``truechange inspect`` and ``truechange template``: what they print, write and return."""

import json

import pytest

from truechange.cli.main import main

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
