"""Read the file in which a clinic states error and importance of its tests, each number with its source."""

import tomllib
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

from truechange.foundation.errors import DataError, OutcomeError, listed
from truechange.foundation.estimate import Estimate, Origin, Threshold
from truechange.individual.norms import offers
from truechange.measures import measure as measure_named
from truechange.measures.settings import TABLES, Settings, settings

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
        known = _from_settings(settings(str(path)))
        return {key: numbers for key, numbers in known.items() if tests is None or key in tests}
    found: dict[str, dict[str, Any]] = {}
    for key, stated in given.items():
        unit = measure_named(key).unit
        strange = [name for name in stated if name not in NUMBERS] if isinstance(stated, dict) else [key]
        if strange:
            raise DataError(f"{Path(path).name}, [{key}]: {listed(strange)} is not one of {', '.join(NUMBERS)}.")
        found[key] = {name: _number(path, key, name, value, unit) for name, value in stated.items()}
    return found


def _from_settings(known: Settings) -> dict[str, dict[str, Any]]:
    """Return what the clinic's settings say of each test, as own data."""
    found = {}
    for key, about in known.measures.items():
        unit, mcid = measure_named(key).unit, about.get("mcid", {})
        people = str(known.clinic.get("name", "")) or Path(known.path).name
        own = Origin.own(population=people, n=about.get("sem_people"))
        numbers: dict[str, Any] = {"practice": about["practice"]} if "practice" in about else {}
        numbers |= {"entry": about["entry"]} if about.get("entry") else {}
        if "sem" in about:
            numbers["sem"] = Estimate(
                value=about["sem"], df=about.get("sem_df"), unit=unit, origin=own, method="settings"
            )
        if mcid:
            limits = {end: mcid[end] for end in ("low", "high") if end in mcid}
            own = Origin.own(population=people, n=mcid.get("n"))
            numbers["mcid"] = Threshold(
                value=mcid["value"], **limits, kind="mcid", unit=unit, origin=own, method="settings"
            )
        found[key] = numbers
    return found


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
    found: dict[str, dict[str, Any]] = {key: dict(numbers) for key, numbers in known.items()}
    for key in tests:
        for what in ("mcid",) if key in tested_again else ("sem", "mcid"):
            if what not in found.get(key, {}) and (best := offers(key, what)):
                found.setdefault(key, {})[what] = best[0].value
    return found


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
