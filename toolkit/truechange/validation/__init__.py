"""Validation: reference cases computed again, stored tables of long simulations, and what those say together."""

from collections.abc import Iterator
from math import nan
from pathlib import Path

import pandas as pd

from truechange.foundation.errors import check_choice
from truechange.foundation.numbers import fixed, percent

RESULTS = Path(__file__).parent / "results"


def simulated(name: str) -> pd.DataFrame:
    """Return the stored table of a simulation study with known truth; too long to run again, its seed is in the table.

    Parameters
    ----------
    name : str
        ``"dropouts"``: mean, share and MCID, a quarter lost; ``"entry_rule"``: MCID, true share and claims about
        one person of people taken in for a low score; ``"intake_recall"``: faults found in damaged files;
        ``"mcid_simulation"``: bias and coverage of every MCID estimator; ``"mcid_edges"``: the MCID where an assumption
        is broken; ``"person_calibration"``: claims about one person; ``"reliability_coverage"``: coverage of the
        intervals of reliability; ``"responder_coverage"``: coverage of the share truly changed.

    Raises
    ------
    ChoiceError
        No such table is stored.

    Examples
    --------
    >>> float(simulated("responder_coverage")["coverage"].min())
    0.9455
    """
    check_choice("name", name, sorted(path.stem for path in RESULTS.glob("*.csv")))
    return pd.read_csv(RESULTS / f"{name}.csv")


ROOMS = {"mcid": "MCID", "true share": "true share", "claims of 0.8 or more about one person": "one person's chance"}
PAIRS = ("bias before", "bias now", "coverage before", "coverage now", "said before", "said now")


def broken_assumptions() -> pd.DataFrame:
    """Return one row an assumption and room: the worst cell's bias and coverage, the mean share of studies that say it.

    Columns: assumption, room, then bias, coverage and said, before and now. Bias: test units (MCID), shares (true
    share), claimed minus true (one person). "Before" is the method without the repair, on the same simulated people;
    where there is none, bias and coverage are the same before and now, and saying it is the repair. NaN where the
    simulation did not count it.
    """
    rows = [*_entry(), *_shapes(), *_claims(), *_edges(), *_dropouts()]
    return pd.DataFrame(rows, columns=["assumption", "room", *PAIRS])


Row = tuple[str | float, ...]


def _row(what: str, room: str, before: pd.DataFrame, now: pd.DataFrame, names: tuple[str, str] = ("", "")) -> Row:
    """Return the worst bias and coverage of the cells before and now; `names` are put before the columns' names."""
    sides = list(zip((before, now), names, strict=True))
    biases = (float(frame[f"{name}bias"].abs().max()) for frame, name in sides)
    return (what, room, *biases, *(float(frame[f"{name}coverage"].min()) for frame, name in sides), nan, nan)


def _entry() -> Iterator[Row]:
    table = simulated("entry_rule")
    for quantity, room in ROOMS.items():
        cells = table[table["quantity"] == quantity]
        left, repaired = cells[cells["source"] == "none"], cells[cells["source"] != "none"]
        yield _row("taken in for a low score", room, left, repaired)


def _shapes() -> Iterator[Row]:
    table = simulated("true_share_shapes")
    for (_, shape), cells in table.groupby(["reliability_of_change", "shape"], sort=False):
        half = ", half of its variance error" if cells["reliability_of_change"].iloc[0] < 0.6 else ""
        if half or shape != "normal":
            yield _row(f"true change: {shape}{half}", "true share", cells, cells, ("normal_", ""))


def _claims() -> Iterator[Row]:
    table = simulated("person_calibration")
    table = table.assign(bias=table["claimed"] - table["true"], coverage=nan)[table["band_high"] == 1]
    for (shape, given), cells in table.groupby(["shape", "sem_given"], sort=False):
        if (shape, given) != ("normal", 1.0):
            before, now = (cells[cells["prior"] == prior] for prior in ("programme, numbers only", "programme"))
            what = f"true change: {shape}" if given == 1 else "SEM 30% too small"
            yield _row(what, "one person's chance", before, now)


def _edges() -> Iterator[Row]:
    for broken, cells in simulated("mcid_edges").groupby("broken", sort=False):
        if broken != "none":
            said = (float(cells[name].mean()) for name in ("said_before", "said"))
            yield (*_row(str(broken), "MCID", cells, cells)[:6], *said)


def _dropouts() -> Iterator[Row]:
    """Yield what those measured alone would give, and what is given: the imputed mean, the bounds of the share."""
    for who, cells in simulated("dropouts").groupby("who", sort=False):
        by, what = cells.set_index("quantity"), f"a quarter lost: {who}"
        for room, now in (("mean", "mean, imputed"), ("share", "share, between none and all of the missing")):
            before = by.loc[[f"{room}, only those measured"]]
            yield (*_row(what, f"{room} of all due", before, by.loc[[now]])[:6], 0.0, float(by["said"][now]))
        yield (*_row(what, "MCID", by.loc[["MCID"]], by.loc[["MCID"]])[:6], *2 * (float(by["said"]["MCID"]),))


def as_text(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table as it is printed: bias and coverage to hundredths, shares of studies in percent."""
    shown = table.copy().astype(dict.fromkeys(PAIRS, object))
    for name in PAIRS:
        write = percent if name.startswith("said") else lambda number: fixed(number, 3 if abs(number) < 0.1 else 2)
        shown[name] = ["not counted" if number != number else write(number) for number in table[name]]
    return shown
