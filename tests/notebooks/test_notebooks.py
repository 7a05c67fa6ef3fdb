"""Notebooks are thin, were executed, and their pictures have words."""

import re
from pathlib import Path

import nbformat
import pytest

FOLDER = Path(__file__).parents[2] / "notebooks"
BOOKS = sorted(FOLDER.glob("*.ipynb"))
NAMES = [
    "01_is_this_change_real",
    "02_how_reliable_are_our_tests",
    "03_what_change_matters",
    "04_who_responded",
    "05_does_the_programme_work",
    "06_capstone",
    "07_planning_a_study",
    "08_how_the_numbers_were_checked",
]


def test_the_set_is_whole():
    assert [path.stem for path in BOOKS] == NAMES


def _cells(path, kind="code"):
    return [c for c in nbformat.read(path, as_version=4).cells if c.cell_type == kind and c.source.strip()]


@pytest.mark.parametrize("path", BOOKS, ids=lambda p: p.stem)
def test_every_code_cell_was_executed(path):
    assert all(cell.execution_count for cell in _cells(path))


@pytest.mark.parametrize("path", BOOKS, ids=lambda p: p.stem)
def test_code_is_thin(path):
    for cell in _cells(path):
        assert len(cell.source.strip().splitlines()) <= 8, cell.source
        assert not re.search(r"^\s*(def|class) |import \*", cell.source, re.MULTILINE), cell.source


@pytest.mark.parametrize("path", BOOKS, ids=lambda p: p.stem)
def test_every_picture_has_words(path):
    for cell in _cells(path):
        pictures = [out for out in cell.outputs if "image/png" in out.get("data", {})]
        assert not pictures or len(cell.metadata.get("alt", "")) > 20, cell.source


@pytest.mark.parametrize("path", BOOKS, ids=lambda p: p.stem)
def test_nothing_of_the_machine_is_stored(path):
    text = path.read_text(encoding="utf-8")
    assert not re.search(r'"/(work|root|home|tmp|Users)/|\\/(root|home)\\/', text)
    assert '"stderr"' not in text


@pytest.mark.parametrize("path", BOOKS, ids=lambda p: p.stem)
def test_the_reader_is_told_that_the_data_are_synthetic(path):
    words = " ".join(cell.source for cell in _cells(path, "markdown"))
    assert re.search(r"synthetic|invented", words)
    assert "$" not in words, "formulas are written in plain characters: the pages load no maths script"
