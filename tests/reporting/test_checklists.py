"""Checklists: the items of each guideline are there, known facts are filled, the rest stays a question."""

import pytest

from truechange.reporting.references import QUESTION, bibliography, checklist

# How many items each guideline has (GRRAS: Kottner 2011, 15 items, checked); the others are our selection.
SIZES = {"grras": 15, "cosmin_error": 9, "consort_outcomes": 11, "consort_pro": 5}


@pytest.mark.parametrize(("name", "size"), SIZES.items())
def test_every_list_has_its_items_and_a_source(name, size):
    empty = checklist(name, {})
    assert len(empty.rows) == size
    assert empty.filled == 0
    assert set(empty.sources) <= set(bibliography())
    assert all(row[1] == QUESTION for row in empty.ready().rows)


def test_a_known_fact_lands_in_its_item():
    filled = checklist("consort_outcomes", {"missing": "complete cases beside multiple imputation"})
    assert filled.filled == 1
    assert filled.table().query("answered")["item"].tolist() == ["9"]
