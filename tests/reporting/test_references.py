"""The bibliography is whole, every key the library uses is in it, and nothing is cited that was not used."""

import ast
import re
from datetime import date
from functools import cache
from pathlib import Path

import pytest

import truechange as tc
from truechange.reporting.references import QUESTION, bibliography, checklist

HOUSE = Path(tc.__file__).parent
KEY = re.compile(r"[a-z]{3,}(18|19|20)\d\d[a-c]?")
# Checked before the place was written down. Only ever shorter: strike a key when its place is filled in.
PLACE_UNKNOWN = """
altman1998 barnard1999 barnett2005 bland1986 bland1999 bonett2002 butcher2022 calvert2013 carkeet2015 cohen1968
crawford1998 devji2020 efron1987 efron2016 firth1993 fleiss1969 fleiss1973 hopkins2000 jacobson1991 mcgraw1996
newcombe1998a newcombe1998b newcombe1998c norman2003 rogan1978 rubin1987 senn2016 shieh2018 tenhove2024 tenhove2025
terluin2015 terluin2017 terwee2007 vickers2001 vickers2001b walter1998
"""


@cache
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


def test_a_checked_source_says_where_it_was_seen():
    checked = {key: entry for key, entry in bibliography().items() if entry.checked}
    places = {key: entry.fields["seen"] for key, entry in checked.items() if entry.fields.get("seen")}
    assert checked.keys() - places.keys() == set(PLACE_UNKNOWN.split())
    assert not [key for key, place in places.items() if "://" in place or place.startswith("/")]
    assert not [key for key, place in places.items() if place in checked[key].text()]


def test_details_from_memory_were_sought_and_stay_only_where_the_code_needs_them():
    loose = {key: entry for key, entry in bibliography().items() if not entry.checked}
    for entry in loose.values():
        date.fromisoformat(entry.fields["sought"].partition(":")[0])
    assert loose.keys() <= _keys_in_code().keys()


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
