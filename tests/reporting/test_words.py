"""The glossary and the decision page name only what exists, and every page tells that it does not diagnose."""

import re
from pathlib import Path

import pytest

import truechange as tc

PAGES = Path(__file__).parents[2] / "notebooks"


@pytest.mark.parametrize("name", ["glossary.md", "which_number.md"])
def test_every_call_named_exists(name):
    text = (PAGES / name).read_text(encoding="utf-8")
    calls = set(re.findall(r"tc\.([a-z_]+)", text))
    assert len(calls) > 8
    assert not [call for call in calls if call not in tc.__all__]
    assert "do not diagnose" in text


def test_terms_stand_in_order():
    rows = re.findall(r"^\| ([^|]+) \|", (PAGES / "glossary.md").read_text(encoding="utf-8"), re.MULTILINE)
    terms = [row.lower() for row in rows if row not in ("term",)]
    assert terms == sorted(terms)
