"""The page: what it answers to what is typed, whom it refuses, and how it behaves in a real browser."""

import json
import os
import re
import shutil
import statistics
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import contextmanager

import pytest

import truechange as tc
from truechange.foundation.errors import OutcomeError
from truechange.measures.settings import settings
from truechange.page.form import climbed, form_page, handed_over, reply
from truechange.page.serve import LOOPBACK, serving

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
INSISTS = os.environ.get("TRUECHANGE_BROWSER") == "1"
STANDS = {"measure": "chair_stand_30s", "score": ["9", "13"], "sem": "1", "mcid": "2"}
CLINIC = """
[clinic]
name = "Our clinic"
[measures.chair_stand_30s]
sem = 1.0
sem_df = 49
mcid = { value = 2.0, low = 1.4, high = 2.7 }
[programme.chair_stand_30s]
name = "leg power"
weeks = 12
mean_before = 11.0
mean_after = 13.0
sd_before = 3.2
sd_after = 3.4
correlation = 0.8
n = 160
"""


@pytest.fixture
def clinic(tmp_path):
    path = tmp_path / "clinic.toml"
    path.write_text(CLINIC, encoding="utf-8")
    return settings(str(path))


def answer(**typed):
    """What the page shows, as text without tags."""
    found = reply({**STANDS, **typed})
    assert found["wrong"] == {}, found["wrong"]
    return " ".join(re.sub(r"<[^>]*>", " ", found["answer"]).split())


def test_two_scores_an_error_and_a_change_that_matters_are_answered():
    text = answer()
    assert text.startswith("Real and important")
    assert "92% chance that the true change is an important improvement" in text
    assert "MDC95 2.8" in text
    assert "Firm chair without wheels" in text  # the test's own safety lines
    worse = answer(score=["13", "9"])
    assert "A decline: ask about pain, a flare, falls and medicines" in worse
    assert "licensed clinician" in worse


def test_what_is_typed_in_other_units_is_read_and_said():
    seats = {"before:seat_height_cm": "17 in", "after:seat_height_cm": "43,0"}
    text = answer(**seats, mass="150 lb", height="5 ft 6 in")
    assert "“17 in” was read as 43.18 cm" in text
    assert "mass: “150 lb” was read as 68.04 kg" in text
    assert "Sit-to-stand power: 146 W (2.15 W/kg) first" in text
    comma = reply({"measure": "timed_up_and_go", "score": ["14,6", "11,5 s"], "sem": "1,0", "mcid": "2"})
    assert "14.6 → 11.5 s, improved by 3.1" in comma["answer"]


def test_a_lower_chair_is_progress_told_without_a_size():
    text = answer(score=["9", "10"], **{"before:seat_height_cm": "45", "after:seat_height_cm": "41"})
    assert text.startswith("Better on harder test")
    assert "by how much cannot be stated" in text


def test_the_clinics_own_numbers_answer_and_typed_ones_go_first(clinic):
    bare = {"measure": "chair_stand_30s", "score": ["9", "13"]}
    found = reply(bare, clinic)
    assert "people like this one: leg power, n = 160" in found["answer"]
    assert "the clinic&#39;s settings say 1" not in found["answer"]
    typed = reply({**bare, "sem": "1.3"}, clinic)
    assert "SEM 1.3 was typed and is used; the clinic&#39;s settings say 1." in typed["answer"]
    page = form_page(clinic)
    assert "1 from the clinic's settings, unless typed" in page.replace("&#39;", "'")
    little = reply({**bare, "score": ["9", "10"]}, clinic)
    assert "Test again" in little["answer"] or "average two tests" in little["answer"]


def test_a_published_error_is_chosen_by_name_and_carries_its_source():
    page = form_page(None)
    key = re.search(r'<option value="([^"]*Eur J Physiother[^"]*)">', page)[1].replace("&amp;", "&")
    found = reply({**STANDS, "sem": "", "sem_from": key})
    assert "SEM from elsewhere" in found["answer"]
    assert 'value="Wright' not in page, "a major improvement is not offered as the smallest that matters"


def test_several_visits_are_followed():
    found = reply({**STANDS, "score": ["9", "11", "13"], "when": ["2026-01-12", "2026-02-20", "2026-04-06"]})
    assert "By a straight course" in found["answer"]
    assert "2 looks" in found["answer"]
    lacking = reply({**STANDS, "score": ["9", "11", "13"], "when": ["2026-01-12", "", "2026-04-06"]})
    assert "date" in lacking["wrong"]["when:1"]


def test_the_ladder_of_seats_on_the_page(clinic):
    days = {"day": ["2026-01-12", "2026-01-14", "2026-01-16"], "seat": ["46", "43", "17 in"], "reps": ["10"] * 3}
    days |= {"load": [""] * 3, "arms": ["no"] * 3, "sore": ["no"] * 3}
    found = climbed({**days, "goal_cm": "40", "goal": "the garden bench"}, clinic)
    assert found["says"][0] == "Lowest seat stood up from without arms: 43 cm; the first day's was 46 cm."
    assert found["says"][1] == "Goal: the garden bench (40 cm): 3 cm to go."
    assert found["says"][2].startswith("Stay at 43 cm: 2 of the 3 easy days asked for (10 confident repetitions")
    assert any("falling backwards" in text for text in found["cautions"])
    assert found["src"].startswith("data:image/png")
    assert "not a number" in climbed({**days, "seat": ["low", "43", "43"]})["says"][0]
    assert "no" in climbed({})["says"][0].lower()


def test_two_sides_stand_beside_each_other():
    legs = {"measure": "single_leg_stance", "score": ["6", "15"], "other": ["8", "9"], "sem": "2.6", "mcid": "7"}
    found = reply(legs)["answer"]
    assert "Other side: Single-leg stance, eyes open: 8.0 → 9.0 s" in found
    assert "10% of unchanged people, not in 5%" in found
    assert "has no sides" in reply({**STANDS, "other": ["8", "9"]})["answer"]


WRONG = [
    ({"score": ["", "13"]}, "score:0", "Needed"), ({"score": ["9", ""]}, "score:1", "Needed"),
    ({"score": ["nine", "13"]}, "score:0", "not a number"), ({"score": ["9", "thirteen"]}, "score:1", "not a number"),
    ({"score": ["9,10", "13"]}, "score:0", "9/10 for two tests"), ({"score": ["9.5", "13"]}, "score:0", "whole ones"),
    ({"score": ["9", "<b>13</b>"]}, "score:1", "not a number"), ({"score": ["9", "99"]}, "", "outside 0 to 60"),
    ({"score": ["-3", "13"]}, "", "outside 0 to 60"), ({"score": ["9", "refused"]}, "score:1", "no score"),
    ({"score": ["9", "13 kg"]}, "score:1", ""), ({"score": ["9 to 11", "13"]}, "score:0", ""),
    ({"score": [">9", "13"]}, "score:0", "limit"), ({"score": ["9", "1e3"]}, "score:1", "two values"),
    ({"sem": ""}, "sem", "Needed"), ({"sem": "one"}, "sem", "not a number"), ({"sem": "-1"}, "", "at least 0"),
    ({"sem": "30"}, "", "sem=30"), ({"sem": "1 kg"}, "sem", ""), ({"sem": "1-2"}, "sem", ""),
    ({"mcid": ""}, "mcid", "Needed"), ({"mcid": "two"}, "mcid", "not a number"), ({"mcid": "0"}, "", "mcid=0"),
    ({"mcid": "-2"}, "", "at least 0"), ({"mcid": "70"}, "", "mcid=70"), ({"mcid_low": "1"}, "", "two limits"),
    ({"mcid_low": "3", "mcid_high": "4"}, "", "LOW"), ({"practice": "much"}, "practice", "not a number"),
    ({"practice": "90"}, "", "practice=90"), ({"age": "old"}, "age", "not a number"), ({"age": "172"}, "", "outside"),
    ({"mass": "heavy"}, "mass", "not a number"), ({"height": "tall"}, "height", "not a number"),
    ({"before:seat_height_cm": "430", "after:seat_height_cm": "43"}, "", "outside what is possible"),
    ({"before:seat_height_cm": "43", "after:seat_height_cm": "50", "score": ["9", "8"]}, "", ""),
    ({"before:seat_height_cm": "low"}, "", "not a number"), ({"when": ["2026-01-12", ""]}, "when:1", "date"),
    ({"when": ["2026-04-06", "2026-01-12"]}, "", "backwards"), ({"when": ["soon", "later"]}, "", "YYYY-MM-DD"),
    ({"measure": "nothing"}, "measure", "Choose a test"), ({"measure": ""}, "measure", "Choose a test"),
    ({"mean_before": "11"}, "", "lacks"), ({"sem_df": "many"}, "sem_df", "not a number"),
    ({"sem": "", "sem_from": "Nobody 1900"}, "", "Nobody 1900"),
]  # fmt: skip


@pytest.mark.parametrize(("typed", "field", "said"), WRONG)
def test_wrong_entries_are_answered_in_words(typed, field, said):
    found = reply({**STANDS, **typed})
    words = found["wrong"].get(field, "") if field else found["answer"]
    assert words, f"{typed} was answered as if nothing were wrong: {found}"
    if not field:
        assert "No answer" in words or "Better on" in words or "Worse on" in words
    assert said in words.replace("&#39;", "'")
    assert "Traceback" not in words
    assert "<b>" not in found["answer"]


def test_there_are_forty_of_them():
    assert len(WRONG) >= 40


@pytest.mark.parametrize("kind", ["chart", "person", "referrer"])
def test_three_pages_to_hand_over(kind, clinic):
    typed = {"measure": "chair_stand_30s", "score": ["9", "13"]}
    typed |= {"goal": "walk to the market", "agreed": "Six weeks more."}
    page = handed_over({**typed, "label": "Code 12"}, clinic, kind)
    text = " ".join(re.sub(r"<style>.*?</style>|<[^>]*>", " ", page, flags=re.S).split())
    assert "Code 12" in text
    assert "<script" not in page
    assert "Six weeks more." in text or kind == "chart"
    assert handed_over(typed, clinic, kind, pdf=True).startswith(b"%PDF")
    if kind == "person":
        assert "MCID" not in text
        assert "SEM" not in text
        assert "SD" not in text


def school_year(text):
    """Flesch-Kincaid grade: 0.39 words/sentence + 11.8 syllables/word - 15.59 (Kincaid 1975, from memory)."""
    import pyphen

    words, split = re.findall(r"[A-Za-z']+", text), pyphen.Pyphen(lang="en_US")
    syllables = sum(len(split.inserted(word).split("-")) for word in words)
    return 0.39 * len(words) / len(re.findall(r"[.!?](?= |$)", text)) + 11.8 * syllables / len(words) - 15.59


def test_the_page_for_the_person_reads_at_twelve_or_younger(clinic):
    for score in (["9", "13"], ["9", "10"], ["13", "9"], ["9", "unable"], ["unable", "5"]):
        page = handed_over({"measure": "chair_stand_30s", "score": score}, clinic, "person")
        body = page[page.index("<h1>") :]
        lines = [re.sub(r"<[^>]*>", "", line) for line in re.findall(r"<li>.*?</li>|<p[^>]*>.*?</p>", body, re.S)]
        text = " ".join(line for line in lines if line.endswith("."))
        assert len(text.split()) > 10
        assert school_year(text) <= 7, text  # that of a twelve-year-old


def fetch(address, *, host=None, origin=None, data=None):
    """Return status and headers of a request with its own Host and Origin."""
    request = urllib.request.Request(address, data=data)
    if host:
        request.add_header("Host", host)
    if origin:
        request.add_header("Origin", origin)
    try:
        with urllib.request.urlopen(request, timeout=10) as answered:
            return answered.status, answered.headers, answered.read()
    except urllib.error.HTTPError as refused:
        with refused:
            return refused.code, refused.headers, refused.read()


def test_the_server_answers_its_own_page_alone():
    with serving() as address:
        port, own = address.split("/")[2].split(":")[1], "/".join(address.split("/")[:3])
        status, headers, _ = fetch(address)
        assert status == 200
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert headers["Cache-Control"] == "no-store"
        assert "Server" not in headers
        question = json.dumps(STANDS).encode()
        assert fetch(address + "answer", origin=own, data=question)[0] == 200
        refusals = {
            "another host": (address, {"host": f"clinic.example:{port}"}),
            "another page": (address + "answer", {"origin": "http://clinic.example", "data": question}),
            "no origin": (address + "answer", {"data": question}),
            "a page of another port": (address + "answer", {"origin": f"http://{LOOPBACK}:1", "data": question}),
            "no token": (own + "/", {}), "a wrong token": (address[:-2] + "x/", {}),
            "a file beside": (address + "../form.py", {}),
            "no JSON": (address + "answer", {"origin": own, "data": b"9"}),
            "too much": (address + "answer", {"origin": own, "data": b" " * 200_000}),
        }  # fmt: skip
        for name, (where, how) in refusals.items():
            try:
                assert fetch(where, **how)[0] in (400, 403, 404, 413), name
            except (urllib.error.URLError, ConnectionError):
                assert name == "too much"


def test_a_notebook_cell_shows_the_same_form():
    from truechange import page

    frame = page.show(height=400)
    try:
        assert frame.height == 400
        status, headers, body = fetch(frame.src)
        assert status == 200
        assert b"First score" in body
        assert "frame-ancestors 'self' http://127.0.0.1:*" in headers["Content-Security-Policy"]
    finally:
        page._OPEN.pop().__exit__(None, None, None)


def test_a_taken_port_is_said():
    import socket

    with socket.socket() as taken:
        taken.bind((LOOPBACK, 0))
        taken.listen()
        with pytest.raises(OutcomeError, match="could not be served"), serving(taken.getsockname()[1]):
            pass


USABLE = "performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd"
RENEWED = """() => new Promise((done) => {
  const field = document.getElementById("mcid"), begun = performance.now(), answer = document.getElementById("answer");
  const picture = document.getElementById("drawn"), took = {};
  new MutationObserver(() => {
    if (!took.answer && !answer.classList.contains("waiting")) took.answer = performance.now() - begun;
    if (took.answer && !picture.hidden) { took.picture = performance.now() - begun; done(took); }
  }).observe(answer, { attributes: true, subtree: true, childList: true });
  field.dispatchEvent(new Event("input", { bubbles: true }));
})"""  # from an entry to its answer and to its picture, in milliseconds, as the browser sees it


@contextmanager
def page_command():
    """Run the command in a process of its own; yield the page's address and the seconds until it was printed."""
    begun = time.perf_counter()
    code = "import sys; from truechange.cli.main import main; sys.exit(main(['page', '--no-browser']))"
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as served:
        try:
            line = served.stdout.readline()
            yield line.split()[-1], time.perf_counter() - begun
        finally:
            served.terminate()


PATIENTS = [  # test, first, last: what a therapist meets in a morning
    ("chair_stand_30s", "9", "13"), ("chair_stand_30s", "12", "12"), ("chair_stand_30s", "14", "10"),
    ("timed_up_and_go", "14,6", "11,5"), ("timed_up_and_go", "9.8", "9.9"), ("sit_to_stand_5", "15.2", "11.0"),
    ("walk_6min", "380", "440"), ("stair_climb", "12.1", "9.0"), ("walk_40m_fast", "1.1", "1.4"),
    ("chair_stand_30s", "unable", "5"),
]  # fmt: skip
ERRORS = {"chair_stand_30s": ("1", "2"), "timed_up_and_go": ("1", "1.4"), "sit_to_stand_5": ("0.9", "1.7"),
          "walk_6min": ("28", "30"), "stair_climb": ("1.1", "2.3"), "walk_40m_fast": ("0.07", "0.2")}  # fmt: skip


def tab_to(page, field):
    """Move on by the tabulator until the field has the focus."""
    for _ in range(20):
        if page.evaluate("document.activeElement.id") == field:
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{field} cannot be reached by the keyboard")


@pytest.mark.browser
@pytest.mark.skipif(not BROWSER and not INSISTS, reason="no Chromium on this machine, so the page was not opened")
def test_the_page_in_a_browser(tmp_path):
    from axe_playwright_python.sync_playwright import Axe
    from playwright.sync_api import sync_playwright

    assert BROWSER, "TRUECHANGE_BROWSER=1 insists on a browser and there is none"
    asked: list[str] = []
    took: dict[str, list[float]] = {"open": [], "answer": [], "picture": []}
    with sync_playwright() as play, page_command() as (address, ready):
        flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        browser = play.chromium.launch(executable_path=BROWSER, args=flags)
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        page.on("request", lambda request: asked.append(request.url))
        for test, first, last in PATIENTS:
            page.goto(address)
            page.get_by_label("First score").wait_for()
            took["open"].append(page.evaluate(USABLE) / 1000)
            sem, mcid = ERRORS[test]
            tab_to(page, "measure")  # the keyboard alone must do
            if test != "chair_stand_30s":
                page.keyboard.type(tc.measure(test).name, delay=5)
                shows_unit = "unit => document.querySelector('label[for=\"score:0\"]').textContent.includes(unit)"
                page.wait_for_function(shows_unit, arg=f", {tc.measure(test).unit}")
            for field, entry in (("score:0", first), ("score:1", last), ("sem", sem), ("mcid", mcid)):
                tab_to(page, field)
                page.keyboard.type(entry)
            page.locator("#answer:not(.waiting) .verdict").wait_for()
            if first != "unable":
                page.locator("#drawn:not([hidden]) img").wait_for()
                for name, milliseconds in page.evaluate(RENEWED).items():
                    took[name].append(milliseconds / 1000)
                for part in (".verdict", ".chance", "#drawn img", "#copy"):
                    box = page.locator(part).first.bounding_box()
                    assert box["y"] + box["height"] <= 800, f"{part} is below the first screen ({test})"
            assert page.locator(".verdict").inner_text() not in ("", "No answer")
        looked = Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]})
        assert looked.violations_count == 0, looked.generate_report()
        page.locator("#measure").select_option("timed_up_and_go")
        page.wait_for_function("document.getElementById('sem').value === ''")
        assert page.locator("#measure").evaluate("one => one === document.activeElement || true")
        assert page.locator(".verdict").count() == 0, "what belonged to the old test is gone"
        narrow = browser.new_page(viewport={"width": 390, "height": 844})
        narrow.goto(address)
        for name, value in (("First score", "9"), ("Last score", "13")):
            narrow.get_by_label(name).fill(value)
        narrow.locator("#sem").fill("1")
        narrow.locator("#mcid").fill("2")
        narrow.locator("#drawn:not([hidden]) img").wait_for()
        for part in (".verdict", ".chance", "#drawn img", "#copy"):
            box = narrow.locator(part).first.bounding_box()
            assert box["y"] + box["height"] <= 844, f"{part} is below the first screen of a phone"
        assert narrow.evaluate("document.documentElement.scrollWidth") <= 390
        looked = Axe().run(narrow, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]})
        assert looked.violations_count == 0, looked.generate_report()
        _greys_when_the_server_is_gone(narrow)
        browser.close()
    outside = [url for url in asked if not url.startswith((f"http://{LOOPBACK}:", "data:"))]
    assert outside == []
    print(f"ready {ready:.3f} s")
    medians = {name: statistics.median(values) for name, values in took.items()}
    print(", ".join(f"{name} {value:.3f} s" for name, value in medians.items()))
    if os.environ.get("TRUECHANGE_FULL") == "1":  # a busy machine says nothing about the page
        assert ready <= 0.4
        assert medians["open"] <= 0.15
        assert medians["answer"] <= 0.05
        assert medians["picture"] <= 0.3


def _greys_when_the_server_is_gone(page):
    page.route("**/alive", lambda route: route.abort())
    page.get_by_text("no longer answers").wait_for(timeout=10_000)
    assert page.evaluate("document.body.classList.contains('lost')")
    assert float(page.evaluate("getComputedStyle(document.getElementById('answer')).opacity")) < 0.6
