"""The folder of synthetic data: the same bytes when written again, small, and as its README says."""

import json
from pathlib import Path
from zipfile import ZipFile

import openpyxl
import pandas as pd
import pytest
from make_data import FILES, write_demo
from workbooks import write_workbook

FOLDER = Path(__file__).parents[2] / "data_synthetic"


@pytest.fixture(scope="module")
def again(tmp_path_factory):
    home = tmp_path_factory.mktemp("written") / "new"
    assert [path.name for path in write_demo(home)] == list(FILES)
    return home


def _content(path):
    if path.suffix != ".xlsx":
        return path.read_bytes()
    with ZipFile(path) as archive:  # compression may differ between zlib builds, content may not
        return {name: (archive.getinfo(name).date_time, archive.read(name)) for name in archive.namelist()}


@pytest.mark.parametrize("name", FILES)
def test_writing_again_gives_the_files_in_the_repository(again, name):
    assert _content(again / name) == _content(FOLDER / name)


def test_workbooks_are_the_same_to_the_byte_at_another_time(again):
    import time

    rows = {"one": [["person", "value"], ["P001", 3]]}
    write_workbook(again / "first.xlsx", rows)
    time.sleep(2.1)  # past the two-second steps of a zip archive's clock
    write_workbook(again / "second.xlsx", rows)
    assert (again / "first.xlsx").read_bytes() == (again / "second.xlsx").read_bytes()


def test_the_folder_is_small_and_holds_nothing_else():
    generator = {"make_data.py", "invented_clinic.py", "training_logs.py", "workbooks.py", "readme_template.txt"}
    found = [path for path in FOLDER.iterdir() if path.name != "__pycache__"]
    assert {path.name for path in found} == {*FILES, *generator}
    assert sum(path.stat().st_size for path in found) < 2_000_000


def test_workbook_and_csv_hold_the_same_rows():
    """The other tests read the CSV files, which takes a tenth of the time."""
    names, blanks = ["people", "assessments", "ratings", "sessions"], {"keep_default_na": False, "na_values": [""]}
    for name, sheet in pd.read_excel(FOLDER / "clinic.xlsx", sheet_name=names, engine="calamine", **blanks).items():
        text = pd.read_csv(FOLDER / f"{name}.csv", **blanks)
        dates = [column for column in text.columns if "date" in column]
        for table in (text, sheet):
            table[dates] = table[dates].apply(pd.to_datetime)
        pd.testing.assert_frame_equal(text, sheet, check_dtype=False, obj=name)


def test_every_planted_fault_is_where_the_list_says():
    book = openpyxl.load_workbook(FOLDER / "clinic_messy.xlsx")
    story = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))
    for fault in story["planted_in_clinic_messy"]:
        sheet = book[fault["sheet"]]
        header = [cell.value for cell in sheet[3 if fault["sheet"] == "assessments" else 1]]
        held = sheet.cell(fault["row"], header.index(fault["column"]) + 1).value
        shown = held.date() if hasattr(held, "date") else held
        assert str(shown) == fault["value"], fault
    assert len(story["planted_in_clinic_messy"]) == 28


def test_the_readme_states_the_truth_that_was_drawn():
    story = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))
    text = (FOLDER / "README.md").read_text(encoding="utf-8")
    drawn = story["first_test"]["drawn"]
    assert f"{drawn['mean_true_improvement']:.2f} ({drawn['sd_true_improvement']:.2f}) stands" in text
    assert f"(seed {story['seed']})" in text
    ratings = pd.read_csv(FOLDER / "ratings.csv")
    assert drawn["share_rated_improved"] == pytest.approx((ratings["rating"] >= 1).mean(), abs=5e-5)


def test_enough_people_are_rated_for_a_study_of_the_mcid():
    scores = pd.read_csv(FOLDER / "assessments.csv").query("measure == 'chair_stand_30s' and result == 'measured'")
    wide = scores.pivot_table(index="person", columns="occasion", values=["value", "seat_height_cm"])
    kept = wide.dropna(subset=[("value", "baseline"), ("value", "discharge")])
    kept = kept[kept[("seat_height_cm", "baseline")] == kept[("seat_height_cm", "discharge")]]
    ratings = pd.read_csv(FOLDER / "ratings.csv").set_index("person")["rating"]
    rated = ratings[ratings.index.isin(kept.index)]
    assert len(rated) >= 150
    assert 0.5 < (rated >= 1).mean() < 0.7
    assert min((rated == 0).sum(), (rated == 1).sum(), (rated < 0).sum()) >= 10
