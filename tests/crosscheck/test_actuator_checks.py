"""Closed-form checks of the actuator against slow and independent ways: integration, the whole design built anew, circuits."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from actuator_case import DEMAND, numbers
from scipy.integrate import solve_ivp

import valvectl
from valvectl.design.schema import LEGS
from valvectl.parts import power_bus
from valvectl.plant.machine import build
from valvectl.studies.actuator_checks import evaluate, peak_power, seen
from valvectl.studies.actuator_demand import actuator_numbers, leg_demand, with_last_stage
from valvectl.studies.ratio_odds import SEED, ratio_odds

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


def integrated(angle: float, limit: float, s, current_limit: float, inductance: float) -> float:
    """Fastest stroke of the two-state motor: L di/dt = v - R i - K w by a fast current controller, dry load, braking found by
    bisection on the moment at which it begins."""

    def slopes(braking):
        def f(t, y):
            position, speed, current = y
            wanted = -current_limit if braking else current_limit
            if not braking and speed >= limit:
                wanted = s.load / s.gain
            volts = np.clip(
                (wanted - current) * 50.0 + s.resistance * current + s.back_emf * speed, -s.voltage, s.voltage
            )
            return [
                speed,
                (s.gain * current - s.load) / s.inertia,
                (volts - s.resistance * current - s.back_emf * speed) / inductance,
            ]

        return f

    def stopped(t, y):
        return y[1]

    stopped.terminal, stopped.direction = True, -1.0
    rest = {"rtol": 1e-8, "atol": 1e-10, "method": "LSODA", "max_step": 2e-3}
    run = solve_ivp(slopes(False), (0.0, 3.0), [0.0, 0.0, s.load / s.gain + 1e-6], dense_output=True, **rest)
    low, high = 0.0, 3.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        brake = solve_ivp(slopes(True), (middle, middle + 3.0), run.sol(middle), events=stopped, **rest)
        if brake.y[0, -1] > angle:
            high = middle
        else:
            low = middle
    return float(brake.t[-1])


@pytest.mark.parametrize(
    ("ratio", "limit", "change"),
    [
        (20.0, 6.0, {}),
        (40.0, 5.0, {"running": 4.0}),
        (60.0, 30.0, {"running": 4.0}),
        (100.0, 30.0, {"bus_voltage": 18.0}),
    ],
)
def test_stroke_against_integration_with_inductance(ratio, limit, change):
    """Within 1 %: the closed form sets the current at once, the integration builds it up through 10 uH."""
    n = numbers(ratio, **change)
    demand = replace(DEMAND, speed_limit=limit)
    closed = next(float(c.values) for c in evaluate(demand, n, n) if c.name == "stroke time")
    assert closed == pytest.approx(integrated(demand.stroke, limit, seen(n), n.current_limit, 1e-5), rel=0.01)


@pytest.mark.parametrize("name", LEGS)
@pytest.mark.parametrize("factor", [0.5, 1.0, 1.7])
def test_sweep_against_the_design_built_anew(name, factor):
    """Margin, flow step and dynamic margin of the sweep against their own studies of a design with that ratio."""
    design = rig()
    j = len(design.leg(name).actuator.gears) - 1
    gear = f"legs.{name}.actuator.gears[{j}].ratio"
    anew = design.with_values({gear: design.leg(name).actuator.gears[j].ratio * factor})
    result = design.ratio(name)
    where = np.log(result.ratio), math.log(result.current * factor)
    by_name = {c.name: c.values for c in (*result.checks, *result.shown)}

    def swept(key: str) -> float:
        return float(np.interp(where[1], where[0], by_name[key]))

    assert swept("static torque margin") == pytest.approx(100.0 * anew.torque(name).margin, rel=2e-3)
    assert swept("flow step") == pytest.approx(100.0 * anew.resolution().worst(name)[0], rel=1e-3)
    dynamic = 100.0 * next(m.margin for m in anew.torque(name).moves if m.what.startswith("full stroke"))
    assert swept("dynamic torque margin") == pytest.approx(dynamic, rel=5e-3, abs=2.0)


def test_bus_voltage_is_the_circuit_s():
    n = numbers(20.0)
    power = float(peak_power(n, seen(n), DEMAND))
    level = DEMAND.battery - DEMAND.battery_resistance * DEMAND.other_current
    upper = power_bus.operating_voltages(level, DEMAND.battery_resistance + n.harness, power, 0.0)[0]
    found = next(float(c.values) for c in evaluate(DEMAND, n, n) if c.name == "bus voltage")
    assert found == pytest.approx(upper / DEMAND.lockout, rel=1e-12)


@pytest.mark.parametrize("name", LEGS)
def test_draws_against_designs_built_anew(name):
    """The first draws, each as a design of its own: the share of those that hold is the same at every ratio."""
    design, samples = rig(), 12
    machine, schedule = design.machine, design.analysis.schedule
    factors = np.array([0.2, 5.0])
    odds = ratio_odds(design, machine, schedule, name, factors, samples)
    points = odds.ratio / machine.legs[name].servo.ratio
    rng = np.random.default_rng(SEED)
    drawn: dict[str, np.ndarray] = {}
    own = tuple(
        f"legs.{name}.{part}" for part in ("actuator", "valve.torque", "tank.pressure", "valve.slot", "valve.inertia")
    )
    for item in design.toleranced():
        if item.key.startswith(("battery.", *own)):
            drawn[item.key] = rng.uniform(-1.0, 1.0, samples)
    demand = leg_demand(design, machine, schedule, name)
    held = np.zeros(points.size)
    for i in range(samples):
        changes = {}
        for key, unit in drawn.items():
            item = design.inputs[key]
            if isinstance(item.value, tuple):
                widths = item.half_widths()
                changes[key] = [float(v) + unit[i] * w for v, w in zip(item.value, widths, strict=True)]
            else:
                changes[key] = float(item.value) + unit[i] * item.half_widths()[0]
        other = design.with_values(changes)
        made = build(other)
        one = actuator_numbers(other.leg(name).actuator, made.legs[name].servo, made, name)
        checks = evaluate(demand, with_last_stage(one, points), with_last_stage(one, points))
        held += np.logical_and.reduce([c.ok for c in checks])
    assert odds.probability * samples == pytest.approx(held)
