"""Speed of the ratio sweep and the catalogue search: against the clock, and against the same strokes by SciPy one by one.

Run from the project's folder: ``python -m tests.benchmarks.ratio``. Both run in this process, one after the other, on one core.
The rival takes the same 401 ratios one by one and integrates each stroke with SciPy ``solve_ivp`` (RK45, rtol 1e-6, plain
Python right-hand side, braking point found by SciPy ``brentq`` on the distance covered); it does the stroke time alone, where
the sweep does every check. It says what the closed form saves, not that SciPy is slow.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).parents[2]
RIVALS = 21
"""Ratios that the rival does; its time is scaled up to all."""


def shortest(run: Callable[[], Any], repeats: int) -> float:
    """Shortest time of some runs [s]; the others were disturbed."""
    times = []
    for _ in range(repeats):
        before = time.perf_counter()
        run()
        times.append(time.perf_counter() - before)
    return min(times)


def integrated(demand: Any, s: Any, j: int, limit: float) -> float:
    """Stroke [s] of candidate ``j``: current and voltage limit, run-up integrated, speed limit and braking from its end."""
    from scipy.integrate import solve_ivp
    from scipy.optimize import brentq

    gain, back, inertia, load = (
        float(np.broadcast_to(v, s.gain.shape)[j]) for v in (s.gain, s.back_emf, s.inertia, s.load)
    )

    def f(t: float, y: Any) -> list[float]:
        current = min(limit, (s.voltage - back * y[1]) / s.resistance)
        return [y[1], (gain * current - load) / inertia if y[1] < demand.speed_limit else 0.0]

    brake = (gain * limit + load) / inertia
    run = solve_ivp(f, (0.0, 3.0), [0.0, 0.0], rtol=1e-6, dense_output=True, max_step=0.02)

    def over(at: float) -> float:
        way, speed = run.sol(at)
        return float(way + 0.5 * speed * speed / brake - demand.stroke)

    at = brentq(over, 0.0, 3.0)
    return float(at + run.sol(at)[1] / brake)


def main() -> None:
    """Measure and print."""
    import scipy

    import valvectl
    from valvectl.studies.actuator_checks import evaluate, seen
    from valvectl.studies.actuator_demand import actuator_numbers, leg_demand, with_last_stage
    from valvectl.studies.ratio import HIGHEST, LOWEST, POINTS, ratio
    from valvectl.studies.ratio_odds import SAMPLES, ratio_odds

    design = valvectl.load(ROOT / "designs" / "hover-rig.toml")
    machine, schedule = design.machine, design.analysis.schedule
    demand = leg_demand(design, machine, schedule, "oxidizer")
    own = actuator_numbers(design.leg("oxidizer").actuator, machine.legs["oxidizer"].servo, machine, "oxidizer")
    factors = np.geomspace(LOWEST, HIGHEST, POINTS)
    swept = with_last_stage(own, factors)
    closed = next(c.values for c in evaluate(demand, swept, swept) if c.name == "stroke time")
    sweep = shortest(lambda: evaluate(demand, swept, swept), 5)
    study = shortest(lambda: ratio(design, machine, schedule, "oxidizer"), 3)
    odds = shortest(lambda: ratio_odds(design, machine, schedule, "oxidizer", factors), 2)
    found = design.catalogue("oxidizer")
    search = shortest(lambda: design.catalogue("oxidizer"), 3)
    picked = np.linspace(0, POINTS - 1, RIVALS).astype(int)
    picked = picked[np.isfinite(closed[picked]) & (closed[picked] < 2.0)]
    s = seen(swept)
    before = time.perf_counter()
    slow = [integrated(demand, s, int(j), float(own.current_limit)) for j in picked]
    rival = (time.perf_counter() - before) * POINTS / picked.size
    off = float(np.max(np.abs(closed[picked] / np.array(slow) - 1.0)))
    print(f"every check at {POINTS} ratios             {1e3 * sweep:9.1f} ms   (wanted below 1 s)")
    print(f"ratio study with close calls            {1e3 * study:9.1f} ms")
    print(f"probabilities, {SAMPLES} draws               {1e3 * odds:9.1f} ms")
    print(f"catalogue, {len(found.motor)} combinations          {1e3 * search:9.1f} ms   (wanted below 5 s for 1600)")
    print(
        f"SciPy {scipy.__version__} solve_ivp, strokes one by one {1e3 * rival:6.0f} ms   {rival / sweep:.0f} times the sweep"
    )
    print(f"largest difference of the stroke time   {100.0 * off:9.3f} %")


if __name__ == "__main__":
    main()
