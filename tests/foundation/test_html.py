"""Pages need no network, escape what people typed, and every picture has words."""

import pandas as pd
import pytest

from truechange.foundation import drawing
from truechange.foundation.drawing import cell_text, document, frame_table, png
from truechange.foundation.estimate import Estimate


def test_typed_text_cannot_become_markup():
    page = document("<b>t</b>", frame_table(pd.DataFrame({"note": ["<script>alert(1)</script>"], "b": [1]}), "<i>"))
    assert "<script>" not in page
    assert "&lt;script&gt;" in page
    assert "<title>&lt;b&gt;" in page


def test_a_page_asks_nothing_of_the_network():
    page = document("Title", "<p>body</p>")
    for address in ("http:", "https:", "//", "@import", "<link", "<script"):
        assert address not in page.replace("</", "<")


def test_a_table_has_scopes_and_a_named_index():
    frame = pd.DataFrame({"estimate": [1.23456]}, index=pd.Index(["ICC(A,1)"], name="form"))
    html = frame_table(frame, "Coefficients")
    assert '<th scope="row">ICC(A,1)</th><td class="number">1.235</td>' in html
    assert "<caption>Coefficients</caption>" in html


@pytest.mark.parametrize(
    ("value", "shown"),
    [(None, "–"), (float("nan"), "–"), (True, "yes"), (3, "3"), (-2, "−2"), (1.50, "1.5"), (1e-9, "0"), ("a", "a")],
)
def test_cells(value, shown):
    assert cell_text(value) == shown


def test_the_same_picture_gives_the_same_bytes():
    def draw():
        return drawing.interval_rows(["a", "b"], [Estimate(value=1, low=0, high=2), Estimate(value=2)], strong=[0])

    first, second = png(draw()), png(draw())
    assert first == second
    assert first[:8] == b"\x89PNG\r\n\x1a\n"


def test_rows_are_drawn_from_the_top_with_their_labels():
    ax = drawing.interval_rows(["first", "second"], [Estimate(value=1, low=0, high=2), Estimate(value=2)], unit="s")
    assert [label.get_text() for label in ax.get_yticklabels()] == ["first", "second"]
    assert ax.get_ylim()[0] > ax.get_ylim()[1]
    assert ax.get_xlabel() == "s"
    png(ax)


def test_drawing_never_takes_someone_elses_axes():
    import matplotlib.pyplot as plt

    mine, ax = plt.subplots()
    new = drawing.axes()
    assert new is not ax
    assert drawing.axes(ax) is ax
    plt.close(mine)
    plt.close(new.figure)
