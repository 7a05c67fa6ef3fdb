"""The first page: one sentence, four numbers and the targets, each from the record and each saying of whom."""

import os
import re
import shutil
from dataclasses import replace

import numpy as np
import pytest
from clinics import TEST, clinic, codes, scores
from walks import without_pictures

import truechange as tc
from truechange.figures import changes_beside_error
from truechange.foundation.numbers import fixed, percent
from truechange.reporting.audit_exhibits import OneTest
from truechange.reporting.audit_report import AuditReport, first_page, headline, words_used
from truechange.reporting.page import Figures, Section, Words

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
INSISTS = os.environ.get("TRUECHANGE_BROWSER") == "1"


@pytest.fixture(scope="module")
def public(clinic_audit):
    return clinic_audit.public()


def test_the_headline_counts_the_due_and_the_measured_apart(public):
    enough = public.responders[public.primary]
    row = enough.counted.rows.iloc[0]
    assert headline(OneTest(public)) == (
        f"{row['changed_enough']} of the {row['started']} people due improved by "
        f"{enough.counted.threshold.shown(1.0)}; measurement error alone would give about "
        f"{fixed(enough.from_error.expected, 0)} of the {enough.from_error.n} tested twice."
    )


def test_the_four_numbers_are_those_of_the_parts(public):
    page = first_page(OneTest(public))
    numbers = next(block for block in page.blocks if isinstance(block, Figures)).cells
    flow, change = public.flow[public.primary], public.change[public.primary]
    enough = public.responders[public.primary]
    assert numbers[0][0] == str(flow.due)
    assert f"{flow.compared} tested twice" in numbers[0]
    assert numbers[1][:2] == (percent(enough.counted.share().value), "of those due")
    assert numbers[2][:2] == (percent(enough.from_error.proportion), "of those tested twice")
    assert numbers[3][0] == f"+{fixed(change.mean.value, 2 - 1)}"
    assert all("of those" in whom or whom == "people due" for _, whom, _, _ in numbers)


def test_what_limits_the_answer_stands_beside_it(public):
    said = " ".join(text for block in first_page(OneTest(public)).blocks if isinstance(block, Words)
                    for text in block.texts)  # fmt: skip
    assert public.comparison[public.primary].sentence() in said
    assert public.missing[public.primary].sentence() in said
    assert "Held against: MCID" in said
    assert "does not diagnose" in said


def test_an_audit_that_may_not_say_a_share_says_why_and_shows_no_number_for_it():
    people = codes(20)
    records = clinic(scores(people, [10] * 20, [13.0] * 9 + [np.nan] * 11))
    audit = tc.audit(records, thresholds={TEST: {"sem": 0.9, "mcid": 2.0}}, as_of="2026-01-01", weeks=12, n_boot=20)
    told = OneTest(audit.public())
    page = first_page(told)
    assert "cannot be told" in headline(told)
    assert "half or more" in headline(told)
    numbers = next(block for block in page.blocks if isinstance(block, Figures)).cells
    assert [cell[0] for cell in numbers] == ["20", "–", "–", "–"]


def test_without_an_error_the_headline_does_not_pretend_to_know_it():
    records = clinic(scores(codes(20), [10] * 20, [13.0] * 16 + [10.0] * 4))
    audit = tc.audit(records, thresholds={TEST: {"mcid": 2.0}}, n_boot=20).public()
    assert headline(OneTest(audit)) == (
        "16 of the 20 people due improved by at least 2 stands; what measurement error alone would give is not known."
    )


def test_clinic_days_and_author_stand_in_the_title(clinic_audit):
    from truechange.reporting.files import stamp

    facts = {"clinic": "North clinic", "author": "The lead"}
    audit = replace(clinic_audit, period="started from 2025-01-01 to 2025-03-31")
    page = AuditReport(audit, stamp=stamp([], facts)).page()
    lead = re.search(r'<p class="quiet">(.*?)</p>', page)[1]
    assert lead.startswith("North clinic · leg power compared with waiting list · people who started from 2025-01-01")
    assert lead.endswith("responsible: The lead")


def test_each_trade_word_is_explained_once_and_only_where_it_is_used(clinic_page):
    words = clinic_page[clinic_page.index("Words used") : clinic_page.index("Who could be compared")]
    assert words.count("minimal clinically important difference") == 1
    assert words.count("how often chance alone") == 1
    assert words_used([Section("", [Words(["The SEM is 1."])])]) == [
        "SEM, standard error of measurement: how far a score lies from the person's true one, typically."
    ]


def test_trade_words_of_the_statistician_stay_in_the_appendix(clinic_page):
    page = without_pictures(clinic_page)
    told = page[: page.index("Appendix: cautions")]
    for word in ("shrunken", "Holm", "winsorised dispersion", "ANCOVA"):
        assert word not in told


def test_bars_and_line_hold_as_many_people():
    changes = [0, 1, 2, 2, 3, 5, -1, np.nan]
    limit = tc.Threshold(value=1.8, kind="mcid", unit="stands")
    ax = changes_beside_error(changes, limit, tc.Estimate(value=0.9), unit="stands")
    bars = [bar for bar in ax.patches if hasattr(bar, "get_height") and bar.get_height()]
    assert sum(bar.get_height() for bar in bars) == 7
    dark = [bar for bar in bars if bar.get_x() + bar.get_width() / 2 > 1.5]
    assert sum(bar.get_height() for bar in dark) == sum(change >= 2 for change in changes)
    line = next(patch for patch in ax.patches if type(patch).__name__ == "StepPatch").get_data()
    assert line.values.sum() == pytest.approx(7, rel=0.02)


def test_a_fine_scale_has_few_bars_and_the_threshold_on_an_edge():
    rng = np.random.default_rng(1)
    limit = tc.Threshold(value=1.23, kind="mdc", unit="s")
    ax = changes_beside_error(rng.normal(1, 2, 300), limit, tc.Estimate(value=0.5), unit="s", resolution=0.1)
    bars = [bar for bar in ax.patches if type(bar).__name__ == "Rectangle"]
    assert len(bars) <= 40
    edges = {round(bar.get_x() + bar.get_width() / 2 - bar.get_width() / 0.88 / 2, 6) for bar in bars}
    assert round(1.3 - 0.05, 6) in edges


def test_nobody_to_draw_is_refused():
    with pytest.raises(tc.DataError, match="nobody has two"):
        changes_beside_error([np.nan], None, None)


@pytest.mark.browser
@pytest.mark.skipif(not BROWSER and not INSISTS, reason="no Chromium on this machine, so the report was not opened")
def test_the_report_fits_a_phone_and_a_desk_without_sideways_scrolling(clinic_page, tmp_path):
    from playwright.sync_api import sync_playwright

    (tmp_path / "audit.html").write_text(clinic_page, encoding="utf-8")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=BROWSER, args=["--no-sandbox", "--disable-gpu"])
        wide = "e => e.getBoundingClientRect().right > innerWidth + 1"
        for width in (390, 1280):
            page = browser.new_page(viewport={"width": width, "height": 844})
            page.goto((tmp_path / "audit.html").as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") == width
            assert page.evaluate(f"[...document.querySelectorAll('*')].filter({wide}).length") == 0
        browser.close()
