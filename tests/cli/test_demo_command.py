"""``truechange demo`` runs the whole chain on the invented clinic and ends with a summary and its reports."""

import json
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path

import pytest

from truechange.cli.main import main
from truechange.cli.reports import demo_data

STORED = Path(__file__).parents[2] / "data_synthetic"


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    out = tmp_path_factory.mktemp("demo")
    with redirect_stdout(StringIO()) as said:
        status = main(["demo", "--out", str(out), "--without-notebooks"])
    return status, out, said.getvalue()


def test_the_summary_has_ten_lines_and_says_where_to_look(demo):
    lines = demo[2].strip().splitlines()
    assert len(lines) == 10
    assert "audit.html" in lines[-2]
    assert "does not diagnose" in lines[-1]


def test_every_report_is_there_and_whole(demo):
    status, out, _ = demo
    assert status == 0
    assert (out / "overview.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    for name in ("audit.html", "audit.xlsx", "audit.json", "audit.pdf"):
        assert (out / "audit" / name).stat().st_size > 1000
    assert json.loads((out / "audit" / "audit.json").read_text(encoding="utf-8"))["answer"]


def test_away_from_the_checkout_the_stored_data_are_copied(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    data = demo_data(tmp_path / "out")
    assert data == tmp_path / "out" / "data"
    for name in ("clinic.xlsx", "retest.csv", "truth.json", "README.md"):
        assert (data / name).read_bytes() == (STORED / name).read_bytes()
    assert not list(data.glob("*.py"))
