"""``truechange demo``: the whole chain on an invented clinic, from its workbook to the three answers and reports."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from truechange.foundation.errors import RefusedError

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from truechange.individual import PersonChange
    from truechange.meaningful_change import McidStudy
    from truechange.programme import ProgrammeAudit
    from truechange.records import Pairs, Records
    from truechange.reliability import LimitsOfAgreement, MeasurementError
    from truechange.responders.counting import ErrorOnly
    from truechange.responders.true_share import TrueShare

HELP = "run everything on an invented clinic and write its reports"
EXAMPLE = "example:\n  truechange demo --out reports"
MEASURE = "chair_stand_30s"
PROGRAMME, WAITING = "leg power", "waiting list"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of the command on `parser`."""
    parser.add_argument("--out", type=Path, default=Path("reports"), help="folder for the reports (default: reports)")
    parser.add_argument(
        "--data", type=Path, help="folder with clinic.xlsx and retest.csv; the invented clinic if not given"
    )
    parser.add_argument("--without-notebooks", action="store_true", help="leave the notebooks out: a few seconds only")


def run(arguments: argparse.Namespace) -> int:
    """Run the chain, write the reports, print a summary; return the exit status."""
    from truechange.cli.progress import progress
    from truechange.figures.overview import overview

    out: Path = arguments.out
    out.mkdir(parents=True, exist_ok=True)
    notebooks = [] if arguments.without_notebooks else _notebooks()
    with progress(6 + len(notebooks), "the clinic") as step:
        step("reading the workbook")
        data = arguments.data or _data(out)
        records, retest = _read(data)
        step("the test's error, from people who did not change")
        error = _error(retest)
        step("the change that matters, from the clinic's own ratings")
        pairs = records.pairs(MEASURE, before="baseline", after="discharge")
        study = _study(pairs, error)
        step("one person")
        who, person = _person(pairs, error, study)
        step("the programme")
        audit = _audit(records, retest)
        step("writing the audit")
        picture = overview(error, _agreement(error), study, person, *_shares(audit))
        left_out = _write(audit, picture, data, out)
        for path in notebooks:
            step(path.stem)
            _write_notebook(path, out / "notebooks")
    print("\n".join(_summary(records, error, study, who, person, audit, out, len(notebooks))))
    print(*left_out, sep="\n", end="\n" if left_out else "")
    return 0


def _data(out: Path) -> Path:
    """Use the folder that came with the checkout; elsewhere copy the stored files beside the reports."""
    here = Path("data_synthetic")
    if (here / "clinic.xlsx").is_file():
        return here
    from truechange.cli.notebooks import copy_material

    copy_material("data_synthetic", out / "data")
    return out / "data"


def _notebooks() -> list[Path]:
    """Find the notebooks of the checkout; an installed copy without them runs the rest."""
    return sorted(Path("notebooks").glob("0*.ipynb"))


def _read(data: Path) -> "tuple[Records, Records]":
    from truechange.records import read

    return read(data / "clinic.xlsx"), read(data / "retest.csv")


def _error(retest: "Records") -> "MeasurementError":
    """Use the second trial of each visit: in the clinic, too, the scored trial follows a practice trial."""
    from truechange.reliability import measurement_error

    rows = retest.assessments
    scored = rows[(rows["measure"] == MEASURE) & (rows["trial"] == rows["trial"].max())]
    return measurement_error(
        scored,
        trial="occasion",
        error="consistency",
        missing="leave out",
        unit="stands",
        interval="1 week",
        resolution=1,
    )


def _agreement(error: "MeasurementError") -> "LimitsOfAgreement":
    from truechange.reliability import limits_of_agreement

    return limits_of_agreement(error.scores[:, 1], error.scores[:, 0], unit="stands")


def _study(pairs: "Pairs", error: "MeasurementError") -> "McidStudy":
    from truechange.meaningful_change import mcid

    rated = _trained(pairs).dropna(subset=["rating"])
    return mcid(
        rated["improvement"],
        rated["rating"],
        sem=error.sem,
        before=rated["before"],
        after=rated["after"],
        unit="stands",
        resolution=pairs.measure.resolution,
    )


def _trained(pairs: "Pairs") -> "pd.DataFrame":
    usable = pairs.usable
    return usable[usable["programme"] == PROGRAMME]


def _person(pairs: "Pairs", error: "MeasurementError", study: "McidStudy") -> "tuple[str, PersonChange]":
    """Take the person in the middle of those who changed by about the MCID: where a bare threshold says least."""
    from truechange.individual import Programme, person_change

    group = _trained(pairs)
    limit = study.recommended
    if limit is None:
        raise RefusedError(f"The ratings of this clinic give no MCID: {' '.join(study.cautions)}")
    near = group.loc[(group["improvement"] - float(limit)).abs().sort_values(kind="stable").index]
    row = near.iloc[0]
    programme = Programme(
        mean_before=float(group["before"].mean()),
        mean_after=float(group["after"].mean()),
        sd_before=float(group["before"].std()),
        sd_after=float(group["after"].std()),
        correlation=float(group["before"].corr(group["after"])),
        n=len(group),
    )
    change = person_change(
        float(row["before"]),
        float(row["after"]),
        sem=error.sem,
        mcid=limit,
        programme=programme,
        unit="stands",
        resolution=1,
    )
    return str(row["person"]), change


def _audit(records: "Records", retest: "Records") -> "ProgrammeAudit":
    from truechange.programme import audit

    return audit(
        records, primary=MEASURE, programme=PROGRAMME, compare=WAITING, retest=retest.assessments, label_seed=0
    )


def _shares(audit: "ProgrammeAudit") -> "tuple[TrueShare, ErrorOnly]":
    from truechange.foundation.result import Part
    from truechange.programme.parts import Refused

    enough = audit.responders[MEASURE]
    if not isinstance(enough, Part) or isinstance(enough.true_share, Refused):
        raise RefusedError("The share whose true change matters cannot be computed from these data.")
    if isinstance(enough.from_error, Refused):
        raise RefusedError(enough.from_error.reason)
    return enough.true_share, enough.from_error


def _write(audit: "ProgrammeAudit", picture: "Figure", data: Path, out: Path) -> tuple[str, ...]:
    from truechange.foundation.html import png
    from truechange.reporting.audit_report import write_audit
    from truechange.reporting.stamp import stamp

    (out / "overview.png").write_bytes(png(picture, dpi=130))
    options = {"primary": MEASURE, "programme": PROGRAMME, "compare": WAITING, "seed": 0}
    return write_audit(audit, out / "audit", stamp=stamp([data / "clinic.xlsx", data / "retest.csv"], options))[1]


def _write_notebook(path: Path, out: Path) -> None:
    from truechange.cli.notebook_pages import notebook_page

    out.mkdir(parents=True, exist_ok=True)
    (out / f"{path.stem}.html").write_text(notebook_page(path), encoding="utf-8")


def _summary(
    records: "Records",
    error: "MeasurementError",
    study: "McidStudy",
    who: str,
    person: "PersonChange",
    audit: "ProgrammeAudit",
    out: Path,
    notebooks: int,
) -> list[str]:
    """Ten lines: what was read, the three answers, where to look."""
    return [
        "An invented clinic, the 30-second chair stand, baseline to discharge:",
        f"  rows      {records.ledger}",
        f"  error     {error.sentence()}",
        f"  matters   {study.sentence()}",
        f"  {who}      {person.sentence()}",
        *(f"  programme {line}" for line in audit.sentences()[1:4]),
        f"Look at {out / 'audit' / 'audit.html'} (also pdf, xlsx, json) and {out / 'overview.png'}"
        + (f"; {notebooks} notebooks as pages in {out / 'notebooks'}." if notebooks else "."),
        "It informs a judgement; it does not diagnose. Local rules and a licensed clinician decide.",
    ]
