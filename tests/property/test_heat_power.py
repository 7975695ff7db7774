"""What must hold for any motor and any battery: monotone heating, colder with longer pauses, fuse and braking bounds."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from valvectl.studies.heat_network import Course, HeatNetwork, Stretch, repeated_time
from valvectl.studies.mission_heat import crest_of, joined, mission
from valvectl.studies.power import standing_energy, worst_pulse

networks = st.builds(
    HeatNetwork,
    st.floats(250.0, 330.0),
    st.floats(380.0, 430.0),
    st.floats(0.1, 2.0),
    st.floats(0.0, 0.006),
    st.sampled_from([0.0, 0.7, 2.5]),
    st.floats(1.0, 6.0),
    st.floats(5.0, 40.0),
    st.floats(60.0, 400.0),
)
currents = st.lists(st.floats(0.0, 6.0), min_size=1, max_size=5)


def peak(net: HeatNetwork, run: list[float], pause: float, runs: int, more: float = 1.0) -> float:
    rest = Course(net, [Stretch(0.0, pause / 4.0)] * 4) if pause > 0.0 else None
    return float(mission(net, Course(net, [Stretch(more * c, 7.0) for c in run]), rest, runs)[1].max())


@settings(max_examples=60, deadline=None)
@given(net=networks, run=currents, pause=st.floats(0.0, 100.0), runs=st.integers(1, 6), more=st.floats(1.0, 1.5))
def test_more_current_is_never_colder(net: HeatNetwork, run: list[float], pause: float, runs: int, more: float) -> None:
    assert peak(net, run, pause, runs, more) >= peak(net, run, pause, runs) - 1e-9


@settings(max_examples=60, deadline=None)
@given(net=networks, run=currents, pause=st.floats(0.0, 100.0), longer=st.floats(0.1, 100.0), runs=st.integers(1, 6))
def test_a_longer_pause_is_never_hotter(
    net: HeatNetwork, run: list[float], pause: float, longer: float, runs: int
) -> None:
    assert peak(net, run, pause + longer, runs) <= peak(net, run, pause, runs) + 1e-9


@settings(max_examples=60, deadline=None)
@given(net=networks, run=currents, pause=st.floats(0.1, 100.0), runs=st.integers(1, 8))
def test_no_mission_is_hotter_than_its_lasting_state(
    net: HeatNetwork, run: list[float], pause: float, runs: int
) -> None:
    whole = Course(net, [Stretch(c, 7.0) for c in run])
    lasting = crest_of(net, joined(whole, Course(net, [Stretch(0.0, pause)])))
    assert peak(net, run, pause, runs) <= lasting + 1e-6


@settings(max_examples=40, deadline=None)
@given(net=networks, run=currents)
def test_repeating_reaches_the_limit_just_when_its_lasting_state_passes_it(net: HeatNetwork, run: list[float]) -> None:
    whole = Course(net, [Stretch(c, 7.0) for c in run])
    crest = crest_of(net, whole)
    if abs(crest - net.limit) < 1e-3:
        return
    found = repeated_time(net, whole, np.array([net.surroundings, net.surroundings]))
    assert math.isfinite(found) == (crest > net.limit)


@settings(max_examples=60, deadline=None)
@given(power=st.lists(st.floats(-200.0, 200.0), min_size=3, max_size=40), level=st.floats(1.0, 100.0))
def test_bounds_of_braking_and_of_a_pulse(power: list[float], level: float) -> None:
    time = np.linspace(0.0, 0.1 * len(power), len(power))
    row = np.array(power)
    back = float(np.trapezoid(np.maximum(-row, 0.0), time))
    assert 0.0 <= standing_energy(time, row) <= back + 1e-9
    pulse, length = worst_pulse(time, row, level)
    assert 0.0 <= pulse <= float(np.trapezoid(row**2, time)) + 1e-9
    assert (pulse > 0.0) == bool((row > level).any())
    assert length <= time[-1] + 1e-12
