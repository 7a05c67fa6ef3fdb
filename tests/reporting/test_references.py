"""The bibliography is whole, every key the library uses is in it, and nothing is cited that was not used."""

import ast
import re
from pathlib import Path

import pytest

import truechange as tc
from truechange.foundation.errors import ChoiceError
from truechange.reporting.references import bibliography

HOUSE = Path(tc.__file__).parent
KEY = re.compile(r"[a-z]{3,}(18|19|20)\d\d[a-c]?")


def _keys_in_code():
    found = {}
    for path in sorted(HOUSE.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and KEY.fullmatch(node.value):
                found.setdefault(node.value, path.name)
    return found


def test_every_key_in_the_code_has_an_entry():
    missing = {key: name for key, name in _keys_in_code().items() if key not in bibliography()}
    assert not missing


def test_keys_follow_first_author_and_year():
    for key, entry in bibliography().items():
        surname = re.sub(r"[^a-z]", "", entry.fields["author"].split(" and ")[0].split(",")[0].lower())
        assert re.fullmatch(rf"{surname}{entry.fields['year']}[a-c]?", key), key


def test_dois_are_dois_and_not_shared():
    dois = [entry.fields["doi"] for entry in bibliography().values() if "doi" in entry.fields]
    assert all(doi.startswith("10.") for doi in dois)
    assert len(dois) == len(set(dois))


def test_an_unchecked_source_says_so_and_a_checked_one_does_not():
    loose = next(key for key, entry in bibliography().items() if not entry.checked)
    listed = tc.cite(loose, "shrout1979")
    first, second = listed.sentences()
    assert first.endswith("[details from memory]")
    assert "memory" not in second
    assert loose in listed.cautions[0]
    assert "shrout1979" not in listed.cautions[0]


def test_numbered_by_first_use_each_once():
    listed = tc.cite("weir2005", "shrout1979", "weir2005")
    assert [entry.key for entry in listed.entries] == ["weir2005", "shrout1979"]
    assert listed.marks("shrout1979", "weir2005") == "[1,2]"
    assert tc.cite("weir2005", style="author-year").marks("weir2005") == "(Weir 2005)"
    assert tc.cite("shrout1979", style="author-year").marks("shrout1979") == "(Shrout and Fleiss 1979)"


def test_many_authors_are_shortened():
    assert "Devji T, Carrasco-Labra A" in tc.cite("devji2020").sentences()[0]
    assert "et al" in tc.cite("devji2020").sentences()[0]


def test_bibtex_can_be_read_back():
    from bibtexparser import parse_string

    entry = parse_string(str(tc.cite("newcombe1998b", style="bibtex"))).entries[0]
    assert entry.key == "newcombe1998b"
    assert entry.fields_dict["doi"].value == bibliography()["newcombe1998b"].fields["doi"]


def test_unknown_key_and_style_are_refused():
    with pytest.raises(ChoiceError, match="nobody2000"):
        tc.cite("nobody2000")
    with pytest.raises(ChoiceError, match="style"):
        tc.cite("weir2005", style="footnotes")
