"""The case files can be read, say where they come from, and promise what they print."""

import pytest

from truechange.validation.cases import CAME, case_ids, load_case


@pytest.mark.parametrize("name", case_ids())
def test_a_case_names_its_source_and_how_it_came(name):
    case = load_case(name)
    assert case.id == name
    assert case.citation
    assert case.checks
    assert case.status
    assert case.came in CAME
    assert case.strength in ("A", "B", "C")
    assert case.expected


@pytest.mark.parametrize("name", case_ids())
def test_what_is_printed_is_what_is_checked(name):
    for key, item in load_case(name).expected.items():
        assert item.came in CAME
        assert item.tolerance > 0
        assert float(item.printed) == pytest.approx(item.value, rel=1e-12, abs=item.tolerance), key


@pytest.mark.parametrize("name", case_ids())
def test_a_number_without_a_published_source_is_never_called_published(name):
    case = load_case(name)
    if case.strength == "C":
        assert case.came in ("recomputed", "from memory", "independent route")
