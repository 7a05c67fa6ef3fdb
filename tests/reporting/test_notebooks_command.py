"""The notebooks command copies a set that works where it lands, and overwrites nothing unasked."""

import re

import nbformat
import pytest

from truechange.cli.main import main


@pytest.fixture(scope="module")
def copied(tmp_path_factory):
    """The set as a reader gets it, in an empty folder away from the checkout."""
    folder = tmp_path_factory.mktemp("away") / "mine"
    assert main(["notebooks", str(folder)]) == 0
    return folder


def code_of(path):
    return "\n".join(cell.source for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code")


def test_every_file_a_notebook_reads_is_copied_with_it(copied):
    books = sorted((copied / "notebooks").glob("*.ipynb"))
    assert len(books) == 8
    named = {(book, name) for book in books for name in re.findall(r"""["']((?:\.\.?/)[^"'{]*)["']""", code_of(book))}
    assert len(named) > 8
    assert not [(book.name, name) for book, name in named if not (book.parent / name).exists()]
    assert not [book.name for book in books if re.search(r"""["'](?:/|~|[A-Za-z]:\\)""", code_of(book))]


def test_a_copied_notebook_that_shows_stored_results_runs_where_it_lands(copied):
    client = pytest.importorskip("nbclient")
    book = copied / "notebooks" / "04_who_responded.ipynb"
    held = nbformat.read(book, as_version=4)
    last = max(at for at, cell in enumerate(held.cells) if "simulated(" in cell.source and cell.cell_type == "code")
    del held.cells[last + 1 :]  # what follows is run by the notebooks' own tests
    ran = client.execute(held, cwd=str(book.parent), timeout=120)
    assert all(cell.execution_count for cell in ran.cells if cell.cell_type == "code" and cell.source)


def test_it_copies_notebooks_and_data_beside_each_other(tmp_path, capsys):
    assert main(["notebooks", str(tmp_path / "mine")]) == 0
    assert (tmp_path / "mine" / "data_synthetic" / "clinic.xlsx").is_file()
    assert (tmp_path / "mine" / "data_synthetic" / "retest.csv").is_file()
    assert list((tmp_path / "mine" / "notebooks").glob("*.ipynb"))
    assert "jupyter lab" in capsys.readouterr().out


def test_it_overwrites_only_when_told(tmp_path, capsys):
    main(["notebooks", str(tmp_path)])
    place = tmp_path / "data_synthetic" / "README.md"
    place.write_text("mine")
    assert main(["notebooks", str(tmp_path)]) == 1
    assert "--overwrite" in capsys.readouterr().err
    assert place.read_text() == "mine"
    assert main(["notebooks", str(tmp_path), "--overwrite"]) == 0
    assert place.read_text() != "mine"
