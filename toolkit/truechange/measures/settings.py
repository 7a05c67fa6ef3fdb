"""Clinic settings (``clinic.toml``): a clinic's own error, important change, practice gain, protocol and programme.

Standard library only: the command about one person reads it and must start fast.
"""

import os.path
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite
from typing import Any

from truechange.foundation.errors import DataError, listed
from truechange.measures.catalogue import catalogue, declare_all

FILE = "clinic.toml"
TABLES = ("clinic", "words", "columns", "labels", "tests", "measures", "programme", "ladder", "targets")
ERROR = ("sem", "sem_df", "sem_people", "sem_days", "practice", "practice_se", "mcid_worse", "mcid", "protocol",
         "entry", "target")  # fmt: skip
IMPORTANT = ("value", "low", "high", "n", "source", "population")
GROUP = ("mean_before", "mean_after", "sd_before", "sd_after", "correlation", "n")
PROGRAMME = ("name", "weeks", *GROUP)
TARGETS = ("tested", "same_way", "changed_enough")  # shares an audit may aim at
LADDER = ("days", "confident_reps", "most_soreness")
OLD_NUMBERS = (*GROUP, "sem", "sem_df", "mcid", "mcid_low", "mcid_high", "mcid_worse", "practice", "practice_se")
OLD = ("name", "done", "baseline_scores", *OLD_NUMBERS)  # a table a test, the programme file of before


@dataclass(frozen=True)
class Settings:
    """What a clinic says of itself once, for every question.

    Parameters
    ----------
    path : str
        The file it stands in.
    clinic : mapping
        ``name`` and ``author``, for title blocks.
    measures : mapping of str to mapping
        By test: ``sem`` (unit of the test), ``sem_df``, ``practice``, ``mcid`` (``value``, ``low``, ``high``, ``n``,
        ``source``, ``population``), ``protocol``, ``entry`` (``cut``; ``mean``, ``sd``, ``n`` of everyone screened),
        ``target``.
    programme : mapping of str to mapping
        By test: mean and SD before and after, their correlation, ``n``, ``weeks`` and ``name``.
    ladder : mapping
        The clinic's rule for going to a lower seat.
    targets : mapping of str to float
        Shares the clinic aims at: ``tested``, ``same_way``, ``changed_enough`` (0 to 1).
    old : mapping of str to mapping
        Tables of a programme file of before, by test.
    """

    path: str
    clinic: Mapping[str, Any] = field(default_factory=dict)
    measures: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    programme: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    ladder: Mapping[str, Any] = field(default_factory=dict)
    targets: Mapping[str, float] = field(default_factory=dict)
    old: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def of(self, measure: str) -> dict[str, Any]:
        """Return what is known of one test, flat: sem, sem_df, mcid, mcid_low, mcid_high, practice, done, mean_before.

        Empty where the clinic says nothing of it.
        """
        if measure in self.old:
            return dict(self.old[measure])
        about, group = self.measures.get(measure, {}), self.programme.get(measure, {})
        known = {key: about[key] for key in ("sem", "sem_df", "practice", "practice_se", "mcid_worse") if key in about}
        mcid = about.get("mcid", {})
        known |= {name: mcid[end] for name, end in MCID_ENDS.items() if end in mcid}
        known |= {"entry": about["entry"]} if about.get("entry") else {}
        known |= {"done": about["protocol"]} if about.get("protocol") else {}
        known |= {key: group[key] for key in (*GROUP, "weeks") if key in group}
        name = group.get("name") or self.clinic.get("name") or os.path.basename(self.path)
        return {**known, "name": name} if known else {}


MCID_ENDS = {"mcid": "value", "mcid_low": "low", "mcid_high": "high"}


def clinic_settings(path: "str | None") -> Settings | None:
    """Return the file at `path`; without a path, ``clinic.toml`` here, or None where there is none."""
    return None if path is None and not os.path.exists(FILE) else settings(path or FILE)


def clinic_numbers(path: "str | None", measure: str) -> dict[str, Any]:
    """Return what the file at `path` says of one test; without a path, what ``clinic.toml`` here says, if it is there.

    Raises
    ------
    DataError
        As :func:`settings`; or a file was named and says nothing of this test.
    """
    clinic = clinic_settings(path)
    if clinic is None:
        return {}
    known = clinic.of(measure)
    if path and not known:
        tests = ", ".join(dict.fromkeys((*clinic.measures, *clinic.programme, *clinic.old))) or "no test"
        raise DataError(
            f"{path} has no table for {measure!r}; it has: {tests}. Name one with --measure, or add "
            f"[measures.{measure}]."
        )
    return known


def settings(path: str) -> Settings:
    r"""Read a clinic's settings from ``clinic.toml`` (or the programme file of before, TOML or JSON).

    Parameters
    ----------
    path : str
        The file.

    Returns
    -------
    Settings
        Frozen; ``.of(measure)`` gives what is known of one test.

    Raises
    ------
    DataError
        The file is missing or not understood, or holds a name nobody knows or a text where a number belongs; the
        message names table and key.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import mkdtemp
    >>> file = Path(mkdtemp()) / "clinic.toml"
    >>> _ = file.write_text("[measures.chair_stand_30s]\nsem = 0.93\nmcid = { value = 1.8 }\n")
    >>> known = settings(file).of("chair_stand_30s")
    >>> known["sem"], known["mcid"]
    (0.93, 1.8)
    """
    from truechange.foundation.entry import FIELDS  # here: without a file nothing of it is needed

    content = content_of(path)
    old = {key: one for key, one in content.items() if key not in TABLES and isinstance(one, dict)}
    if strange := [key for key in content if key not in TABLES and key not in old]:
        raise DataError(f"{path}: {strange[0]!r} is not known; a file of settings has tables: {listed(TABLES)}.")
    for key, table in old.items():
        _check(path, key, table, OLD, OLD_NUMBERS)
    declare_all(path, content.get("tests", {}))
    for where, names, numbers in (("measures", ERROR, ERROR[:7]), ("programme", PROGRAMME, PROGRAMME[1:])):
        for key, table in content.get(where, {}).items():
            if key not in catalogue():
                raise DataError(
                    f"{path}, [{where}.{key}]: no test of that key; it is one of {', '.join(catalogue())}, or one of "
                    "your own described under [tests]."
                )
            _check(path, f"{where}.{key}", table, names, numbers)
            _check(path, f"{where}.{key}.entry", table.get("entry", {"cut": 0.0}), FIELDS, FIELDS, must=("cut",))
            if not isinstance(mcid := table.get("mcid", {}), dict):
                raise DataError(f"{path}, [{where}.{key}]: write mcid = {{ value = {mcid!r} }}, with low and high.")
            _check(path, f"{where}.{key}.mcid", mcid, IMPORTANT, IMPORTANT[:4])
    for name, known in (("ladder", LADDER), ("targets", TARGETS)):
        _check(path, name, content.get(name, {}), known, known)
    kept = {name: content.get(name, {}) for name in ("clinic", "measures", "programme", "ladder", "targets")}
    return Settings(str(path), **kept, old=old)


def content_of(path: str) -> dict[str, Any]:
    """Return what stands in a file of settings.

    Raises
    ------
    DataError
        It cannot be read or understood.
    """
    try:
        with open(path, "rb") as file:
            if str(path).endswith(".json"):
                import json

                content = json.load(file)
            else:
                import tomllib  # only where there is such a file: it costs a tenth of a cold start

                content = tomllib.load(file)
    except OSError as wrong:
        raise DataError(f"{path} cannot be read: {wrong.strerror}.") from None
    except ValueError as wrong:
        raise DataError(f"{path} is not understood: {wrong}.") from None
    if not isinstance(content, dict):
        raise DataError(f"{path} has no tables; a file of settings has tables: {listed(TABLES)}.")
    return content


def _check(
    path: str, where: str, table: Any, names: tuple[str, ...], numbers: tuple[str, ...], must: tuple[str, ...] = ()
) -> None:
    if not isinstance(table, dict):
        raise DataError(f"{path}: {where} is no table; write [{where}] and its entries below.")
    if unknown := set(table) - set(names):
        raise DataError(f"{path}, [{where}]: not known: {', '.join(sorted(unknown))}. Known: {', '.join(names)}.")
    if lacking := [key for key in must if key not in table]:
        raise DataError(f"{path}, [{where}]: {listed(lacking)} is lacking.")
    for key in numbers:
        value = table.get(key, 0.0)
        if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
            raise DataError(f"{path}, [{where}]: {key} = {value!r} must be a number.")
