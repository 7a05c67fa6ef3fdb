"""``truechange template``: the empty workbook to fill in."""

import argparse

HELP = "write the empty workbook: four sheets with drop-downs, units, notes and an example row"
EXAMPLE = "example:\n  truechange template clinic.xlsx"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of the command on `parser`."""
    parser.add_argument("file", metavar="FILE.xlsx", help="the workbook to write; it must not exist yet")


def run(arguments: argparse.Namespace) -> int:
    """Write the template; return the exit status."""
    from truechange.records.template import write_template

    place = write_template(arguments.file)
    print(f"{place}: fill in the sheet assessments at least, then: truechange inspect {place}")
    return 0
