"""The case files can be read, say where they come from, and promise what they print."""

import re
from pkgutil import resolve_name

import pytest

from truechange.validation.cases import CAME, case_ids, load_case


@pytest.mark.parametrize("name", case_ids())
def test_a_case_names_its_source_and_how_it_came_and_checks_what_is_printed(name):
    case = load_case(name)
    assert case.id == name
    assert all((case.citation, case.checks, case.status, case.expected))
    assert case.came in CAME
    assert case.strength in ("A", "B", "C")
    if case.strength == "C":  # no published source
        assert case.came in ("recomputed", "from memory", "independent route")
    if "results from memory" in case.status or case.status.startswith("from memory"):
        assert case.came == "from memory"
    if case.came in ("printed table", "certified file"):
        assert "checked" in case.status
    for key, item in case.expected.items():
        assert item.came in CAME
        assert item.tolerance > 0
        assert float(item.printed) == pytest.approx(item.value, rel=1e-12, abs=item.tolerance), key


@pytest.mark.parametrize("name", case_ids())
def test_what_a_case_names_as_computing_its_numbers_is_there(name):
    named = re.findall(r"truechange(?:\.\w+)+|tc\.\w+", load_case(name).by)
    for place in named:
        assert callable(resolve_name(re.sub(r"^tc\.", "truechange.", place)))
