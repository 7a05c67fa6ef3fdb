"""The word map: a clinic's own words for visits, tests, programmes and results are understood, or asked about."""

import numpy as np
import pandas as pd
import pytest
from clinics import TEST, clinic, codes, scores

import truechange as tc
from truechange.cli.main import main
from truechange.records.synonyms import week_of, write_map

KNOWN = {TEST: {"sem": 1.0, "sem_df": 49, "mcid": 2.0}}


def share(records):
    return tc.audit(records, thresholds=KNOWN, n_boot=100).responders[TEST].counted.share()


def folder(tmp_path, rows, **tables):
    for name, table in {"assessments": rows, **tables}.items():
        table.to_csv(tmp_path / f"{name}.csv", index=False)
    return tmp_path


@pytest.fixture
def rows():
    """40 people, 20 of whom gained 4: the share that changed by at least 2 is one half."""
    return scores(codes(40), np.full(40, 9.0), np.tile([13.0, 9.0], 20))


# Half of the discharges typed in weeks once turned one half into a quarter.
@pytest.mark.parametrize("word", ["12 weeks", "12/52", "wk 12", "Week 12", "D/C", "post", "final assessment"])
def test_half_of_the_discharges_by_another_word_lose_nobody(rows, word):
    later = rows["occasion"].eq("discharge") & rows["person"].le("P020")
    rows.loc[later, "occasion"] = word
    found = share(clinic(rows))
    assert (found.value, found.n) == (0.5, 40)


@pytest.mark.parametrize(("words", "read"), [
    (("T0", "T1"), ("baseline", "discharge")), (("T1", "T2"), ("baseline", "discharge")),
    (("visit 1", "visit 2"), ("baseline", "discharge")), (("IA", "12/52"), ("baseline", "discharge"))])  # fmt: skip
def test_numbered_visits_are_read_by_their_order(rows, words, read):
    rows["occasion"] = rows["occasion"].map(dict(zip(("baseline", "discharge"), words, strict=True)))
    records = clinic(rows)
    assert set(records.assessments["occasion"]) == set(read)
    assert share(records).value == 0.5


def test_three_numbered_visits_have_a_middle_and_four_are_asked(rows):
    middle = rows[rows["occasion"] == "baseline"].assign(occasion="T1", date="2025-02-20")
    rows["occasion"] = rows["occasion"].map({"baseline": "T0", "discharge": "T2"})
    assert set(clinic(pd.concat([rows, middle])).assessments["occasion"]) == {"baseline", "midway", "discharge"}
    fourth = middle.assign(occasion="T3", date="2025-06-20")
    assert set(clinic(pd.concat([rows, middle, fourth])).unmapped["word"]) == {"t0", "t1", "t2", "t3"}


def test_two_different_weeks_are_asked_because_either_may_be_the_discharge(rows):
    early = rows[rows["occasion"] == "discharge"].assign(occasion="6 weeks", date="2025-02-17")
    rows.loc[rows["occasion"] == "discharge", "occasion"] = "12 weeks"
    records = clinic(pd.concat([rows, early]))
    assert dict(zip(records.unmapped["word"], records.unmapped["guess"], strict=True)) == {
        "week 12": "discharge", "week 6": "midway",
    }  # fmt: skip
    with pytest.raises(tc.DataError, match=r"occasion “week 12” \(40 rows; discharge\?\)"):
        share(records)


def test_a_week_beside_a_discharge_of_the_same_person_is_asked(rows):
    later = rows[rows["occasion"] == "discharge"].assign(occasion="26 weeks", date="2025-07-07")
    with pytest.raises(tc.DataError, match="week 26"):
        share(clinic(pd.concat([rows, later])))


def test_what_nobody_knows_is_asked_and_the_map_settles_it(rows, tmp_path):
    later = rows["occasion"].eq("discharge") & rows["person"].le("P020")
    rows.loc[later, "occasion"] = "graduation"
    place = folder(tmp_path, rows)
    with pytest.raises(tc.DataError, match=r"graduation.*20 rows.*clinic\.toml"):
        share(tc.read(place))
    (place / "clinic.toml").write_text('[clinic]\nname = "ours"\n[words.occasion]\n"Graduation" = "discharge"\n')
    records = tc.read(place)
    assert share(records).value == 0.5
    assert records.words.iloc[0].to_dict() == {
        "column": "occasion", "word": "graduation", "read_as": "discharge", "by": "clinic.toml", "rows": 20,
    }  # fmt: skip
    told = tc.audit(records, thresholds=KNOWN, n_boot=100).quality.sentences()
    assert "20 rows had a word that was read as another (by clinic.toml)." in told


@pytest.mark.parametrize(
    "name", ["30s STS", "30 s sit to stand", "30CST", "Chair stands in 30 s", "30-second chair stand (reps)"]
)
def test_a_test_goes_by_its_usual_names(rows, name):
    assert share(clinic(rows.assign(measure=name))).value == 0.5


@pytest.mark.parametrize(
    ("name", "key"),
    [("5TSTS", "sit_to_stand_5"), ("TUGT", "timed_up_and_go"), ("Timed Up & Go", "timed_up_and_go"),
     ("TUG (s)", "timed_up_and_go"), ("Timed up and go (TUG)", "timed_up_and_go"),
     ("timed up and go test", "timed_up_and_go"), ("six minute walk", "walk_6min"), ("stairs", "stair_climb")],
)  # fmt: skip
def test_other_tests_too(name, key):
    rows = scores(codes(3), [20.0] * 3, [18.0] * 3).assign(measure=name)
    assert set(clinic(rows).assessments["measure"]) == {key}


def test_an_unknown_test_is_no_dropout(rows, tmp_path):
    rows["measure"] = rows["measure"].where(rows["person"].gt("P020"), "zitztest")
    place = folder(tmp_path, rows)
    with pytest.raises(tc.DataError, match="measure “zitztest” \\(40 rows"):
        share(tc.read(place))
    (place / "clinic.toml").write_text('[words.measure]\nzitztest = "leave out"\n')
    records = tc.read(place)
    assert records.ledger.set_aside["reason"].tolist() == ["left out by the word map"]
    assert share(records).n == 20


def test_programmes_that_differ_in_spelling_are_one_and_blanks_are_asked(rows, tmp_path):
    people = pd.DataFrame({"person": codes(40), "programme": ["leg power", "LegPower", "Leg-power", "leg power"] * 10})
    assert share(clinic(rows, people=people)).n == 40
    people.loc[:9, "programme"] = ""
    place = folder(tmp_path, rows, people=people)
    with pytest.raises(tc.DataError, match=r"programme “\(empty\)” \(10 rows"):
        share(tc.read(place))
    (place / "clinic.toml").write_text('[words.programme]\n"(empty)" = "leg power"\n')
    assert share(tc.read(place)).n == 40


def test_an_unknown_result_is_asked(rows):
    rows["result"] = "measured"
    rows.loc[0, "result"] = "qwertz"
    with pytest.raises(tc.DataError, match="result “qwertz”"):
        share(clinic(rows))


@pytest.mark.parametrize(("text", "words"), [
    ('[words.measure]\nx = "y"\n', "x.*is not understood"), ("[words.colour]\nx = 1\n", "words.colour"),
    ("[words\n", "TOML")])  # fmt: skip
def test_a_map_that_says_something_else_is_refused(rows, tmp_path, text, words):
    place = folder(tmp_path, rows)
    (place / "clinic.toml").write_text(text)
    with pytest.raises(tc.DataError, match=words):
        tc.read(place)


def test_inspect_writes_the_map_and_leaves_what_stands_there(rows, tmp_path, capsys):
    rows.loc[rows["occasion"] == "discharge", "occasion"] = "graduation"
    place = folder(tmp_path, rows)
    (place / "clinic.toml").write_text('# ours\n[words.occasion]\nkeep = "midway"\n')
    assert main(["inspect", str(place), "--map"]) == 1
    assert "1 line to fill in" in capsys.readouterr().out
    text = (place / "clinic.toml").read_text()
    assert text.startswith('# ours\n[words.occasion]\nkeep = "midway"\n')
    assert '# "graduation" = ""  # 40 rows' in text
    assert write_map(place / "clinic.toml", tc.read(place).unmapped) == 0
    (place / "clinic.toml").write_text(text.replace('# "graduation" = ""', '"graduation" = "discharge"'))
    assert share(tc.read(place)).value == 0.5
    assert main(["audit", str(place), "--resamples", "100"]) == 0


def test_dates_that_could_be_either_way_are_asked_before_anything_is_counted(rows, tmp_path, capsys):
    rows["date"] = rows["occasion"].map({"baseline": "03/04/2025", "discharge": "05/07/2025"})
    place = folder(tmp_path, rows)
    with pytest.raises(tc.DataError, match="--dates day-first"):
        share(tc.read(place))
    assert main(["audit", str(place), "--resamples", "100"]) == 1
    assert "--dates day-first" in capsys.readouterr().err
    assert main(["audit", str(place), "--resamples", "100", "--dates", "day-first"]) == 0
    assert "40 of the 40 people due" in capsys.readouterr().out


@pytest.mark.parametrize(("word", "week"), [("12/52", 12), ("6 wks", 6), ("w0", 0), ("12", None), ("baseline", None)])
def test_weeks(word, week):
    assert week_of(word) == week


# 20 of the programme gained 2, 20 of the waiting list nothing: pooled, the mean would be 1.
def test_facts_of_people_in_the_rows_are_read_as_the_people(rows):
    first = np.tile([8.0, 9.0, 10.0, 11.0], 10)
    rows = scores(codes(40), first, first + np.concatenate([np.tile([1.0, 3.0], 10), np.tile([-1.0, 1.0], 10)]))
    rows["group"] = np.where(rows["person"] <= "P020", "leg power", "waiting list")
    rows["sex"] = "female"
    records = clinic(rows)
    assert records.people["programme"].value_counts().to_dict() == {"leg power": 20, "waiting list": 20}
    found = tc.audit(records, thresholds=KNOWN, n_boot=100)
    assert found.change[TEST].mean.value == 2.0
    assert found.compare == "waiting list"


def test_a_person_in_two_programmes_is_a_finding(rows):
    rows["programme"] = "leg power"
    rows.loc[rows.index[-1], "programme"] = "balance"
    problems = clinic(rows).problems
    told = problems[problems["kind"] == "fact_differs"]
    assert told["problem"].tolist() == ["programme of this person is “balance” here and “leg power” in row 41"]
    people = pd.DataFrame({"person": codes(40), "programme": "balance"})
    both = clinic(rows.assign(programme="leg power"), people=people).problems
    assert (both["kind"] == "fact_differs").sum() == 40


# What the copy costs must grow with the findings, not with their square: cells looked at, counted.
def test_the_marked_copy_looks_at_each_cell_a_few_times(tmp_path, monkeypatch):
    from openpyxl.worksheet.worksheet import Worksheet

    from truechange.records.copies import write_marked

    looks = []
    plain = Worksheet.max_row.fget
    monkeypatch.setattr(Worksheet, "max_row", property(lambda self: looks.append(1) or plain(self)))
    counts = []
    for people in (20, 80):
        rows = scores(codes(people), np.full(people, 9.0), np.full(people, 45.0)).assign(note="")
        place = folder(tmp_path, rows)
        looks.clear()
        write_marked(place, tc.read(place), tmp_path / f"{people}.xlsx")
        counts.append(len(looks))
    assert counts[1] <= counts[0] + 5


def test_a_week_far_from_the_usual_time_of_discharge_is_another_visit(rows):
    late = rows["occasion"].eq("discharge") & rows["person"].le("P004")
    rows.loc[late, ["occasion", "date"]] = ["26 weeks", "2025-07-07"]
    records = clinic(rows)
    assert records.unmapped[["word", "guess"]].to_numpy().tolist() == [["week 26", "follow_up"]]
    with pytest.raises(tc.DataError, match="week 26"):
        records.pairs(TEST, before="baseline", after="discharge")


@pytest.mark.parametrize("name", ["TUG (cognitive)", "TUG (manual)", "TUG (m)"])
def test_other_words_in_brackets_are_another_test_and_asked(rows, name):
    assert name in " ".join(clinic(rows.assign(measure=name)).unmapped["word"])


def test_people_who_were_tested_but_are_not_on_the_people_sheet_are_asked_for(rows, tmp_path):
    people = pd.DataFrame({"person": codes(36), "programme": "power"})
    place = folder(tmp_path, rows, people=people)
    records = tc.read(place)
    assert records.unmapped[["word", "rows", "guess"]].to_numpy().tolist() == [["(not among the people)", 8, "power"]]
    with pytest.raises(tc.DataError, match="not among the people"):
        share(records)
    (place / "clinic.toml").write_text('[words.programme]\n"(not among the people)" = "power"\n', encoding="utf-8")
    assert share(tc.read(place)).n == 40


def test_a_rare_programme_spelt_much_like_another_is_asked(rows):
    people = pd.DataFrame({"person": codes(40), "programme": ["leg power"] * 38 + ["leg powr"] * 2})
    assert clinic(rows, people=people).unmapped[["word", "guess"]].to_numpy().tolist() == [["leg powr", "leg power"]]
    people["programme"] = ["stage 1"] * 38 + ["stage 2"] * 2
    assert not len(clinic(rows, people=people).unmapped)


def test_what_the_people_sheet_lacks_is_taken_from_the_assessments(rows):
    people = pd.DataFrame({"person": codes(40), "programme": "power"})
    records = clinic(rows.assign(joint="knee", programme="power"), people=people)
    assert set(records.people["joint"]) == {"knee"}
    assert set(records.problems["severity"]) <= {"note"}


def test_rows_are_counted_once_where_two_tables_come_from_one_sheet(rows):
    records = clinic(rows.assign(programme="power", sex="female"))
    assert records.ledger.rows_read == len(rows)
