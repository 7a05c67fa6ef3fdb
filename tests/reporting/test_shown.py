"""Sentences and pictures as a notebook shows them: text that wraps, images with words and captions, one table style."""

import re

import matplotlib as mpl
import nbformat
import pytest
from nbclient import NotebookClient
from nbconvert import HTMLExporter

import truechange as tc

CODE = """
import pandas as pd
import matplotlib.pyplot as plt
import truechange as tc

share = tc.count_responders([1, 2, 3, 4, 5, 6], 3)
tc.tell(share.sentences(), f"<b> {share.share().value:.2f}")
# next
tc.picture(share, "The share & its interval.")
# next
ax = plt.subplots()[1]
tc.picture(ax, "Empty axes.", alt='Axes with "nothing" on them.')
# next
tc.ready_table(pd.DataFrame({"way": ["a"], "gain": [-0.0001], "low": [-1.2], "high": [1.1]}), "One row")
"""


@pytest.fixture(scope="module")
def shown():
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(code) for code in CODE.split("# next\n")])
    NotebookClient(book, timeout=120, kernel_name="python3").execute()
    return book


@pytest.fixture(scope="module")
def page(shown):
    return HTMLExporter(template_name="basic").from_notebook_node(shown)[0]


def test_sentences_are_paragraphs_with_everything_escaped(shown):
    [said] = shown.cells[0].outputs
    assert said.data["text/html"].count("<p>") == 2
    assert "&lt;b&gt; 0.67" in said.data["text/html"]
    assert said.data["text/plain"].splitlines()[-1] == "<b> 0.67"


def test_a_result_is_drawn_once_with_its_own_words_and_a_caption_below(shown, page):
    image, caption = shown.cells[1].outputs
    assert "image/png" in image.data
    assert image.metadata["image/png"]["alt"] == tc.count_responders([1, 2, 3, 4, 5, 6], 3).alt
    assert caption.data["text/html"] == "<p><em>The share &amp; its interval.</em></p>"
    assert page.count("<img alt=") == 2
    assert f'<img alt="{image.metadata["image/png"]["alt"]}"' in page
    assert """<img alt='Axes with "nothing" on them.'""" in page


def test_axes_of_ones_own_are_shown_once(shown):
    assert sum("image/png" in out.get("data", {}) for out in shown.cells[2].outputs) == 1


def test_axes_without_words_are_refused():
    with mpl.rc_context({"backend": "agg"}), pytest.raises(tc.OutcomeError, match="alt text"):
        tc.picture(mpl.figure.Figure().subplots(), "No words.")


def test_a_table_has_one_header_row_and_no_minus_zero(shown):
    made = shown.cells[3].outputs[0].data
    assert made["text/html"].count("<tr>") == 2
    assert re.search(r"<td[^>]*>0[.0]* \(−1.2", made["text/html"])
    assert "ReadyTable(" not in made["text/plain"]
