"""Files: whole or not there, with the stamp of their run (reproducibility); a clinic's own error and MCID read in."""

import os
import platform
import re
import shutil
import tomllib
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from tempfile import mkdtemp
from typing import TYPE_CHECKING, Any
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from truechange.foundation.errors import DataError, MissingPartError, OutcomeError, listed
from truechange.foundation.estimate import Estimate, Origin, Threshold
from truechange.individual.norms import offers
from truechange.measures.catalogue import measure as measure_named
from truechange.measures.settings import TABLES, Settings, settings
from truechange.programme.auditing import private_sheets, worklist
from truechange.records.copies import inert_frame

if TYPE_CHECKING:
    import pandas as pd

    from truechange.programme.audit_result import ProgrammeAudit

LIBRARIES = ("numpy", "pandas", "scipy", "statsmodels")


@dataclass(frozen=True)
class Stamp:
    """The reproducibility stamp of one run.

    Parameters
    ----------
    rows : tuple of (str, str)
        Fact and its value, in the order they are shown.
    """

    rows: tuple[tuple[str, str], ...]

    @property
    def software(self) -> str:
        """Programs and versions, in one clause."""
        return ", ".join(f"{name} {value}" for name, value in self.rows if name in ("truechange", "Python", *LIBRARIES))


def stamp(files: Iterable[Path] = (), options: Mapping[str, object] | None = None) -> Stamp:
    """Collect the stamp.

    Parameters
    ----------
    files : iterable of Path
        Input files; their names (not their folders) and SHA-256 are stamped. A folder stamps its files.
    options : mapping, optional
        Settings of the run, the seed among them; ``None`` values are left out.
    """
    from truechange import __version__

    rows: list[tuple[str, str]] = [("truechange", __version__), ("Python", platform.python_version())]
    rows += [(name, version(name)) for name in LIBRARIES]
    for given in files:
        path = Path(given)
        for one in sorted(p for p in path.iterdir() if p.is_file()) if path.is_dir() else [path]:
            rows.append((f"SHA-256 of {one.name}", _digest(one)))
    for name, value in (options or {}).items():
        if value is not None:
            words = ", ".join(map(str, value)) if isinstance(value, tuple | list) else str(value)
            rows.append((name.replace("_", " "), words))
    return Stamp(tuple(rows))


def _digest(path: Path) -> str:
    found = sha256()
    with path.open("rb") as handle:
        while piece := handle.read(1 << 20):
            found.update(piece)
    return found.hexdigest()


SHARES = {
    "share", "share_low", "share_high", "true_share", "true_share_low", "true_share_high", "share_of_due", "shrunken",
    "limit95_low", "limit95_high", "limit998_low", "limit998_high",
}  # fmt: skip
MEANS = ("mean", "sd", "estimate", "low", "high", "threshold")
EPOCH = (1980, 1, 1, 0, 0, 0)
CLOCK = re.compile(rb"(<dcterms:(?:modified|created)[^>]*>)[^<]*")


@contextmanager
def whole_folder(out: Path) -> Iterator[Path]:
    """Yield a folder aside; its files move into `out` only when everything in it is written.

    Raises
    ------
    OutcomeError
        `out` is a file, or its place cannot be written to.
    """
    out = Path(out)
    if out.exists() and not out.is_dir():
        raise OutcomeError(f"{out} is a file; give a folder for the results.")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        aside = Path(mkdtemp(prefix=f".{out.name}-unfinished-", dir=out.parent))
    except OSError as refused:
        raise OutcomeError(f"Nothing can be written at {out}: {refused.strerror}. Choose another folder.") from refused
    try:
        yield aside
        out.mkdir(exist_ok=True)
        for made in sorted(aside.rglob("*")):
            place = out / made.relative_to(aside)
            if made.is_dir():
                place.mkdir(exist_ok=True)
            else:
                os.replace(made, place)
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def write_each(
    writers: Mapping[str, Callable[[Path], Any]], aside: Path, out: Path, step: Callable[[str], None]
) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Write each file aside; return where they will stand, and what was left out because a part is not installed."""
    made, left_out = [], []
    for name, write in writers.items():
        step(f"writing {name}")
        try:
            write(aside / name)
            made.append(Path(out) / name)
        except MissingPartError as missing:
            left_out.append(f"{name} was not written. {missing}")
    return tuple(made), tuple(left_out)


def settle_zip(path: Path) -> None:
    """Rewrite a zip-based file (xlsx, docx) without clocks, so that the same content has the same bytes."""
    with ZipFile(path) as old:
        parts = [(info.filename, CLOCK.sub(rb"\g<1>1980-01-01T00:00:00Z", old.read(info))) for info in old.infolist()]
    with ZipFile(path, "w", ZIP_DEFLATED) as new:
        for name, content in parts:
            new.writestr(ZipInfo(name, EPOCH), content, compress_type=ZIP_DEFLATED)


def _shown_as(column: str, beside: Collection[object], value: float) -> str:
    """Return a spreadsheet's number format: shares as percent, people whole, p to three places, else two."""
    if column in SHARES or (column in ("low", "high", "target") and "share" in beside):
        return "0%"
    if column in ("p", "p_holm", "p_value"):
        return "0.000"
    return "0" if float(value).is_integer() and column not in MEANS else "0.00"


def write_workbook(path: Path, sheets: "Mapping[str, pd.DataFrame]") -> Path:
    """Write tables into one workbook: values unrounded, shown to sensible digits; formulas inert, heads kept in view.

    Parameters
    ----------
    path : Path
        Where the ``.xlsx`` goes.
    sheets : mapping of str to DataFrame
        Sheet name (at most 31 characters) and table; a named index becomes the first column.
    """
    import pandas as pd
    from openpyxl.styles import Font

    with pd.ExcelWriter(path, engine="openpyxl") as writer:
        for name, frame in sheets.items():
            flat = frame if isinstance(frame.index, pd.RangeIndex) else frame.reset_index()
            inert_frame(flat).to_excel(writer, sheet_name=name[:31], index=False)
            sheet = writer.sheets[name[:31]]
            sheet.freeze_panes = "A2"
            beside = set(flat.columns)
            for column, cells in zip(flat.columns, sheet.iter_cols(), strict=True):
                cells[0].font = Font(bold=True)
                longest = max(len(str(cell.value)) for cell in cells if cell.value is not None)
                sheet.column_dimensions[cells[0].column_letter].width = min(60, longest + 2)
                for cell in cells[1:]:
                    if isinstance(cell.value, float | int):
                        cell.number_format = _shown_as(str(column), beside, cell.value)
        writer.book.properties.creator = "truechange"
    settle_zip(Path(path))
    return Path(path)


def write_worklist(audit: "ProgrammeAudit", out: Path) -> tuple[Path, ...]:
    """Write the worklist, and a private workbook for each therapist under the label of the report; codes only.

    Parameters
    ----------
    audit : ProgrammeAudit
        As computed, not the public one.
    out : Path
        A folder that stays inside the clinic.
    """
    books = {"worklist": {"worklist": worklist(audit)}} | private_sheets(audit)
    with whole_folder(out) as aside:
        files = [write_workbook(aside / f"{name}.xlsx", sheets) for name, sheets in books.items()]
    return tuple(Path(out) / file.name for file in files)


NUMBERS = ("sem", "mcid", "practice")
FIELDS = ("value", "low", "high", "n", "df", "source", "doi", "population", "protocol", "interval")


def read_thresholds(path: Path, tests: Collection[str] | None = None) -> dict[str, dict[str, Any]]:
    """Read a clinic's settings, or a TOML file with one table a test: ``sem``, ``mcid``, ``practice``.

    Parameters
    ----------
    path : Path
        The file. A number with ``source`` counts as published, from memory until checked; a bare one as stated.

    tests : collection of str, optional
        Tests to be audited: a clinic's settings speak of others as well, which are then left out.

    Returns
    -------
    dict
        Key of the test: Estimates and Thresholds by name, as :func:`truechange.audit` takes them.

    Raises
    ------
    DataError
        The file is not TOML, or a test has something else than these names; says which test and what is allowed.
    OutcomeError
        There is no such file.
    """
    try:
        given = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except FileNotFoundError as missing:
        raise OutcomeError(f"There is no file {path}.") from missing
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as wrong:
        raise DataError(f"{Path(path).name} is not a TOML file: {wrong}. See truechange audit --help.") from wrong
    if given.keys() & set(TABLES):
        clinic = settings(str(path))
        return {key: _of_clinic(clinic, key) for key in clinic.measures if tests is None or key in tests}
    known: dict[str, dict[str, Any]] = {}
    for key, stated in given.items():
        unit = measure_named(key).unit
        strange = [name for name in stated if name not in NUMBERS] if isinstance(stated, dict) else [key]
        if strange:
            raise DataError(f"{Path(path).name}, [{key}]: {listed(strange)} is not one of {', '.join(NUMBERS)}.")
        known[key] = {name: _number(path, key, name, value, unit) for name, value in stated.items()}
    return known


def _of_clinic(clinic: Settings, key: str) -> dict[str, Any]:
    """Return what a clinic's settings say of one test, as own data."""
    about, unit = clinic.measures[key], measure_named(key).unit
    people = str(clinic.clinic.get("name", "")) or Path(clinic.path).name
    numbers: dict[str, Any] = {"practice": about["practice"]} if "practice" in about else {}
    numbers |= {"entry": about["entry"]} if about.get("entry") else {}
    if "sem" in about:
        own = Origin.own(population=people, n=about.get("sem_people"))
        facts = {"value": about["sem"], "df": about.get("sem_df")}
        numbers["sem"] = Estimate(**facts, unit=unit, origin=own, method="settings")
    if mcid := about.get("mcid"):
        own = Origin.own(population=people, n=mcid.get("n"))
        facts = {end: mcid[end] for end in ("value", "low", "high") if end in mcid}
        numbers["mcid"] = Threshold(**facts, kind="mcid", unit=unit, origin=own, method="settings")
    return numbers


def published_thresholds(
    tests: Collection[str], known: Mapping[str, Mapping[str, Any]], tested_again: Collection[str] = ()
) -> dict[str, dict[str, Any]]:
    """Return the published error and MCID that match each test best, where nothing own is known; own numbers go first.

    A test without a usable published value stays without (:func:`truechange.individual.norms.offers`).

    Parameters
    ----------
    tests : collection of str
        Tests audited.
    known : mapping
        Numbers by test, as :func:`read_thresholds` returns them.
    tested_again : collection of str, optional
        Tests of which a retest study gives the error.
    """
    numbers: dict[str, dict[str, Any]] = {key: dict(own) for key, own in known.items()}
    for key in tests:
        for what in ("mcid",) if key in tested_again else ("sem", "mcid"):
            if what not in numbers.get(key, {}) and (best := offers(key, what)):
                numbers.setdefault(key, {})[what] = best[0].value
    return numbers


def _number(path: Path, key: str, name: str, given: Any, unit: str) -> Estimate:
    facts = given if isinstance(given, dict) else {"value": given}
    strange = [fact for fact in facts if fact not in FIELDS]
    if strange or not isinstance(facts.get("value"), int | float):
        raise DataError(
            f"{Path(path).name}, [{key}] {name}: {listed(strange) + ' is not known' if strange else 'no number'}. "
            f"Give a number, or value with any of {', '.join(FIELDS[1:])}."
        )
    about = {field: facts.get(field, "") for field in ("doi", "population", "protocol", "interval")}
    source = facts.get("source")
    origin = Origin("published", source, n=facts.get("n"), status="stated", **about) if source else Origin.stated()
    numbers: dict[str, Any] = {field: float(facts[field]) for field in ("value", "low", "high", "df") if field in facts}
    shared = numbers | {"unit": unit, "n": facts.get("n"), "origin": origin, "method": "stated"}
    return Threshold(kind="mcid", **shared) if name == "mcid" else Estimate(**shared)
