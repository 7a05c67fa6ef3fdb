"""Tables: the interval beside its estimate, the digits of the scale, nothing a spreadsheet would run."""

import numpy as np
import pandas as pd
import pytest

import truechange as tc
from truechange.reporting.tables import ReadyTable, ready_table

ROWS = pd.DataFrame(
    {
        "quantity": ["SEM", "MDC95"],
        "estimate": [0.987654, 2.737654],
        "low": [0.7, 1.94],
        "high": [1.4, 3.88],
        "unit": ["stands", "stands"],
        "n": [30, 30],
        "method": ["mean squares", "1.96 × √2 × SEM"],
    }
)


def retest():
    rng = np.random.default_rng(4)
    true = np.repeat(rng.normal(12, 3, 30), 2)
    return pd.DataFrame(
        {"person": np.repeat(np.arange(30), 2), "trial": [1, 2] * 30, "value": true + rng.normal(0, 1, 60)}
    )


def test_one_decimal_more_than_the_scale_is_read_to():
    stands = ready_table(ROWS, "Error", resolution=1)
    assert stands.rows[1][1] == "2.7 stands (1.9 to 3.9)"
    assert ready_table(ROWS, "Error", resolution=0.1).rows[1][1] == "2.74 stands (1.94 to 3.88)"


def test_digits_follow_the_interval_without_a_scale():
    assert ready_table(ROWS, "Error").rows[0][1] == "0.99 stands (0.70 to 1.40)"


def test_method_and_origin_become_lettered_footnotes():
    table = ready_table(ROWS, "Error")
    assert table.rows[0][0] == "SEM (a)"
    assert table.notes[:2] == ("(a) mean squares.", "(b) 1.96 × √2 × SEM.")


def test_cautions_of_a_result_are_footnotes():
    result = tc.measurement_error(retest(), unit="stands")
    assert set(result.cautions) <= set(ready_table(result, "Error").notes)


def test_every_number_is_the_results_own_number():
    result = tc.measurement_error(retest(), unit="stands")
    cell = ready_table(result, "Error", resolution=1).rows[4][1]
    assert cell == f"{result.mdc95.value:.1f} stands ({result.mdc95.low:.1f} to {result.mdc95.high:.1f})"


def test_html_escapes_and_names_its_heads():
    table = ReadyTable("<b>", ("a", "b"), (("<script>", "1.0"),), ("n & m",))
    page = table.html()
    assert "<script>" not in page
    assert '<th scope="col">a</th>' in page
    assert '<td class="number">1.0</td>' in page
    assert "n &amp; m" in page


def test_csv_runs_nothing_in_a_spreadsheet():
    text = ReadyTable("t", ("name", "value"), (("=1+1", "@SUM(A1)"), ("−2.1", "4"))).csv()
    assert "'=1+1,'@SUM(A1)" in text


def test_latex_escapes_and_has_a_caption():
    text = ReadyTable("Change, 50 %", ("a_b", "c & d"), (("x_1", "−2.0"),), ("100 % & more",)).latex()
    assert r"\caption{Change, 50 \%}" in text
    assert r"a\_b" in text
    assert r"c \& d" in text
    assert "$-$2.0" in text
    assert text.count(r"\begin{table}") == text.count(r"\end{table}") == 1


def test_docx_repeats_its_head_and_splits_no_row(tmp_path):
    docx = pytest.importorskip("docx")
    document = docx.Document()
    ready_table(ROWS, "Error").add_to(document)
    table = document.tables[0]
    assert [cell.text for cell in table.rows[0].cells] == ["quantity", "estimate (95% CI)", "n"]
    assert "w:tblHeader" in table.rows[0]._tr.xml
    assert all("w:cantSplit" in row._tr.xml for row in table.rows)
    document.save(tmp_path / "t.docx")


def test_shares_are_percentages_and_missing_is_a_dash():
    frame = pd.DataFrame({"group": ["a"], "proportion": [0.4], "low": [0.25], "high": [0.58], "other": [np.nan]})
    assert ready_table(frame, "Shares").rows[0] == ("a", "40% (25% to 58%)", "–")


def test_a_column_without_a_word_is_left_out():
    frame = pd.DataFrame({"check": ["order", "share"], "judged": ["good", "weak"], "what_to_do": ["", ""]})
    assert ready_table(frame, "x").head == ("check", "judged")
    assert ready_table(frame.assign(what_to_do=["", "wait"]), "x").rows[1] == ("share", "weak", "wait")
