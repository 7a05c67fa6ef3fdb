"""What is needed to get the same numbers again: the files, the versions, the seed, the options; no clock, no user."""

import platform
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path

LIBRARIES = ("numpy", "pandas", "scipy", "statsmodels")


@dataclass(frozen=True)
class Stamp:
    """The reproducibility stamp of one run.

    Parameters
    ----------
    rows : tuple of (str, str)
        Fact and its value, in the order they are shown.
    """

    rows: tuple[tuple[str, str], ...]

    @property
    def software(self) -> str:
        """Programs and versions, in one clause."""
        return ", ".join(f"{name} {value}" for name, value in self.rows if name in ("truechange", "Python", *LIBRARIES))


def stamp(files: Iterable[Path] = (), options: Mapping[str, object] | None = None) -> Stamp:
    """Collect the stamp.

    Parameters
    ----------
    files : iterable of Path
        Input files; their names (not their folders) and SHA-256 are stamped. A folder stamps its files.
    options : mapping, optional
        Settings of the run, the seed among them; ``None`` values are left out.
    """
    from truechange import __version__

    held: list[tuple[str, str]] = [("truechange", __version__), ("Python", platform.python_version())]
    held += [(name, version(name)) for name in LIBRARIES]
    for given in files:
        path = Path(given)
        for one in sorted(p for p in path.iterdir() if p.is_file()) if path.is_dir() else [path]:
            held.append((f"SHA-256 of {one.name}", _digest(one)))
    held += [(name.replace("_", " "), str(value)) for name, value in (options or {}).items() if value is not None]
    return Stamp(tuple(held))


def _digest(path: Path) -> str:
    found = sha256()
    with path.open("rb") as handle:
        while piece := handle.read(1 << 20):
            found.update(piece)
    return found.hexdigest()
