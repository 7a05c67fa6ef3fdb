"""The command ``truechange study``: a retest study and a before-after study in, a thesis chapter's material out."""

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from truechange.cli.progress import progress
from truechange.cli.reading import add_reading, reading
from truechange.foundation.errors import RefusedError

HELP = "write a capstone's analysis: methods with references, tables, figures, checklists; no code needed"
EXAMPLE = """example:
  truechange study data_synthetic/retest.csv data_synthetic/clinic.xlsx --out reports/study \\
    --measure chair_stand_30s --programme "leg power" --trials last
"""
FORMS = ("ICC(A,1)", "ICC(C,1)", "ICC(1)")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's words."""
    add = parser.add_argument
    add("retest", type=Path, metavar="RETEST", help="assessments of unchanged people tested twice")
    add("change", type=Path, metavar="CHANGE", help="the clinic's workbook, with people's ratings of change")
    add("--out", type=Path, metavar="DIR", required=True, help="folder for the documents, figures and tables")
    add("--measure", required=True, metavar="TEST", help="the test")
    add("--before", default="baseline", help="first occasion (default: baseline)")
    add("--after", default="discharge", help="second occasion (default: discharge)")
    add("--retest-occasions", nargs=2, default=("retest1", "retest2"), metavar="NAME", help="of the retest study")
    add("--trials", default="refuse", choices=("refuse", "mean", "best", "first", "last"),
        help="how several trials of one visit become one score")  # fmt: skip
    add("--form", default="ICC(A,1)", choices=FORMS, help="intraclass correlation that counts (default: ICC(A,1))")
    add("--error", default="consistency", choices=("agreement", "consistency", "one-way"),
        help="which SEM the MDC uses (default: consistency; a shift between the tests is told apart)")  # fmt: skip
    add("--programme", help="programme to study, where the file holds several")
    add("--compare", metavar="PROGRAMME", help="programme of the comparison group")
    add("--interval", default="", help="time between the two retests, in words, such as '1 week'")
    add("--population", default="", help="who the people of the retest study are, in words")
    add("--cut", type=int, default=1, help="lowest rating that counts as improved (default: 1)")
    add_reading(parser)
    add("--overwrite", action="store_true", help="replace a study.docx that was edited since it was written")
    add("--seed", type=int, default=0, help="of every random step (default: 0)")
    add("--resamples", type=int, default=2000, metavar="N", help="for every resampled interval (default: 2000)")


def run(args: argparse.Namespace) -> int:
    """Compute the study and write it; 1 when an edited document was left as it is."""
    from truechange.reporting.page_docx import edited
    from truechange.reporting.stamp import stamp
    from truechange.reporting.study_report import write_study

    hidden = ("retest", "change", "out", "overwrite", "pseudonyms", "run", "command")
    settings = {name: value for name, value in vars(args).items() if name not in hidden and value not in (None, "")}
    made = stamp([args.retest, args.change], settings)
    kept = not args.overwrite and edited(args.out / "study.docx")
    with progress(14, "reading") as step:
        study = compute(args, step)
        written, left_out = write_study(study, args.out, stamp=made, overwrite=args.overwrite, step=step)
    said = (study.error.sentence(), study.mcid.sentence(), *study.audit.sentences()[2:3])
    print(
        "\n".join(
            (*said, "", "Written:", *(f"  {path}" for path in written), f"  {args.out}/figures, {args.out}/tables")
        )
    )
    print(*left_out, sep="\n", file=sys.stderr)
    return int(kept)


def _matters(change: Any, sem: Any, args: argparse.Namespace) -> Any:
    """Estimate the change that matters from the people's ratings; refused where there are none."""
    from truechange.meaningful_change import mcid

    if "rating" not in change.usable or not change.usable["rating"].notna().any():
        raise RefusedError(
            f"Nobody with two comparable scores rated the change at {args.after}: give a sheet of ratings, one row a "
            "person. Changes are held against the measurement error alone."
        )
    rated = change.usable.dropna(subset=["rating"])
    return mcid(
        rated["improvement"], rated["rating"], args.cut, sem=sem, before=rated["before"], after=rated["after"],
        n_boot=args.resamples, seed=args.seed, unit=change.measure.unit, resolution=change.measure.resolution,
    )  # fmt: skip


def compute(args: argparse.Namespace, step: Any) -> Any:
    """Run every part of the study in order and return it."""
    from truechange.measures import measure
    from truechange.programme import audit
    from truechange.programme.auditing import attempt, chosen_programmes, of_programme
    from truechange.records import read
    from truechange.reliability import icc, limits_of_agreement, measurement_error
    from truechange.reporting.study_report import Study

    step("reading")
    test, records = measure(args.measure), read(args.change, **reading(args))
    first, second = args.retest_occasions
    retest = read(args.retest, **reading(args)).pairs(test, before=first, after=second, trials=args.trials)
    step("reliability")
    twice = retest.usable.rename(columns={"before": 1, "after": 2}).melt("person", [1, 2], "trial", "value")
    about = {"unit": test.unit, "population": args.population, "interval": args.interval}
    error = measurement_error(twice, error=args.error, resolution=test.resolution, **about)
    forms = tuple(icc(twice, form=form) for form in dict.fromkeys((args.form, "ICC(A,1)", "ICC(C,1)")))
    agreement = limits_of_agreement(retest.usable["before"], retest.usable["after"], unit=test.unit)
    step("the change that matters")
    records.refuse_unmapped(args.before, args.after)
    chosen, _ = chosen_programmes(records, args.programme, args.compare)
    own = replace(records, assessments=of_programme(records, chosen))
    change = own.pairs(test, before=args.before, after=args.after, trials=args.trials)
    found = attempt(lambda: _matters(change, error.sem, args), "The change that matters")
    value = getattr(found, "recommended", None)
    known = {"sem": error.sem, "practice": error.learning} | ({"mcid": value} if value is not None else {})
    step("the programme")
    programme = audit(
        records, args.before, args.after, [test.key], programme=args.programme, compare=args.compare,
        thresholds={test.key: known}, n_boot=args.resamples, seed=args.seed,
    )  # fmt: skip
    options = {"resamples": args.resamples, "seed": args.seed}
    return Study(test, retest, change, forms, error, agreement, found, programme, options)
