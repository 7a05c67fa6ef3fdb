"""Read the file in which a clinic states error and importance of its tests, each number with its source."""

import tomllib
from pathlib import Path
from typing import Any

from truechange.foundation.errors import DataError, OutcomeError, listed
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.origin import Origin
from truechange.measures import measure as measure_named

NUMBERS = ("sem", "mcid", "practice")
FIELDS = ("value", "low", "high", "n", "df", "source", "doi", "population", "protocol", "interval")


def read_thresholds(path: Path) -> dict[str, dict[str, Any]]:
    """Read a TOML file with one table a test: ``sem``, ``mcid``, ``practice`` as numbers or tables.

    Parameters
    ----------
    path : Path
        The file. A number with ``source`` counts as published, from memory until checked; a bare one as stated.

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
    found: dict[str, dict[str, Any]] = {}
    for key, held in given.items():
        unit = measure_named(key).unit
        strange = [name for name in held if name not in NUMBERS] if isinstance(held, dict) else [key]
        if strange:
            raise DataError(f"{Path(path).name}, [{key}]: {listed(strange)} is not one of {', '.join(NUMBERS)}.")
        found[key] = {name: _number(path, key, name, value, unit) for name, value in held.items()}
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
