"""Run every benchmark, one after the other, and print one report: ratios against peers of the same run, with memory.

    python tests/benchmarks/run_all.py
    python tests/benchmarks/run_all.py cold_start mcid

Each script can also be run by itself. Ratios carry over to other machines, absolute times do not.
"""

import os
import platform
import subprocess
import sys
import time
from importlib.metadata import version
from pathlib import Path

FOLDER = Path(__file__).parent
LIBRARIES = ("truechange", "numpy", "scipy", "pandas", "statsmodels")


def main() -> int:
    scripts = {path.stem.removeprefix("bench_"): path for path in sorted(FOLDER.glob("bench_*.py"))}
    chosen = sys.argv[1:] or list(scripts)
    if unknown := set(chosen) - set(scripts):
        print(f"No benchmark {', '.join(sorted(unknown))}; there are: {', '.join(scripts)}.", file=sys.stderr)
        return 2
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}; "
          + ", ".join(f"{name} {version(name)}" for name in LIBRARIES))  # fmt: skip
    if os.name == "posix":
        print(f"load of the machine at the start: {os.getloadavg()[0]:.1f}")
    failed = []
    for name in chosen:
        print(f"\n== {name}", flush=True)
        begun = time.perf_counter()
        one_thread = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
        done = subprocess.run([sys.executable, str(scripts[name])], check=False, env=os.environ | one_thread)
        print(f"({time.perf_counter() - begun:.0f} s)", flush=True)
        if done.returncode:
            failed.append(name)
    if failed:
        print(f"\nNot reached or not run: {', '.join(failed)}.")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
