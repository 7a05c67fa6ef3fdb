"""What leaves the house: no free text, no name, and no small count, in any word, table, picture or file."""

import json
import re
from html import unescape
from itertools import chain

import numpy as np
import pandas as pd
import pytest
from clinics import codes, scores
from openpyxl import load_workbook
from walks import without_pictures

import truechange as tc
from truechange.cli.main import main
from truechange.numerics.small_cells import HIDDEN, POOLED, few
from truechange.reporting.audit_report import AuditReport

TEST, CANARY = "chair_stand_30s", "CANARY Jane Roe fell in kitchen"
TOLD = re.compile(r"canary|jane|\broe\b|kitchen", re.IGNORECASE)


def clinic_files(folder, canary=""):
    """Write an invented clinic of 60 people and 30 who wait, with small groups everywhere; canary: free text typed."""
    rng = np.random.default_rng(5)
    people, waiting = codes(60), codes(30, "W")
    before = rng.integers(6, 14, 90).astype(float)
    gain = np.where(np.arange(90) < 60, 2.4, 0.2) + rng.normal(0, 2.2, 90)
    after = (before + gain).round()
    after[[3, 4, 5, 10, 11, 12, 13, 14, 15, 16]] = np.nan  # three unable, seven stopped
    everyone = pd.DataFrame(
        {
            "person": [*people, *waiting],
            "programme": ["leg power"] * 60 + ["waiting list"] * 30,
            "sex": np.where(np.arange(90) % 3, "female", "male"),
            "age": rng.integers(55, 85, 90).astype(float),
            "joint": np.where(np.arange(90) % 2, "knee", "hip"),
            "site": np.select([np.arange(90) < 3, np.arange(90) < 25], ["West", "South"], "North"),
            "therapist": [f"T{at % 7}" for at in range(90)],
            "outcome": "completed",
            "stop_reason": "",
        }
    )
    everyone.loc[[7, 8], "age"] = np.nan  # two ages are not known
    everyone.loc[3:4, "joint"] = "shoulder"
    everyone.loc[10:16, "outcome"] = "stopped"
    everyone.loc[10:16, "stop_reason"] = ["pain", "pain", "moved away", "moved away", "", "", ""]
    rows = scores([*people, *waiting], before, after, seat_height_cm=43.0, arms_used="no", walking_aid="none")
    unable = rows[rows["occasion"] == "baseline"].iloc[3:6].assign(
        occasion="discharge", date="2025-03-31", value=np.nan, result="unable"
    )  # fmt: skip
    rows = pd.concat([rows, unable], ignore_index=True)
    days = pd.date_range("2025-01-07", periods=30, freq="3D").strftime("%Y-%m-%d")
    sessions = pd.DataFrame([(who, day) for who in people[:57] for day in days], columns=["person", "date"])
    sessions = sessions.assign(exercise="sit to stand", reps=9, load_kg=0, seat_height_cm=45, adverse_event="")
    sessions = sessions.assign(pain_before=2, pain_after=3, soreness_next_day=1)
    sessions.loc[[0, 40], "adverse_event"] = "fell at home"
    sessions.loc[sessions.index[::200], "adverse_event"] = "knee pain"
    if canary:
        everyone.loc[20:30, ["site", "joint", "stop_reason", "therapist"]] = canary
        everyone.loc[31, "stop_reason"] = canary
        everyone = everyone.assign(note=canary)
        rows.loc[[2, 150], "walking_aid"] = canary
        rows = rows.assign(note=canary, assessor=canary)
        sessions.loc[::100, "adverse_event"] = canary
        sessions.loc[::90, "exercise"] = canary
        sessions = sessions.assign(note=canary)
    for name, table in {"people": everyone, "assessments": rows, "sessions": sessions}.items():
        table.to_csv(folder / f"{name}.csv", index=False)
    return folder


def retest_file(folder):
    rng = np.random.default_rng(8)
    true = rng.integers(6, 14, 30)
    first, second = (np.clip(true + rng.normal(0, 0.9, 30), 0, None).round() for _ in range(2))
    rows = scores(codes(30, "R"), first, second, weeks=1, seat_height_cm=43.0, arms_used="no", walking_aid="none")
    place = folder / "retest.csv"
    rows.assign(occasion=np.repeat(["retest1", "retest2"], 30)).to_csv(place, index=False)
    return place


def everything_in(folder):
    """Every text in every file of a folder: HTML with the words of its pictures, PDF, XLSX cells, DOCX, JSON, CSV."""
    pypdf, docx = pytest.importorskip("pypdf"), pytest.importorskip("docx")
    for place in sorted(path for path in folder.rglob("*") if path.is_file()):
        if place.suffix == ".pdf":
            yield place.name, " ".join(page.extract_text() for page in pypdf.PdfReader(place).pages)
        elif place.suffix == ".xlsx":
            cells = chain.from_iterable(sheet.iter_rows(values_only=True) for sheet in load_workbook(place))
            yield place.name, " ".join(str(cell) for row in cells for cell in row if cell is not None)
        elif place.suffix == ".docx":
            yield place.name, docx.Document(place).element.xml
        elif place.suffix in (".html", ".json", ".csv", ".tex", ".bib", ".svg"):
            text = place.read_text(encoding="utf-8")
            yield place.name, unescape(without_pictures(text))


def test_no_free_text_leaves_by_any_command(tmp_path, capsys):
    place = tmp_path / "clinic"
    place.mkdir()
    clinic_files(place, CANARY)
    retest = retest_file(tmp_path)
    audit = ["audit", str(place), "--retest", str(retest), "--programme", "leg power", "--resamples", "60",
             "--subgroups", "joint", "site", "--show-small-cells", "--show-therapists"]  # fmt: skip
    study = ["study", str(retest), str(place), "--measure", TEST, "--programme", "leg power", "--resamples", "60",
             "--out", str(tmp_path / "study")]  # fmt: skip
    for command in ([*audit, "--out", str(tmp_path / "audit")], study, ["inspect", str(place)]):
        main(command)
        told = capsys.readouterr()
        assert told.out
        assert not TOLD.search(told.out), command[0]
        assert not TOLD.search(told.err), command[0]
    names = set()
    for folder in ("audit", "study"):
        for name, text in everything_in(tmp_path / folder):
            assert not TOLD.search(text), (name, TOLD.search(text))
            names.add(name)
    assert {"audit.html", "audit.pdf", "audit.xlsx", "audit.json", "study.html", "study.pdf", "study.docx"} <= names


def test_no_refusal_of_the_audit_quotes_free_text(tmp_path):
    clinic_files(tmp_path, CANARY)
    people = pd.read_csv(tmp_path / "people.csv")
    people.loc[40:50, "programme"] = CANARY
    people.to_csv(tmp_path / "people.csv", index=False)
    rows = pd.read_csv(tmp_path / "assessments.csv")
    rows.loc[5, "occasion"] = CANARY
    rows.to_csv(tmp_path / "assessments.csv", index=False)
    records = tc.read(tmp_path)
    for asked in (
        {}, {"programme": "other"}, {"programme": "leg power", "before": "first"},
        {"programme": "leg power", "primary": "x"}, {"programme": "leg power", "subgroups": ["stop_reason"]},
        {"programme": "leg power", "subgroups": ["therapist"]},
    ):  # fmt: skip
        with pytest.raises((tc.ChoiceError, tc.DataError)) as refused:
            tc.audit(records, **asked)
        assert not TOLD.search(str(refused.value)), asked


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small")
    records = tc.read(clinic_files(folder))
    return tc.audit(
        records, programme="leg power", thresholds={TEST: {"sem": 1.0, "mcid": 2.0}}, subgroups=["joint", "site"],
        n_boot=60, label_seed=1,
    )  # fmt: skip


@pytest.fixture(scope="module")
def outside(small, tmp_path_factory):
    """The same audit as a reader outside gets it: words, pictures' words, workbook and JSON."""
    folder = tmp_path_factory.mktemp("out")
    AuditReport(small).write(folder)
    page = (folder / "audit.html").read_text(encoding="utf-8")
    alts = [unescape(text) for text in re.findall(r'alt="([^"]*)"', page)]
    words = re.sub(r"\s+", " ", unescape(re.sub(r"<style.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL)))
    book = {sheet.title: pd.DataFrame(list(sheet.values)[1:], columns=next(sheet.values))
            for sheet in load_workbook(folder / "audit.xlsx")}  # fmt: skip
    return {"words": words, "alts": alts, "book": book, "json": json.loads((folder / "audit.json").read_text("utf-8"))}


def test_the_clinic_has_what_must_be_hidden(small):
    flow = small.flow[TEST]
    assert flow.reasons["unable at follow-up"] == 3
    assert sum(few(count) for count in flow.reasons.values()) >= 3
    assert small.sites.table().set_index("unit")["due"].to_dict() == {"North": 35, "South": 22, "West": 3}
    rows = small.baseline.table()
    assert {2, 3} <= set(rows["count"].dropna()) | set(rows["missing"])


def test_words_and_pictures_count_no_few_people(outside):
    small_count = re.compile(r"(?<![\d.,/–-])\b[1-4] (?:people|person|could not|of the \d+ people)\b|: [1-4](?=[;.] )")
    texts = [*outside["alts"], *outside["json"]["answer"], *outside["json"]["cautions"]]
    for text in (outside["words"].split("Appendix: reporting checklists")[0], *texts):
        assert not small_count.search(text), small_count.search(text)


def test_the_workbook_and_the_json_hold_the_same_hidden_cells(outside):
    for name, rows in outside["json"]["tables"].items():
        sheet = outside["book"][name[:31]].astype(object)
        told = pd.DataFrame(rows)[list(sheet.columns)].astype(object)
        assert ((sheet == HIDDEN) == (told == HIDDEN)).all(axis=None), name


def test_every_count_of_people_in_the_files_is_fit_to_be_seen(outside):
    counts = {"flow": ["people"], "baseline": ["n", "missing", "count"], "sites": ["due", "changed_enough"],
              "therapists": ["due", "changed_enough"], "adverse events": ["count", "people"],
              "protocols": ["scores", "other_scores", "not_recorded"], "rows": ["number"]}  # fmt: skip
    for name, columns in counts.items():
        frame = pd.DataFrame(outside["json"]["tables"][name])
        numbers = frame[columns].apply(pd.to_numeric, errors="coerce")
        assert not few(numbers.to_numpy(float)).any(), name


def test_reasons_cannot_be_solved_from_the_totals(small, outside):
    steps = {row["step"]: row["people"] for row in outside["json"]["tables"]["flow"]}
    lost = {step: people for step, people in steps.items() if step.startswith("not compared")}
    assert sum(lost.values()) == steps["due"] - steps["compared"]  # whole, and every one large
    assert f"not compared: {POOLED}" in lost
    # the number unable is told nowhere else: not by a second mean, its n, or the slope of the mean over delta
    assert not any("unable" in row["quantity"] for row in outside["json"]["tables"]["change"])
    tipping = pd.DataFrame(outside["json"]["tables"]["tipping point"])
    assert tipping["mean"].notna().sum() == 1
    inside = small.missing[TEST]
    fall = -np.diff(inside.tipping["mean"])[0] / 0.1 / 2.0  # per threshold of 2: (missing - unable) / (due - unable)
    fits = [u for u in range(inside.missing) if abs(fall - (inside.missing - u) / (inside.due - u)) < 1e-9]
    assert fits == [inside.unable]  # what the hidden values would have told


def test_sites_cannot_be_solved_by_taking_shown_ones_from_the_totals(small, outside):
    rows = pd.DataFrame(outside["json"]["tables"]["sites"])
    for column in ("due", "changed_enough"):
        assert (rows[column] == HIDDEN).sum() >= 2
    hidden = rows[rows["due"] == HIDDEN]
    left = hidden.drop(columns="site").dropna(axis="columns")
    assert (left == HIDDEN).all(axis=None)  # no share, limit or mean of theirs is left
    baseline = pd.DataFrame(outside["json"]["tables"]["baseline"])
    levels = baseline[(baseline["fact"] == "site") & (baseline["group"] == "leg power")]
    assert set(levels.loc[levels["count"] == HIDDEN, "level"]) == set(hidden["site"])


def test_a_mean_beside_a_hidden_number_fits_every_number_it_could_be(outside):
    rows = pd.DataFrame(outside["json"]["tables"]["baseline"])
    age = rows[(rows["fact"] == "age") & (rows["group"] == "leg power")].iloc[0]
    assert age[["n", "missing"]].tolist() == [HIDDEN, HIDDEN]
    for n in range(56, 60):  # a mean of whole years over n people is a whole number over n
        assert np.abs(np.arange(n * 55, n * 86) / n - age["mean"]).min() <= 0.05
    assert age["mean"] == round(age["mean"], 1)


def test_training_gives_no_few_people_away(outside):
    training = {row["quantity"]: row["value"] for row in outside["json"]["tables"]["training"]}
    assert training["people with a training log"] == HIDDEN
    assert training["people who went lower or heavier"] in (HIDDEN, 0)
    events = pd.DataFrame(outside["json"]["tables"]["adverse events"])
    rate = training["adverse events per 1,000 training days"]
    assert (events["count"] == HIDDEN).sum() != 1 or rate == HIDDEN


def test_shown_for_use_inside_it_says_so(small):
    told = json.loads(AuditReport(small, small_cells=True).data())
    assert any("for use inside the house" in text for text in told["cautions"])
    assert any(row["people"] == 3 for row in told["tables"]["flow"])
    assert "for use inside the house" in AuditReport(small, small_cells=True).page()


def test_numbers_of_therapists_cannot_be_linked_between_reports(tmp_path):
    records = tc.read(clinic_files(tmp_path))

    def order(seed):
        found = tc.audit(records, programme="leg power", thresholds={TEST: {"mcid": 2.0, "sem": 1.0}}, n_boot=60,
                         label_seed=seed).therapists  # fmt: skip
        assert found.public().labels == ()
        return found.labels

    once = order(3)
    assert order(3) == once != tuple(sorted(once))
    assert order(None) != order(None)  # equal by chance once in 5,040
