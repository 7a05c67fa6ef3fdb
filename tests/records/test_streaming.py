"""Large files column by column: the cells pandas reads, in pieces; trouble is named."""

import sys

import numpy as np
import pandas as pd
import pytest

import truechange as tc
from truechange.foundation.errors import MissingPartError
from truechange.records import reading
from truechange.records.reading import streamed

COLUMNS = ["person", "measure", "value"]


@pytest.fixture
def table():
    rng = np.random.default_rng(4)
    scores = pd.DataFrame(
        {
            "value": rng.normal(11, 3, 5_000).round(1),
            "note": "a, b",
            "person": rng.integers(1, 900, 5_000),
            "measure": rng.choice(["chair_stand_30s", "timed_up_and_go"], 5_000),
        }
    )
    for name in ("value", "measure"):
        scores[name] = scores[name].mask(rng.random(5_000) < 0.03)
    return scores


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_pieces_together_are_what_pandas_reads(tmp_path, monkeypatch, table, kind):
    place = tmp_path / f"scores.{kind}"
    table.to_csv(place, index=False) if kind == "csv" else table.to_parquet(place, row_group_size=700)
    monkeypatch.setattr(reading, "PIECE", 9_000)
    monkeypatch.setattr(reading, "BATCH", 400)
    parts = list(streamed(place, COLUMNS, coded=["measure"]))
    assert len(parts) > 5
    assert all(isinstance(part["measure"].dtype, pd.CategoricalDtype) for part in parts)
    whole = pd.concat([part.astype({"measure": object}) for part in parts], ignore_index=True)
    pd.testing.assert_frame_equal(whole, table[COLUMNS], check_dtype=False)


def test_a_column_taken_as_written_keeps_its_zeros(tmp_path):
    place = tmp_path / "people.csv"
    place.write_text('\ufeffperson,"name, of site"\r\n007,"North, old"\r\n12,\r\n', encoding="utf-8")
    (part,) = streamed(place, ["person", "name, of site"], coded=["name, of site"], text=["person"])
    assert part["person"].tolist() == ["007", "12"]
    assert part["name, of site"].astype(object).where(part["name, of site"].notna(), None).tolist() == [
        "North, old",
        None,
    ]
    (part,) = streamed(place, ["person"])
    assert part["person"].tolist() == [7, 12]


@pytest.mark.parametrize(("name", "content", "words"), [
    ("none.csv", None, "no file"),
    ("semicolons.csv", b"person;measure;value\n1;x;2\n", "no column person, measure, value"),
    ("empty.csv", b"", "no column"), ("ragged.csv", b"person,measure,value\n1,x,2\n1,x\n", "ragged.csv cannot be read"),
    ("latin.csv", "person,measure,value\n1,é,2\n".encode("latin-1"), "latin.csv cannot be read"),
    ("text.parquet", b"person,measure,value\n", "text.parquet cannot be read")])  # fmt: skip
def test_trouble_names_the_file(tmp_path, name, content, words):
    place = tmp_path / name
    if content is not None:
        place.write_bytes(content)
    with pytest.raises(tc.DataError, match=words):
        list(streamed(place, COLUMNS, coded=["measure"]))


def test_a_missing_parquet_column_is_named(tmp_path, table):
    table.to_parquet(tmp_path / "scores.parquet")
    with pytest.raises(tc.DataError, match="has no column date; it has value, note, person, measure"):
        list(streamed(tmp_path / "scores.parquet", ["date"]))


def test_without_pyarrow_it_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(MissingPartError, match="scale"):
        list(streamed(tmp_path / "scores.csv", COLUMNS))
