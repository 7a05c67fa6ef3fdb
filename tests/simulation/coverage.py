"""Coverage and bias against a known truth: many data sets in chunks, each with its own stream of random numbers."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from truechange.numerics.resampling import each
from truechange.validation.run import AGREES, DISAGREES, Check

Draw = Callable[[np.random.Generator, int], Mapping[str, NDArray[Any]]]
Chunk = tuple[str, int, int]  # cell, number of the chunk, data sets in it
Sums = dict[str, list[float]]
CHUNK = 100
SEED = 20_240_501


@dataclass(frozen=True, slots=True)
class Cell:
    """One setting that is simulated.

    Parameters
    ----------
    id, topic, by : str
        Its name, its subject, the public function under test.
    draw : callable
        Takes a generator and a number of data sets, returns one array of results a name.
    expected : mapping of str to (float, float)
        True value of the mean result, and the deviation allowed beyond Monte-Carlo error.
    quick, full : int
        Data sets in a quick run (0: only in a full one) and in a full run.
    """

    id: str
    topic: str
    by: str
    draw: Draw
    expected: Mapping[str, tuple[float, float]]
    quick: int
    full: int


CELLS: dict[str, Cell] = {}


def cell(
    name: str, topic: str, expected: Mapping[str, tuple[float, float]], *, by: str, quick: int, full: int
) -> Callable[[Draw], Draw]:
    """Register a setting under `name`; parameters as in :class:`Cell`."""

    def keep(draw: Draw) -> Draw:
        CELLS[name] = Cell(name, topic, by, draw, expected, quick, full)
        return draw

    return keep


def plan(full: bool, word: str = "") -> list[Chunk]:
    """Return the chunks of work of the registered cells whose name or topic contains `word`."""
    chunks = []
    for one in CELLS.values():
        if word not in one.id.lower() and word not in one.topic.lower():
            continue
        total = one.full if full else one.quick
        whole = max(CHUNK, one.full // 40)
        sizes = [min(whole, total - start) for start in range(0, total, whole)]
        chunks += [(one.id, number, size) for number, size in enumerate(sizes)]
    return chunks


def run_chunk(one: Cell, number: int, size: int) -> Sums:
    """Return ``{result: [data sets, sum, sum of squares, failed]}`` of one chunk.

    The stream of random numbers depends on the cell and the chunk only, so
    order and number of workers do not matter.
    """
    entropy = [SEED, *one.id.encode(), number]
    drawn = one.draw(np.random.default_rng(np.random.SeedSequence(entropy)), size)
    sums = {}
    for key, values in drawn.items():
        results = np.asarray(values, dtype=float)
        kept = results[np.isfinite(results)]
        sums[key] = [float(kept.size), float(kept.sum()), float((kept**2).sum()), float(results.size - kept.size)]
    return sums


def run_cells(chunks: Sequence[Chunk]) -> list[tuple[str, int, Sums]]:
    """Run `chunks`, in the joblib back end in force, and return each with its sums."""
    names, numbers, sizes = zip(*chunks, strict=True)
    done = each(run_chunk, [CELLS[name] for name in names], numbers, sizes)
    return list(zip(names, numbers, done, strict=True))


def judge(done: Sequence[tuple[str, int, Sums]]) -> list[Check]:
    """Add up the chunks and hold each mean against the truth: allowed deviation plus 4 Monte-Carlo errors."""
    sums: dict[tuple[str, str], NDArray[Any]] = {}
    for name, _, chunk in sorted(done, key=lambda one: one[:2]):
        for key, parts in chunk.items():
            sums[name, key] = sums.get((name, key), np.zeros(4)) + np.array(parts)
    checks = []
    for (name, key), (n, total, squares, failed) in sums.items():
        one = CELLS[name]
        truth, allowed = one.expected[key]
        mean = total / n if n else np.nan
        variance = squares / n - mean**2 if n else np.nan
        error = float(np.sqrt(variance / n)) if variance > 1e-15 else 1 / max(n, 1)
        tolerance = allowed + 4 * error
        fine = abs(mean - truth) <= tolerance and failed <= 0.01 * n
        reason = f"{failed:.0f} data sets gave no number" if failed else ""
        source = f"Simulation with known truth, {n:.0f} data sets; Monte-Carlo error {error:.2g}, {allowed:g} allowed."
        where = (one.topic, name, key, source, "", "simulation", f"{truth:.6g}")
        verdict = AGREES if fine else DISAGREES
        checks.append(Check(*where, truth, float(mean), tolerance, one.by, verdict, reason))
    return checks
