"""Waves in a line never create energy: any line, any movement of the valve, any start."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from valvectl.parts import wave
from valvectl.plant.characteristics import Pipe, ValveEnd, Waves, moc, times

AREA, RHO = 1.1e-4, 1000.0
REACHES = 10
WHOLE = -1e9
"""Vapour pressure that leaves the liquid whole [Pa]: a cavity gives energy back only on average."""

LINES = st.builds(
    lambda length, speed, loss, droop, head, unsteady: Pipe(
        length,
        AREA,
        speed,
        RHO,
        np.full(2, loss),
        1.0,
        100e5,
        droop=droop,
        head=head,
        vapour_pressure=WHOLE,
        unsteady=unsteady,
    ),
    length=st.floats(0.2, 20.0),
    speed=st.floats(200.0, 1500.0),
    loss=st.floats(0.0, 5e6),
    droop=st.floats(0.0, 2e5),
    head=st.floats(-1e5, 1e5),
    unsteady=st.just(0.0),
)
OPENINGS = st.lists(st.floats(0.0, 1.0), min_size=2, max_size=8)
"""Flow coefficient over its largest, at moments evenly apart."""


def moved(line: Pipe, openings: list[float], trips: float, back: float, fl: float) -> Waves:
    time = times(line, trips * line.reflection, REACHES)
    share = np.interp(time, np.linspace(0.0, 0.7 * time[-1], len(openings)), openings)
    n = time.size
    return moc(line, ValveEnd(2e-5 * share, np.full(n, fl), np.full(n, back), fixed_loss=3e5), REACHES)


@settings(max_examples=60, deadline=None)
@given(LINES, OPENINGS, st.floats(2.0, 12.0), st.floats(1e5, 80e5), st.floats(0.5, 1.0))
def test_energy_book_closes_and_friction_only_takes(line, openings, trips, back, fl):
    run = moved(line, openings, trips, back, fl)
    assert run.cavity == 0.0
    scale = float(np.max(np.abs(run.energy)) + np.max(np.abs(run.work)))
    assert np.ptp(run.energy + run.friction - run.work) < 1e-11 * scale
    assert np.min(np.diff(run.friction)) >= -1e-13 * scale


@settings(max_examples=40, deadline=None)
@given(LINES, OPENINGS, st.floats(2.0, 10.0), st.floats(0.0, wave.brunone_coefficient(wave.LAMINAR_DECAY)))
def test_a_shut_line_rings_down(line, openings, trips, unsteady):
    """Once the valve is shut the tank alone works on the line: what swings about the pressure at rest never grows."""
    line = Pipe(**{**vars(line), "droop": 0.0, "unsteady": unsteady})
    run = moved(line, [*openings, 0.0], trips, 60e5, 0.9)
    shut = run.time > 0.75 * run.time[-1]
    # energy about the state at rest: e - e0 - p0 / rho (m - m0), and the tank's work is p0 / rho times what flowed in
    about_rest = (run.energy - run.work)[shut]
    scale = float(np.max(np.abs(run.energy)))
    trip = 2 * REACHES
    if about_rest.size > trip:
        assert np.max(about_rest[trip:] - about_rest[:-trip]) <= 1e-11 * scale


@settings(max_examples=60, deadline=None)
@given(st.floats(-1e7, 1e7), st.just(0.0) | st.floats(1e3, 1e8), st.floats(1.0, 1e12))
def test_flow_at_a_node_solves_its_equation(drop, impedance, loss):
    flow = wave.node_flow(drop, impedance, loss)
    assert np.isfinite(flow)
    assert np.isclose(loss * flow * abs(flow) + impedance * flow, drop, rtol=1e-9, atol=1e-9)


def test_a_cavity_at_a_pressure_equal_to_that_behind_the_valve_stays_finite():
    """Boiling liquid against its own ambient pressure: no impedance and no drop, 0/0 in the plain formula."""
    assert wave.valve_end_flow(1e5, 0.0, 0.0, 1e6, 0.0, 0.9, 1e5, 0.9e5) == 0.0
    line = Pipe(2.0, AREA, 1000.0, RHO, np.full(2, 1e5), 1.0, 10e5, vapour_pressure=1e5)
    time = times(line, 3.0 * line.reflection, REACHES)
    end = ValveEnd(np.where(time > 0.0, 0.2e-5, 3e-5), np.ones(time.size), np.full(time.size, 1e5))
    run = moc(line, end, REACHES)
    assert run.cavity > 0.0
    assert np.all(np.isfinite(run.valve_pressure))
