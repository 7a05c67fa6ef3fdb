"""The person command: one screen, exit statuses, files, and what it loads."""

import json
import subprocess
import sys

import pytest
from walks import without_pictures

from truechange.cli.main import main

CLINIC = """
[chair_stand_30s]
name = "the leg-power programme"
mean_before = 11.0
mean_after = 13.0
sd_before = 3.2
sd_after = 3.4
correlation = 0.8
n = 160
sem = 1.0
sem_df = 49
mcid = 2.0
mcid_low = 1.4
mcid_high = 2.7
done = { seat_height_cm = 43, arms_used = "no" }
"""
STANDS = ["person", "9", "13", "--measure", "chair_stand_30s"]
TYPED = [*STANDS, "--sem", "1.0", "--sem-df", "49", "--mcid", "2"]
OWN = ["--sem", "1", "--mcid", "2"]
SAME = ["--done", "seat_height_cm=43", "arms_used=no", "walking_aid=none"]


@pytest.fixture
def clinic(tmp_path):
    path = tmp_path / "clinic.toml"
    path.write_text(CLINIC, encoding="utf-8")
    return str(path)


def test_the_answer_fits_one_screen(capsys, clinic):
    longest = ["--age", "72", "--sex", "female", "--dates", "2026-01-12", "2026-04-06"]
    published = ["--sem-from", "Gill et al", "--mcid-from", "Mostafaee"]
    for words in (TYPED, [*STANDS, "--programme", clinic, *longest, *SAME], [*STANDS, *published, *longest]):
        assert main(words) == 0
        lines = capsys.readouterr().out.splitlines()
        assert len(lines) <= 24
        assert max(map(len, lines)) <= 80
        assert lines[0] == "REAL AND IMPORTANT"
    assert any("--everything" in line for line in lines)
    assert main([*STANDS, *published, *longest, "--everything"]) == 0
    assert "Mostafaee" in capsys.readouterr().out


def test_json_holds_all_of_it(capsys, clinic):
    assert main([*STANDS, "--programme", clinic, *SAME, "--json"]) == 0
    held = json.loads(capsys.readouterr().out)
    assert held["verdict"] == "real_and_important"
    chances = {row["quantity"]: row["value"] for row in held["numbers"]}
    # independent recomputation of the same person: 0.8436 with everything known; the SEM's doubt lowers it
    assert 0.75 < chances["p_meaningful (programme)"] < 0.8436
    assert held["cautions"]
    assert held["sources"]


def test_scores_without_an_answer(capsys):
    assert main(["person", "9", "13", "--sem", "0", "--mcid", "2"]) == 1
    assert "NOT ASSESSABLE" in capsys.readouterr().out


def test_published_numbers_are_held_against_the_clinics_own_people(capsys, tmp_path):
    path = tmp_path / "clinic.json"
    scores = [8, 9, 10, 10, 11, 11, 12, 12, 13, 14, 9, 10, 11, 12, 13, 10, 11, 12, 9, 13]
    path.write_text(json.dumps({"chair_stand_30s": {"baseline_scores": scores, "mcid": 2}}), encoding="utf-8")
    words = ["--sem-from", "Gill et al", "--dates", "2026-01-12", "2026-04-06", "--everything"]
    assert main([*STANDS, "--programme", str(path), *words]) in (0, 1)
    said = capsys.readouterr()
    assert "Transport check of the SEM" in said.out or "must not be used here" in said.err


def test_the_sheet_is_one_page_without_identifiers(tmp_path, clinic, capsys):
    pypdf = pytest.importorskip("pypdf")
    about = ["--age", "72", "--sex", "female", "--dates", "2026-01-12", "2026-04-06"]
    words = [*STANDS, "--programme", clinic, *about, *SAME]
    html, pdf = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    assert main([*words, "--sheet", str(html)]) == 0
    text = without_pictures(html.read_text(encoding="utf-8"))
    assert 'alt="30-second chair stand' in text
    assert "http" not in text.replace("http://www.w3.org", "")
    assert "<script" not in text
    assert "P001" not in text
    assert main([*words, "--label", "P001", "--sheet", str(pdf)]) == 0
    pages = pypdf.PdfReader(pdf).pages
    assert len(pages) == 1
    assert "P001" in pages[0].extract_text()
    capsys.readouterr()


def test_a_missing_pdf_writer_is_named(tmp_path, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "typst", None)
    assert main([*TYPED, "--sheet", str(tmp_path / "x.pdf")]) == 2
    assert "truechange[pdf]" in capsys.readouterr().err


def test_the_terminal_path_loads_nothing_heavy():
    code = ("import sys\nfrom truechange.cli.main import main\n"
            f"assert main({[*TYPED, '--age', '72', '--sex', 'female']!r}) == 0\n"
            "heavy = {'numpy', 'pandas', 'scipy', 'matplotlib', 'jinja2', 'rich', 'importlib.resources'}\n"
            "heavy &= set(sys.modules)\nsys.exit(f'loaded {heavy}' if heavy else 0)")  # fmt: skip
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr


def test_the_examples_of_the_help_run(capsys):
    import shlex

    from truechange.cli.shared import purpose_and_example

    text = purpose_and_example("person")[1].split("a programme file")[0].replace("\\\n", " ")
    commands = [line.strip() for line in text.splitlines() if line.strip().startswith("truechange")]
    assert len(commands) == 3
    for command in commands:
        assert main(shlex.split(command)[1:]) == 0, command
    capsys.readouterr()


def screen_of(capsys, *words):
    """Run the command; return exit status and everything printed, in one line."""
    status = main(["person", *words])
    held = capsys.readouterr()
    return status, " ".join((held.out + held.err).split())


TUG = ["--measure", "timed_up_and_go"]
STAND = ["--measure", "chair_stand_30s"]


def test_a_decimal_comma_is_a_decimal(capsys):
    comma, point = (screen_of(capsys, *scores, *TUG, *OWN) for scores in (("14,6", "11,5"), ("14.6", "11.5")))
    assert comma == point
    assert "14.6 → 11.5 s, improved by 3.1" in comma[1]
    numbers = screen_of(capsys, "9", "13", *STAND, "--sem", "1,0", "--mcid", "2,0", "--confidence", "0,95")
    assert numbers == screen_of(capsys, "9", "13", *STAND, *OWN)


def test_a_lower_chair_with_as_many_stands_is_better_in_words(capsys):
    both = ["--done-before", "seat=45", "--done-after", "seat=41cm", "--done", "arms=n", "aid=cane"]
    status, said = screen_of(capsys, "9", "10", *STAND, *OWN, *both, "--everything")
    assert status == 0
    assert said.startswith("BETTER ON HARDER TEST")
    assert "improved by" not in said
    assert "MDC95" not in said


def test_words_and_units_a_therapist_types_are_understood(capsys):
    typed = ["--done", "seat=43,5 cm", "arms=N", "walking_aid=Cane", "--sex", "F", "--age", "72 years"]
    known = ["--done", "seat_height_cm=43.5", "arms_used=no", "walking_aid=stick", "--sex", "female", "--age", "72"]
    one, two = (screen_of(capsys, "9", "13", *STAND, *OWN, *words, "--everything") for words in (typed, known))
    assert one == two
    assert "Not stated" not in one[1]
    assert "Norms" in one[1]


def test_a_test_goes_by_its_usual_name(capsys):
    assert screen_of(capsys, "9", "13", "--measure", "30s STS", *OWN) == screen_of(capsys, "9", "13", *STAND, *OWN)


@pytest.mark.parametrize(("first", "other", "looks"), [(["9"], ["10"], 0), (["9", "10"], ["10"], 0),
                                                       (["9", "10"], ["10", "9"], 1)])  # fmt: skip
def test_the_other_side_counts_as_a_look_only_where_both_sides_have_a_change(capsys, first, other, looks):
    stance = ["--measure", "single_leg_stance", "--sem", "2", "--mcid", "5", "--other-side", *other, "--everything"]
    main(["person", *first, *stance])
    out = capsys.readouterr().out
    assert (out.count("Other side:"), out.count("Both sides were looked at")) == (1, looks)


def test_how_to_test_safely_is_said_at_every_number_of_visits(capsys):
    for scores in (["9"], ["9", "11"], ["9", "11", "13", "--dates", "2026-01-01", "2026-02-01", "2026-03-01"]):
        main(["person", *scores, "--measure", "chair_stand_30s", *OWN, "--everything"])
        assert "Safety  Firm chair without wheels" in capsys.readouterr().out
