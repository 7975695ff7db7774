"""An engine with a fault that is shut: both throttle valves told to close, simulated to the end of the flows."""

from __future__ import annotations

import math

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.plant.fault_run import FaultNumbers, inject
from valvectl.plant.simulate import EngineRun
from valvectl.studies.fault_limits import LEAST_FLOW, Limits, first_passed
from valvectl.studies.fault_result import Abort


def aborted(
    run: EngineRun, kind: str, leg: LegName | None, numbers: FaultNumbers, watched: float, told: float, limits: Limits
) -> Abort:
    """A fault from where ``run`` stands, both commands going to shut at their speed limits ``told`` [s] later.

    The command goes the way that the fault leaves it: one that comes late shuts late, a controller in reset shuts when it is
    back. Raises ``SimulationError`` when the run stops being finite.
    """
    machine, start = run.machine, run.branch()
    begin = run.tick * run.step
    for k, name in enumerate(LEGS):
        servo, row = machine.legs[name].servo, start.command[k]
        first = math.ceil((begin + told) / servo.position_period - 1e-9)
        count = row.size - first
        if count > 0:
            way = servo.speed_limit * servo.position_period * (1.0 + np.arange(count))
            row[first:] = np.maximum(row[max(first - 1, 0)] - way, machine.legs[name].closed_stop)
    trace = inject(start, kind, leg, numbers, watched).run.trace()
    after = trace.time - begin
    late = after >= told
    oxidizer, fuel = (trace.legs[n].flow / machine.legs[n].reference_flow > LEAST_FLOW for n in LEGS)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = trace.legs["oxidizer"].flow / trace.legs["fuel"].flow
    flame, unburnt = oxidizer & fuel & late, oxidizer & ~fuel & late
    highest = float(np.max(ratio[flame])) / machine.mixture_ratio - 1.0 if bool(np.any(flame)) else math.nan
    if bool(np.any(unburnt)):
        highest = math.inf
    gone = late & ~oxidizer & ~fuel
    return Abort(
        told_after=told,
        highest_ratio=highest,
        beyond=first_passed(after, (flame & (ratio > limits.high)) | unburnt, limits.wall_time)[1],
        unburnt=first_passed(after, unburnt, limits.wall_time)[1],
        gone_after=float(after[int(np.argmax(gone))]) if bool(np.any(gone)) else math.inf,
    )
