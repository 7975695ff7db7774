"""What must hold of motor ratings, stepper, heat, moves, bus and margin rules whatever the numbers; and that they compile."""

from __future__ import annotations

import importlib
import inspect
import math
import zlib
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from valvectl.parts import bang_bang, motor, motor_duty, motor_heat, motor_ratings, power_bus, stepper
from valvectl.parts.torque_rule_table import RULES
from valvectl.parts.torque_rules import KINDS, Contribution, assess, required_for

FEW = settings(max_examples=80, deadline=None)


def between(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


# ------------------------------------------------------------------------------------------------------ ratings


@FEW
@given(between(1e-3, 1e3), st.sampled_from(list(motor_ratings.EMF_FACTOR)))
def test_speed_constants_go_there_and_back(constant, convention):
    phase = motor_ratings.phase_emf_from_speed_constant(constant, convention)
    assert motor_ratings.speed_constant(phase, convention) == pytest.approx(constant, rel=1e-14)


@FEW
@given(between(1e-3, 10.0), st.sampled_from(["phase peak", "phase RMS", "direct"]), between(0.1, 100.0))
def test_torque_is_the_same_in_every_convention(phase_emf, convention, current):
    """Torque constant times current does not depend on how the current is stated."""
    model = motor_ratings.model_current(current, convention) * motor_ratings.torque_constant(phase_emf, "direct")
    assert current * motor_ratings.torque_constant(phase_emf, convention) == pytest.approx(model, rel=1e-14)


@FEW
@given(between(6.0, 48.0), between(0.0, 0.05), between(0.05, 3.0), between(0.01, 0.1), between(0.0, 1.0))
def test_speed_torque_line_goes_both_ways(voltage, friction, resistance, k, share):
    stall = motor_ratings.stall_torque(voltage, friction, resistance, k)
    if stall <= 0.0:
        assert motor_ratings.greatest_power(voltage, friction, resistance, k) == 0.0
        return
    torque = share * stall
    speed = motor_ratings.speed_at_torque(voltage, torque, friction, resistance, k)
    back = motor_ratings.torque_at_speed(voltage, speed, friction, resistance, k)
    assert back == pytest.approx(torque, rel=1e-9, abs=1e-9 * k * voltage / resistance)
    assert torque * speed <= motor_ratings.greatest_power(voltage, friction, resistance, k) * (1.0 + 1e-9) + 1e-12


@FEW
@given(between(0.01, 5.0), between(0.0, 0.02), between(10.0, 300.0), between(1.5, 5.0))
def test_friction_split_gives_both_runs_back(coulomb, viscous, speed, more):
    t1, t2 = coulomb + viscous * speed, coulomb + viscous * speed * more
    found = motor_ratings.friction_of_two_runs(t1, speed, t2, speed * more)
    assert found == (pytest.approx(coulomb, rel=1e-9), pytest.approx(viscous, rel=1e-6, abs=1e-12))


# ------------------------------------------------------------------------------------------------------ stepper

STEPPER = (between(0.05, 1.0), between(0.5, 5.0), between(6.0, 60.0), between(0.0, 2.0), between(2e-4, 8e-3))


@FEW
@given(*STEPPER, between(0.0, 500.0), between(0.0, 100.0))
def test_pull_out_falls_with_speed_and_keeps_its_bounds(k, current, voltage, resistance, inductance, speed, more):
    slow = stepper.pull_out_torque(speed, k, current, voltage, resistance, inductance, 50.0)
    fast = stepper.pull_out_torque(speed + more, k, current, voltage, resistance, inductance, 50.0)
    assert 0.0 <= fast <= slow * (1.0 + 1e-9) + 1e-12
    assert slow <= k * current * (1.0 + 1e-12)
    if slow > 0.0 and speed > 0.0:
        unlimited = stepper.voltage_limited_torque(speed, k, voltage, resistance, inductance, 50.0)
        assert slow <= unlimited * (1.0 + 1e-9) + 1e-12
    higher = stepper.pull_out_torque(speed, k, current, voltage * 1.2, resistance, inductance, 50.0)
    assert higher >= slow * (1.0 - 1e-9)


@FEW
@given(*STEPPER)
def test_full_torque_up_to_the_corner_and_continuous_there(k, current, voltage, resistance, inductance):
    assume(resistance * current < 0.9 * voltage)
    corner = stepper.corner_speed(k, current, voltage, resistance, inductance, 50.0)
    below = stepper.pull_out_torque(corner * (1.0 - 1e-7), k, current, voltage, resistance, inductance, 50.0)
    above = stepper.pull_out_torque(corner * (1.0 + 1e-6), k, current, voltage, resistance, inductance, 50.0)
    assert below == pytest.approx(k * current, rel=1e-12)
    assert above == pytest.approx(k * current, rel=0.02)
    assert above < below


@FEW
@given(between(0.2, 3.0), between(0.0, 0.99), between(1e-5, 1e-3), between(1.01, 2.0))
def test_pull_in_speed_falls_with_load_and_inertia(holding, share, inertia, more):
    speed = stepper.pull_in_speed(holding, share * holding, 50.0, inertia)
    assert speed >= stepper.pull_in_speed(holding, min(share * more, 1.0) * holding, 50.0, inertia)
    assert speed >= stepper.pull_in_speed(holding, share * holding, 50.0, inertia * more)


@FEW
@given(between(-10.0, 700.0))
def test_table_of_pull_out(speed):
    speeds, torques = np.array([0.0, 100.0, 300.0, 600.0]), np.array([1.0, 0.9, 0.4, 0.1])
    got = stepper.pull_out_from_table(speeds, torques, speed)
    expected = float(np.interp(speed, speeds, torques)) if speed <= 600.0 else 0.0
    assert got == pytest.approx(expected, rel=1e-12)


# --------------------------------------------------------------------------------------------------------- heat

HEAT = (between(0.0, 12.0), between(0.05, 1.5), between(0.5, 5.0), between(0.5, 8.0), between(2.0, 40.0))


@FEW
@given(*HEAT, between(20.0, 600.0), between(280.0, 380.0), between(1.0, 3000.0))
def test_two_half_steps_are_one(current, r25, r1, r2, cw, cc, winding, step):
    rest = (300.0, current, r25, 0.0039, r1, r2, cw, cc, 1.5)
    whole = motor_heat.heat_step(winding, 310.0, *rest, step)
    half = motor_heat.heat_step(*motor_heat.heat_step(winding, 310.0, *rest, 0.5 * step), *rest, 0.5 * step)
    assume(math.isfinite(whole[0]) and whole[0] < 1e9)
    assert half == (pytest.approx(whole[0], rel=1e-9), pytest.approx(whole[1], rel=1e-9))


@FEW
@given(*HEAT, between(20.0, 600.0))
def test_a_long_step_ends_at_the_steady_state(current, r25, r1, r2, cw, cc):
    assume(motor_heat.runaway_gain(current, r25, 0.0039, r1 + r2) < 0.9)
    steady = motor_heat.steady_temperatures(300.0, current, r25, 0.0039, r1, r2, 1.5)
    late = motor_heat.heat_step(300.0, 300.0, 300.0, current, r25, 0.0039, r1, r2, cw, cc, 1.5, 1e7)
    assert late == (pytest.approx(steady[0], rel=1e-9), pytest.approx(steady[1], rel=1e-9))
    rates = motor_heat.heat_rates(*steady, 300.0, current, r25, 0.0039, r1, r2, cw, cc, 1.5)
    assert rates == (pytest.approx(0.0, abs=1e-9), pytest.approx(0.0, abs=1e-9))


@FEW
@given(*HEAT, between(20.0, 600.0), between(305.0, 450.0), between(260.0, 420.0), between(260.0, 420.0))
def test_time_to_limit_is_where_the_limit_is(current, r25, r1, r2, cw, cc, limit, winding, case):
    start = (winding, case)
    rest = (300.0, current, r25, 0.0039, r1, r2, cw, cc, 0.5)
    time = motor_heat.time_to_limit(limit, *start, *rest)
    grid = np.geomspace(1e-3, 1e6, 300)
    if time == math.inf:
        assert all(motor_heat.heat_step(*start, *rest, float(t))[0] <= limit * (1.0 + 1e-9) for t in grid)
    elif time > 0.0:
        assert motor_heat.heat_step(*start, *rest, time)[0] == pytest.approx(limit, rel=1e-9)
        for t in grid[grid < 0.999 * time]:
            assert motor_heat.heat_step(*start, *rest, float(t))[0] <= limit * (1.0 + 1e-9)
    else:
        assert winding >= limit


@FEW
@given(between(0.5, 10.0), between(0.05, 1.5), between(5.0, 400.0), between(5.0, 400.0), between(0.0, 1.0))
def test_periodic_state_repeats(loaded, r25, on, off, share):
    rest = (300.0, loaded, share * loaded, on, off, r25, 0.0039, 2.5, 2.0, 12.0, 180.0, 0.5)
    crest = motor_duty.periodic_crest(*rest)
    assume(math.isfinite(crest[0]))
    again = motor_duty.cycle_step(*crest, *rest)
    assert again == (pytest.approx(crest[0], rel=1e-8), pytest.approx(crest[1], rel=1e-8))
    low = motor_heat.steady_temperatures(300.0, share * loaded, r25, 0.0039, 2.5, 2.0, 0.5)[0]
    high = motor_heat.steady_temperatures(300.0, loaded, r25, 0.0039, 2.5, 2.0, 0.5)[0]
    assert low * (1.0 - 1e-9) <= crest[0] <= high * (1.0 + 1e-9)


@FEW
@given(between(0.01, 0.6), between(0.1, 1.5), between(0.5, 5.0), between(0.5, 5.0), between(-0.002, 0.0))
def test_holding_temperature_is_a_balance_and_the_limit_its_inverse(torque, r25, r1, r2, magnets):
    ta = 313.15
    numbers = (ta, r25, 0.0039, 0.04, magnets, r1, r2)
    winding = motor_heat.holding_temperature(torque, *numbers)
    if winding == math.inf:
        assert motor_heat.holding_limit(2000.0, *numbers) <= torque * (1.0 + 1e-6)
        return
    rise = winding - ta
    k = motor.torque_constant(0.04, magnets, ta + rise * r2 / (r1 + r2))
    loss = motor.copper_loss(torque / k, motor.winding_resistance(r25, 0.0039, winding))
    assert loss * (r1 + r2) == pytest.approx(rise, rel=1e-7)
    if motor_heat.holding_slope(rise, ta, r25, 0.0039, 0.04, magnets, r1 + r2, r2) > 1e-6:
        assert motor_heat.holding_limit(winding, *numbers) == pytest.approx(torque, rel=1e-7)


# -------------------------------------------------------------------------------------------------------- moves

MOVE = st.fixed_dictionaries(
    {
        "angle": between(0.01, 1.6),
        "speed_limit": between(1.0, 40.0),
        "drive_gain": between(0.5, 3.0),
        "back_share": between(1.0, 1.5),
        "resistance": between(0.05, 2.0),
        "current": between(1.0, 30.0),
        "voltage": between(6.0, 48.0),
        "load": between(0.0, 8.0),
        "inertia": between(1e-3, 0.1),
    }
)


def numbers(drawn: dict[str, float]) -> dict[str, float]:
    out = dict(drawn)
    share = out.pop("back_share")
    out["back_emf"] = share * out["drive_gain"]
    out["brake_gain"] = share * out["back_emf"]
    return out


@FEW
@given(MOVE)
def test_energy_of_a_move_balances(drawn):
    """Taken less given back = copper + work on the load + the gears' loss, since the move ends at rest."""
    n = numbers(drawn)
    time, top = bang_bang.move(**n)
    assume(math.isfinite(time))
    taken, copper, returned = bang_bang.move_energy(**n)
    brake = (n["brake_gain"] * n["current"] + n["load"]) / n["inertia"]
    braking = 0.5 * top * top / brake
    # Work that the motor's side puts into the gears while driving, and what the gears lose of it.
    driven = 0.5 * n["inertia"] * top * top + n["load"] * (n["angle"] - braking)
    gears = driven * (n["back_emf"] / n["drive_gain"] - 1.0)
    gears += (n["brake_gain"] - n["back_emf"]) * n["current"] * braking
    assert taken - returned == pytest.approx(copper + n["load"] * n["angle"] + gears, rel=1e-6)
    assert taken > 0.0
    assert returned >= -1e-12
    assert copper > 0.0


@FEW
@given(MOVE, between(1.01, 1.5))
def test_a_move_is_no_slower_with_more_of_anything(drawn, more):
    n = numbers(drawn)
    time, _ = bang_bang.move(**n)
    for key in ("current", "voltage", "speed_limit"):
        assert bang_bang.move(**{**n, key: more * n[key]})[0] <= time * (1.0 + 1e-6)
    assert bang_bang.move(**{**n, "angle": more * n["angle"]})[0] >= time * (1.0 - 1e-9)
    assert bang_bang.move(**{**n, "inertia": more * n["inertia"]})[0] >= time * (1.0 - 1e-6)


@FEW
@given(between(0.05, 1.0), between(1e-6, 1e-4), between(0.0, 10.0), between(1e-5, 1e-2), between(0.5, 1.0))
def test_best_ratios_are_best(torque, rotor, load, inertia, efficiency):
    best = bang_bang.ratio_of_greatest_acceleration(torque, rotor, load, inertia, efficiency)
    rate = bang_bang.stem_acceleration(best, torque, rotor, load, inertia, efficiency)
    for factor in (0.9, 1.1):
        assert bang_bang.stem_acceleration(factor * best, torque, rotor, load, inertia, efficiency) <= rate
    quick = bang_bang.ratio_of_shortest_move(torque, rotor, load, inertia, efficiency)

    def time(ratio: float) -> float:
        up = bang_bang.stem_acceleration(ratio, torque, rotor, load, inertia, efficiency)
        down = bang_bang.stem_acceleration(ratio, torque, rotor, -load, inertia, efficiency)
        return bang_bang.triangular_time(1.0, up, down) if up > 0.0 else math.inf

    assert time(quick) <= min(time(0.98 * quick), time(1.02 * quick)) * (1.0 + 1e-12)


# ---------------------------------------------------------------------------------------------------------- bus


@FEW
@given(between(6.0, 60.0), between(0.0, 0.5), between(-500.0, 2000.0), between(0.0, 20.0))
def test_bus_voltage_satisfies_the_circuit(source, resistance, power, current):
    level = power_bus.bus_voltage(source, resistance, power, current)
    if level > 0.0:
        assert level + resistance * (power / level + current) == pytest.approx(source, rel=1e-9)
        assert level >= 0.5 * (source - resistance * current) * (1.0 - 1e-9)
        if resistance > 1e-6:
            back = power_bus.power_at_voltage(source, resistance, level, current)
            assert back == pytest.approx(power, rel=1e-6, abs=1e-6 * source * source / resistance)
    else:
        assert power >= power_bus.greatest_power(source, resistance, current) * (1.0 - 1e-12)


@FEW
@given(between(12.0, 60.0), between(0.001, 0.3), between(0.0, 400.0), between(-100.0, 400.0), between(0.0, 0.2))
def test_shared_bus_satisfies_the_circuit(source, resistance, first, second, harness):
    powers, wires = np.array([first, second]), np.array([harness, 0.5 * harness])
    level = power_bus.shared_bus_voltage(source, resistance, powers, wires, 2.0)
    if level > 0.0:
        drawn = 2.0 + sum(
            power_bus.branch_current(level, float(w), float(p)) for w, p in zip(wires, powers, strict=True)
        )
        assert level + resistance * drawn == pytest.approx(source, rel=1e-9)
    else:
        # No voltage on a fine grid carries it.
        for v in np.linspace(0.02, 1.0, 2000) * source:
            drawn = 2.0 + sum(
                power_bus.branch_current(float(v), float(w), float(p)) for w, p in zip(wires, powers, strict=True)
            )
            assert v + resistance * drawn >= source * (1.0 - 1e-9)


@FEW
@given(between(1.0, 1e7), between(1.0, 10.0))
def test_pulse_share_never_rises(pulses, more):
    assert 0.05 <= power_bus.pulse_share(pulses * more) <= power_bus.pulse_share(pulses) <= 0.48


# ------------------------------------------------------------------------------------------------- margin rules

PART = st.builds(
    Contribution, st.just("x"), st.sampled_from(KINDS), between(0.0, 20.0), st.booleans(), between(1.0, 3.0)
)


@FEW
@given(st.lists(PART, max_size=6), st.sampled_from(list(RULES)), PART, between(0.1, 100.0))
def test_rules_are_monotone_and_never_take_a_factor_twice(parts, name, extra, available):
    rule = RULES[name]
    base = assess(rule, parts, available)
    assert assess(rule, [*parts, extra], available).required >= base.required
    assert base.required == pytest.approx(sum(s.required for s in base.shares), rel=1e-12, abs=1e-12)
    bare = [Contribution(p.name, p.kind, p.torque / p.includes_factor, p.measured) for p in parts]
    assert required_for(rule, bare) == pytest.approx(base.required, rel=1e-12, abs=1e-12)
    measured = [Contribution(p.name, p.kind, p.torque, True, p.includes_factor) for p in parts]
    assert required_for(rule, measured) <= base.required * (1.0 + 1e-12)
    if base.required > 0.0:
        assert base.static_met == (available >= base.required) or math.isclose(available, base.required)
        assert base.plain_margin >= base.margin - 1e-12 or base.accelerating > 0.0


# -------------------------------------------------------------------------------------------------- compilation

MODULES = ("motor_ratings", "stepper", "motor_heat", "motor_duty", "bang_bang", "power_bus")
NOT_LAWS = {"model_current", "phase_emf_from_speed_constant", "speed_constant", "torque_constant"}
RANGES = {
    "temperature": (250.0, 450.0), "surroundings": (250.0, 330.0), "winding": (250.0, 450.0), "case": (250.0, 400.0),
    "limit": (300.0, 450.0), "start": (250.0, 330.0), "final": (250.0, 450.0), "coefficient": (0.001, 0.006),
    "magnet_coefficient": (-0.002, 0.0), "winding_capacity": (5.0, 40.0), "case_capacity": (50.0, 500.0),
    "step": (0.1, 1000.0), "loaded_time": (1.0, 400.0), "other_time": (1.0, 400.0), "teeth": (10.0, 100.0),
    "inductance": (1e-4, 1e-2), "voltage": (5.0, 50.0), "open_circuit": (20.0, 50.0), "power": (-100.0, 1500.0),
    "bus_level": (10.0, 50.0), "pulses": (1.0, 1e6), "speed": (0.0, 400.0), "rise": (1.0, 100.0),
}  # fmt: skip


def laws() -> dict[str, Callable[..., Any]]:
    """Every function of these parts that takes only numbers and tables."""
    found: dict[str, Callable[..., Any]] = {}
    for name in MODULES:
        module = importlib.import_module(f"valvectl.parts.{name}")
        for label, law in vars(module).items():
            if inspect.isfunction(law) and law.__module__ == module.__name__:
                kinds = {p.annotation for p in inspect.signature(law).parameters.values()}
                if kinds <= {"float", "FloatArray"}:
                    found[f"{name}.{label}"] = law
    return found


LAWS = laws()


def test_the_laws_were_found():
    assert len(LAWS) >= 75
    assert {name.partition(".")[0] for name in LAWS} == set(MODULES)
    assert not {label for label in NOT_LAWS if f"motor_ratings.{label}" in LAWS}


@pytest.fixture(scope="module")
def compiled() -> dict[str, Callable[..., Any]]:
    import numba
    from numba.extending import register_jitable

    from valvectl.parts import bus, gearing, lookup

    for module in (bus, gearing, lookup, motor):
        for law in vars(module).values():
            if inspect.isfunction(law) and law.__module__ == module.__name__ and law is not gearing.combine:
                register_jitable(law)
    for law in (power_bus._discriminant, power_bus._upper):  # for numbers and arrays alike
        register_jitable(law)
    for law in LAWS.values():
        register_jitable(law)
    return {name: numba.njit(law) for name, law in LAWS.items()}


def arguments(law: Callable[..., Any], rng: np.random.Generator) -> list[Any]:
    out: list[Any] = []
    for parameter in inspect.signature(law).parameters.values():
        if parameter.annotation == "FloatArray":
            out.append(np.cumsum(rng.uniform(0.1, 2.0, size=6)))
        else:
            out.append(float(rng.uniform(*RANGES.get(parameter.name, (0.1, 2.0)))))
    return out


@pytest.mark.parametrize("name", LAWS)
def test_numba_gives_what_python_gives(name, compiled):
    law, machine = LAWS[name], compiled[name]
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    for _ in range(20):
        drawn = arguments(law, rng)
        expected = np.atleast_1d(law(*drawn))
        got = np.atleast_1d(machine(*drawn))
        assert not np.isnan(expected.astype(float)).any(), (name, drawn)
        np.testing.assert_allclose(got, expected, rtol=1e-9, atol=1e-12, err_msg=f"{name}{tuple(drawn)}")
