"""The notebooks command copies a set that works where it lands, and overwrites nothing unasked."""

from truechange.cli.main import main


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
