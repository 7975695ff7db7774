"""What sampling costs each loop: delays in their parts, holds, waits between loops, sensors and filters, as phase.

Margins are exact (the sampled loop of ``servo``). The shares of the phase at crossover are each element's own: exact for
delays, waits, sensors, observer and filter; half a period for a hold and for a difference (common practice: both are exact
to second order in frequency times period). What is left is the plant with the loops inside.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from valvectl.design.schema import LegName
from valvectl.design.schema_actuator import Controller
from valvectl.parts.controller import CascadeGains, filter_share
from valvectl.parts.lookup import FloatArray
from valvectl.parts.speed_estimate import observer_gains
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.jitter import JitterMargins, jitter_margins, place_margins
from valvectl.servo.sampled import BreakPoint, Place
from valvectl.servo.small import one_thread
from valvectl.servo.structures import loops_of
from valvectl.studies.result import Result

OFFSETS = 21
"""Offsets looked at over one period of a loop."""
ELEMENTS = ("sense", "compute", "bus", "wait", "hold", "sensor", "speed", "filter", "plant")
"""Parts of a loop's phase lag, in the order of the signal; speed: difference or observer."""


@dataclass(frozen=True)
class LoopTiming:
    """Timing of one loop of the cascade."""

    at: BreakPoint
    period: float
    """[s]"""
    offset: float
    """First sample after the position loop's [s]."""
    delay: float
    """Sample to output in force, in all [s]."""
    wait: float
    """Output in force to the next sample of the loop that uses it [s]; zero for the current loop."""
    jitter: float
    """Plus or minus on the delay [s]."""
    crossover: float
    """Gain crossover of the phase margin [rad/s]; NaN without one."""
    lags: dict[str, float]
    """Element (``ELEMENTS``) -> phase lag at crossover [rad]."""
    margins: JitterMargins
    """Exact margins over the jitter."""


@dataclass(frozen=True)
class TimingResult(Result):
    """Timing of one leg's servo."""

    leg: LegName
    loops: dict[BreakPoint, LoopTiming]
    outer: JitterMargins | None
    """Margins of the trim from the stem's encoder; None without one."""
    swept: BreakPoint
    """Loop next inside the position loop, whose offset is swept: speed, or current where there is no speed loop."""
    offsets: FloatArray
    """Offsets of that loop over its period [-], shape (n,)."""
    phase_at_offset: FloatArray
    """Phase margin of the position loop at them [rad], shape (n,)."""
    speed_from: str
    """difference or observer"""

    @property
    def best_offset(self) -> float | None:
        """Offset of the swept loop, of those looked at, with the largest phase margin of the position loop [s]; None where
        no offset makes it stable."""
        if not np.isfinite(self.phase_at_offset).any():
            return None
        return float(self.offsets[int(np.nanargmax(self.phase_at_offset))]) * self.loops[self.swept].period

    def columns(self) -> dict[str, Any]:
        loops = self.loops.values()
        worst = [t.margins.least_phase for t in loops]
        table: dict[str, Any] = {
            "loop": list(self.loops),
            "period [ms]": [1e3 * t.period for t in loops],
            "offset [ms]": [1e3 * t.offset for t in loops],
            "delay [ms]": [1e3 * t.delay for t in loops],
            "wait [ms]": [1e3 * t.wait for t in loops],
            "jitter [ms]": [1e3 * t.jitter for t in loops],
            "crossover [Hz]": [t.crossover / (2.0 * math.pi) for t in loops],
        }
        for name in ELEMENTS:
            table[f"{name} [deg]"] = [math.degrees(t.lags[name]) for t in loops]
        table["phase margin [deg]"] = [math.degrees(t.margins.nominal.margins.phase_margin) for t in loops]
        table["least phase margin over jitter [deg]"] = [math.degrees(p.margins.phase_margin) for p in worst]
        table["least gain margin over jitter [dB]"] = [t.margins.least_gain.margins.gain_margin_db for t in loops]
        table["stable over jitter"] = [t.margins.stable for t in loops]
        return table


def wait_for(servo: Servo, loop: BreakPoint) -> float:
    """Time from a loop's output in force to the next sample of the loop that reads it [s]; zero for the current loop."""
    if loop == "current":
        return 0.0
    if loop == "position":
        inner = loops_of(servo)[1]
        first, period = float(getattr(servo, f"{inner}_offset")), float(getattr(servo, f"{inner}_period"))
        arrives = servo.position_delay
    else:
        arrives, first, period = servo.speed_offset + servo.speed_delay, servo.current_offset, servo.current_period
    rest = math.fmod(first - arrives, period)
    rest = rest + period if rest < -1e-9 * period else max(rest, 0.0)
    return 0.0 if rest > period * (1.0 - 1e-9) else rest


def speed_lags(servo: Servo, omega: float) -> tuple[float, float]:
    """Phase lag [rad] of the speed's estimate and of the filter behind it at ``omega`` [rad/s]."""
    period = servo.speed_period
    z = cmath.exp(1j * omega * period)
    estimate = 0.5 * omega * period
    if servo.observer_bandwidth > 0.0:
        gain, rate_gain = observer_gains(period, servo.observer_bandwidth, servo.observer_damping)
        # angle to speed: (b/T) (z - 1) z / (z^2 - (2 - a - b) z + 1 - a); against an exact derivative, whose phase is 90 deg
        transfer = rate_gain / period * (z - 1.0) * z / (z * z - (2.0 - gain - rate_gain) * z + 1.0 - gain)
        estimate = -cmath.phase(transfer / (1j * omega))
    share = filter_share(period, servo.speed_filter)
    return estimate, -cmath.phase(share / (1.0 - (1.0 - share) / z))


def phase_shares(
    servo: Servo, controller: Controller, loop: BreakPoint, omega: float, phase_margin: float
) -> dict[str, float]:
    """Phase lag [rad] of each element of a loop at its crossover ``omega`` [rad/s], the plant's as what is left."""
    sense, bus = (float(getattr(controller, f"{loop}_{part}_delay")) for part in ("sense", "bus"))
    delay, period = float(getattr(servo, f"{loop}_delay")), float(getattr(servo, f"{loop}_period"))
    estimate, behind = speed_lags(servo, omega) if loop == "speed" else (0.0, 0.0)
    lags = {
        "sense": omega * sense,
        "compute": omega * (delay - sense - bus),
        "bus": omega * bus,
        "wait": omega * wait_for(servo, loop),
        "hold": 0.5 * omega * period,
        "sensor": math.atan(omega * float(getattr(servo, f"{loop}_sensor_lag"))),
        "speed": estimate,
        "filter": behind,
    }
    lags["plant"] = math.pi - phase_margin - sum(lags.values())
    return lags


@one_thread
def timing(servo: Servo, controller: Controller, gains: CascadeGains, leg: LegName) -> TimingResult:
    """Timing of one leg: its loops' phase shares, margins over jitter, and an inner loop's offset over its period."""
    loops: dict[BreakPoint, LoopTiming] = {}
    offset: Mapping[str, float] = {"position": 0.0, "speed": servo.speed_offset, "current": servo.current_offset}
    for at in loops_of(servo):
        found = jitter_margins(servo, gains, at)
        m = found.nominal.margins
        known = math.isfinite(m.gain_crossover)
        loops[at] = LoopTiming(
            at=at,
            period=float(getattr(servo, f"{at}_period")),
            offset=offset[at],
            delay=float(getattr(servo, f"{at}_delay")),
            wait=wait_for(servo, at),
            jitter=float(getattr(servo, f"{at}_jitter")),
            crossover=m.gain_crossover,
            lags=(
                phase_shares(servo, controller, at, m.gain_crossover, m.phase_margin)
                if known
                else dict.fromkeys(ELEMENTS, math.nan)
            ),
            margins=found,
        )
    outer: Place = "outer"
    shares = np.arange(OFFSETS) / (OFFSETS - 1.0)
    swept = loops_of(servo)[1]
    whole = float(getattr(servo, f"{swept}_period"))
    phases = [
        place_margins(replace(servo, **{f"{swept}_offset": share * whole % whole}), gains, "position")  # type: ignore[arg-type]
        for share in map(float, shares)
    ]
    return TimingResult(
        leg=leg,
        loops=loops,
        outer=jitter_margins(servo, gains, outer) if servo.trim_gain > 0.0 else None,
        swept=swept,
        offsets=shares,
        phase_at_offset=np.array([p.margins.phase_margin if p.stable else math.nan for p in phases]),
        speed_from="observer" if servo.observer_bandwidth > 0.0 else "difference",
    )
