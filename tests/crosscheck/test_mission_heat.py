"""Temperatures of a mission, exact in time, against a general integrator of the same two equations written out anew."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from valvectl.studies.heat_network import Course, HeatNetwork, Stretch, repeated_time
from valvectl.studies.mission_heat import joined, mission, profile_run, run_stretches


def integrated(net: HeatNetwork, parts: list[Stretch], start: Any) -> np.ndarray[Any, Any]:
    """Ends of the stretches by scipy, each stretch by itself."""

    def slope(_: float, x: Any, part: Stretch) -> list[float]:
        loss = part.current**2 * net.r25 * (1.0 + net.coefficient * (x[0] - 298.15))
        if net.nodes == 1:
            return [(loss - (x[0] - net.surroundings) / net.case_air) / net.winding_capacity, 0.0]
        across = (x[0] - x[1]) / net.winding_case
        out = (x[1] - net.surroundings) / net.case_air
        return [(loss - across) / net.winding_capacity, (part.case_loss + across - out) / net.case_capacity]

    states = [np.array(start, dtype=float)]
    for part in parts:
        found = solve_ivp(slope, (0.0, part.time), states[-1], args=(part,), rtol=1e-10, atol=1e-9, method="LSODA")
        states.append(found.y[:, -1])
    return np.array(states)


networks = st.builds(
    HeatNetwork,
    st.floats(250.0, 330.0),
    st.floats(380.0, 430.0),
    st.floats(0.1, 2.0),
    st.just(0.0039),
    st.sampled_from([0.0, 0.7, 2.5]),
    st.floats(1.0, 6.0),
    st.floats(5.0, 40.0),
    st.floats(60.0, 400.0),
)


@settings(max_examples=25, deadline=None)
@given(
    net=networks,
    currents=st.lists(st.floats(0.0, 8.0), min_size=1, max_size=6),
    time=st.floats(0.5, 40.0),
    loss=st.floats(0.0, 2.0),
)
def test_exact_steps_against_an_integrator(net: HeatNetwork, currents: list[float], time: float, loss: float) -> None:
    parts = [Stretch(c, time, loss) for c in currents]
    start = np.array([net.surroundings, net.surroundings])
    exact = Course(net, parts).through(start)[:, 0]
    assert exact == pytest.approx(integrated(net, parts, start)[:, 0], rel=1e-7)


def test_the_example_mission_against_an_integrator(design: Any) -> None:
    analysis = design.analysis
    trace = profile_run(analysis.machine, analysis.gains, analysis.schedule, analysis.profile)
    net = HeatNetwork(313.15, 398.0, 0.6, 0.0039, 1.5, 3.0, 18.0, 120.0)
    parts = run_stretches(trace, "oxidizer", 0.05)
    time, winding, case = mission(net, Course(net, parts), Course(net, [Stretch(0.3, 5.0)] * 4), 3)
    rest = [Stretch(0.3, 5.0)] * 4
    slow = integrated(net, parts + rest + parts + rest + parts, (313.15, 313.15))
    assert winding[-1] == pytest.approx(slow[-1, 0], rel=1e-8)
    assert case[-1] == pytest.approx(slow[-1, 1], rel=1e-8)
    assert winding.max() == pytest.approx(slow[:, 0].max(), rel=1e-8)
    assert np.all(np.diff(time) >= 0.0)
    # the stretches keep the RMS current that the simulator summed step by step
    mean = sum(p.current**2 * p.time for p in parts) / sum(p.time for p in parts)
    assert mean**0.5 == pytest.approx(trace.legs["oxidizer"].rms_current, rel=1e-12)


def test_repeated_runs_against_running_them(design: Any) -> None:
    """The halving over matrix powers finds the run that stepping one by one finds."""
    net = HeatNetwork(313.15, 398.0, 0.6, 0.0039, 1.5, 3.0, 18.0, 120.0)
    course = Course(net, [Stretch(9.0, 2.0), Stretch(5.0, 3.0), Stretch(1.0, 1.0)])
    state, elapsed = np.array([313.15, 313.15]), 0.0
    while course.through(state)[:, 0].max() < net.limit:
        state, elapsed = course.through(state)[-1], elapsed + 6.0
    found = repeated_time(net, course, np.array([313.15, 313.15]))
    assert elapsed <= found <= elapsed + 6.0
    pair = joined(course, Course(net, [Stretch(0.0, 4.0)]))
    assert pair.through(state)[-1] == pytest.approx(
        Course(net, [Stretch(0.0, 4.0)]).through(course.through(state)[-1])[-1]
    )
