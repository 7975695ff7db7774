"""Hold points of commissioning with limits worked out from this configuration, to be measured and signed.

The order from bench to throttled firing and what is looked at in each is common practice, no single source. A hold point is
released by people, not by this program; local codes and licensed practice come first.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from valvectl.design.schema import LEGS, LegName
from valvectl.studies.analysis import Analysis
from valvectl.studies.torque_demand import greatest_need, largest_pressure_drop

FIRST_POWER, FIRST_MOVE = 0.3, 0.1
"""Shares of the current limit for first power and for the first move with the valve coupled (common practice)."""
SPAN = math.radians(0.5)
"""Departure of the span from stop to stop allowed (common practice)."""


@dataclass(frozen=True)
class Evidence:
    """One thing to be measured before a hold point is released."""

    what: str
    limit: str
    """With its unit, worked out from the design; or the words that must be answered with yes."""


@dataclass(frozen=True)
class HoldPoint:
    """A stage that is not entered before its evidence is there."""

    number: int
    before: str
    evidence: tuple[Evidence, ...]


def hold_points(analysis: Analysis) -> tuple[HoldPoint, ...]:
    """All of them for a design. Predicted values stand beside limits where a measurement should meet both."""
    stages = (
        ("first power, valves uncoupled", _first_power(analysis)),
        ("coupling the valves", _coupling(analysis)),
        ("closed-loop motion, dry", _closed_loop(analysis)),
        ("water, pressurised", _water(analysis)),
        ("cold soak with liquid nitrogen", _soak(analysis)),
        ("cold flow of both legs together", _cold_flow(analysis)),
        ("wetting with oxygen", _oxygen(analysis)),
        ("ignition at a fixed setting", _ignition(analysis)),
        ("throttled firing", _throttled(analysis)),
    )
    return tuple(HoldPoint(j, before, tuple(items)) for j, (before, items) in enumerate(stages, 1))


def _yes(what: str) -> Evidence:
    return Evidence(what, "yes")


def _each(name: LegName, what: str, limit: str) -> Evidence:
    return Evidence(f"{name}: {what}", limit)


def _first_power(analysis: Analysis) -> Iterator[Evidence]:
    for name in LEGS:
        servo = analysis.machine.legs[name].servo
        yield _each(
            name, "current limit set in the drive for this stage", f"≤ {FIRST_POWER * servo.current_limit:.2f} A"
        )
    if analysis.design.battery.fuse is not None:
        yield _yes("fuse in place, of the type in the design file")
    yield Evidence("drives switch off below", f"{analysis.machine.undervoltage:.3g} V")
    yield _yes("insulation measured; polarity; the emergency stop takes the power off both motors")


def _coupling(analysis: Analysis) -> Iterator[Evidence]:
    for name in LEGS:
        servo, closes = analysis.machine.legs[name].servo, analysis.design.leg(name).valve.closes
        yield _each(name, f"output turns {closes} when told to shut, encoder counts down", "yes")
        idle = servo.motor_friction / servo.torque_constant
        yield _each(
            name, "current while it turns slowly, uncoupled", f"≤ {idle:.2f} A (friction of the design, cold grease)"
        )


def _closed_loop(analysis: Analysis) -> Iterator[Evidence]:
    for name in LEGS:
        leg, closes = analysis.machine.legs[name], analysis.design.leg(name).valve.closes
        span = leg.open_stop - leg.closed_stop
        yield _each(name, f"valve shuts {closes}, seen from the actuator, at {FIRST_MOVE:.0%} current", "yes")
        yield _each(
            name, "span from stop to stop", f"{math.degrees(span - SPAN):.2f} to {math.degrees(span + SPAN):.2f} deg"
        )
        yield _each(
            name,
            "motor shaft against stem at a reversal",
            f"≤ {math.degrees(2.0 * leg.servo.half_gap):.3g} deg at the stem (lost motion of the design)",
        )
        g = analysis.gains[name]
        yield _each(
            name,
            "gains loaded: Kp, Kv, Kiv, Kc, Kic",
            f"{g.position:.5g}, {g.speed:.5g}, {g.speed_integral:.5g}, {g.current:.5g}, {g.current_integral:.5g}",
        )


def _water(analysis: Analysis) -> Iterator[Evidence]:
    limits = analysis.design.requirements
    rest = analysis.power_loss.at_rest
    for name in LEGS:
        yield _each(
            name,
            "step: overshoot; settling to 2 %",
            f"≤ {100.0 * limits.step_overshoot:.3g} %; ≤ {1e3 * limits.step_settling:.0f} ms",
        )
        seen = analysis.stroke.longest(name)[0]
        predicted = f" (predicted {1e3 * seen:.0f} ms)" if math.isfinite(seen) else ""
        yield _each(name, "full stroke", f"≤ {1e3 * limits.stroke_time:.0f} ms{predicted}")
        yield _each(name, "drive switched off in mid-travel, the valve", f"{rest[name].overall} (predicted)")
    yield Evidence("difference of the two valves' lags", f"≤ {1e3 * limits.tracking_mismatch:.3g} ms")
    yield _yes("watchdog, undervoltage and loss of command shown dry; shut-off by other means shown")
    yield _yes("proof and leak test passed, records at hand")


def _soak(analysis: Analysis) -> Iterator[Evidence]:
    for name in LEGS:
        leg = analysis.machine.legs[name]
        drop = largest_pressure_drop(analysis.machine, name)
        warm = greatest_need(leg, drop, breakaway=True) / leg.cold_factor
        yield _each(
            name,
            f"breakaway torque warm at {drop / 1e5:.1f} bar across the valve",
            f"≤ {warm:.2f} N m (the design file's, without rest or cold)",
        )
        yield _each(name, "Kv over angle in water, both directions", "inside the tolerance that the design file states")
    limits = analysis.design.requirements
    yield Evidence("flow of a small step after a reversal", f"≤ {100.0 * limits.flow_dead_band:.3g} % of flow")
    yield _yes("oxygen monitor; reliefs on every volume that can trap liquid; vent of each ball's cavity checked")


def _cold_flow(analysis: Analysis) -> Iterator[Evidence]:
    for name in LEGS:
        leg = analysis.machine.legs[name]
        if leg.cold_factor != 1.0:
            allowed = analysis.torque_static[name].available / (1.0 + analysis.design.requirements.torque_margin)
            yield _each(
                name,
                "first move after each of ten soaks, breakaway torque",
                f"≤ {allowed:.2f} N m (available over one plus requirements.torque_margin)",
            )
        low, high = (analysis.schedule.angle[name].min(), analysis.schedule.angle[name].max())
        yield _each(name, "ball over the throttle range", f"{math.degrees(low):.1f} to {math.degrees(high):.1f} deg")
    yield _yes("closed position and zero of the encoder checked cold")


def _oxygen(analysis: Analysis) -> Iterator[Evidence]:
    limits = analysis.design.requirements
    yield Evidence(
        "flow ratio of the legs in cold flow, corrected for the liquids' densities, held setting",
        f"within {100.0 * limits.mixture_ratio_steady:.3g} %",
    )
    yield Evidence("the same in the ramps of the profile", f"within {100.0 * limits.mixture_ratio_transient:.3g} %")
    yield _yes("oxygen-clean certificate dated after the last disassembly; materials list; particle filter")
    speed = analysis.machine.legs["oxidizer"].servo.speed_limit
    yield Evidence(
        "oxidizer: fastest opening that the command allows",
        f"{math.degrees(speed):.0f} deg/s, agreed by whoever judges ignition",
    )
    yield _yes("no motor or electronics in the path of vented oxygen")


def _ignition(analysis: Analysis) -> Iterator[Evidence]:
    limits = analysis.design.requirements
    full = max(analysis.schedule.points, key=lambda p: p.throttle)
    yield Evidence(
        "abort armed and tried with injected signals: error of O/F in a hold; in a change",
        f"{100.0 * limits.mixture_ratio_steady:.3g} %; {100.0 * limits.mixture_ratio_transient:.3g} %",
    )
    yield Evidence("chamber pressure expected at full thrust, absolute", f"{full.chamber_pressure / 1e5:.2f} bar")
    for name in LEGS:
        point = full.legs[name]
        yield _each(name, "manifold pressure expected then, absolute", f"{point.manifold / 1e5:.2f} bar")
    yield _yes("start timing and its scatter inside the limits of the team (valvectl surge shows the fill times)")


def _throttled(analysis: Analysis) -> Iterator[Evidence]:
    limits = analysis.design.requirements
    lowest = min(analysis.schedule.points, key=lambda p: p.throttle)
    yield Evidence("O/F in every hold so far", f"within {100.0 * limits.mixture_ratio_steady:.3g} %")
    yield Evidence("chamber pressure, 30 to 400 Hz", "no line above the team's limit; steps of 10 % at most first")
    for name in LEGS:
        yield _each(
            name,
            f"injector drop over chamber pressure at {100.0 * lowest.throttle:.0f} % (predicted)",
            f"{100.0 * lowest.injector_stiffness(name):.1f} %, limit {100.0 * limits.injector_stiffness:.3g} %",
        )
