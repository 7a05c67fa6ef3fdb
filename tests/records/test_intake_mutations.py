"""Damaged copies of good files: no traceback ever, a ledger that always adds up, every planted error found.

The good files are drawn here (an invented clinic of ten people), seeded; the damage is ours. Nothing here is data.
By default about 450 damaged copies are read, most with six faults or so; TRUECHANGE_FULL=1 reads 6,000 and rewrites
the stored table.
"""

import csv
import io
import os
import random
from collections import Counter
from datetime import date, timedelta
from pathlib import Path

import pandas as pd
import pytest

import truechange as tc
from truechange.foundation.errors import OutcomeError
from truechange.validation import RESULTS

FULL = os.environ.get("TRUECHANGE_FULL") == "1"
NOTHING = {"arms_used": "no", "walking_aid": "none"}
TESTS = {  # usual scores before and after, unit, protocol facts
    "chair_stand_30s": ((9, 13), (12, 17), "stands", {"seat_height_cm": "43", **NOTHING}),
    "timed_up_and_go": ((10, 14), (8, 11), "s", {"seat_height_cm": "45", "course_m": "3", **NOTHING}),
    "walk_40m_fast": ((1.1, 1.5), (1.3, 1.8), "m/s", {"course_m": "40", "walking_aid": "none"}),
}
COLUMNS = {
    "people": "person sex age height_cm mass_kg joint programme site therapist start_date outcome",
    "assessments": "person date occasion measure value unit trial result seat_height_cm arms_used walking_aid course_m "
    "assessor note",
    "ratings": "person occasion rating date scale_low scale_high",
    "sessions": "person date exercise sets reps load_kg pain_before pain_after",
}
Rows = list[list[str]]
Tables = dict[str, Rows]


def clean(rng: random.Random) -> Tables:
    tables = {name: [columns.split()] for name, columns in COLUMNS.items()}
    for number in range(1, 11):
        person, start = f"P{number:03d}", date(2024, 1, 8) + timedelta(days=rng.randrange(300))
        tables["people"].append([
            person, rng.choice(["female", "male"]), str(rng.randint(50, 85)), str(rng.randint(150, 190)),
            f"{rng.uniform(55, 95):.1f}", rng.choice(["knee", "hip"]), "leg power", rng.choice(["North", "South"]),
            rng.choice(["T1", "T2"]), f"{start + timedelta(days=5)}", "completed",
        ])  # fmt: skip
        for occasion, day, which in (("baseline", start, 0), ("discharge", start + timedelta(days=84), 1)):
            for test, facts in TESTS.items():
                low, high = facts[which]
                value = str(rng.randint(low, high)) if facts[2] == "stands" else f"{rng.uniform(low, high):.2f}"
                row = {"person": person, "date": f"{day}", "occasion": occasion, "measure": test, "value": value}
                row |= {"unit": facts[2], "trial": "1", "result": "measured", **facts[3]}
                row["assessor"] = rng.choice(["A1", "A2"])
                tables["assessments"].append([row.get(name, "") for name in COLUMNS["assessments"].split()])
        tables["ratings"].append(
            [person, "discharge", str(rng.randint(-2, 5)), f"{start + timedelta(days=84)}", "-5", "5"]
        )
        for day in (start + timedelta(days=12), start + timedelta(days=19)):
            reps, pain = str(rng.randint(8, 12)), str(rng.randint(2, 5))
            tables["sessions"].append([person, f"{day}", "sit to stand", "3", reps, "2.5", "3", pain])
    return tables


def write(tables: Tables, folder: Path, delimiter: str = ",", encoding: str = "utf-8") -> Path:
    for name, rows in tables.items():
        held = io.StringIO(newline="")
        csv.writer(held, delimiter=delimiter).writerows(rows)
        (folder / f"{name}.csv").write_bytes(held.getvalue().encode(encoding))
    return folder


def column(rows: Rows, name: str) -> int:
    return rows[0].index(name)


class Damage:
    """One table of a good file, with the places spoilt so far; each place is used once."""

    def __init__(self, tables: Tables, rng: random.Random) -> None:
        self.tables, self.rng, self.taken, self.planted = tables, rng, set(), []

    def pick(self, table: str, **where: str) -> int:
        rows = self.tables[table]
        fits = [
            at for at in range(1, len(rows))
            if all(rows[at][column(rows, name)] == value for name, value in where.items())
            and (table, rows[at][0]) not in self.taken
        ]  # fmt: skip
        at = self.rng.choice(fits)
        self.taken.add((table, rows[at][0]))
        return at

    def put(self, table: str, at: int, name: str, value: str) -> None:
        self.tables[table][at][column(self.tables[table], name)] = value

    def get(self, table: str, at: int, name: str) -> str:
        return self.tables[table][at][column(self.tables[table], name)]

    def expect(self, kinds: str, table: str, at: int) -> None:
        self.planted.append((set(kinds.split()), table, at + 1))

    def cell(self, kinds: str, name: str, value, table: str = "assessments", **where: str) -> None:
        at = self.pick(table, **where)
        self.put(table, at, name, value(self.get(table, at, name)) if callable(value) else value)
        self.expect(kinds, table, at)


STANDS, TUG, WALK = {"measure": "chair_stand_30s"}, {"measure": "timed_up_and_go"}, {"measure": "walk_40m_fast"}


def earlier(*days: int):
    """Return what moves a date back by so many days; several offer several faults."""
    return [lambda old, by=by: f"{date.fromisoformat(old) - timedelta(days=by)}" for by in days]


def swapped_occasions(d: Damage) -> None:
    at = d.pick("assessments", occasion="discharge", **TUG)
    person = d.get("assessments", at, "person")
    rows = d.tables["assessments"]
    twin = next(
        i for i, row in enumerate(rows) if row[0] == person and row[2] == "baseline" and row[3] == "timed_up_and_go"
    )
    d.put("assessments", at, "occasion", "baseline")
    d.put("assessments", twin, "occasion", "discharge")
    d.expect("follow_up_first", "assessments", twin)


def swapped_cells(d: Damage) -> None:
    at = d.pick("assessments")
    first, second = d.rng.choice(
        [("date", "value"), ("measure", "value"), ("date", "occasion"), ("measure", "occasion")]
    )
    old = d.get("assessments", at, first)
    d.put("assessments", at, first, d.get("assessments", at, second))
    d.put("assessments", at, second, old)
    d.expect("date_unreadable date_as_number measure_unknown not_a_number date_impossible", "assessments", at)


def row_twice(d: Damage) -> None:
    table = d.rng.choice(["assessments", "people", "ratings", "sessions"])
    at = d.pick(table)
    d.tables[table].append(list(d.tables[table][at]))
    d.expect("doubled", table, len(d.tables[table]) - 1)


def row_twice_differing(d: Damage) -> None:
    at = d.pick("assessments")
    d.tables["assessments"].append(list(d.tables["assessments"][at]))
    last = len(d.tables["assessments"]) - 1
    value = float(d.get("assessments", at, "value"))
    d.put("assessments", last, "value", f"{value + 1:g}")
    d.expect("doubled_differs", "assessments", last)
    d.expect("doubled_differs", "assessments", at)


def person_twice(d: Damage) -> None:
    at = d.pick("people")
    d.tables["people"].append(list(d.tables["people"][at]))
    last = len(d.tables["people"]) - 1
    d.put("people", last, "age", "49")
    d.expect("person_twice", "people", last)


def total_row(d: Damage) -> None:
    table = d.rng.choice(["assessments", "sessions"])
    d.tables[table].append([d.rng.choice(["Total", "mean", "SUM"]), *["12"] * (len(d.tables[table][0]) - 1)])
    d.expect("total_row", table, len(d.tables[table]) - 1)


def header_again(d: Damage) -> None:
    d.tables["assessments"].append(list(d.tables["assessments"][0]))
    d.taken.add(("assessments", "person"))
    d.expect("header_again", "assessments", len(d.tables["assessments"]) - 1)


def ragged(d: Damage) -> None:
    at = d.pick("assessments")
    d.tables["assessments"][at].append("12")
    d.expect("ragged", "assessments", at)


def ambiguous_dates(d: Damage) -> None:
    rows = d.tables["assessments"]
    for at in range(1, len(rows)):
        day = d.rng.randint(1, 12)
        later = rows[at][2] == "discharge"
        month = d.rng.choice([m for m in range(1, 13) if m != day])
        rows[at][1] = f"{day:02d}/{month:02d}/{2024 if later else 2023}"
        d.taken.add(("assessments", rows[at][0]))
    d.expect("date_unclear", "assessments", d.rng.randrange(1, len(rows)))


def header_typo(d: Damage) -> None:
    name = d.rng.choice(["value", "occasion", "measure", "seat_height_cm", "walking_aid", "assessor"])
    at, place = d.tables["assessments"][0], column(d.tables["assessments"], name)
    spot = d.rng.randrange(1, len(name) - 1)
    at[place] = (
        name[:spot] + name[spot + 1] + name[spot] + name[spot + 2 :]
        if name[spot] != name[spot + 1]
        else name + name[-1]
    )
    d.expect("column_guess column_renamed", "assessments", 0)


def header_unknown(d: Damage) -> None:
    place = column(d.tables["assessments"], d.rng.choice(["trial", "course_m", "assessor"]))
    d.tables["assessments"][0][place] = d.rng.choice(["Blob", "Zulu 7", "kept by"])
    d.expect("column_unknown", "assessments", 0)


def age_and_year(d: Damage) -> None:
    rows = d.tables["people"]
    rows[0].append("birth_year")
    for row in rows[1:]:
        row.append(str(2024 - int(row[2])))
    at = d.pick("people")
    rows[at][-1] = str(int(rows[at][-1]) - 9)
    d.expect("age_conflict", "people", at)


def spoil(kinds: str, name: str, new, table: str = "assessments", **where: str):
    """Return a damage of one cell; a list offers several forms of the fault."""

    def act(d: Damage) -> None:
        d.cell(kinds, name, d.rng.choice(new) if isinstance(new, list) else new, table, **where)

    return act


def person_spelt(d: Damage) -> None:
    old = d.rng.choice([lambda p: p.lower(), lambda p: p.replace("0", "O", 1), lambda p: p.replace("P0", "P"),
                        lambda p: p.replace("P", "P ")])  # fmt: skip
    d.cell("person_look_alike word_read", "person", old)  # case and spaces alone are read, and said


WORDS_FOR_A_NUMBER = ["about 12", "twelve", "ok", "12 with help", "see note"]
PAIRS_IN_A_CELL = ["12/14", "12 / 14", "12; 14", "L 12 R 14", "12-14", "12 and 14"]
OTHERS = ["assessments", "ratings", "sessions"]
LIMITS = ["<5", "> 60", "≥12", "30+", "less than 5"]
CLASSES = {
    "text in a number": spoil("not_a_number no_value", "value", WORDS_FOR_A_NUMBER),
    "text in a protocol number": spoil("not_a_number", "seat_height_cm", "low", **STANDS),
    "limit instead of a score": spoil("censored", "value", LIMITS),
    "two values in one cell": spoil("two_values", "value", PAIRS_IN_A_CELL),
    "two counts with a comma": spoil("two_values", "value", "12,14", **STANDS),
    "decimal or thousands comma": spoil("comma_unclear", "value", "1,234", **WALK),
    "unknown unit": spoil("unit_unknown", "unit", ["furlong", "zz", "parsec"]),
    "unit of another kind": spoil("unit_mismatch", "unit", ["kg", "W"]),
    "two units": spoil("unit_conflict", "value", lambda old: f"{old} min", **TUG),
    "seconds as minutes": spoil("hard_bound", "value", lambda old: f"{float(old) / 60:.2f}", **TUG),
    "seconds instead of speed": spoil("hard_bound", "value", lambda old: f"{40 / float(old):.1f}", **WALK),
    "metres for centimetres": spoil("hard_bound", "height_cm", lambda old: f"{float(old) / 100:.2f}", "people"),
    "mass out of the usual": spoil("soft_bound", "mass_kg", lambda old: f"{float(old) * 2.2046 + 100:.0f}", "people"),
    "point misplaced": spoil("hard_bound soft_bound", "value", lambda old: f"{float(old) * 10:g}", **WALK),
    "negative score": spoil("hard_bound", "value", lambda old: f"-{old}"),
    "digits swapped": spoil("soft_bound hard_bound", "value", ["81", "51", "41", "91"], **STANDS),
    "half a stand": spoil("not_whole", "value", lambda old: f"{old}.5", **STANDS),
    "failed formula": spoil("spreadsheet_error", "value", ["#REF!", "#DIV/0!", "#VALUE!", "#N/A"]),
    "clock time": spoil("clock_time clock_read", "value", "01:05:00", **TUG),
    "date in the score": spoil("date_as_number", "value", ["2025-05-12", "2025-05-12 00:00:00"]),
    "unknown test": spoil("measure_unknown", "measure", ["walk_40m_quick", "jumping", "grip", "chair"]),
    "unknown result": spoil("word_unknown", "result", ["hmm", "blue", "perhaps"]),
    "unknown sex": spoil("word_unknown", "sex", "q", "people"),
    "score and result disagree": spoil("result_conflict", "result", ["unable", "refused", "not done"]),
    "status under a measured score": spoil("result_conflict", "value", "unable"),
    "person missing": spoil("missing_required", "person", ""),
    "date missing": spoil("missing_required", "date", ""),
    "occasion missing": spoil("missing_required", "occasion", ""),
    "test missing": spoil("missing_required", "measure", ""),
    "score missing": spoil("no_value", "value", ""),
    "occasion misspelt": spoil("word_unmapped", "occasion", ["bseline", "baselne", "dischrage", "discharg"]),
    "date unreadable": spoil("date_unreadable", "date", ["soon", "2025-13-01", "31/02/2025", "Monday"]),
    "date impossible": spoil("date_impossible", "date", [lambda old: f"21{old[2:]}", lambda old: f"19{old[2:]}"]),
    "follow-up before baseline": spoil("follow_up_first", "date", earlier(*range(100, 300)), occasion="discharge"),
    "occasions swapped": swapped_occasions,
    "follow-up on the day of baseline": spoil("same_day", "date", earlier(84), occasion="discharge"),
    "cells swapped": swapped_cells,
    "row twice": row_twice,
    "row twice, differing": row_twice_differing,
    "person twice": person_twice,
    "person not among the people": lambda d: d.cell("person_unknown", "person", "P999", d.rng.choice(OTHERS)),
    "person spelt in two ways": person_spelt,
    "age impossible": spoil("hard_bound", "age", ["640", "-3", "1950"], "people"),
    "age against birth year": age_and_year,
    "rating off its scale": spoil("rating_off_scale", "rating", ["7", "-6", "9"], "ratings"),
    "rating on another scale": spoil("rating_other_scale", "scale_high", "7", "ratings"),
    "seat height changed": spoil("protocol_changed", "seat_height_cm", "48", occasion="discharge", **STANDS),
    "walking aid changed": spoil("protocol_changed", "walking_aid", "stick", occasion="discharge"),
    "arms used changed": spoil("protocol_changed", "arms_used", "yes", occasion="discharge", **TUG),
    "session before the start": spoil("date_before_start", "date", earlier(60), "sessions"),
    "pain beyond ten": spoil("hard_bound", "pain_after", ["11", "35"], "sessions"),
    "row of totals": total_row,
    "header repeated": header_again,
    "more cells than columns": ragged,
    "dates that could be either": ambiguous_dates,
    "header misspelt": header_typo,
    "header unknown": header_unknown,
}
HEADER_CLASSES = {"header misspelt", "header unknown", "dates that could be either", "age against birth year"}


def damaged(seed: int) -> tuple[Tables, list[tuple[str, set[str], str, int]]]:
    """Return a damaged copy and what was planted: class, kinds it may be found as, table, row."""
    rng = random.Random(seed)
    names = list(CLASSES)
    first = names[seed % len(names)]
    others = [name for name in rng.sample(names, 6) if name != first and name not in HEADER_CLASSES]
    d, planted = Damage(clean(rng), rng), []
    for name in (first, *others) if first not in HEADER_CLASSES else (first,):
        before = len(d.planted)
        CLASSES[name](d)
        planted += [(name, *place) for place in d.planted[before:]]
    return d.tables, planted


def adds_up(records) -> bool:
    held = len(records.people) + len(records.assessments) + len(records.ratings) + len(records.sessions)
    return records.ledger.adds_up and records.ledger.rows_used == held


@pytest.mark.simulation
def test_every_planted_error_is_found(tmp_path):
    planted_count, found_count, missed = Counter(), Counter(), []
    copies = 6000 if FULL else 456  # each kind 8 times the first fault of a copy, about 45 times one among several
    for seed in range(copies):
        tables, planted = damaged(seed)
        records = tc.read(write(tables, tmp_path))
        assert adds_up(records), f"seed {seed}"
        rows_read = sum(len(rows) - 1 for rows in tables.values())
        assert records.ledger.rows_read == rows_read, f"seed {seed}"
        seen = set(records.problems[["sheet", "row", "kind"]].itertuples(index=False, name=None))
        for name, kinds, table, row in planted:
            planted_count[name] += 1
            if any((table, row, kind) in seen for kind in kinds):
                found_count[name] += 1
            else:
                missed.append((seed, name, table, row))
    recall = pd.DataFrame(
        [(name, planted_count[name], found_count[name], found_count[name] / planted_count[name]) for name in CLASSES],
        columns=["class", "planted", "found", "recall"],
    )
    print(recall.to_string(index=False))
    if FULL:
        recall.to_csv(RESULTS / "intake_recall.csv", index=False, float_format="%.4f", lineterminator="\n")
    assert recall["recall"].min() >= 0.99, f"missed: {missed[:10]}"


def test_no_false_alarm_on_fifty_clean_files(tmp_path):
    for seed in range(50):
        records = tc.read(write(clean(random.Random(1000 + seed)), tmp_path))
        assert records.problems.empty, f"seed {seed}: {records.problems.to_string()}"
        assert records.ledger.rows_used == records.ledger.rows_read == 60 + 10 + 10 + 20


def lossless(rng: random.Random, tables: Tables) -> tuple[str, str]:
    """Write the same facts differently; return delimiter and encoding."""
    tests, people, sessions = tables["assessments"], tables["people"], tables["sessions"]
    for row in tests[1:]:
        place, test = column(tests, "value"), row[column(tests, "measure")]
        value, way = row[place], rng.randrange(5)
        if way == 0:
            row[place] = f"{value} {row[column(tests, 'unit')]}"
        elif way == 1 and test == "timed_up_and_go":
            row[place] = f"{int(float(value) // 60)}:{float(value) % 60:05.2f}"
        elif way == 2:
            row[column(tests, "unit")] = ""
        elif way == 3 and "." in value:
            row[place] = value.replace(".", ",")
        day = date.fromisoformat(row[1])
        row[1] = rng.choice(
            [row[1], f"{day:%d.%m.%Y}", str((day - date(1899, 12, 30)).days), f"{day:%d %b %Y}", f"{day:%Y/%m/%d}"]
        )
        row[2] = rng.choice([row[2], {"baseline": "Pre", "discharge": "Post"}[row[2]], row[2].upper()])
        row[3] = rng.choice(
            [test, {"chair_stand_30s": "30CST", "timed_up_and_go": "TUG", "walk_40m_fast": "40 m fast walk"}[test]]
        )
        place = column(tests, "arms_used")
        row[place] = {"no": rng.choice(["n", "No", "FALSE", "0"])}.get(row[place], row[place])
        row[0] = f"{row[0]} "
    for row in people[1:]:
        place = column(people, "mass_kg")
        row[place] = rng.choice([row[place], f"{row[place]} kg"])
        row[1] = rng.choice([row[1], row[1][0].upper()])
    for row in sessions[1:]:
        row[5] = rng.choice([row[5], "2,5"])
    renamed = {"person": "Patient ID", "value": "Score", "measure": "Test", "occasion": "Visit",
               "seat_height_cm": "Seat height (cm)"}  # fmt: skip
    for rows in tables.values():
        rows[0] = [renamed.get(name, name) if rng.random() < 0.6 else name for name in rows[0]]
    if rng.random() < 0.5:
        tables["assessments"] = [["Results of our clinic", *[""] * 3], [], *tests]
    encoding = rng.choice(["utf-8", "utf-8-sig", "cp1252", "utf-16"])
    if encoding != "utf-8":
        for row in people[1:]:
            row[column(people, "site")] = row[column(people, "site")].replace("North", "Süd")
    return rng.choice([",", ";", "\t", "|"]), encoding


def test_the_same_facts_written_differently_are_read_the_same(tmp_path):
    for seed in range(60 if FULL else 25):
        rng = random.Random(seed)
        plain = clean(rng)
        expected = tc.read(write(plain, tmp_path))
        other = {name: [list(row) for row in rows] for name, rows in plain.items()}
        delimiter, encoding = lossless(rng, other)
        records = tc.read(write(other, tmp_path, delimiter, encoding))
        asked = records.problems[records.problems["severity"] != "note"]
        assert asked.empty, f"seed {seed}: {asked.to_string()}"
        for name in ("assessments", "ratings", "sessions"):
            left = getattr(records, name).drop(columns="source_row")
            pd.testing.assert_frame_equal(
                left, getattr(expected, name).drop(columns="source_row"), obj=f"seed {seed} {name}"
            )


def scrambled(rng: random.Random, data: bytes) -> bytes:
    """Damage bytes without any plan."""
    held = bytearray(data)
    for _ in range(rng.randrange(1, 30)):
        way, at = rng.randrange(6), rng.randrange(max(1, len(held)))
        if way == 0:
            held[at : at + 1] = bytes([rng.randrange(256)])
        elif way == 1:
            del held[at : at + rng.randrange(1, 40)]
        elif way == 2:
            held[at:at] = rng.choice([*b'" , ; \n \r \x00 \xff =1+1'.split(b" "), "½−ß中".encode(), b"  ", b"9" * 20])
        elif way == 3:
            other = rng.randrange(max(1, len(held)))
            held[at:at] = held[other : other + rng.randrange(1, 200)]
        elif way == 4:
            old, new = rng.choice([b",", b"\n", b".", b"-"]), rng.choice([b";", b"", b"/", b"\t", b" "])
            held = bytearray(held.replace(old, new, rng.randrange(1, 50)))
        elif way == 5 and rng.random() < 0.1:
            held = held[:at]
    return bytes(held)


def test_no_damage_whatever_gives_a_traceback(tmp_path):
    read, refused = 0, []
    for seed in range(1000 if FULL else 120):
        rng = random.Random(seed)
        write(clean(rng), tmp_path)
        for name in rng.sample(["people", "assessments", "ratings", "sessions"], 2):
            place = tmp_path / f"{name}.csv"
            place.write_bytes(scrambled(rng, place.read_bytes()))
        try:
            records = tc.read(tmp_path)
        except OutcomeError as trouble:
            refused.append(str(trouble))
            continue
        assert adds_up(records), f"seed {seed}"
        read += 1
    assert read > 20
    assert len(refused) > 20
    assert min(map(len, refused)) > 30, min(refused, key=len)


@pytest.mark.parametrize(
    "text", ["", "\n", ",", '"', "a", "person", "person,date\n", "\x00\x00", "=cmd|' /C calc'!A0\n"]
)
def test_hardly_anything_in_a_file_is_refused_in_words(tmp_path, text):
    place = tmp_path / "assessments.csv"
    place.write_text(text, encoding="utf-8")
    with pytest.raises(OutcomeError, match="assessments"):
        tc.read(place)
