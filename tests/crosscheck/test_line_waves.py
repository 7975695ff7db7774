"""Waves in the lines of the chug loop: limits, a chain of lumps, the example's numbers from its pressures alone."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest

from valvectl.design.schema import LEGS
from valvectl.errors import RangeError
from valvectl.plant.balance import leg_point, solve
from valvectl.plant.chug import STIFF, FeedLeg, chug_loop
from valvectl.plant.chug_margins import chug_margins, rightmost_root, unstable_roots
from valvectl.studies.line_waves import wave_margins, wave_transit, waves_note
from valvectl.studies.stability import stability

LEG = FeedLeg(weight=1.0, delay=1e-3, injector=0.4, line=1.1, inertia=5e-3, storage=1e-4, before=4e-3, transit=1.2e-3)


def test_a_short_line_is_a_rigid_column() -> None:
    s = 1j * np.linspace(0.0, 4000.0, 50)
    rigid = dataclasses.replace(LEG, transit=0.0).admittance(s)
    assert dataclasses.replace(LEG, transit=1e-7).admittance(s) == pytest.approx(rigid, rel=1e-6)


def test_at_a_quarter_wave_the_line_is_shut() -> None:
    """Where the line is a quarter of a wave long no flow change enters; at half a wave its inertia is gone."""
    stiff = dataclasses.replace(LEG, storage=STIFF, inertia=LEG.before)
    quarter, half = math.pi / (2.0 * stiff.transit), math.pi / stiff.transit
    shut, free = stiff.admittance(1j * np.array([quarter * (1.0 - 1e-9), half]))
    assert abs(shut) < 1e-6
    assert free == pytest.approx(1.0 / (stiff.injector + stiff.line), rel=1e-9)


def test_against_a_chain_of_lumps() -> None:
    """The same line cut into 4000 masses and springs, solved node by node from the tank on."""
    lumps = 4000
    for omega in (300.0, 900.0, 2200.0):
        s = 1j * omega
        inertia = LEG.before / lumps
        spring = LEG.transit**2 / LEG.before / lumps
        seen: complex = inertia * s  # impedance looking back towards the tank
        for _ in range(lumps - 1):
            seen = inertia * s + 1.0 / (1.0 / seen + spring * s)
        seen += (LEG.inertia - LEG.before) * s + LEG.line
        up = 1.0 / (1.0 / seen + LEG.storage * s)
        got = complex(LEG.admittance(np.array([s]))[0])
        assert got == pytest.approx(1.0 / (LEG.injector + up), rel=5e-3)


@pytest.mark.parametrize("throttle", [0.4, 0.7, 1.0])
@pytest.mark.parametrize("waves", [False, True], ids=["rigid", "waves"])
def test_margin_of_the_example_from_its_pressures(design: Any, throttle: float, waves: bool) -> None:
    """The whole loop built again from pressures and lengths, without the program's slopes; largest crossing by a fine grid."""
    machine = design.machine
    point = solve(machine, throttle)
    pc, ratio = point.chamber_pressure, point.mixture_ratio

    def slope(change: float, by_ratio: bool) -> float:
        r, p = (ratio * change, pc) if by_ratio else (ratio, pc * change)
        return math.log(machine.c_star_at(r, p) / machine.c_star_at(ratio, pc)) / math.log(change)

    kappa, exponent = slope(1.001, True), slope(1.001, False)
    gamma = machine.gamma
    choked = math.sqrt(gamma) * (2.0 / (gamma + 1.0)) ** ((gamma + 1.0) / (2.0 * (gamma - 1.0)))
    theta = design.engine.characteristic_length / (machine.c_star_at(ratio, pc) * choked**2)
    omega = np.linspace(50.0, 2000.0, 200_001)
    s = 1j * omega
    total = np.zeros(omega.size, dtype=complex)
    for name in LEGS:
        leg, data, at = machine.legs[name], design.leg(name), point.legs[name]
        m, h = at.flow, 1e-4 * at.flow
        # the pressure needed before the valve less the one there is, against flow: all slopes from tank to chamber
        high, low = (leg_point(leg, at.angle, m + d, pc) for d in (h, -h))
        valve = 2.0 * at.valve_drop / m
        total_slope = (-(high.valve_inlet - low.valve_inlet) + (high.valve_outlet - low.valve_outlet)) / (
            2.0 * h
        ) + valve
        into = 2.0 * (at.manifold - pc) / m
        area = math.pi / 4.0 * data.line.inner_diameter**2
        jacket = data.jacket.length / data.jacket.flow_area if data.jacket is not None else 0.0
        back = wave_transit(data.line, leg.liquid)
        column = data.line.length / area * (np.tan(omega * back) / (omega * back) if waves else 1.0)
        up = total_slope - into + (column + jacket) * s
        store = data.manifold.volume / leg.liquid.sound_speed**2
        x = ratio / (1.0 + ratio) + kappa if name == "oxidizer" else 1.0 / (1.0 + ratio) - kappa
        total += x * pc / m / (into + 1.0 / (1.0 / up + store * s)) * np.exp(-leg.delay * s)
    gain = total / (1.0 - exponent + theta * s)
    turn = np.nonzero((gain.imag[:-1] * gain.imag[1:] < 0.0) & (gain.real[:-1] < 0.0) & (np.abs(np.diff(gain)) < 0.01))[
        0
    ]
    largest = turn[np.argmin(gain.real[turn])]
    loop = chug_loop(machine, point)
    if waves:
        loop = loop.with_waves({n: wave_transit(design.leg(n).line, machine.legs[n].liquid) for n in LEGS})
    found = chug_margins(loop)
    assert found.gain_margin == pytest.approx(-1.0 / gain.real[largest], rel=3e-3)
    assert found.frequency == pytest.approx(omega[largest], rel=3e-3)


def test_study_gives_them_and_says_so(design: Any) -> None:
    manifolds = {name: design.leg(name).manifold for name in LEGS}
    plain = stability(design.machine, design.analysis.schedule, manifolds)
    assert np.all(np.isnan(plain.wave_margin))
    assert any("about a quarter" in note for note in plain.notes)
    result = design.analysis.stability
    loops = [chug_loop(design.machine, p) for p in result.points]
    transits = {n: wave_transit(design.leg(n).line, design.machine.legs[n].liquid) for n in LEGS}
    assert result.wave_margin == pytest.approx(wave_margins(loops, transits), rel=1e-9)
    assert any("With waves in the lines" in note for note in result.notes)
    assert "above 80 dB" in waves_note(np.array([1.0]), np.array([math.inf]), np.array([3.0]), transits)
    assert all(unstable_roots(loop.with_waves(transits)) == 0 for loop in loops)


def test_roots_are_for_rigid_columns(design: Any) -> None:
    loop = chug_loop(design.machine, solve(design.machine, 0.7))
    with pytest.raises(RangeError, match="rigid columns only"):
        rightmost_root(loop.with_waves(dict.fromkeys(LEGS, 1e-3)))
    with pytest.raises(RangeError, match="chug loop"):
        loop.with_waves(dict.fromkeys(LEGS, -1e-3))
