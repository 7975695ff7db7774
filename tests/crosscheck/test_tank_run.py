"""The tanks' own integrators against scipy's with right-hand sides written here, and their order of convergence.

``plant.tanks.advance`` is set against equations for gas mass and temperature (not energy), ``plant.tank_run.run`` against
both tanks and the balance solved together at every evaluation, without any prediction of the flow.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from tank_rig import BOTTLE, DENSITY, VALVE, rig, tank

import valvectl
from valvectl.design.schema import LEGS, LegName
from valvectl.plant import tanks
from valvectl.plant.balance import balance
from valvectl.plant.machine import Machine
from valvectl.plant.schedule import Schedule
from valvectl.plant.tank_run import Conditions, make_grid, run
from valvectl.plant.tanks import GasValveNumbers, TankNumbers

NITROGEN = 8.31446261815324 / 28.0134e-3
"""Gas constant [J/(kg K)]."""
CV, CP = 2.5 * NITROGEN, 3.5 * NITROGEN
Flow = Callable[[float], float]


def kv_flow(kv: float, before: float, warm: float, behind: float) -> float:
    """Gas through ``VALVE``'s xT with another Kv [kg/s]: the standard's equation in bar and kg/h."""
    if before <= behind:
        return 0.0
    x = min((before - behind) / before, 0.7)
    return 31.6 * kv * (1.0 - x / 2.1) * math.sqrt(x * before / 1e5 * before / (NITROGEN * warm)) / 3600.0


def slopes(
    numbers: TankNumbers,
    mass: float,
    warm: float,
    volume: float,
    bottle_mass: float,
    bottle_warm: float,
    out: float,
    inflow: float,
) -> list[float]:
    """Rates of gas mass, gas temperature, gas volume, bottle mass and bottle temperature; first law for mass and T."""
    pressure = mass * NITROGEN * warm / volume
    lost = numbers.heat_exchange * (warm - numbers.sink_temperature)
    inlet = bottle_warm if numbers.bottle is not None else numbers.gas_temperature
    heating = (inflow * (CP * inlet - CV * warm) - pressure * out - lost) / (mass * CV)
    if numbers.bottle is None:
        return [inflow, heating, out, 0.0, 0.0]
    gained = numbers.bottle.heat_exchange * (numbers.bottle.temperature - bottle_warm)
    cooling = (gained - inflow * (CP - CV) * bottle_warm) / (bottle_mass * CV)
    return [inflow, heating, out, -inflow, cooling]


def at_start(numbers: TankNumbers, flow: float) -> list[float]:
    pressure = tanks.tank_pressure_now(numbers, tanks.start_state(numbers, flow), 0.0)
    bottle = numbers.bottle
    return [
        pressure * numbers.gas_volume / (NITROGEN * numbers.gas_temperature),
        numbers.gas_temperature,
        numbers.gas_volume,
        bottle.pressure * bottle.volume / (NITROGEN * bottle.temperature) if bottle is not None else 1.0,
        bottle.temperature if bottle is not None else 300.0,
    ]


def wanted_inflow(numbers: TankNumbers, state: list[float], flow: float, inflow_limit: bool = True) -> float:
    """What a spring-loaded regulator lets in so that its pressure goes to the line with its time constant."""
    mass, warm, volume, bottle_mass, bottle_warm = state
    pressure, bottle = mass * NITROGEN * warm / volume, numbers.bottle
    before, inlet, fall = math.inf, numbers.gas_temperature, 0.0
    if bottle is not None:
        before, inlet = bottle_mass * NITROGEN * bottle_warm / bottle.volume, bottle_warm
        fall = bottle.inlet_effect * (bottle.pressure - before)
    lock = numbers.lock_up * max(0.0, 1.0 - flow / (0.1 * numbers.reference_flow))
    goal = numbers.pressure - numbers.droop * flow / numbers.reference_flow + lock + fall
    rate = (goal - pressure) / numbers.response_time
    lost = numbers.heat_exchange * (warm - numbers.sink_temperature)
    # dp/dt V = R (cp/cv ...) : p V = m R T differentiated, with the first law put in.
    inflow = (rate * volume + 1.4 * pressure * flow / DENSITY + 0.4 * lost) / (0.4 * CP * inlet)
    inflow = max(inflow, 0.0)
    if numbers.valve is not None and inflow_limit:
        inflow = min(inflow, kv_flow(numbers.valve.kv, before, inlet, pressure))
    return inflow


def reference(
    numbers: TankNumbers, flow: Flow, end: float, inflow: Callable[[list[float], float], float]
) -> list[float]:
    """State at the end by scipy, Radau with tight tolerances."""

    def rhs(t: float, y: np.ndarray) -> list[float]:
        state = [float(x) for x in y]
        return slopes(numbers, *state, flow(t) / DENSITY, inflow(state, flow(t)))

    found = solve_ivp(rhs, (0.0, end), at_start(numbers, flow(0.0)), method="Radau", rtol=1e-9, atol=1e-10)
    assert found.success
    return [float(x) for x in found.y[:, -1]]


def ours(numbers: TankNumbers, flow: Flow, end: float, steps: int) -> tanks.TankState:
    state = tanks.start_state(numbers, flow(0.0))
    for j in range(steps):
        a, b = end * j / steps, end * (j + 1) / steps
        tanks.advance(numbers, state, a, b, (flow(a), flow(b)), (DENSITY, DENSITY))
    return state


def wave(t: float) -> float:
    """Flow of liquid [kg/s]: swings between 0.5 and 1.5."""
    return 1.0 + 0.5 * math.sin(2.0 * t)


CASES = {
    "blow-down, insulated": tank(),
    "blow-down, heat": tank(heat_exchange=20.0, sink_temperature=250.0),
    "blow-down, cold liquid": tank(heat_exchange=5.0, sink_temperature=90.0),
    "regulated, no bottle": tank(supply="regulated", droop=0.5e5, response_time=0.3, heat_exchange=5.0, sink_temperature=150.0),
    "regulated, bottle": tank(
        supply="regulated", droop=0.5e5, lock_up=0.2e5, response_time=0.2, heat_exchange=5.0,
        bottle=dataclasses.replace(BOTTLE, heat_exchange=8.0, inlet_effect=0.004),
    ),
    "regulated, small valve": tank(
        supply="regulated", droop=0.2e5, response_time=0.2, bottle=BOTTLE, valve=dataclasses.replace(VALVE, kv=0.01),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(CASES))
def test_advance_against_scipy(name: str) -> None:
    numbers = CASES[name]
    blow_down = numbers.supply == "blow-down"
    want = reference(numbers, wave, 8.0, lambda y, w: 0.0 if blow_down else wanted_inflow(numbers, y, w))
    state = ours(numbers, wave, 8.0, 320)
    mass, warm, volume, bottle_mass, bottle_warm = want
    assert state.mass == pytest.approx(mass, rel=2e-4)
    assert tanks.gas_temperature_now(numbers, state) == pytest.approx(warm, rel=2e-4)
    assert state.volume == pytest.approx(volume, rel=1e-4)
    assert tanks.tank_pressure_now(numbers, state, 8.0) == pytest.approx(mass * NITROGEN * warm / volume, rel=2e-4)
    if numbers.bottle is not None:
        assert tanks.bottle_now(numbers, state)[1] == pytest.approx(bottle_warm, rel=2e-4)
        assert state.bottle_mass == pytest.approx(bottle_mass, rel=2e-4)


def test_small_valve_does_limit() -> None:
    """The case above is one in which the valve's size counts: with a large one the pressure ends elsewhere."""
    small, large = CASES["regulated, small valve"], dataclasses.replace(CASES["regulated, small valve"], valve=VALVE)
    low, high = (tanks.tank_pressure_now(n, ours(n, wave, 8.0, 320), 8.0) for n in (small, large))
    assert low < high - 0.5e5


def sampled_reference(numbers: TankNumbers, flow: Flow, end: float) -> tuple[list[float], list[float]]:
    """Electronic regulator: every sample and every command an end of one scipy run. Times and pressures at the samples."""
    valve = numbers.valve
    assert valve is not None
    state, now, opening, commanded = at_start(numbers, flow(0.0)), 0.0, 0.0, 0.0
    sample, pending = 0.0, []
    times: list[float] = []
    pressures: list[float] = []
    while now < end - 1e-12:
        pressure = state[0] * NITROGEN * state[1] / state[2]
        if sample <= now + 1e-9:
            times.append(now)
            pressures.append(pressure)
            if valve.kind == "on-off":
                if pressure < numbers.pressure - 0.5 * valve.band:
                    commanded = 1.0
                elif pressure > numbers.pressure + 0.5 * valve.band:
                    commanded = 0.0
            else:
                commanded = min(max((numbers.pressure - pressure) / valve.band, 0.0), 1.0)
            pending.append((sample + valve.delay, commanded))
            sample += valve.sample_period
        while pending and pending[0][0] <= now + 1e-9:
            opening = pending.pop(0)[1]
        stop = min([end, sample] + [at for at, _ in pending])

        def rhs(t: float, y: np.ndarray, opening: float = opening) -> list[float]:
            m, warm, volume, bottle_mass, bottle_warm = (float(x) for x in y)
            assert numbers.bottle is not None
            assert valve is not None
            before = bottle_mass * NITROGEN * bottle_warm / numbers.bottle.volume
            gas = kv_flow(valve.kv * opening, before, bottle_warm, m * NITROGEN * warm / volume)
            return slopes(numbers, m, warm, volume, bottle_mass, bottle_warm, flow(t) / DENSITY, gas)

        found = solve_ivp(rhs, (now, stop), state, method="DOP853", rtol=1e-10, atol=1e-12)
        state, now = [float(x) for x in found.y[:, -1]], stop
    return times, pressures


@pytest.mark.parametrize(
    ("kind", "band", "delay", "kv"),
    [("proportional", 0.5e5, 0.03, 0.1), ("on-off", 0.4e5, 0.0, 0.1), ("on-off", 0.2e5, 0.03, 0.05)],
)
def test_sampled_gas_valve_against_scipy(kind: str, band: float, delay: float, kv: float) -> None:
    """Pressure at every sample of the regulator's computer, 4 s at 50 ms; opens and shuts within the time."""
    valve = GasValveNumbers(kv=kv, xt=0.7, kind=kind, sample_period=0.05, delay=delay, band=band)
    numbers = tank(supply="electronic", bottle=BOTTLE, valve=valve, heat_exchange=3.0)
    times, want = sampled_reference(numbers, wave, 4.0)
    state = tanks.start_state(numbers, wave(0.0))
    got, openings = [tanks.tank_pressure_now(numbers, state, 0.0)], set()
    for j in range(400):
        a, b = 0.01 * j, 0.01 * (j + 1)
        tanks.advance(numbers, state, a, b, (wave(a), wave(b)), (DENSITY, DENSITY))
        openings.add(round(state.opening, 6))
        if (j + 1) % 5 == 0 and j + 1 < 400:
            got.append(tanks.tank_pressure_now(numbers, state, b))
    assert len(times) == len(got) == 80
    assert len(openings) >= 2
    assert np.array(got) == pytest.approx(np.array(want), rel=2e-4)


# ------------------------------------------------------------------------------------------ order of convergence


def order(errors: list[float]) -> float:
    """Slope of ln error over ln step, steps halved from one to the next."""
    return float(np.polyfit(np.arange(len(errors)), -np.log2(np.abs(errors)), 1)[0])


@pytest.mark.parametrize("name", ["blow-down, heat", "regulated, no bottle", "regulated, bottle"])
def test_order_of_advance(name: str) -> None:
    """Smooth flow from above the lock-up; steps long enough that an inner step is a fifth of an outer one."""
    numbers = CASES[name]
    blow_down = numbers.supply == "blow-down"
    want = reference(numbers, wave, 8.0, lambda y, w: 0.0 if blow_down else wanted_inflow(numbers, y, w))
    pressure = want[0] * NITROGEN * want[1] / want[2]
    errors = []
    for steps in (20, 40, 80, 160):
        found = tanks.tank_pressure_now(numbers, ours(numbers, wave, 8.0, steps), 8.0)
        errors.append(found / pressure - 1.0)
    assert order(errors) >= 1.8


# --------------------------------------------------------------------------------------- the whole run


BLOW_DOWN = """supply = "blow-down"
diameter = "0.2 m"
ullage = { volume = "24 L", share = "50 %", gas = "nitrogen", gas_temperature = "290 K", heat_exchange = "6 W/K" }
"""
REGULATED = """droop = "0.3 bar"
response_time = "0.4 s"
ullage = { volume = "12 L", share = "30 %", gas = "nitrogen", gas_temperature = "290 K", heat_exchange = "2 W/K" }
"""
END = 5.0


@pytest.fixture(scope="module")
def loaded(cache_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> valvectl.Design:
    """Oxidizer in blow-down with a falling level, fuel with a slow regulator: both answer to each other by the chamber."""
    return rig(tmp_path_factory.mktemp("rig"), oxidizer=BLOW_DOWN, fuel=REGULATED)


@pytest.fixture(scope="module")
def parts(loaded: valvectl.Design) -> tuple[Machine, Schedule, Conditions]:
    machine = loaded.machine
    return (
        machine,
        loaded.analysis.schedule,
        Conditions(
            tanks={n: tanks.tank_numbers(loaded, machine.legs[n], n) for n in LEGS},
            height={"oxidizer": 0.6, "fuel": 0.4},
            load_factor=dict.fromkeys(LEGS, 1.0),
            falling=True,
        ),
    )


PROFILE = [(0.0, 0.9), (END, 0.9)]
RAMP = [(0.0, 0.9), (END, 0.6)]


def together(
    machine: Machine, schedule: Schedule, conditions: Conditions, profile: list[tuple[float, float]]
) -> list[tuple[float, float]]:
    """O/F error and oxidizer tank pressure at 1.25 s, 2.5 s, 3.75 s and the end, balance at every evaluation."""
    names: tuple[LegName, LegName] = LEGS
    area = 0.25 * math.pi * 0.2**2

    def moved(t: float, y: list[float]) -> tuple[object, dict[LegName, float]]:
        throttle = float(np.interp(t, [profile[0][0], profile[1][0]], [profile[0][1], profile[1][1]]))
        angles = [float(schedule.angle_at(n, np.array([throttle]))[0]) for n in names]
        pressure = {n: y[5 * j] * NITROGEN * y[5 * j + 1] / y[5 * j + 2] for j, n in enumerate(names)}
        legs = dict(machine.legs)
        fallen = (y[2] - conditions.tanks["oxidizer"].gas_volume) / area
        head = {"oxidizer": legs["oxidizer"].liquid.density * 9.80665 * (0.6 - fallen), "fuel": legs["fuel"].head}
        for n in names:
            # The regulator's model holds the droop, so that the balance must not.
            legs[n] = dataclasses.replace(legs[n], tank_pressure=pressure[n], tank_droop=0.0, head=head[n])
        base = balance(machine, *angles)
        point = balance(dataclasses.replace(machine, legs=legs), *angles)
        error = point.mixture_ratio / base.mixture_ratio - 1.0
        return error, {n: point.legs[n].flow for n in names}

    def rhs(t: float, y: np.ndarray) -> list[float]:
        state = [float(x) for x in y]
        _, flow = moved(t, state)
        out: list[float] = []
        for j, n in enumerate(names):
            part, numbers = state[5 * j : 5 * j + 5], conditions.tanks[n]
            scaled = flow[n] * DENSITY / machine.legs[n].liquid.density
            inflow = 0.0
            if numbers.supply == "regulated":
                line = dataclasses.replace(numbers, reference_flow=numbers.reference_flow * scaled / flow[n])
                inflow = wanted_inflow(line, part, scaled)
            out += slopes(numbers, *part, scaled / DENSITY, inflow)
        return out

    base = balance(machine, *(float(schedule.angle_at(n, np.array([profile[0][1]]))[0]) for n in names))
    start = [x for n in names for x in at_start(conditions.tanks[n], base.legs[n].flow)]
    times = [1.25, 2.5, 3.75, END]
    found = solve_ivp(rhs, (0.0, END), start, method="RK45", t_eval=times, rtol=1e-7, atol=1e-9, max_step=0.25)
    assert found.success
    states = [[float(x) for x in found.y[:, k]] for k in range(len(times))]
    return [(float(moved(t, y)[0]), y[0] * NITROGEN * y[1] / y[2]) for t, y in zip(times, states, strict=True)]  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def truth(parts: tuple[Machine, Schedule, Conditions]) -> dict[str, list[tuple[float, float]]]:
    return {"held": together(*parts, PROFILE), "ramp": together(*parts, RAMP)}


@pytest.mark.parametrize(("name", "profile"), [("held", PROFILE), ("ramp", RAMP)])
def test_run_against_scipy(
    parts: tuple[Machine, Schedule, Conditions],
    truth: dict[str, list[tuple[float, float]]],
    name: str,
    profile: list[tuple[float, float]],
) -> None:
    machine, schedule, conditions = parts
    found = run(machine, conditions, make_grid(machine, schedule, profile, 400))
    assert found.ended == ""
    for (error, pressure), t in zip(truth[name], (1.25, 2.5, 3.75, END), strict=True):
        at = int(np.argmin(np.abs(found.time - t)))
        assert float(found.time[at]) == pytest.approx(t, abs=1e-9)
        assert abs(error) > 1e-3
        assert float(found.ratio_error[at]) == pytest.approx(error, rel=1e-3)
        assert float(found.tanks["oxidizer"].pressure[at]) == pytest.approx(pressure, rel=2e-5)


def test_order_of_run(parts: tuple[Machine, Schedule, Conditions], truth: dict[str, list[tuple[float, float]]]) -> None:
    """Held setting: O/F error at the end, steps halved."""
    machine, schedule, conditions = parts
    errors = []
    for steps in (25, 50, 100):
        found = run(machine, conditions, make_grid(machine, schedule, PROFILE, steps))
        errors.append(float(found.ratio_error[-1]) - truth["held"][-1][0])
    assert order(errors) >= 1.8
