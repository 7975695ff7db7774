"""Speed of the compiled simulator: against the clock, and against SciPy's ``solve_ivp`` restarted at every sample.

Run from the project's folder: ``python -m tests.benchmarks.simulator``. Both run in this process, one after the other, on
one core; compilation is not counted. Absolute times drift from machine to machine and hour to hour; the ratios matter.

The rival is the independent solution of ``tests/crosscheck/slow_engine.py`` (SciPy ``solve_ivp``, DOP853, right-hand side
in plain Python), on a machine without dry friction, lost motion and quantisation. It solves to a far tighter tolerance
than the simulator needs, so the ratio says what the switch of method and language saves, not that SciPy is slow.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "crosscheck"))

REPEATS = 5


def shortest(run: Callable[[], Any], repeats: int) -> float:
    """Shortest time of some runs [s]; the others were disturbed."""
    times = []
    for _ in range(repeats):
        before = time.perf_counter()
        run()
        times.append(time.perf_counter() - before)
    return min(times)


def main() -> None:
    """Measure and print."""
    import cases
    import scipy
    from slow_engine import slow_run

    import valvectl
    from valvectl.plant.schedule import commands
    from valvectl.plant.simulate import simulate

    design = valvectl.load(ROOT / "designs" / "hover-rig.toml")
    a = design.analysis
    duration = a.profile[-1][0]
    command = commands(a.machine, a.schedule, a.profile, duration)
    start = a.schedule.points[-1]

    def profile() -> Any:
        return simulate(a.machine, a.gains, command, start, duration)

    step = profile().step  # compiles
    whole = shortest(profile, REPEATS)

    case = cases.example(design)
    arguments = (case.machine, case.gains, case.command, case.start, case.duration)
    record = case.machine.record
    fast = shortest(lambda: simulate(*arguments, record=record), REPEATS)
    slow = shortest(lambda: slow_run(*arguments, record=record), 1)

    rows = [
        ("profile of the example, simulated time", f"{duration:.3g} s"),
        ("step of the simulator", f"{1e6 * step:.4g} us"),
        ("simulator, everything on: time taken", f"{1e3 * whole:.3g} ms"),
        ("  ratio to real time, one core", f"{duration / whole:.0f} times faster"),
        ("  per step (both legs and chamber)", f"{1e9 * whole / (duration / step):.0f} ns"),
        ("short run for both, simulated time", f"{case.duration:.3g} s"),
        (f"solve_ivp (SciPy {scipy.__version__}, DOP853, rtol 1e-9)", f"{slow:.3g} s"),
        ("simulator, the same run", f"{1e3 * fast:.3g} ms"),
        ("  ratio to solve_ivp", f"{slow / fast:.0f} times faster"),
    ]
    width = max(len(label) for label, _ in rows)
    for label, value in rows:
        print(f"{label:<{width}}  {value}")


if __name__ == "__main__":
    main()
