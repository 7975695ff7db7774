"""The method of characteristics against independent solutions, its own order, and the laws of conservation."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from valvectl.errors import SimulationError
from valvectl.parts import valve, wave
from valvectl.plant.characteristics import HeldValve, Pipe, ValveEnd, Waves, moc, times

RHO, SPEED, LENGTH, AREA = 1140.0, 900.0, 1.2, 1.1e-4
FLOW = RHO * AREA * 4.5
JOUKOWSKY = RHO * SPEED * 4.5


def pipe(loss: float = 0.0, **more: float) -> Pipe:
    """A small LOX-like line with one square-law loss [Pa s^2/kg^2]."""
    values = {"tank": 22e5, **more}
    return Pipe(LENGTH, AREA, SPEED, RHO, np.full(2, loss), 1.0, **values)  # type: ignore[arg-type]


def smooth_end(line: Pipe, closing: float, watched: float, reaches: int, last: float = 0.0) -> ValveEnd:
    """A valve whose coefficient falls along a cosine from the full flow's to a share of it."""
    time = times(line, watched, reaches)
    way = 0.5 - 0.5 * np.cos(np.pi * np.minimum(time / closing, 1.0))
    c = 2.2e-5 * (1.0 - (1.0 - last) * way)
    return ValveEnd(c, np.full(time.size, 0.9), np.full(time.size, 15e5), ff=0.95, fixed_loss=4e5)


HIGH = 100e5
"""Tank pressure above the Joukowsky rise, so that the ringing line stays free of vapour [Pa]."""


def sudden(line: Pipe, reaches: int, reflections: float = 8.0) -> Waves:
    time = times(line, reflections * line.reflection, reaches)
    return moc(line, np.where(time > 0.0, 0.0, FLOW), reaches)


# ---------------------------------------------------------------------------------------------------------- waves


@pytest.mark.parametrize("reaches", [2, 7, 40])
def test_joukowsky_and_period(reaches):
    line = pipe(tank=HIGH)
    run = sudden(line, reaches, 41.0)
    assert run.peak - line.tank == pytest.approx(JOUKOWSKY, rel=5e-3)
    over = run.valve_pressure - line.tank
    falls = run.time[1:][(over[:-1] > 0.0) & (over[1:] <= 0.0)]
    assert np.diff(falls) == pytest.approx(4.0 * LENGTH / SPEED, rel=0.01)


def test_steady_flow_stays_steady():
    line = pipe(3e5, droop=6e4, head=8e3, vapour_pressure=1e5, unsteady=0.01)
    n = times(line, 0.2, 16).size
    end = ValveEnd(np.full(n, 2e-5), np.full(n, 0.85), np.full(n, 15e5), down_loss=np.full(2, 2e5), fixed_loss=3e5)
    run = moc(line, end, 16)
    assert run.valve_flow == pytest.approx(run.valve_flow[0], rel=1e-10)
    assert run.valve_pressure == pytest.approx(run.valve_pressure[0], rel=1e-10)


def test_valve_against_allievis_recurrence():
    """Frictionless: F(t) at the valve from the wave that left it 2 L / a before; solved by itself, by bisection."""
    line, reaches = pipe(), 20
    closing = 3.3 * line.reflection
    end = smooth_end(line, closing, 8.0 * line.reflection, reaches)
    run = moc(line, end, reaches)
    z = SPEED / AREA
    trip = 2 * reaches

    def passes(p: float, c: float) -> float:
        free = math.copysign(math.sqrt(abs(p - 15e5) / (1.0 / (RHO * max(c, 1e-14) ** 2) + 4e5)), p - 15e5)
        return min(free, max(c, 1e-14) * 0.9 * math.sqrt(RHO * p)) if free > 0.0 else free

    p0, m0 = run.valve_pressure[0], run.valve_flow[0]
    pressure, flow = [p0], [m0]
    for n in range(1, end.c.size):
        then = n - trip
        leaving = (pressure[then] - z * flow[then]) if then >= 0 else p0 - z * m0
        arriving = 2.0 * line.tank - leaving  # the tank turns the wave over
        low, high = 0.0, 1e8
        for _ in range(80):
            middle = 0.5 * (low + high)
            if middle + z * passes(middle, float(end.c[n])) < arriving:
                low = middle
            else:
                high = middle
        pressure.append(low)
        flow.append(passes(low, float(end.c[n])))
    assert run.valve_pressure == pytest.approx(np.array(pressure), rel=1e-9)


def test_against_a_chain_of_lumps():
    """The same line as 150 masses and springs, integrated by a general solver: friction, valve, head, droop."""
    line = pipe(5e5, droop=5e4, head=2e4)
    closing = 2.5 * line.reflection
    end = smooth_end(line, closing, 6.0 * line.reflection, 60, last=0.05)
    run = moc(line, end, 60)
    lumps = 150
    dx = LENGTH / lumps
    valve_time = run.time

    def outflow(p: float, t: float) -> float:
        c = max(float(np.interp(t, valve_time, end.c)), 1e-14)
        drop = p - 15e5
        free = math.copysign(math.sqrt(abs(drop) / (1.0 / (RHO * c * c) + 4e5)), drop)
        return min(free, c * 0.9 * math.sqrt(RHO * max(p, 0.0))) if free > 0.0 else free

    def rates(t, y):
        p, m = y[: lumps + 1], y[lumps + 1 :]  # pressures at nodes 1..lumps+1, flows between
        before = np.concatenate(([line.tank - line.droop * m[0]], p[:-1]))[: lumps + 1]
        out = np.append(m[1:], outflow(p[-1], t))
        share = np.full(lumps + 1, dx)
        share[0] *= 0.5
        share[-1] *= 0.5
        dm = AREA / share * (before - p + (line.head - 5e5 * m * np.abs(m)) * share / LENGTH)
        dp = SPEED**2 / AREA / np.append(np.full(lumps, dx), 0.5 * dx) * (m - out)
        return np.concatenate((dp, dm))

    # nodes sit half a lump apart from the flows: lumps+1 flows, lumps+1 pressures, total length as the line's
    m0 = run.valve_flow[0]
    places = np.concatenate((dx * (np.arange(lumps) + 0.5), [LENGTH]))
    p0 = line.tank - line.droop * m0 + (line.head - 5e5 * m0**2) * places / LENGTH
    solved = solve_ivp(rates, (0.0, run.time[-1]), np.concatenate((p0, np.full(lumps + 1, m0))), method="RK45",
                       t_eval=run.time, rtol=1e-7, atol=1e-3, max_step=1e-5)  # fmt: skip
    lumped = solved.y[lumps]
    swing = np.ptp(run.valve_pressure)
    assert np.max(np.abs(lumped - run.valve_pressure)) < 0.02 * swing
    assert lumped.max() - p0[-1] == pytest.approx(run.peak - p0[-1], rel=5e-3)


def test_second_order_in_the_reaches():
    """The peak's error falls to a quarter when the reaches double; shown with heavy friction and a smooth closure."""
    line = pipe(2.5e6)
    closing = 6.0 * line.reflection
    reaches = (16, 32, 64, 128)

    def peak(n: int) -> float:
        run = moc(line, smooth_end(line, closing, closing + 2.0 * line.reflection, n), n)
        # the peak of the parabola through the highest point and its neighbours, so that sampling does not hide the order
        k = int(np.argmax(run.valve_pressure))
        a, b, c = run.valve_pressure[k - 1 : k + 2]
        return float(b - 0.125 * (c - a) ** 2 / (c - 2.0 * b + a))

    exact = peak(1024)
    errors = [abs(peak(n) - exact) for n in reaches]
    orders = [math.log2(a / b) for a, b in itertools.pairwise(errors)]
    assert np.mean(orders) == pytest.approx(2.0, abs=0.1), (errors, orders)
    assert all(1.8 < order < 2.2 for order in orders), (errors, orders)


# ---------------------------------------------------------------------------------------------------------- energy


def balance(run: Waves) -> np.ndarray:
    return run.energy + run.friction - run.work


def test_energy_without_friction_is_kept():
    run = sudden(pipe(tank=HIGH), 24, 60.0)
    assert np.ptp(balance(run)) < 1e-12 * run.energy[0]
    assert abs(run.friction[-1]) < 1e-12 * run.energy[0]


def test_energy_with_friction_only_falls():
    line = pipe(8e5, droop=4e4, head=1e4)
    end = smooth_end(line, 3.0 * line.reflection, 40.0 * line.reflection, 24)
    run = moc(line, end, 24)
    assert np.ptp(balance(run)) < 1e-12 * run.energy[0]
    assert np.min(np.diff(run.friction)) >= -1e-15 * run.energy[0]
    ringing = run.energy - run.energy[-1]
    assert run.friction[-1] > 0.0
    assert abs(ringing[-1]) < 1e-2 * np.max(np.abs(ringing))


def test_unsteady_friction_takes_energy_each_round_trip():
    line = pipe(2e5, tank=HIGH, unsteady=0.01)
    trip = 2 * 24
    run = sudden(line, 24, 40.0)
    steady = sudden(pipe(2e5, tank=HIGH), 24, 40.0)
    assert np.ptp(balance(run)) < 1e-12 * run.energy[0]
    # over the valve's shut time the tank alone works on the line; friction never gives back over a round trip
    assert np.min(run.friction[trip:] - run.friction[:-trip]) > 0.0
    late = slice(-2 * trip, None)
    assert np.ptp(run.valve_pressure[late]) < 0.95 * np.ptp(steady.valve_pressure[late])


# -------------------------------------------------------------------------------------------------- vapour, holding


def test_vapour_cavity_of_the_first_reflection():
    """Sudden stop with Joukowsky above tank less vapour pressure: the column leaves at v - dp/(rho a), closed form."""
    line = pipe(tank=22e5, vapour_pressure=1e5)
    velocity = 3.0
    gap = (line.tank - line.vapour_pressure) / (RHO * SPEED)
    assert gap < velocity < 3.0 * gap
    reaches = 200
    time = times(line, 2.0 * line.reflection, reaches)
    run = moc(line, np.where(time > 0.0, 0.0, RHO * AREA * velocity), reaches)
    assert run.trough == pytest.approx(line.vapour_pressure, abs=1e-3)
    assert run.cavity == pytest.approx(AREA * (velocity - gap) * line.reflection, rel=0.02)
    assert np.min(run.lowest) >= line.vapour_pressure - 1e-6


def test_no_cavity_without_cause():
    line = pipe(vapour_pressure=1e5)
    time = times(line, 4.0 * line.reflection, 20)
    assert moc(line, np.where(time > 0.0, 0.0, RHO * AREA * 1.0), 20).cavity == 0.0


def held(pressure: float, speed: float) -> HeldValve:
    angle = np.linspace(0.0, 1.5, 301)
    c = 2.2e-5 * (angle / 1.5) ** 2
    return HeldValve(0.0, 200.0, c, np.full(301, 0.9), np.full(301, 15e5), 1.5, 0.0, speed, pressure, fixed_loss=4e5)


def test_held_valve_keeps_its_pressure_and_its_speed():
    line = pipe(4e5)
    for pressure in (22.5e5, 24e5, 28e5):
        run = moc(line, held(pressure, 60.0), 30, 0.2)
        step = run.time[1]
        # a wave that comes back while the valve waits can lift it a little: it never reopens
        assert run.peak <= pressure + 0.02 * (pressure - run.valve_pressure[0])
        assert np.max(-np.diff(run.angle)) <= 60.0 * step * (1.0 + 1e-9)
        assert np.max(np.diff(run.angle)) <= 0.0
        assert run.angle[-1] == 0.0


def test_held_valve_is_not_slower_than_the_column_needs():
    """Frictionless, speed without limit: no law comes to rest sooner than rho L v / dp; this one within two trips of it."""
    line = pipe()
    pressure = line.tank + 0.8e5
    run = moc(line, held(pressure, 1e4), 60, 0.4)
    least = LENGTH * run.valve_flow[0] / AREA / 0.8e5
    shut = run.time[np.argmax(run.angle <= 0.0)]
    assert abs(shut - least) < 2.0 * line.reflection


# ------------------------------------------------------------------------------------------------------ the program


def test_compiled_and_plain_python_agree():
    line = pipe(4e5, droop=3e4, head=1e4, vapour_pressure=1e5, unsteady=0.008)
    end = smooth_end(line, 0.4 * line.reflection, 5.0 * line.reflection, 8)
    for outlet, duration in ((end, None), (held(30e5, 400.0), 5.0 * line.reflection)):
        fast, slow = moc(line, outlet, 8, duration), moc(line, outlet, 8, duration, python=True)
        assert fast.valve_pressure == pytest.approx(slow.valve_pressure, rel=1e-9)
        assert fast.highest == pytest.approx(slow.highest, rel=1e-9)
        assert fast.cavity == pytest.approx(slow.cavity, rel=1e-6, abs=1e-15)


def test_what_can_not_be_run_says_so():
    line = pipe(vapour_pressure=30e5)
    with pytest.raises(SimulationError, match="below the vapour pressure before"):
        moc(line, np.full(10, 0.0), 4)
    with pytest.raises(SimulationError, match="too long"):
        moc(pipe(), np.zeros(2_000_000), 100)
    with pytest.raises(ValueError, match="time to be watched"):
        moc(pipe(), held(25e5, 1.0), 10)


@pytest.mark.parametrize("fl", [0.6, 0.9])
@pytest.mark.parametrize("back", [1e5, 15e5, 21e5])
def test_valve_end_at_rest_is_the_valve_of_the_balance(fl, back):
    """Without a wave (no impedance) the end passes what the valve's own law passes, free and choked."""
    c, ff, vapour, arriving = 2e-5, 0.95, 1e5, 22e5
    flow = wave.valve_end_flow(arriving, 0.0, 0.0, valve.valve_loss(c, RHO), 0.0, fl, back, ff * vapour)
    assert flow == pytest.approx(valve.valve_flow(c, fl, RHO, arriving, back, ff, vapour), rel=1e-12)
