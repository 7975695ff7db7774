"""Whole campaigns: runs a second, memory, cost against runs and duration, and the same engines flown one by one.

Run from the project's folder, on a quiet machine: ``python -m tests.benchmarks.dispersions [RUNS]``. Everything counts: drawing,
building each engine, its steady points, the profile, reading it, the statistics. Rival: the same rows with every engine
flown by itself (``Workshop.run``, the scalar simulator at the lanes' step), one core.
"""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path

from valvectl import load
from valvectl.studies.campaign import bare
from valvectl.studies.disperse import disperse
from valvectl.studies.drawn_run import Plan, Workshop

DESIGN = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
ALONE = 24


def memory() -> float:
    """Largest memory of this process so far [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def timed(runs: int, **options: object) -> float:
    """Seconds of a campaign of the example."""
    begun = time.perf_counter()
    disperse(load(DESIGN), runs, **options)  # type: ignore[arg-type]
    return time.perf_counter() - begun


def main(runs: int) -> None:
    """Measure and print."""
    timed(64)  # compiles
    duration = load(DESIGN).analysis.profile[-1][0]
    less = timed(runs // 4)
    at_less = memory()
    whole = timed(runs)
    at_whole = memory()
    less = 0.5 * (less + timed(runs // 4))  # before and after: a machine's speed drifts
    shop = Workshop(Plan(bare(load(DESIGN)), "random", 1, 100, True))
    unit = shop.unit(0, ALONE)
    shop.run(shop.engine(unit[0]))
    begun = time.perf_counter()
    for k in range(ALONE):
        shop._judged(shop.run(shop.engine(unit[k]), k))
    alone = (time.perf_counter() - begun) / ALONE
    rows = [
        (
            f"{runs} runs of {duration:.3g} s, all cores, one process",
            f"{whole:.1f} s, {duration * runs / whole:.0f} times real time",
        ),
        ("  10,000 runs at this rate", f"{1e4 * whole / runs:.0f} s"),
        ("  cost of four times the runs", f"{whole / less:.2f} times"),
        ("  largest memory after a quarter, after all", f"{at_less:.0f}, {at_whole:.0f} MB"),
        ("the same one by one, one core", f"{1e3 * alone:.0f} ms a run"),
        ("  ratio of the campaign to that", f"{alone * runs / whole:.1f} times faster"),
    ]
    width = max(len(label) for label, _ in rows)
    for label, value in rows:
        print(f"{label:<{width}}  {value}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
