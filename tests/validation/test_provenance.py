"""Where numbers and formulas come from is said, and what nobody has looked up is marked wherever it is shown."""

import inspect
import re
from importlib import import_module
from pathlib import Path

import pytest

import truechange as tc
from truechange.reporting.references import UNCHECKED, bibliography
from truechange.validation.cases import CAME, case_ids, load_case
from truechange.validation.run import counts_table, page

HOUSE = Path(tc.__file__).parent
ROOMS = ("measures", "reliability", "meaningful_change", "individual", "responders", "programme", "planning")
FORMULA = re.compile(r":math:|\.\. math::|[√ΦΣ²χ]|``[^`]*[=*/+−][^`]*``")
SOURCE = re.compile(r"\b(1[89]|20)\d\d\b|own derivation|own rule|textbook form|by definition", re.IGNORECASE)
CITED = re.compile(r"([A-Z][a-zà-ž]+(?:[A-Z][a-z]+)?)[^.;)\]]{0,80}?\(?\b((?:19|20)\d\d)\b")


def public_functions():
    for place in sorted(path for room in ROOMS for path in (HOUSE / room).glob("*.py")):
        home = import_module(f"truechange.{place.parent.name}.{place.stem}")
        for name, found in sorted(vars(home).items()):
            if inspect.isfunction(found) and found.__module__ == home.__name__ and name[0] != "_":
                yield pytest.param(inspect.getdoc(found), id=f"{place.parent.name}.{place.stem}.{name}")


@pytest.mark.parametrize("text", list(public_functions()))
def test_a_formula_in_a_docstring_names_its_source_and_how_far_it_was_checked(text):
    notes = text.split("Examples\n---")[0]
    if not FORMULA.search(notes.split("Parameters\n---")[0] + "".join(notes.split("Notes\n---")[1:])):
        return
    assert SOURCE.search(notes), "the formula names no source: author and year, own derivation, or textbook form"
    cited = {(surname.lower(), year) for surname, year in CITED.findall(notes)}
    unseen = [
        entry.key
        for entry in bibliography().values()
        if not entry.checked
        and any(entry.key.startswith(surname) and entry.fields["year"] == year for surname, year in cited)
    ]
    assert not unseen or "from memory" in notes, f"cites {unseen} without saying that it is from memory"


def test_a_value_from_memory_is_marked_wherever_it_is_shown():
    frame = tc.published()
    named = frame["quantity"].isin(["mic", "mdc90"]) & (frame["measure"] == "timed_up_and_go")
    row = frame[(frame["status"] == "from memory") & named].iloc[0]
    chosen = {"citation": row["citation"], "value": row["value"]}
    with pytest.raises(tc.RefusedError, match="memory"):
        tc.published_threshold(row["measure"], row["quantity"], **chosen)
    held = tc.published_threshold(row["measure"], row["quantity"], **chosen, from_memory=True)
    assert "[from memory]" in held.origin.sentence()
    assert held.row()["origin"].endswith("[from memory]")


def test_a_reference_from_memory_says_so_in_the_list():
    entries = bibliography().values()
    assert {entry.fields["status"] for entry in entries} == {"checked", "from memory"}
    for entry in entries:
        assert entry.checked == (UNCHECKED not in entry.text())


def test_the_report_explains_every_label_and_shows_those_from_memory():
    assert {case.came for case in map(load_case, case_ids())} <= set(CAME)
    from truechange.validation.run import run_case

    checks = [*run_case("ttest_sleep"), *run_case("nist_sirstv")]
    shown = page(checks)
    assert CAME["from memory"] in shown
    assert "ttest_sleep [from memory]" in shown
    assert counts_table(checks)["agrees"].sum() == sum(check.verdict == "agrees" for check in checks)
