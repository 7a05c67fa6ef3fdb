"""``truechange study`` and ``demo``: a retest study and a before-after study in, their reports out."""

import argparse
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from truechange.cli.shared import progress, reading
from truechange.foundation.errors import RefusedError

if TYPE_CHECKING:
    from truechange.foundation.estimate import Estimate
    from truechange.individual import PersonChange
    from truechange.meaningful_change import McidStudy
    from truechange.programme import ProgrammeAudit
    from truechange.records import Pairs, Records
    from truechange.reliability import MeasurementError
    from truechange.reporting.study_report import Study

NOT_SETTINGS = ("retest", "change", "out", "overwrite", "pseudonyms")
DEMO = {"primary": "chair_stand_30s", "programme": "leg power", "compare": "waiting list"}


def run_study(args: argparse.Namespace) -> int:
    """Compute the study and write it; 1 when an edited document was left as it is."""
    from truechange.reporting.files import stamp
    from truechange.reporting.page import edited
    from truechange.reporting.study_report import write_study

    settings = {
        name: value for name, value in vars(args).items() if name not in NOT_SETTINGS and value not in (None, "")
    }
    made = stamp([args.retest, args.change], settings)
    left_as_edited = not args.overwrite and edited(args.out / "study.docx")
    with progress(14, "reading") as step:
        study = compute(args, step)
        written, left_out = write_study(study, args.out, stamp=made, overwrite=args.overwrite, step=step)
    print(study.error.sentence(), study.mcid.sentence(), *study.audit.sentences()[2:3], sep="\n")
    print("\nWritten:", *written, f"{args.out}/figures, {args.out}/tables", sep="\n  ")
    print(*left_out, sep="\n", file=sys.stderr)
    return int(left_as_edited)


def compute(args: argparse.Namespace, step: Callable[[str], None]) -> "Study":
    """Run every part of the study in order and return it."""
    from truechange.measures import measure
    from truechange.programme import audit
    from truechange.programme.auditing import attempt
    from truechange.records import read
    from truechange.reliability import icc, limits_of_agreement
    from truechange.reporting.study_report import Study

    step("reading")
    test, records = measure(args.measure), read(args.change, **reading(args))
    first, second = args.retest_occasions
    retest = read(args.retest, **reading(args)).pairs(test, before=first, after=second, trials=args.trials)
    step("reliability")
    error = _error(retest, args.error, population=args.population, interval=args.interval)
    forms = tuple(icc(_long(retest), form=form) for form in dict.fromkeys((args.form, "ICC(A,1)", "ICC(C,1)")))
    agreement = limits_of_agreement(retest.usable["before"], retest.usable["after"], unit=test.unit)
    step("the change that matters")
    records.refuse_unmapped(args.before, args.after)
    occasions = {"before": args.before, "after": args.after}
    change = _programme_records(records, args.programme, args.compare).pairs(test, **occasions, trials=args.trials)
    drawing = {"n_boot": args.resamples, "seed": args.seed}
    matters = attempt(lambda: _matters(change, error.sem, args.after, args.cut, **drawing), "The change that matters")
    recommended = getattr(matters, "recommended", None)
    known = {"sem": error.sem, "practice": error.learning} | ({} if recommended is None else {"mcid": recommended})
    step("the programme")
    choices = {"programme": args.programme, "compare": args.compare, "thresholds": {test.key: known}}
    programme = audit(records, args.before, args.after, [test.key], **choices, **drawing)
    options = {"resamples": args.resamples, "seed": args.seed}
    return Study(test, retest, change, forms, error, agreement, matters, programme, options)


def _long(retest: "Pairs") -> Any:
    return retest.usable.rename(columns={"before": 1, "after": 2}).melt("person", [1, 2], "trial", "value")


def _error(retest: "Pairs", kind: str, **about: Any) -> "MeasurementError":
    from truechange.reliability import measurement_error

    test = retest.measure
    return measurement_error(_long(retest), error=kind, resolution=test.resolution, unit=test.unit, **about)


def _programme_records(records: "Records", programme: str | None, compare: str | None) -> "Records":
    """Return the records with the assessments of the programme's people alone."""
    from truechange.programme.auditing import chosen_programmes, of_programme

    chosen, _ = chosen_programmes(records, programme, compare)
    return replace(records, assessments=of_programme(records, chosen))


def _matters(change: "Pairs", sem: "Estimate", after: str, cut: int = 1, **drawing: Any) -> "McidStudy":
    """Estimate the change that matters from the people's ratings; refused where there are none."""
    from truechange.meaningful_change import mcid

    if "rating" not in change.usable or not change.usable["rating"].notna().any():
        raise RefusedError(
            f"Nobody with two comparable scores rated the change at {after}: give a sheet of ratings, one row a "
            "person. Changes are held against the measurement error alone."
        )
    rated = change.usable.dropna(subset=["rating"])
    scores = {"before": rated["before"], "after": rated["after"]}
    scale: dict[str, Any] = {"unit": change.measure.unit, "resolution": change.measure.resolution}
    return mcid(rated["improvement"], rated["rating"], cut, sem=sem, **scores, **scale, **drawing)


def run_demo(args: argparse.Namespace) -> int:
    """Run the whole chain on an invented clinic, write its reports, print a summary; return the exit status."""
    from truechange.cli.notebooks import notebook_page
    from truechange.figures.combined import overview
    from truechange.foundation.html import png
    from truechange.measures import measure
    from truechange.programme import audit
    from truechange.records import read
    from truechange.reliability import limits_of_agreement
    from truechange.reporting.audit_report import write_audit
    from truechange.reporting.files import stamp

    out: Path = args.out
    out.mkdir(parents=True, exist_ok=True)
    # the notebooks of a checkout; an installed copy without them runs the rest
    notebooks = [] if args.without_notebooks else sorted(Path("notebooks").glob("0*.ipynb"))
    test = measure(DEMO["primary"])
    with progress(6 + len(notebooks), "the clinic") as step:
        step("reading the workbook")
        folder = args.data or demo_data(out)
        files = [folder / "clinic.xlsx", folder / "retest.csv"]
        records, retest = map(read, files)
        step("the test's error, from people who did not change")
        # in the clinic, too, the scored trial follows a practice trial
        twice = retest.pairs(test, before="retest1", after="retest2", trials="last")
        error = _error(twice, "consistency", interval="1 week")
        agreement = limits_of_agreement(twice.usable["after"], twice.usable["before"], unit=test.unit)
        step("the change that matters, from the clinic's own ratings")
        trained = _programme_records(records, DEMO["programme"], DEMO["compare"])
        change = trained.pairs(test, before="baseline", after="discharge")
        matters = _matters(change, error.sem, "discharge")
        step("one person")
        who, person = _one_person(change, error, matters)
        step("the programme")
        programme = audit(records, **DEMO, retest=retest.assessments, label_seed=0)
        step("writing the audit")
        picture = overview(error, agreement, matters, person, *_shares(programme))
        (out / "overview.png").write_bytes(png(picture, dpi=130))
        _, left_out = write_audit(programme, out / "audit", stamp=stamp(files, DEMO | {"seed": 0}))
        for path in notebooks:
            step(path.stem)
            page = out / "notebooks" / f"{path.stem}.html"
            page.parent.mkdir(exist_ok=True)
            page.write_text(notebook_page(path), encoding="utf-8")
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
