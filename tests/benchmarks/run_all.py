"""Run every benchmark, one after the other, into one table: ratios against peers of the same run, floors, memory.

    python tests/benchmarks/run_all.py
    python tests/benchmarks/run_all.py cold_start mcid

Each script can also be run by itself. Ratios move less between machines than times do, but they do: hold a bar
against a run on the machine it was set on. Four to nine minutes on two quiet cores.
"""

import os
import platform
import sys
import time
from collections.abc import Iterator
from importlib import import_module
from importlib.metadata import version
from pathlib import Path

from measuring import Row, show

FOLDER = Path(__file__).parent
LIBRARIES = ("truechange", "numpy", "scipy", "pandas", "statsmodels")


def rows_of(names: list[str]) -> Iterator[Row]:
    for name in names:
        yield from import_module(f"bench_{name}").rows()


def main() -> int:
    scripts = [path.stem.removeprefix("bench_") for path in sorted(FOLDER.glob("bench_*.py"))]
    chosen = sys.argv[1:] or scripts
    if unknown := set(chosen) - set(scripts):
        print(f"No benchmark {', '.join(sorted(unknown))}; there are: {', '.join(scripts)}.", file=sys.stderr)
        return 2
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}; "
          + ", ".join(f"{name} {version(name)}" for name in LIBRARIES))  # fmt: skip
    if os.name == "posix":
        print(f"load of the machine at the start: {os.getloadavg()[0]:.1f}")
    begun = time.perf_counter()
    met = show(rows_of(chosen))
    print(f"({time.perf_counter() - begun:.0f} s)")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
