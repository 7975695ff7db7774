"""Single faults at many times of the throttle profile: excursions, detection, whether the engine can be shut in time.

The fault-free run is simulated once; at each time looked at, every fault is a branch of it with numbers or state changed
(``plant.fault_run``). Limits count when they are passed for longer than the hardware is said to stand. An alarm needs some looks
beyond a threshold in a row; after it and the reaction time the valves shut at their speed, or shut-off valves in theirs.
"""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, LegName
from valvectl.errors import RangeError, SimulationError
from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.plant.command import stretches
from valvectl.plant.fault_run import CAN_NOT_SHUT, KINDS, Branch, fault_numbers, inject, possible
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule, commands, throttle_at
from valvectl.plant.simulate import EngineRun, Trace
from valvectl.studies.fault_abort import aborted
from valvectl.studies.fault_limits import LEAST_FLOW, BoolArray, first_passed, limits_of
from valvectl.studies.fault_other import other_leg, other_valve
from valvectl.studies.fault_result import Abort, FaultCase, FaultRow, FaultsResult, OtherValve, Threshold, Verdict
from valvectl.studies.fault_watch import Channel, alarms, channels, corner_levels, departures, readings, thresholds
from valvectl.studies.fault_words import cautions, notes
from valvectl.studies.throttle import schedule_point

Progress = Callable[[str, int, int], None]

MOST_THREADS = 8
MOST_TIMES = 60
"""Times of a profile looked at, at most."""


def times_of(profile: Sequence[tuple[float, float]]) -> tuple[float, ...]:
    """Times of a profile to look at [s]: the middle of each hold, start and middle of each change."""
    out: list[float] = []
    for t0, t1, x0, x1 in stretches(profile):
        if x0 != x1:
            out.append(t0)
        out.append(0.5 * (t0 + t1))
    chosen = sorted(set(out))
    if len(chosen) > MOST_TIMES:
        picks = np.unique(np.linspace(0, len(chosen) - 1, MOST_TIMES).astype(int))
        chosen = [chosen[int(j)] for j in picks]
    return tuple(chosen)


class _Study:
    """The fault-free run, its readings, and what every case is judged by."""

    def __init__(
        self,
        design: DesignFile,
        machine: Machine,
        gains: dict[LegName, CascadeGains],
        schedule: Schedule,
        profile: Sequence[tuple[float, float]],
        times: Sequence[float],
        progress: Progress,
    ) -> None:
        self.design, self.machine, self.profile = design, machine, profile
        self.pool = ThreadPoolExecutor(
            min(MOST_THREADS, os.cpu_count() or 1)
        )  # the compiled run lets other threads work
        self.numbers, self.limits = fault_numbers(design), limits_of(design)
        f = design.faults
        self.watched_time = float(f.watched)
        duration = profile[-1][0] + self.watched_time
        self.command = commands(machine, schedule, profile, duration)
        run = EngineRun(machine, gains, self.command, schedule_point(machine, schedule, profile[0][1]), duration)
        self.starts: dict[float, EngineRun] = {}
        for time in sorted(set(times)):
            run.advance(round(time / run.step))
            self.starts[time] = run.branch(min(run.steps, run.tick + round(self.watched_time / run.step) + 1))
        run.advance()
        self.nominal: Trace = run.trace()
        self.looks: FloatArray = float(f.watch.period) * np.arange(
            math.floor(duration / float(f.watch.period) + 1e-9) + 1, dtype=float
        )
        self.channels: list[Channel]
        self.channels, self.missing = channels(design, machine, self.nominal)
        self.expected = readings(design, machine, self.nominal, self.channels, self.looks)
        fire = self.looks[self.looks <= profile[-1][0] + 1e-9]
        near = {n: v[: fire.size] for n, v in self.expected.items()}
        levels, self.engines = corner_levels(
            design, machine, gains, self.command, self.channels, fire, near, progress
        )  # fmt: skip
        self.thresholds: tuple[Threshold, ...] = thresholds(design, self.channels, levels, fire.size)
        self.stands_off = max((levels[c.name] for c in self.channels if c.kind == "mixture"), default=0.0)
        """By how much O/F of fault-free engines stands off [-]; zero where it is not watched."""

    # ------------------------------------------------------------------------------------------------ one case

    def case(self, kind: str, leg: LegName | None, time: float) -> tuple[FaultCase, Branch | None, Trace | None]:
        """One fault at one time."""
        throttle = float(throttle_at(self.profile, np.array([time]))[0])
        try:
            branch = inject(self.starts[time], kind, leg, self.numbers, self.watched_time)
            trace = branch.run.trace()
        except SimulationError as error:
            return _unknown(kind, leg, time, throttle, str(error)), None, None
        found = self._excursions(trace, time)
        seen, sure = self._alarms(branch, trace, time)
        first, certain = (min(a, key=lambda n: a[n], default="") for a in (seen, sure))
        sure_after = sure.get(certain, math.inf)
        shut_after, how = self._shut(branch, trace, kind, leg, time, sure_after)
        verdict, why = _judged(found, sure_after, shut_after, how)
        if verdict == "not detected" and first:
            why += " for sure, within tolerance and noise"
        case = FaultCase(
            fault=kind,
            leg=leg,
            time=time,
            throttle=throttle,
            verdict=verdict,
            why=why,
            seen_by=first,
            seen_after=seen.get(first, math.inf),
            alarms=seen,
            sure_by=certain,
            sure_after=sure_after,
            shut_after=shut_after,
            said=branch.said,
            **found,
        )
        return case, branch, trace

    def _excursions(self, trace: Trace, time: float) -> dict[str, Any]:
        after = trace.time - time
        limits, wanted = self.limits, self.machine.mixture_ratio
        share = {n: trace.legs[n].flow / self.machine.legs[n].reference_flow for n in LEGS}
        flame = (share["oxidizer"] > LEAST_FLOW) & (share["fuel"] > LEAST_FLOW)
        unburnt = (share["oxidizer"] > LEAST_FLOW) & (share["fuel"] <= LEAST_FLOW)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = trace.legs["oxidizer"].flow / trace.legs["fuel"].flow
        passed: dict[str, BoolArray] = {
            "O/F high": (flame & (ratio > limits.high)) | unburnt,
            "chamber pressure": trace.chamber_pressure > limits.pressure,
        }
        if math.isfinite(limits.low):
            passed["O/F low"] = flame & (ratio < limits.low)
        boiling = math.nan
        for name in LEGS:
            heat = self.machine.legs[name].jacket_heat
            if heat is None or not bool(np.any(flame)):
                continue
            leg = trace.legs[name]
            margin = np.full(after.size, np.inf)
            for j in np.nonzero(flame)[0][::10]:  # slow beside the rest, and smooth in time
                hot = heat.temperature_at(float(trace.chamber_pressure[j]), float(leg.flow[j]))
                # hotter than the liquid's tables reach: it boils for certain
                value = float(leg.manifold[j]) / heat.vapour_pressure_at(hot) if math.isfinite(hot) else 0.0
                margin[j : j + 10] = value
            boiling = float(np.min(margin))
            passed[f"boiling in the {name} jacket"] = margin < 1.0
        when = {what: first_passed(after, beyond, limits.wall_time, lasts=True) for what, beyond in passed.items()}
        first = min(when, key=lambda what: when[what][0])
        with np.errstate(invalid="ignore"):
            near, _ = first_passed(
                after, flame & (ratio * (1.0 + self.stands_off) > limits.high), limits.wall_time, lasts=True
            )
        error = np.where(flame, ratio, np.nan) / wanted - 1.0
        some = bool(np.any(flame))
        expected = np.interp(trace.time, self.nominal.time, self.nominal.legs["fuel"].flow)
        return {
            "highest_ratio": math.inf if bool(np.any(unburnt)) else float(np.nanmax(error)) if some else math.nan,
            "lowest_ratio": float(np.nanmin(error)) if some else math.nan,
            "settled": float(error[-1]),
            "over_limit": max(longest for _, longest in when.values()),
            "peak_pressure": float(np.max(trace.chamber_pressure)),
            "least_pressure": float(np.min(trace.chamber_pressure)),
            "coolant": float(np.min(trace.legs["fuel"].flow / expected)),
            "boiling": boiling,
            "limit": first if math.isfinite(when[first][0]) else "",
            "limit_after": when[first][0],
            "near": math.isfinite(near) and not math.isfinite(when[first][0]),
        }

    def _alarms(self, branch: Branch, trace: Trace, time: float) -> tuple[dict[str, float], dict[str, float]]:
        """Alarms of the design as stated, and those that are sure within tolerance, after the fault [s]."""
        looks = (self.looks > time + 1e-9) & (self.looks <= trace.time[-1] + 1e-9)
        times = self.looks[looks]
        found = readings(
            self.design, self.machine, trace, self.channels, times, par=branch.run.par, tank=branch.tank
        )  # fmt: skip
        off = departures(self.channels, found, {n: v[looks] for n, v in self.expected.items()})
        watch = self.design.faults.watch
        timeout = watch.message_timeout
        missing = {"messages": float(timeout)} if timeout is not None and branch.silent >= timeout else {}
        seen, sure = (
            {n: t - time for n, t in alarms(off, self.thresholds, times, watch.persistence, late).items()} | missing
            for late in (False, True)
        )
        return seen, sure

    def _shut(
        self, branch: Branch, trace: Trace, kind: str, leg: LegName | None, time: float, seen_after: float
    ) -> tuple[float, str]:
        """When both flows are stopped after an alarm [s], and how."""
        f = self.design.faults
        if not math.isfinite(seen_after):
            return math.inf, ""
        told = seen_after + float(f.reaction_time)
        if f.shut_off_time is not None:
            return told + float(f.shut_off_time), "shut-off valves"
        if kind in CAN_NOT_SHUT:
            which = "valves" if leg is None else f"{leg} valve"
            return math.inf, f"the {which} can not shut, and no shut-off valve is stated"
        if kind in ("brown-out", "controller-reset"):
            told = max(told, branch.silent)  # nothing moves before the controllers are back
        if kind == "late-command":
            told += self.numbers.command_delay  # the command to shut comes late as well
        slowest = 0.0
        for name in LEGS:
            part = self.machine.legs[name]
            angle = float(np.interp(min(time + told, trace.time[-1]), trace.time, trace.legs[name].ball))
            speed = part.servo.speed_limit
            if kind == "slow-valve" and name == leg:
                speed *= self.numbers.slow_speed
            slowest = max(slowest, (angle - part.closed_stop) / speed)
        return told + slowest, "throttle valves"

    # ----------------------------------------------------------------------------------------------- one fault

    def row(
        self, kind: str, leg: LegName | None, times: Sequence[float], step: Callable[[], None]
    ) -> tuple[FaultRow, list[FaultCase]]:
        """One fault over all times."""
        cases: list[FaultCase] = []
        worst: tuple[FaultCase, Branch | None, Trace | None] | None = None
        for found in self.pool.map(lambda time: self.case(kind, leg, time), times):
            cases.append(found[0])
            if worst is None or found[0].rank > worst[0].rank:
                worst = found
            step()
        assert worst is not None
        case, branch, trace = worst
        other: OtherValve | None = None
        abort: Abort | None = None
        if branch is not None and trace is not None:
            case = self._drawn(case, trace)
            other = self._other(case, branch, trace)
            abort = self._abort(case)
        valid = [c for c in cases if c.verdict != "not assessed"]
        row = FaultRow(
            fault=kind,
            leg=leg,
            worst=case,
            times=len(cases),
            passing=sum(math.isfinite(c.limit_after) for c in valid),
            near=sum(c.near for c in valid),
            highest_ratio=max((c.highest_ratio for c in valid), default=math.nan),
            lowest_ratio=min((c.lowest_ratio for c in valid), default=math.nan),
            peak_pressure=max((c.peak_pressure for c in valid), default=math.nan),
            coolant=min((c.coolant for c in valid), default=math.nan),
            other=other,
            abort=abort,
        )
        return row, cases

    def _abort(self, case: FaultCase) -> Abort | None:
        """The worst case once more, with both throttle valves told to shut after the sure alarm."""
        f = self.design.faults
        if f.shut_off_time is not None or not math.isfinite(case.shut_after):
            return None
        told = case.sure_after + float(f.reaction_time)
        try:
            return aborted(
                self.starts[case.time], case.fault, case.leg, self.numbers, self.watched_time, told, self.limits
            )
        except SimulationError:
            return None

    def _drawn(self, case: FaultCase, trace: Trace) -> FaultCase:
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = trace.legs["oxidizer"].flow / trace.legs["fuel"].flow / self.machine.mixture_ratio - 1.0
        lit = np.minimum(*(trace.legs[n].flow / self.machine.legs[n].reference_flow for n in LEGS)) > LEAST_FLOW
        return dataclasses.replace(
            case,
            after=trace.time - case.time,
            ratio=np.where(lit, ratio, np.nan),
            pressure=trace.chamber_pressure,
            expected_pressure=np.interp(trace.time, self.nominal.time, self.nominal.chamber_pressure),
        )

    def _other(self, case: FaultCase, branch: Branch, trace: Trace) -> OtherValve | None:
        """What the valve beside the failed leg would have to do at the worst moment of a case."""
        leg = case.leg
        size = np.abs(case.ratio)
        if leg is None or not bool(np.any(np.isfinite(size))):
            return None
        at = int(np.nanargmax(size))
        if size[at] <= self.design.requirements.mixture_ratio_steady:
            return None
        pressures = {n: float(np.interp(trace.time[at], *branch.tank[n])) for n in branch.tank}
        allowed = case.limit_after - case.sure_after - float(self.design.faults.reaction_time)
        if not math.isfinite(case.sure_after):
            allowed = math.inf if not math.isfinite(case.limit_after) else 0.0
        ball = {n: float(trace.legs[n].ball[at]) for n in LEGS}
        return other_valve(self.machine, leg, ball[leg], ball[other_leg(leg)], allowed, pressures)


def _unknown(kind: str, leg: LegName | None, time: float, throttle: float, why: str) -> FaultCase:
    nan = math.nan
    return FaultCase(
        fault=kind, leg=leg, time=time, throttle=throttle, verdict="not assessed", why=why, highest_ratio=nan,
        lowest_ratio=nan, over_limit=nan, peak_pressure=nan, least_pressure=nan, coolant=nan, boiling=nan, limit="",
        limit_after=nan, seen_by="", seen_after=nan, alarms={}, sure_by="", sure_after=nan, shut_after=nan, settled=nan,
    )  # fmt: skip


def _judged(found: dict[str, Any], seen: float, shut: float, how: str) -> tuple[Verdict, str]:
    limit, after = found["limit"], float(found["limit_after"])
    if not math.isfinite(after):
        near = "; in an engine that stands off, within tolerance, one is" if found.get("near") else ""
        return "within limits without action", f"no limit is passed for longer than the hardware stands{near}"
    if not math.isfinite(seen):
        return "not detected", f"{limit} is passed and no reading raises an alarm"
    if shut <= after:
        return "detected in time", f"{limit}; shut by {how}"
    return "too late", f"{limit}; {how}" if not math.isfinite(shut) else f"{limit}; {how} take longer"


def faults(
    design: DesignFile,
    machine: Machine,
    gains: dict[LegName, CascadeGains],
    schedule: Schedule,
    profile: Sequence[tuple[float, float]],
    *,
    legs: Sequence[LegName] = LEGS,
    kinds: Sequence[str] | None = None,
    at_time: float | None = None,
    progress: Progress | None = None,
) -> FaultsResult:
    """Every single fault, or those of ``kinds`` and ``legs``, at the times of the profile or ``at_time`` [s] alone.

    Faults of both legs are left out when one leg is asked for. Raises ``RangeError`` for a fault that is not known or not
    possible in this design, and for a time outside the profile.
    """
    tell = progress or (lambda stage, done, of: None)
    end = profile[-1][0]
    if at_time is not None and not 0.0 <= at_time <= end:
        raise RangeError(f"the fault's time must lie within the profile, 0 to {end:g} s (got {at_time:g} s)")
    unknown = [k for k in kinds or () if k not in KINDS]
    if unknown:
        raise RangeError(f"no fault is called {unknown[0]}; there are {', '.join(KINDS)}")
    times = times_of(profile) if at_time is None else (float(at_time),)
    both = len(legs) == len(LEGS)
    wanted = [
        (kind, leg)
        for kind, leg in possible(fault_numbers(design))
        if (kinds is None or kind in kinds) and (both if leg is None else leg in legs)
    ]
    if not wanted:
        raise RangeError("none of the faults asked for is possible in this design and leg")
    tell("fault-free run", 0, 1)
    study = _Study(design, machine, gains, schedule, profile, times, tell)
    rows: list[FaultRow] = []
    cases: list[FaultCase] = []
    done, of = 0, len(wanted) * len(times)

    with study.pool:
        for kind, leg in wanted:

            def step(what: str = kind) -> None:
                nonlocal done
                done += 1
                tell(what, done, of)

            row, found = study.row(kind, leg, times, step)
            rows.append(row)
            cases += found
    limits, watch = study.limits, design.faults.watch
    nominal = study.nominal.mixture_ratio
    early = study.nominal.time <= end
    own, _ = first_passed(study.nominal.time[early], nominal[early] > limits.high, limits.wall_time)
    return FaultsResult(
        rows=tuple(rows),
        cases=tuple(cases),
        thresholds=study.thresholds,
        times=times,
        wanted_ratio=machine.mixture_ratio,
        ratio_high=limits.high,
        ratio_low=limits.low,
        pressure_limit=limits.pressure,
        wall_time=limits.wall_time,
        false_alarms=min(sum(t.false_alarms for t in study.thresholds), 1.0),
        persistence=watch.persistence,
        period=float(watch.period),
        engines=study.engines,
        assumptions=tuple(notes(design, study.missing, study.engines)),
        cautions=tuple(cautions(design, rows, study.thresholds, math.isfinite(own), study.engines, study.stands_off)),
    )
