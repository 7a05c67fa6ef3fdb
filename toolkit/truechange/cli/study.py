"""``truechange study`` and ``demo``: a retest study and a before-after study in, their reports out."""

import argparse
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

from truechange.cli.shared import progress, reading
from truechange.foundation.errors import RefusedError

if TYPE_CHECKING:
    from truechange.individual import PersonChange
    from truechange.meaningful_change import McidStudy
    from truechange.programme import ProgrammeAudit
    from truechange.records import Pairs
    from truechange.reliability import MeasurementError

READING = ("dates", "words")
NOT_SETTINGS = ("retest", "change", "out", "overwrite", "pseudonyms")
DEMO = {"primary": "chair_stand_30s", "programme": "leg power", "compare": "waiting list"}


def run_study(args: argparse.Namespace) -> int:
    """Compute the study and write it; 1 when an edited document was left as it is."""
    from truechange.programme import study
    from truechange.records import read
    from truechange.reporting.files import stamp
    from truechange.reporting.page import edited

    settings = {
        name: value for name, value in vars(args).items() if name not in NOT_SETTINGS and value not in (None, "")
    }
    made = stamp([args.retest, args.change], settings)
    chosen = {name: value for name, value in settings.items() if name not in READING}
    left_as_edited = not args.overwrite and edited(args.out / "study.docx")
    with progress(14, "reading") as step:
        step("reading")
        tables = (read(file, **reading(args)) for file in (args.retest, args.change))
        done = study(*tables, **chosen, on_step=step)
        written, left_out = done.write(args.out, stamp=made, overwrite=args.overwrite, step=step)
    print(*done.sentences(), sep="\n")
    print("\nWritten:", *written, f"{args.out}/figures, {args.out}/tables", sep="\n  ")
    print(*left_out, sep="\n", file=sys.stderr)
    return int(left_as_edited)


def run_demo(args: argparse.Namespace) -> int:
    """Run the whole chain on an invented clinic, write its reports, print a summary; return the exit status."""
    from truechange.cli.notebooks import notebook_page
    from truechange.figures.combined import overview
    from truechange.foundation.drawing import png
    from truechange.measures import measure
    from truechange.programme import audit
    from truechange.programme.studying import error_of_pairs, mcid_of_pairs, records_of_programme
    from truechange.records import read
    from truechange.reliability import limits_of_agreement
    from truechange.reporting.audit_report import write_audit
    from truechange.reporting.files import stamp

    out: Path = args.out
    out.mkdir(parents=True, exist_ok=True)
    # the notebooks of a checkout; an installed copy without them runs the rest
    notebooks = [] if args.without_notebooks else sorted(Path("notebooks").glob("0*.ipynb"))
    test = measure(DEMO["primary"])
    with progress(6 + len(notebooks), "the clinic") as step, ThreadPoolExecutor(2) as two:
        pages = two.map(notebook_page, notebooks)  # from now on, beside the rest: a notebook's kernel is a process
        step("reading the workbook")
        folder = args.data or demo_data(out)
        files = [folder / "clinic.xlsx", folder / "retest.csv"]
        records, retest = map(read, files)
        step("the test's error, from people who did not change")
        # in the clinic, too, the scored trial follows a practice trial
        twice = retest.pairs(test, before="retest1", after="retest2", trials="last")
        error = error_of_pairs(twice, "consistency", interval="1 week")
        agreement = limits_of_agreement(twice.usable["after"], twice.usable["before"], unit=test.unit)
        step("the change that matters, from the clinic's own ratings")
        trained = records_of_programme(records, DEMO["programme"], DEMO["compare"])
        change = trained.pairs(test, before="baseline", after="discharge")
        matters = mcid_of_pairs(change, error.sem, "discharge")
        step("one person")
        who, person = _one_person(change, error, matters)
        step("the programme")
        programme = audit(records, **DEMO, retest=retest.assessments, label_seed=0)
        step("writing the audit")
        picture = overview(error, agreement, matters, person, *_shares(programme))
        (out / "overview.png").write_bytes(png(picture, dpi=130))
        _, left_out = write_audit(programme, out / "audit", stamp=stamp(files, DEMO | {"seed": 0}))
        for path, page in zip(notebooks, pages, strict=True):
            step(path.stem)
            target = out / "notebooks" / f"{path.stem}.html"
            target.parent.mkdir(exist_ok=True)
            target.write_text(page, encoding="utf-8")
    print(
        "An invented clinic, the 30-second chair stand, baseline to discharge:",
        f"  rows      {records.ledger}",
        f"  error     {error.sentence()}",
        f"  matters   {matters.sentence()}",
        f"  {who}      {person.sentence()}",
        *(f"  programme {line}" for line in programme.sentences()[1:4]),
        f"Look at {out / 'audit' / 'audit.html'} (also pdf, xlsx, json) and {out / 'overview.png'}"
        + (f"; {len(notebooks)} notebooks as pages in {out / 'notebooks'}." if notebooks else "."),
        "It informs a judgement; it does not diagnose. Local rules and a licensed clinician decide.",
        *left_out,
        sep="\n",
    )
    return 0


def demo_data(out: Path) -> Path:
    """Use the folder that came with the checkout; elsewhere copy the stored files beside the reports."""
    here = Path("data_synthetic")
    if (here / "clinic.xlsx").is_file():
        return here
    from truechange.cli.notebooks import copy_material

    copy_material("data_synthetic", out / "data")
    return out / "data"


def _one_person(change: "Pairs", error: "MeasurementError", matters: "McidStudy") -> "tuple[str, PersonChange]":
    """Take the person in the middle of those who changed by about the MCID: where a bare threshold says least."""
    from truechange.individual import Programme, person_change

    group, limit = change.usable, matters.recommended
    if limit is None:
        raise RefusedError(f"The ratings of this clinic give no MCID: {' '.join(matters.cautions)}")
    nearest = (group["improvement"] - float(limit)).abs().sort_values(kind="stable").index[0]
    row = group.loc[nearest]
    programme = Programme.of(group["before"], group["after"], sem=error.sem)
    scores = float(row["before"]), float(row["after"])
    scale: dict[str, Any] = {"unit": change.measure.unit, "resolution": change.measure.resolution}
    return str(row["person"]), person_change(*scores, sem=error.sem, mcid=limit, programme=programme, **scale)


def _shares(programme: "ProgrammeAudit") -> tuple[Any, Any]:
    """Return the share whose true change matters and the share error alone would give."""
    from truechange.foundation.result import Part
    from truechange.programme.parts import Refused

    enough = programme.responders[DEMO["primary"]]
    if not isinstance(enough, Part) or isinstance(enough.true_share, Refused):
        raise RefusedError("The share whose true change matters cannot be computed from these data.")
    if isinstance(enough.from_error, Refused):
        raise RefusedError(enough.from_error.reason)
    return enough.true_share, enough.from_error
