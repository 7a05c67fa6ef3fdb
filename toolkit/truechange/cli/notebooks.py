"""The command ``truechange notebooks``: the set of notebooks with its small data, ready to open and to change."""

import argparse
import shutil
from pathlib import Path

import truechange
from truechange.foundation.errors import OutcomeError, listed

HELP = "copy the notebooks and their invented data into a folder of yours"
EXAMPLE = "example:\n  truechange notebooks my_notebooks"
FOLDERS = {"notebooks": ("*.ipynb", "*.md"), "data_synthetic": ("*.csv", "*.xlsx", "*.json", "*.md")}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's words."""
    parser.add_argument("dir", type=Path, metavar="DIR", help="folder to copy into; made if it is not there")
    parser.add_argument("--overwrite", action="store_true", help="replace files that are there already")


def run(args: argparse.Namespace) -> int:
    """Copy and say how to open them."""
    targets = [args.dir / folder / source.name for folder in FOLDERS for source in _sources(folder)]
    there = [str(target) for target in targets if target.exists()]
    if there and not args.overwrite:
        raise OutcomeError(f"Already there: {listed(there)}. Choose another folder, or add --overwrite.")
    for folder in FOLDERS:
        copy_material(folder, args.dir / folder)
    books = sum(target.suffix == ".ipynb" for target in targets)
    print(f"{books} notebooks and their invented data are in {args.dir}.")
    print(f"Open them with: python -m jupyter lab {args.dir / 'notebooks'} (extra: truechange[notebooks]).")
    return 0


def copy_material(folder: str, target: Path) -> None:
    """Copy the stored files of ``notebooks`` or ``data_synthetic`` into `target`, replacing those of the same name."""
    target.mkdir(parents=True, exist_ok=True)
    for source in _sources(folder):
        shutil.copyfile(source, target / source.name)


def _sources(folder: str) -> list[Path]:
    return [path for pattern in FOLDERS[folder] for path in sorted((material() / folder).glob(pattern))]


def material() -> Path:
    """Return the folder that holds ``notebooks`` and ``data_synthetic``: the wheel's own copy, or the checkout's top.

    Raises
    ------
    OutcomeError
        Neither is there.
    """
    house = Path(truechange.__file__).parent
    for place in (house / "cli" / "material", house.parents[1]):
        if (place / "notebooks").is_dir() and (place / "data_synthetic").is_dir():
            return place
    raise OutcomeError("This copy of truechange came without its notebooks; install it from its wheel or a checkout.")
