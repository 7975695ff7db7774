"""Speed of the simulator in lanes: against the clock, plain C, the single run and ``solve_ivp`` restarted at every sample.

Run from the project's folder, on a quiet machine with gcc: ``python -m tests.benchmarks.lanes``. All in one process, one
after the other; compilation is not counted. Times drift from hour to hour; the ratios matter.

Rivals: (1) ``lanes_rival.c``, the same arithmetic at the same step written in C (gcc -O3 -march=native), one engine after
the other on as many threads, with its answer checked; (2) ``plant.simulate`` one by one at its own step; (3) the slow
solution of ``tests/crosscheck/slow_engine.py`` on a smooth engine, to a far tighter tolerance than needed.
"""

from __future__ import annotations

import ctypes
import os
import resource
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "crosscheck"))

THREADS = os.cpu_count() or 1
LANES, RIVALS, REPEATS = 512, 32, 3


def shortest(run: Any, repeats: int = REPEATS) -> float:
    """Shortest time of some runs [s]; the others were disturbed."""
    times = []
    for _ in range(repeats):
        before = time.perf_counter()
        run()
        times.append(time.perf_counter() - before)
    return min(times)


def rival(folder: Path) -> Any:
    """The C function, compiled with the places of ``layout``."""
    from valvectl.plant import layout as ix

    names = {k: v for k, v in vars(ix).items() if k.isupper() and isinstance(v, int)}
    lines = [f"#define P_{k} {v}" for k, v in names.items()] + [f"#define G_{k} {v}" for k, v in names.items()]
    lines += [f"#define P_SIZE {ix.PAR_SIZE}", f"#define T_SIZE {ix.TAB_SIZE}", f"#define T_C {ix.TAB_C}"]
    lines += [f"#define T_FL {ix.TAB_FL}", f"#define T_RUN {ix.TAB_RUN}", f"#define T_BREAK {ix.TAB_BREAK}"]
    lines += [f"#define T_CLOSING {ix.TAB_RUN_CLOSING - ix.TAB_RUN}"]
    source, library = folder / "rival.c", folder / "rival.so"
    source.write_text("\n".join(lines) + "\n" + (Path(__file__).parent / "lanes_rival.c").read_text())
    subprocess.run(
        ["gcc", "-O3", "-march=native", "-shared", "-fPIC", "-w", str(source), "-o", str(library), "-lm"], check=True
    )
    function = ctypes.CDLL(str(library)).engine
    function.restype = ctypes.c_double
    return function


def main() -> None:
    """Measure and print."""
    import cases
    from slow_engine import slow_run

    import valvectl
    from valvectl.design.schema import LEGS
    from valvectl.plant import layout as ix
    from valvectl.plant.lanes import PART, lane_grid, simulate_lanes
    from valvectl.plant.schedule import commands
    from valvectl.plant.simulate import pack, simulate
    from valvectl.plant.time_grid import feed_every

    a = valvectl.load(ROOT / "designs" / "hover-rig.toml").analysis
    machine, duration = a.machine, a.profile[-1][0]
    command = commands(machine, a.schedule, a.profile, duration)
    start = a.schedule.points[0]
    areas = machine.legs["oxidizer"].cda * np.linspace(0.97, 1.03, LANES)
    grid = lane_grid(machine)
    every, parts = round(machine.record / grid.step), int(np.ceil(grid.step / PART - 1e-9))

    def run(lanes: int, length: float, threads: int, pieces: int = parts, feed_every: int | None = 1) -> Any:
        return simulate_lanes(
            machine, a.gains, {"oxidizer.cda": areas[:lanes]}, command, start, length,
            threads=threads, parts=pieces, feed_every=feed_every,
        )  # fmt: skip

    run(1, 0.01, 1)  # compiles
    two = shortest(lambda: run(LANES, duration, THREADS))
    one = shortest(lambda: run(LANES // 2, duration, 1))
    coarse = shortest(lambda: run(LANES, duration, THREADS, 1))
    usual = shortest(lambda: run(LANES, duration, THREADS, parts, None))
    campaign = shortest(lambda: run(LANES, duration, THREADS, 1, None))
    feed = feed_every(machine, grid.step, round(duration / grid.step), every)
    half_time = shortest(lambda: run(LANES, 0.5 * duration, THREADS))
    half_lanes = shortest(lambda: run(LANES // 2, duration, THREADS))

    # plain C
    steps = round(duration / grid.step)
    packed = []
    for area in areas[: 2 * RIVALS : 2]:
        par, glob, tables, losses = pack(
            machine.with_leg("oxidizer", cda=float(area)), a.gains, grid, True, machine.battery
        )
        for index in (ix.STEP_OVER_MOTOR, ix.STEP_OVER_LOAD, ix.VISCOUS_DECAY, ix.CURRENT_HALF, ix.CURRENT_GAIN):
            par[:, index] /= parts
        packed.append((par, glob, tables, losses))
    orders = np.stack(
        [np.pad(command[n], (0, max(map(len, command.values())) - command[n].size), mode="edge") for n in LEGS]
    )
    c_star = np.array(machine.c_star.values)
    first = np.array([[p.angle, p.flow, p.manifold, p.valve_drop] for p in (start.legs[n] for n in LEGS)])
    periods = np.ascontiguousarray(grid.periods)
    real, whole = ctypes.POINTER(ctypes.c_double), ctypes.POINTER(ctypes.c_long)
    with tempfile.TemporaryDirectory() as folder:
        engine = rival(Path(folder))

        def plain(numbers: Any) -> float:
            par, glob, tables, losses = numbers
            flows = np.zeros((2, 256))
            return float(
                engine(
                    par.ctypes.data_as(real),
                    glob.ctypes.data_as(real),
                    tables.ctypes.data_as(real),
                    tables.shape[2],
                    losses.ctypes.data_as(real),
                    losses.shape[2],
                    c_star.ctypes.data_as(real),
                    *c_star.shape,
                    orders.ctypes.data_as(real),
                    orders.shape[1],
                    periods.ctypes.data_as(whole),
                    first.ctypes.data_as(real),
                    ctypes.c_double(start.chamber_pressure),
                    ctypes.c_double(machine.mixture_ratio),
                    flows.ctypes.data_as(real),
                    255,
                    ctypes.c_long(steps),
                    ctypes.c_long(every),
                    parts,
                )
            )

        def all_plain() -> list[float]:
            with ThreadPoolExecutor(THREADS) as pool:
                return list(pool.map(plain, packed))

        answers = np.array(all_plain())
        expected = run(2 * RIVALS, duration, THREADS).windows[0].peak[::2]
        c_time = shortest(all_plain) / RIVALS

    single = shortest(lambda: simulate(machine, a.gains, command, start, duration), 2)
    case = cases.example(valvectl.load(ROOT / "designs" / "hover-rig.toml"))
    slow = shortest(
        lambda: slow_run(case.machine, case.gains, case.command, case.start, case.duration, record=case.machine.record),
        1,
    )

    def smooth() -> Any:
        return simulate_lanes(
            case.machine, case.gains, {}, case.command, case.start, case.duration, lanes=LANES, threads=THREADS
        )

    smooth()
    lanes_case = shortest(smooth) / LANES
    per_run = two / LANES
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    rows = [
        ("profile of the example, simulated time", f"{duration:.3g} s, {LANES} lanes, {THREADS} threads"),
        ("step, and parts of it for the servos' mechanics", f"{1e6 * grid.step:.4g} us, {parts}"),
        (
            "lanes, feed and chamber at each step",
            f"{1e3 * per_run:.2f} ms a run, {duration / per_run:.0f} times real time",
        ),
        ("  per step and lane, one thread", f"{1e9 * one / (LANES // 2) / steps:.1f} ns"),
        ("  with the mechanics at the whole step", f"{duration * LANES / coarse:.0f} times real time"),
        (f"  with feed and chamber {feed} steps at once", f"{duration * LANES / usual:.0f} times real time"),
        ("  with both, as campaigns fly", f"{duration * LANES / campaign:.0f} times real time"),
        ("    10,000 runs of 10 s at this rate", f"{1e5 / duration * campaign / LANES:.0f} s"),
        ("  cost of twice the duration, of twice the lanes", f"{two / half_time:.3f}, {two / half_lanes:.3f} times"),
        ("plain C, the same step and threads", f"{1e3 * c_time:.2f} ms a run"),
        ("  largest difference of the peak O/F error", f"{np.max(np.abs(answers / expected - 1.0)):.1e} of itself"),
        ("  ratio of lanes to plain C", f"{c_time / per_run:.2f} times faster"),
        ("single runs one by one, one core, own step", f"{1e3 * single:.1f} ms a run"),
        ("  ratio of lanes to single runs on all cores", f"{single / THREADS / per_run:.1f} times faster"),
        ("solve_ivp restarted at every sample, smooth engine", f"{slow:.3g} s for {case.duration:.3g} s"),
        (
            "  ratio of lanes at their usual step to solve_ivp on all cores",
            f"{slow / THREADS / lanes_case:.0f} times faster",
        ),
        ("largest memory of this process", f"{memory:.0f} MB"),
    ]
    width = max(len(label) for label, _ in rows)
    for label, value in rows:
        print(f"{label:<{width}}  {value}")


if __name__ == "__main__":
    main()
