"""One row a benchmark: ours and a peer in the same run, the goal, and the floor that no code of ours can go below."""

import json
import os
import statistics
import subprocess
import sys
from collections.abc import Iterable, Iterator
from math import nan
from typing import NamedTuple

ONE_THREAD = {f"{library}_NUM_THREADS": "1" for library in ("OMP", "OPENBLAS", "MKL")}
WIDTHS = (54, 10, 10, 8, 8, 10, 9)


class Row(NamedTuple):
    """What was done, seconds of ours and of the peer, and the goal for the peer's over ours.

    `slower` turns the ratio: how many times as long as the peer ours may take. `floor` is the part of our seconds that
    is spent whatever we do (`of` says on what); `extra_mb` is memory beyond the data (of a registry: in all).
    """

    work: str
    ours: float
    theirs: float
    goal: float
    slower: bool = False
    floor: float = nan
    of: str = ""
    extra_mb: float = nan

    @property
    def ratio(self) -> float:
        return self.ours / self.theirs if self.slower else self.theirs / self.ours

    @property
    def met(self) -> bool:
        return self.ratio <= self.goal if self.slower else self.ratio >= self.goal


def fresh(script: str, *words: object, runs: int = 5) -> dict[str, float]:
    """Return the medians of what `script` prints as JSON in its last line, each time in a process of its own."""
    command = [sys.executable, script, *map(str, words)]
    held = []
    for _ in range(runs):
        done = subprocess.run(command, capture_output=True, text=True, check=True, env=os.environ | ONE_THREAD)
        held.append(json.loads(done.stdout.splitlines()[-1]))
    return {name: statistics.median(one[name] for one in held) for name in held[0]}


def show(rows: Iterable[Row]) -> bool:
    """Print the table, row by row as it is measured; return whether every goal was met."""
    heads = ("work, against whom", "ours", "peer", "ratio", "goal", "floor", "MB")
    print(
        "".join(
            head.ljust(w) if not at else head.rjust(w) for at, (head, w) in enumerate(zip(heads, WIDTHS, strict=True))
        )
    )
    met, floors = True, dict[str, None]()
    for row in rows:
        met &= row.met
        floors |= {row.of: None} if row.of else {}
        goal = f"{'≤' if row.slower else '≥'} {row.goal:,g}"
        cells = (_seconds(row.ours), _seconds(row.theirs), f"{row.ratio:,.{row.ratio < 20:d}f}", goal,
                 _seconds(row.floor), "" if row.extra_mb != row.extra_mb else f"{row.extra_mb:.0f}")  # fmt: skip
        told = "".join(cell.rjust(width) for cell, width in zip(cells, WIDTHS[1:], strict=True))
        print(f"{row.work[: WIDTHS[0] - 1]:<{WIDTHS[0]}}{told}{'' if row.met else '  not met'}", flush=True)
    for words in floors:
        print(f"floor: {words}")
    return met


def _seconds(seconds: float) -> str:
    if seconds != seconds:
        return ""
    for unit, size in (("s", 1.0), ("ms", 1e-3), ("µs", 1e-6)):
        if seconds >= size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds / 1e-9:.3g} ns"


def alone(rows: Iterator[Row]) -> int:
    """Print the rows of one script and return its exit status."""
    return 0 if show(rows) else 1
