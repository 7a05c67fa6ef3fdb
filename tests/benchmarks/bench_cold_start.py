"""How long a command takes to answer from nothing, as a ratio of a bare Python start; what it must not import.

Run by hand: ``python tests/benchmarks/bench_cold_start.py``. Also: the posterior of a million people beside
scipy.stats. Medians of fresh processes, taken in turn.
"""

import json
import os
import statistics
import subprocess
import sys
import time
from tempfile import TemporaryDirectory

HEAVY = ("numpy", "pandas", "scipy", "matplotlib", "statsmodels")
PERSON = ["person", "9", "13", "--sem", "1", "--mcid", "2"]
COMMANDS = {"truechange --help": ["--help"], "truechange person": PERSON}
GOAL, POSTERIOR_GOAL, PEOPLE = 4.0, 3.0, 1_000_000


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
    from scipy.stats import norm

    from truechange.responders.true_share import TrueSpread, chance_beyond

    changes = np.random.default_rng(1).normal(2, 2.5, PEOPLE)
    spread = TrueSpread(np.array([2.0]), np.array([1.06]), np.array([1.0]), 2.0, PEOPLE)
    before, begun = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.process_time()
    if which == "ours":
        chance = chance_beyond(changes, spread, 2.0)
    else:
        kept = 4.0 / (4.0 + 2 * 1.06**2)
        chance = norm.sf(2.0, loc=2.0 + kept * (changes - 2.0), scale=np.sqrt(kept * 2 * 1.06**2))
    seconds = time.process_time() - begun
    extra = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    print(json.dumps({"seconds": seconds, "extra_mb": extra, "sum": float(chance.sum())}))


def main(repeats: int = 7) -> None:
    if sys.argv[1:2] == ["--posterior"]:
        posterior(sys.argv[2])
        return
    rows: dict[str, list[float]] = {name: [] for name in ("bare", *COMMANDS)}
    with TemporaryDirectory() as compiled:
        for turn in range(repeats + 1):  # in turn, so that other work on the machine hits all alike
            times = {"bare": start(["-c", "pass"], compiled)}
            times |= {name: start(["-m", "truechange.cli.main", *words], compiled) for name, words in COMMANDS.items()}
            for name, seconds in times.items():
                rows[name] += [seconds] if turn else []  # the first turn only compiles
    bare = statistics.median(rows["bare"])
    for name, words in COMMANDS.items():
        ratio = statistics.median(rows[name]) / bare
        shown = f"{1000 * statistics.median(rows[name]):6.0f} ms, {ratio:.1f} times a bare start (goal {GOAL:g})"
        print(f"{name:<20} {shown}; imports of {', '.join(HEAVY)}: {imported(words) or 'none'}")
    held: dict[str, list[dict[str, float]]] = {"ours": [], "scipy": []}
    for _ in range(5):
        for which, runs in held.items():
            command = [sys.executable, __file__, "--posterior", which]
            runs.append(json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout))
    if abs(held["ours"][0]["sum"] - held["scipy"][0]["sum"]) > 1.0:
        raise SystemExit(f"The two disagree: {held}")
    mine, peer = (statistics.median(run["seconds"] for run in held[which]) for which in ("ours", "scipy"))
    extra = [statistics.median(run["extra_mb"] for run in held[which]) for which in ("ours", "scipy")]
    print(f"posterior, {PEOPLE:.0e} people: {1000 * mine:.0f} ms, {extra[0]:.0f} MB; scipy.stats {1000 * peer:.0f} ms,"
          f" {extra[1]:.0f} MB; {peer / mine:.1f} times faster (goal {POSTERIOR_GOAL:g})")  # fmt: skip


if __name__ == "__main__":
    main()
