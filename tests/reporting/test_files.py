"""Files are whole or absent, formulas inert, bytes the same for the same content."""

import pandas as pd
import pytest
from openpyxl import load_workbook

from truechange.foundation.errors import OutcomeError
from truechange.reporting.files import stamp, whole_folder, write_workbook


def _stopped_while_writing(out, how):
    with whole_folder(out) as aside:
        (aside / "report.html").write_text("half")
        raise how


def test_an_interrupted_run_leaves_nothing(tmp_path):
    out = tmp_path / "out"
    with pytest.raises(KeyboardInterrupt):
        _stopped_while_writing(out, KeyboardInterrupt)
    assert list(tmp_path.iterdir()) == []


def test_an_interrupted_run_keeps_the_last_good_files(tmp_path):
    out = tmp_path / "out"
    with whole_folder(out) as aside:
        (aside / "report.html").write_text("good")
    with pytest.raises(RuntimeError):
        _stopped_while_writing(out, RuntimeError)
    assert (out / "report.html").read_text() == "good"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_file_in_the_way_is_named(tmp_path):
    place = tmp_path / "out"
    place.write_text("x")
    with pytest.raises(OutcomeError, match="is a file"), whole_folder(place):
        pass


def test_workbook_runs_no_formula_and_repeats_its_bytes(tmp_path):
    frame = pd.DataFrame({"site": ["=HYPERLINK(1)", "North"], "n": [3, 4]})
    first = write_workbook(tmp_path / "a.xlsx", {"sites": frame}).read_bytes()
    second = write_workbook(tmp_path / "b.xlsx", {"sites": frame}).read_bytes()
    assert first == second
    sheet = load_workbook(tmp_path / "a.xlsx")["sites"]
    assert sheet["A2"].data_type == "s"
    assert sheet["A2"].value == "'=HYPERLINK(1)"
    assert sheet["B3"].value == 4


def test_stamp_has_the_hash_the_versions_and_the_options(tmp_path):
    # SHA-256 of "abc": FIPS 180-2, appendix B.1 (from memory)
    file = tmp_path / "clinic.csv"
    file.write_bytes(b"abc")
    rows = dict(stamp([file], {"seed": 7, "compare": None, "facts": ("sex", "age")}).rows)
    assert rows["facts"] == "sex, age"
    assert rows["SHA-256 of clinic.csv"] == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert rows["seed"] == "7"
    assert "compare" not in rows
    assert str(tmp_path) not in str(rows)
