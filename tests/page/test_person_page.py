"""The page in a real browser: fill, read, refuse, and ask no other machine for anything."""

import os
import shutil
import time
import urllib.error
import urllib.request

import pytest

from truechange.foundation.errors import OutcomeError
from truechange.page.form import OWN, Form

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
INSISTS = os.environ.get("TRUECHANGE_BROWSER") == "1"
WAIT = 60_000


def test_the_form_answers_and_marks_the_field_that_is_wrong():
    form = Form()
    form.fields["first"].value, form.fields["last"].value = "9", "thirteen"
    assert "not a number" in form.wrong["last"].value
    form.fields["last"].value = "13"
    assert "Needed" in form.wrong["sem"].value
    form.fields["sem"].value, form.fields["mcid"].value = "1", "2"
    assert "You really are doing better" in form.answer.value
    assert 'alt="30-second chair stand' in form.answer.value
    form.fields["before:seat_height_cm"].value, form.fields["after:seat_height_cm"].value = "43", "50"
    assert form.wrong["done"].value == "Not the same both times: seat height (cm) 43 before, 50 after."
    assert "You really" not in form.answer.value
    form.fields["after:seat_height_cm"].value = "43"
    form.fields["last"].value = "99"
    assert "outside 0 to 60" in form.wrong["last"].value
    form.fields["last"].value = "<b>13</b>"
    assert "<b>" not in form.wrong["last"].value


def test_a_source_and_a_number_never_stand_side_by_side():
    form = Form()
    form.fields["first"].value, form.fields["last"].value, form.fields["mcid"].value = "9", "13", "2"
    source = next(one for one in form.fields["sem_from"].options if "Gill et al" in one)
    form.fields["sem_from"].value = source
    assert "SEM from elsewhere" in form.answer.value
    form.fields["sem"].value = "1,0"
    assert form.fields["sem_from"].value == OWN
    assert "SEM from elsewhere" not in form.answer.value
    assert "MDC95 2.8" in form.answer.value
    form.fields["sem_from"].value = source
    assert form.fields["sem"].value == ""
    assert "SEM from elsewhere" in form.answer.value


def test_the_form_reads_what_the_command_reads():
    form = Form()
    form.fields["measure"].value = "timed_up_and_go"
    form.fields["first"].value, form.fields["last"].value = "14,6", "11,5 s"
    form.fields["sem"].value, form.fields["mcid"].value = "1,0", "2"
    assert "14.6 → 11.5 s, improved by 3.1" in form.answer.value
    form.fields["measure"].value = "chair_stand_30s"
    form.fields["first"].value = "9,10"
    assert "9/10 for two tests" in form.wrong["first"].value
    form.fields["first"].value, form.fields["last"].value = "9", "10"
    form.fields["before:walking_aid"].value, form.fields["after:walking_aid"].value = "stick", "cane"
    form.fields["before:seat_height_cm"].value, form.fields["after:seat_height_cm"].value = "45cm", "41,0"
    assert "Better on harder test" in form.answer.value
    form.fields["after:seat_height_cm"].value = "430"
    assert "outside what is possible" in form.wrong["done"].value
    form.fields["after:seat_height_cm"].value, form.fields["age"].value = "45", "172"
    assert "outside what is possible" in form.wrong["age"].value


def test_another_test_brings_its_own_facts_and_published_values():
    form = Form()
    form.fields["measure"].value = "stair_climb"
    assert "before:step_height_cm" in form.fields
    assert "before:seat_height_cm" not in form.fields
    form.fields["measure"].value = "chair_stand_30s"
    offered = form.fields["mcid_from"].options
    assert offered[0] == OWN
    assert any("Mostafaee" in one for one in offered)
    form.fields["first"].value, form.fields["last"].value, form.fields["sem"].value = "9", "13", "1"
    form.fields["mcid_from"].value = next(one for one in offered if "Mostafaee" in one)
    assert "MCID from elsewhere" in form.answer.value


def test_a_taken_port_is_said(monkeypatch):
    import socket

    from truechange.page.serve import LOOPBACK, serving

    with socket.socket() as held:
        held.bind((LOOPBACK, 0))
        held.listen()
        with (
            pytest.raises(OutcomeError, match=r"could not be served|did not come up"),
            serving(held.getsockname()[1], seconds=30),
        ):
            pass


def test_without_the_extra_the_error_says_what_to_install(monkeypatch):
    from truechange.foundation.errors import MissingPartError
    from truechange.page import serve

    monkeypatch.setattr(serve, "find_spec", lambda name: None)
    with pytest.raises(MissingPartError, match=r"truechange\[page\]"), serve.serving():
        pass


def _shows_the_form(address: str) -> bool:
    """Whether somebody who lacks the token gets anything but the login."""
    try:
        with urllib.request.urlopen(address) as answered:
            return "login" not in answered.url
    except urllib.error.HTTPError as refused:
        with refused:
            return False


@pytest.mark.browser
@pytest.mark.skipif(not BROWSER and not INSISTS, reason="no Chromium on this machine, so the page was not opened")
def test_the_page_in_a_browser(tmp_path):
    from playwright.sync_api import sync_playwright

    from truechange.page.serve import serving

    assert BROWSER, "TRUECHANGE_BROWSER=1 insists on a browser and there is none"
    with serving() as address, sync_playwright() as play:
        assert not _shows_the_form(address.split("?")[0])
        assert not _shows_the_form(address + "x")
        flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        browser = play.chromium.launch(executable_path=BROWSER, args=flags)
        page = browser.new_page(viewport={"width": 1280, "height": 1000})
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.set_default_timeout(WAIT)
        begun = time.perf_counter()
        response = page.goto(address)
        assert "default-src 'self'" in response.headers["content-security-policy"]
        page.get_by_label("First score").wait_for()
        first_paint = time.perf_counter() - begun
        page.get_by_label("First score").fill("9")
        page.keyboard.press("Tab")  # the keyboard alone must do
        page.keyboard.type("13")
        page.get_by_label("Error of one score").fill("1")
        page.get_by_label("Change that matters").fill("2")
        page.keyboard.press("Tab")
        page.get_by_text("You really are doing better").wait_for()
        begun = time.perf_counter()
        page.get_by_label("Last score").fill("8")
        page.keyboard.press("Tab")
        page.get_by_text("small ups and downs").wait_for()
        answer = time.perf_counter() - begun
        assert page.get_by_role("img").get_attribute("alt").startswith("30-second chair stand")
        page.get_by_label("seat height (cm), first test").fill("50")
        page.get_by_label("seat height (cm), last test").fill("43")
        page.keyboard.press("Tab")
        page.get_by_text("Not the same both times").wait_for()
        assert page.get_by_role("alert").inner_text().startswith("No answer")
        assert page.get_by_text("small ups and downs").count() == 0
        picture = page.screenshot(path=tmp_path / "page.png", full_page=True)
        assert len(picture) > 20_000
        assert page.evaluate("document.getElementById('rendered_cells').getBoundingClientRect().height") > 500
        browser.close()
    outside = [url for url in asked if not url.startswith(("http://127.0.0.1", "ws://127.0.0.1", "data:", "blob:"))]
    assert outside == []
    print(f"first paint {first_paint:.1f} s, answer {answer:.2f} s")
    if os.environ.get("TRUECHANGE_FULL") == "1":  # a busy machine says nothing about the page
        assert first_paint <= 8
        assert answer <= 1
