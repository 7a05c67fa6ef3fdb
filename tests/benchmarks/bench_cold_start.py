"""How long a command takes to answer from nothing, as a ratio of a bare Python start; what it must not import.

Run by hand: ``python tests/benchmarks/bench_cold_start.py``. Also: the posterior of a million people beside
scipy.stats, and the audit of the invented clinic beside the import of the libraries it needs. Medians of fresh
processes, taken in turn.
"""

import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from tempfile import TemporaryDirectory

from measuring import Row, alone, fresh

HEAVY = ("numpy", "pandas", "scipy", "matplotlib", "statsmodels")
PERSON = ["person", "9", "13", "--sem", "1", "--mcid", "2"]
COMMANDS = {"truechange --help": ["--help"], "truechange person": PERSON}
GOAL, POSTERIOR_GOAL, AUDIT_GOAL, PEOPLE = 4.0, 3.0, 4.0, 1_000_000


def start(words: list[str], compiled: str) -> float:
    """Time one start; bytecode is kept in `compiled`, as an installed package has it."""
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    begun = time.perf_counter()
    subprocess.run(
        [sys.executable, *words], capture_output=True, check=True, env=env | {"PYTHONPYCACHEPREFIX": compiled}
    )
    return time.perf_counter() - begun


def imported(words: list[str]) -> list[str]:
    code = (
        "import sys; from truechange.cli.main import main\n"
        f"status = main({words!r})\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr); sys.exit(status)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return json.loads(done.stderr.splitlines()[-1].replace("'", '"'))


def posterior(which: str) -> None:
    """Chance of an important true change for a million people with known spread, in this process."""
    import resource

    import numpy as np
    from scipy.special import ndtr
    from scipy.stats import norm

    from truechange.numerics.true_change import TrueSpread

    changes = np.random.default_rng(1).normal(2, 2.5, PEOPLE)
    spread = TrueSpread(np.array([2.0]), np.array([1.06]), np.array([1.0]), 2.0, PEOPLE)
    before, begun = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.process_time()
    if which == "ours":
        chance = spread.chances(changes, 2.0)
    elif which == "floor":
        chance = ndtr(changes, out=np.empty(PEOPLE))
    else:
        kept = 4.0 / (4.0 + 2 * 1.06**2)
        chance = norm.sf(2.0, loc=2.0 + kept * (changes - 2.0), scale=np.sqrt(kept * 2 * 1.06**2))
    seconds = time.process_time() - begun
    extra = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    print(json.dumps({"seconds": seconds, "extra_mb": extra, "sum": float(chance.sum())}))


def whole_audit(what: str) -> None:
    """Time, in this process, the import of the three libraries, or the whole command on the invented clinic."""
    begun = time.process_time()
    if what == "libraries":
        for name in ("numpy", "pandas", "scipy.stats"):
            import_module(name)
    else:
        from truechange.cli.main import main

        data = Path(__file__).parents[2] / "data_synthetic"
        with TemporaryDirectory() as folder:
            words = f"--programme leg_power --primary chair_stand_30s --out {folder}".split()
            words[1] = "leg power"
            status = main(["audit", str(data / "clinic.xlsx"), "--retest", str(data / "retest.csv"), *words])
        if status:
            raise SystemExit(status)
    print(json.dumps({"seconds": time.process_time() - begun}))


def starts(repeats: int = 7) -> dict[str, float]:
    """Return the median start of bare Python, of its parser of options, and of each command."""
    asked = {"bare": ["-c", "pass"], "argparse": ["-c", "import argparse"]}
    asked |= {name: ["-m", "truechange.cli.main", *words] for name, words in COMMANDS.items()}
    times: dict[str, list[float]] = {name: [] for name in asked}
    with TemporaryDirectory() as compiled:
        for turn in range(repeats + 1):  # in turn, so that other work on the machine hits all alike
            for name, words in asked.items():
                seconds = start(words, compiled)
                times[name] += [seconds] if turn else []  # the first turn only compiles
    return {name: statistics.median(held) for name, held in times.items()}


def rows() -> Iterator[Row]:
    for words in COMMANDS.values():
        if found := imported(words):
            raise SystemExit(f"truechange {words[0]} imports {found}")
    took = starts()
    for name in COMMANDS:
        yield Row(f"{name}, against a bare Python", took[name], took["bare"], GOAL, slower=True,
                  floor=took["argparse"], of="a command: Python and argparse started")  # fmt: skip
    mine, peer, floor = (fresh(__file__, "--posterior", which) for which in ("ours", "scipy", "floor"))
    if abs(mine["sum"] - peer["sum"]) > 1.0:
        raise SystemExit(f"The two disagree: {mine} {peer}")
    yield Row(f"{PEOPLE:.0e} posteriors, against scipy.stats", mine["seconds"], peer["seconds"], POSTERIOR_GOAL,
              floor=floor["seconds"], of="posteriors: one normal probability a person",
              extra_mb=mine["extra_mb"])  # fmt: skip
    whole, libraries = (fresh(__file__, "--audit", what, runs=3)["seconds"] for what in ("command", "libraries"))
    yield Row("audit of the demo, all files, against imports", whole, libraries, AUDIT_GOAL, slower=True,
              floor=libraries, of="an audit: numpy, pandas and scipy.stats imported")  # fmt: skip


if __name__ == "__main__":
    if sys.argv[1:2] == ["--posterior"]:
        posterior(sys.argv[2])
    elif sys.argv[1:2] == ["--audit"]:
        whole_audit(sys.argv[2])
    else:
        sys.exit(alone(rows()))
