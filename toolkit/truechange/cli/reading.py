"""Options by which every command reads a clinic's file alike: order of dates, codes for people, word map."""

import argparse
from pathlib import Path
from typing import Any


def add_reading(parser: argparse.ArgumentParser) -> None:
    """Declare how a file is read."""
    add = parser.add_argument
    add("--dates", choices=("day-first", "month-first"), help="how 03/04/2025 is meant")
    add("--pseudonyms", metavar="KEYFILE", help="replace people by codes made with this secret key")
    add("--words", type=Path, metavar="FILE", help="the clinic's word map (default: clinic.toml beside the file)")


def reading(args: argparse.Namespace) -> dict[str, Any]:
    """Return the arguments of ``truechange.read`` that were given."""
    dates = args.dates.replace("-", " ") if args.dates else None
    return {"dates": dates, "pseudonyms": args.pseudonyms, "words": args.words}
