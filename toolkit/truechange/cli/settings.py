"""The command ``truechange settings``: a clinic's own error, important change and programme, written once."""

import argparse
from pathlib import Path

from truechange.cli.progress import progress
from truechange.cli.reading import add_reading, reading

HELP = "write the clinic's own numbers into clinic.toml, which person and page read"
EXAMPLE = """example:
  truechange settings --retest data_synthetic/retest.csv --from data_synthetic/clinic.xlsx \\
    --programme "leg power" --name "Our clinic" --out clinic.toml

It keeps numbers of groups only: error, practice gain, MCID, protocol, means and spread. Nothing of one person.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's words."""
    add = parser.add_argument
    add("--from", dest="file", type=Path, required=True, metavar="FILE", help="the clinic's workbook or table")
    add("--retest", type=Path, metavar="FILE", help="assessments of unchanged people tested twice, for the error")
    add("--programme", help="programme the people belong to, where the file holds several")
    add("--before", default="baseline", help="first occasion (default: baseline)")
    add("--after", default="discharge", help="second occasion (default: discharge)")
    add("--trials", default="refuse", choices=("refuse", "mean", "best", "first", "last"),
        help="how several trials of one visit become one score")  # fmt: skip
    add("--name", default="", help="name of the clinic, for title blocks")
    add("--author", default="", help="who stands behind it, for title blocks")
    add("--out", type=Path, default=Path("clinic.toml"), metavar="FILE", help="file to write (default: clinic.toml)")
    add_reading(parser)


def run(args: argparse.Namespace) -> int:
    """Estimate, write, and say what could not be; 1 where nothing could."""
    import tomlkit

    from truechange.programme import audit
    from truechange.programme.own_numbers import missing_words, own_numbers
    from truechange.records import read
    from truechange.reporting.audit_tables import in_words

    with progress(12, "reading") as step:
        records = read(args.file, **reading(args))
        retest = None if args.retest is None else read(args.retest, **reading(args)).assessments
        found = audit(
            records, args.before, args.after, programme=args.programme, retest=retest, trials=args.trials, on_step=step
        )
    known = own_numbers(found)
    there = args.out.exists()
    kept = tomlkit.parse(args.out.read_text(encoding="utf-8")) if there else tomlkit.document()
    clinic = {name: value for name, value in (("name", args.name), ("author", args.author)) if value}
    for table, rows in {**({"clinic": clinic} if clinic else {}), **known}.items():
        kept[table] = rows
    args.out.write_text(tomlkit.dumps(kept), encoding="utf-8")
    print(f"{'Renewed' if there else 'Written'}: {args.out} (tests with an error or MCID: "
          f"{len(known['measures'])}, with a programme's spread: {len(known['programme'])}).")  # fmt: skip
    for text in missing_words(found):
        print(in_words(text))
    return 0 if known["measures"] else 1
