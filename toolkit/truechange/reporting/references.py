"""Bibliography (BibTeX; only what was computed is cited), and reporting checklists with the facts that fill them."""

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from truechange.foundation.drawing import bullet_list
from truechange.foundation.errors import ChoiceError, DataError, check_choice, in_short, listed
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.result import Refused, Result, told
from truechange.measures.catalogue import Measure
from truechange.measures.catalogue import measure as measure_named
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.flow import fact_words
from truechange.reporting.tables import ReadyTable

if TYPE_CHECKING:
    import pandas as pd

BIBLIOGRAPHY, WORDS = (Path(__file__).with_name(name) for name in ("references.bib", "wording.toml"))
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
    def authors(self) -> list[str]:
        """Authors as ``Surname AB``, at most six before ``et al``."""
        names = [name.partition(", ") for name in self.fields["author"].split(" and ")]
        short = [
            f"{name} {''.join(filter(str.isupper, given))}".strip() for name, _, given in names if name != "others"
        ]
        return short if len(short) <= 6 and len(short) == len(names) else [*short[:6], "et al"]

    @property
    def in_text(self) -> str:
        """Year after the first author's surname, or two, or the first and ``et al``, for running text."""
        first, *rest = [name.split(",")[0] for name in self.fields["author"].split(" and ")]
        others = "" if not rest else f" and {rest[0]}" if len(rest) == 1 and rest[0] != "others" else " et al."
        return f"{first}{others} {self.fields['year']}"

    def text(self) -> str:
        """Write the reference as in a numbered list; details from memory say so."""
        known = self.fields.get
        volume = known("volume", "") + (f"({known('number')})" if known("number") else "")
        pages = f":{known('pages', '').replace('--', '-')}" if known("pages") else ""
        edition = f" {known('edition')} edition." if known("edition") else ""
        where = f"{known('journal') or known('publisher')}. {known('year')}{';' + volume if volume else ''}{pages}."
        doi = f" doi:{known('doi')}" if known("doi") else ""
        unseen = "" if self.checked else f" [{UNCHECKED}]"
        return f"{', '.join(self.authors)}. {known('title')}.{edition} {where}{doi}{unseen}"

    def bibtex(self) -> str:
        """Write the entry back as BibTeX."""
        body = ",\n".join(f"  {name} = {{{value}}}" for name, value in self.fields.items())
        return f"@{self.kind}{{{self.key},\n{body}\n}}"


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
            return f"({'; '.join(self.entries[places[key] - 1].in_text for key in keys)})" if keys else ""
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
            (number, entry.key, entry.text(), entry.fields.get("doi", ""), entry.fields["status"])
            for number, entry in enumerate(self.entries, start=1)
        ]
        return pd.DataFrame(rows, columns=["number", "key", "reference", "doi", "status"])

    def _repr_html_(self) -> str:
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
    words = f"Details from memory, look them up before printing: {listed(loose, most=len(loose))}."
    return ReferenceList(entries, style, told({words: loose}))


def _keys(results: Iterable[Result | str]) -> Iterable[str]:
    for result in results:
        if not isinstance(result, str) and not hasattr(result, "sources"):
            raise ChoiceError(f"{in_short(result)} has no sources; give results, or keys such as 'weir2005'.")
        yield from (result,) if isinstance(result, str) else result.sources


QUESTION = "For you to answer."


@cache
def wording(where: str) -> dict[str, Any]:
    """Return the words of the reports that hold no logic, by where they stand (``wording.toml``)."""
    words: dict[str, Any] = tomllib.loads(WORDS.read_text(encoding="utf-8"))[where]
    return words


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

        rows = [(*row, bool(row[-1])) for row in self.rows]
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
    lists = wording("checklists")
    check_choice("name", name, tuple(lists))
    asked = {fact for one in lists.values() for _, _, fact in one["items"] if fact}
    if strange := [fact for fact in known if fact not in asked]:
        raise ChoiceError(f"No checklist asks for {listed(strange)}; facts are {listed(sorted(asked), most=40)}.")
    one = lists[name]
    rows = tuple((number, what, known.get(fact, "")) for number, what, fact in one["items"])
    return Checklist(name, one["title"], rows, (one["source"],))


def _instrument(measure: str) -> str:
    """Name a test with its unit, direction and smallest step."""
    test = measure_named(measure)
    return f"{test.name} ({test.unit}, {test.better} is better, read to {test.resolution:g})"


def audit_facts(audit: ProgrammeAudit) -> dict[str, str]:
    """Return the facts of an audit by the names the checklists ask for."""
    first = audit.primary
    known, flow, missing = (part[first] for part in (audit.known, audit.flow, audit.missing))
    facts = {
        "outcomes": "; ".join(map(_instrument, audit.measures)),
        "occasions": f"{audit.before} and {audit.after}",
        "flow": flow.sentence(),
        "looks": f"{len(audit.measures)}, all reported",
    }
    if len(audit.measures) > 1:
        facts["primary"] = f"{audit.flow.names[first]} was given as primary; whether beforehand is for you to say"
    if isinstance(sem := getattr(known, "sem", None), Estimate):
        facts["reliability"] = f"SEM {sem}, {sem.origin.sentence()}"
    if isinstance(mcid := getattr(known, "mcid", None), Threshold):
        facts["mcid"] = f"{mcid}; {mcid.method.replace('_', ' ')}; {mcid.origin.sentence()}"
        due = flow.due  # type: ignore[attr-defined]
        facts["threshold"] = f"improvement of at least the MCID, compared unrounded, of all {due} due"
    if not isinstance(missing, Refused):
        ways = ", ".join(missing.table().get("way", ()))
        facts["missing"] = f"shown side by side: {ways}" if ways else missing.sentence()
    return facts


def reliability_facts(error: Any, test: Measure, agreement: Any = None) -> dict[str, str]:
    """Return the facts of a retest study."""
    known = {"error": error, "repeats": len(error.trials)}
    facts = {name: words.format(**known) for name, words in wording("facts")["retest"].items()}
    facts |= {"instrument": _instrument(test.key), "meaning": error.sentence()}
    if test.protocol:
        facts["protocol"] = f"had to match: {', '.join(map(fact_words, test.protocol))}"
    if agreement is not None:
        facts["estimates"] += f"; limits of agreement {agreement.lower} and {agreement.upper}"
    return {name: text for name, text in facts.items() if text}


def mcid_facts(study: Any) -> dict[str, str]:
    """Return the facts of an MCID study."""
    facts = {"question": f"correlation with the change {study.anchor.correlation}, {study.n} people"}
    if study.recommended is not None:
        facts["mcid"] = f"{study.recommended}, chosen by a fixed rule among all estimators"
    return facts
