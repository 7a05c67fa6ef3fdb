"""Bibliography (BibTeX; only what was computed is cited) and reporting checklists."""

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from truechange.foundation.errors import ChoiceError, DataError, check_choice, in_short, listed
from truechange.foundation.result import Result
from truechange.reporting.tables import ReadyTable

if TYPE_CHECKING:
    import pandas as pd

BIBLIOGRAPHY = Path(__file__).with_name("references.bib")
STYLES = ("numbered", "author-year", "bibtex")
STATUSES = ("checked", "from memory")
UNCHECKED = "details from memory"


@dataclass(frozen=True, slots=True)
class Reference:
    """One source: its key and the fields of its BibTeX entry."""

    key: str
    kind: str
    fields: dict[str, str]

    @property
    def checked(self) -> bool:
        """Whether somebody has seen the details in a public copy."""
        return self.fields["status"] == "checked"

    @property
    def year(self) -> str:
        """Year of publication."""
        return self.fields["year"]

    @property
    def authors(self) -> list[str]:
        """Authors as ``Surname AB``, at most six before ``et al``."""
        names = self.fields["author"].split(" and ")
        short = [_short_name(name) for name in names if name != "others"]
        return short if len(short) <= 6 and "others" not in names else [*short[:6], "et al"]

    @property
    def surnames(self) -> str:
        """First author's surname, or two, or the first and ``et al``."""
        names = [name.split(",")[0] for name in self.fields["author"].split(" and ")]
        if len(names) == 1:
            return names[0]
        return f"{names[0]} and {names[1]}" if len(names) == 2 and "others" not in names else f"{names[0]} et al."

    def text(self) -> str:
        """Write the reference as in a numbered list; details from memory say so."""
        get = self.fields.get
        volume = f"{get('volume', '')}{'(' + get('number', '') + ')' if get('number') else ''}"
        pages = f":{get('pages', '').replace('--', '-')}" if get("pages") else ""
        edition = f" {get('edition')} edition." if get("edition") else ""
        where = f"{get('journal') or get('publisher')}. {get('year')}"
        said = f"{', '.join(self.authors)}. {get('title')}.{edition} {where}{';' + volume if volume else ''}{pages}."
        doi = f" doi:{get('doi')}" if get("doi") else ""
        return f"{said}{doi}{'' if self.checked else f' [{UNCHECKED}]'}"

    def bibtex(self) -> str:
        """Write the entry back as BibTeX."""
        body = ",\n".join(f"  {name} = {{{value}}}" for name, value in self.fields.items())
        return f"@{self.kind}{{{self.key},\n{body}\n}}"


def _short_name(name: str) -> str:
    surname, _, given = name.partition(", ")
    return f"{surname} {''.join(part for part in given if part.isupper())}".strip()


@cache
def bibliography() -> dict[str, Reference]:
    """Read the packaged BibTeX file: every source the library rests on, by key.

    Raises
    ------
    DataError
        An entry cannot be read, is doubled, or lacks author, title, year or a known status.
    """
    from bibtexparser import parse_file

    library = parse_file(str(BIBLIOGRAPHY))
    if library.failed_blocks:
        raise DataError(f"{BIBLIOGRAPHY.name}: an entry near line {library.failed_blocks[0].start_line} is not BibTeX.")
    found = {}
    for entry in library.entries:
        fields = {field.key: str(field.value) for field in entry.fields}
        lacking = [name for name in ("author", "title", "year", "status") if not fields.get(name)]
        if lacking or fields["status"] not in STATUSES:
            raise DataError(f"{BIBLIOGRAPHY.name}: {entry.key} lacks {listed(lacking) or 'a known status'}.")
        found[entry.key] = Reference(entry.key, entry.entry_type, fields)
    return found


@dataclass(frozen=True)
class ReferenceList(Result):
    """The numbered references of one or more results, in the order of first use.

    Parameters
    ----------
    entries : tuple of Reference
        Number 1 first.
    style : {"numbered", "author-year", "bibtex"}
        How they are written out.
    """

    entries: tuple[Reference, ...]
    style: str = "numbered"
    cautions: tuple[str, ...] = ()

    def marks(self, *keys: str) -> str:
        """Return the citation mark of `keys` for running text: ``[1,3]`` or ``(Weir 2005)``."""
        places = {entry.key: number for number, entry in enumerate(self.entries, start=1)}
        if self.style == "bibtex":
            return f"\\cite{{{','.join(keys)}}}" if keys else ""
        if self.style == "author-year":
            chosen = (self.entries[places[key] - 1] for key in keys)
            return f"({'; '.join(f'{entry.surnames} {entry.year}' for entry in chosen)})" if keys else ""
        return f"[{','.join(str(number) for number in sorted(places[key] for key in keys))}]" if keys else ""

    def sentences(self) -> tuple[str, ...]:
        """Return one written reference an item."""
        if self.style == "bibtex":
            return tuple(entry.bibtex() for entry in self.entries)
        if self.style == "author-year":
            return tuple(entry.text() for entry in sorted(self.entries, key=lambda e: e.text().lower()))
        return tuple(f"{number}. {entry.text()}" for number, entry in enumerate(self.entries, start=1))

    def table(self) -> "pd.DataFrame":
        """Return number, key, reference, doi and status."""
        import pandas as pd

        rows = [
            {
                "number": number,
                "key": entry.key,
                "reference": entry.text(),
                "doi": entry.fields.get("doi", ""),
                "status": entry.fields["status"],
            }
            for number, entry in enumerate(self.entries, start=1)
        ]
        return pd.DataFrame(rows, columns=["number", "key", "reference", "doi", "status"])

    def _repr_html_(self) -> str:
        from truechange.foundation.drawing import bullet_list

        return bullet_list(self.sentences())


def cite(*results: Result | str, style: str = "numbered") -> ReferenceList:
    """List the sources of what was really computed, and nothing else.

    Parameters
    ----------
    *results : Result or str
        Results, whose ``.sources`` are taken, or single keys of the bibliography.
    style : {"numbered", "author-year", "bibtex"}, optional
        Numbered by first use, alphabetical, or BibTeX entries for a reference manager.

    Returns
    -------
    ReferenceList
        ``str()`` of it is the list; ``.table()`` has key, doi and status. A
        source whose details nobody has looked up yet is marked.

    Raises
    ------
    ChoiceError
        `style` is unknown, or a key is not in the bibliography.

    Examples
    --------
    >>> print(cite("weir2005"))
    1. Weir JP. Quantifying test-retest reliability using the intraclass correlation coefficient and the SEM. Journal
    of Strength and Conditioning Research. 2005;19(1):231-240. doi:10.1519/15184.1
    """
    check_choice("style", style, STYLES)
    keys = tuple(dict.fromkeys(_keys(results)))
    known = bibliography()
    unknown = [key for key in keys if key not in known]
    if unknown:
        raise ChoiceError(f"Not in the bibliography: {listed(unknown)}. Add the entry to {BIBLIOGRAPHY.name}.")
    entries = tuple(known[key] for key in keys)
    loose = [entry.key for entry in entries if not entry.checked]
    caution = (
        (f"Details from memory, look them up before printing: {listed(loose, most=len(loose))}.",) if loose else ()
    )
    return ReferenceList(entries, style, caution)


def _keys(results: Iterable[Result | str]) -> Iterable[str]:
    for result in results:
        if not isinstance(result, str) and not hasattr(result, "sources"):
            raise ChoiceError(f"{in_short(result)} has no sources; give results, or keys such as 'weir2005'.")
        yield from (result,) if isinstance(result, str) else result.sources


ITEMS = Path(__file__).with_name("checklists.toml")
QUESTION = "For you to answer."


@cache
def _lists() -> dict[str, Any]:
    return tomllib.loads(ITEMS.read_text(encoding="utf-8"))


@dataclass(frozen=True)
class Checklist(Result):
    """One checklist with what the analysis knows filled in.

    Parameters
    ----------
    name, title : str
        Short name and heading.
    rows : tuple of (str, str, str)
        Number, what to report, the answer; an empty answer is a question left to the author.
    sources : tuple of str
        Bibliography key of the guideline. Items are in our own words.
    """

    name: str
    title: str
    rows: tuple[tuple[str, str, str], ...]
    sources: tuple[str, ...]
    cautions: tuple[str, ...] = ()

    @property
    def filled(self) -> int:
        """How many items the analysis could answer."""
        return sum(bool(answer) for _, _, answer in self.rows)

    def table(self) -> "pd.DataFrame":
        """Return item, what to report, answer and who answered it."""
        import pandas as pd

        rows = [
            {"item": number, "report": what, "answer": answer, "answered": bool(answer)}
            for number, what, answer in self.rows
        ]
        return pd.DataFrame(rows, columns=["item", "report", "answer", "answered"])

    def sentences(self) -> tuple[str, ...]:
        """Say how far the list is filled."""
        return (f"{self.title}: {self.filled} of {len(self.rows)} items answered from the analysis.",)

    def ready(self) -> ReadyTable:
        """Return it as a table to paste; open items carry a question."""
        rows = tuple((f"{number}. {what}", answer or QUESTION) for number, what, answer in self.rows)
        return ReadyTable(self.title, ("to report", "in this analysis"), rows)


def checklist(name: str, known: Mapping[str, str]) -> Checklist:
    """Fill one checklist from what the analysis knows.

    Parameters
    ----------
    name : {"grras", "cosmin_error", "consort_outcomes", "consort_pro"}
        Which list: reliability and agreement, measurement error, outcomes, outcomes people rate themselves.
    known : mapping of str to str
        Answers by the name of the fact they state; facts no item asks for are refused.

    Raises
    ------
    ChoiceError
        `name` is unknown, or a fact is not asked for in any checklist.

    Examples
    --------
    >>> filled = checklist("grras", {"instrument": "30-second chair stand, in stands"})
    >>> filled.filled, len(filled.rows)
    (1, 15)
    """
    lists = _lists()
    check_choice("name", name, tuple(lists))
    asked = {fact for one in lists.values() for _, _, fact in one["items"] if fact}
    if strange := [fact for fact in known if fact not in asked]:
        raise ChoiceError(f"No checklist asks for {listed(strange)}; facts are {listed(sorted(asked), most=40)}.")
    one = lists[name]
    rows = tuple((number, what, known.get(fact, "")) for number, what, fact in one["items"])
    return Checklist(name, one["title"], rows, (one["source"],))
