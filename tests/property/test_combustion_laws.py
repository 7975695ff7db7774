"""Properties that must hold for any grid, gas and nozzle within the validity of the laws, and at its edges."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from valvectl.parts import nozzle
from valvectl.parts.combustion import c_star_grid_from_table, c_star_lookup, residence_time, vandenkerckhove

GAMMA = st.floats(1.05, 1.66)
SPEED = st.floats(500.0, 3000.0)
WIDE = st.floats(-1e6, 1e6)


@st.composite
def grids(draw: st.DrawFn) -> tuple[np.ndarray, float, float, int, float, float, int]:
    nr, nx = draw(st.integers(2, 9)), draw(st.integers(2, 5))
    table = np.array(draw(st.lists(st.lists(SPEED, min_size=nr, max_size=nr), min_size=nx, max_size=nx)))
    return (table, draw(st.floats(0.1, 5.0)), draw(st.floats(0.01, 1.0)), nr,
            draw(st.floats(8.0, 15.0)), draw(st.floats(0.05, 1.0)), nx)  # fmt: skip


@given(grids(), WIDE, WIDE)
def test_lookup_stays_within_the_table(grid: tuple, r: float, x: float) -> None:
    value = c_star_lookup(*grid, r, x)
    table = grid[0]
    assert table.min() * (1 - 1e-12) <= value <= table.max() * (1 + 1e-12)


@given(grids(), st.floats(-0.5, 1.5), st.floats(-0.5, 1.5), st.sampled_from([1e-4, 1e-7, -1e-5]))
def test_lookup_is_continuous(grid: tuple, share_r: float, share_x: float, shift: float) -> None:
    """A small step changes c* by no more than the steepest cell allows."""
    table, r0, dr, nr, x0, dx, nx = grid
    r, x = r0 + share_r * (nr - 1) * dr, x0 + share_x * (nx - 1) * dx
    span = table.max() - table.min()
    here = c_star_lookup(*grid, r, x)
    assert abs(c_star_lookup(*grid, r + shift * dr, x) - here) <= abs(shift) * span + 1e-6
    assert abs(c_star_lookup(*grid, r, x + shift * dx) - here) <= abs(shift) * span + 1e-6


@given(grids(), st.data())
def test_lookup_meets_the_nodes(grid: tuple, data: st.DataObject) -> None:
    table, r0, dr, nr, x0, dx, nx = grid
    i, j = data.draw(st.integers(0, nr - 1)), data.draw(st.integers(0, nx - 1))
    assert c_star_lookup(*grid, r0 + i * dr, x0 + j * dx) == pytest.approx(table[j, i], rel=1e-9)


@settings(deadline=None)
@given(
    st.lists(st.floats(0.02, 0.2), min_size=2, max_size=6),
    st.lists(st.floats(0.2, 1.0), min_size=0, max_size=3),
    st.data(),
)
def test_table_points_survive_resampling(steps: list[float], decades: list[float], data: st.DataObject) -> None:
    """Points on a lattice of 0.01 in mixture ratio: met within 0.05 % and never outside the given values."""
    ratios = [1.0]
    for step in steps:
        ratios.append(ratios[-1] + round(step, 2))
    pressures = [2e5]
    for step in decades:
        pressures.append(pressures[-1] * 10.0**step)
    rows = [
        data.draw(st.lists(st.floats(1500.0, 1600.0), min_size=len(ratios), max_size=len(ratios))) for _ in pressures
    ]
    grid = c_star_grid_from_table(ratios, pressures, rows, 1.2)
    for p, row in zip(pressures, rows, strict=True):
        for r, value in zip(ratios, row, strict=True):
            assert grid.c_star(r, p) == pytest.approx(value, rel=5e-4)
    assert np.min(rows) * (1 - 1e-12) <= grid.values.min()
    assert grid.values.max() <= np.max(rows) * (1 + 1e-12)


def test_a_kink_at_an_odd_pressure_is_met() -> None:
    """Found by the property above: 256 nodes in pressure were too few."""
    pressures = [2e5, 1009613.1433334941, 1795374.2648946282, 9145053.39793862]
    rows = [[1500.0] * 3, [1500.0] * 3, [1500.0, 1500.0, 1565.0], [1500.0] * 3]
    grid = c_star_grid_from_table([1.0, 1.12, 1.24], pressures, rows, 1.2)
    assert grid.c_star(1.24, pressures[2]) == pytest.approx(1565.0, rel=5e-4)


@given(GAMMA, st.floats(1.0001, 500.0))
def test_area_ratio_and_pressure_ratio_agree(gamma: float, expansion: float) -> None:
    mach = nozzle.area_ratio_to_mach(expansion, gamma)
    assert mach > 1.0
    assert nozzle.mach_area_ratio(mach, gamma) == pytest.approx(expansion, rel=1e-10)
    ratio = nozzle.area_ratio_to_pressure_ratio(expansion, gamma)
    assert 0.0 < ratio < nozzle.critical_pressure_ratio(gamma)


@given(GAMMA, st.floats(1.0001, 400.0), st.floats(1.001, 1.2))
def test_larger_nozzle_expands_further(gamma: float, expansion: float, factor: float) -> None:
    near, far = (nozzle.area_ratio_to_pressure_ratio(e, gamma) for e in (expansion, factor * expansion))
    assert far < near


@given(GAMMA, st.floats(1.01, 100.0), st.floats(1e5, 2e7), st.floats(0.0, 2e5), st.floats(1.0001, 3.0))
def test_thrust_rises_with_chamber_pressure(gamma: float, e: float, pc: float, pa: float, factor: float) -> None:
    assert nozzle.thrust(factor * pc, 1e-3, gamma, e, pa) > nozzle.thrust(pc, 1e-3, gamma, e, pa)


@given(GAMMA, st.floats(1.01, 100.0), st.floats(1e5, 2e7), st.floats(0.0, 2e5), st.floats(1e-5, 1.0))
def test_thrust_and_its_inverse(gamma: float, e: float, pc: float, pa: float, area: float) -> None:
    force = nozzle.thrust(pc, area, gamma, e, pa)
    assert nozzle.thrust_to_chamber_pressure(force, area, gamma, e, pa) == pytest.approx(pc, rel=1e-10)
    exit_ratio = nozzle.area_ratio_to_pressure_ratio(e, gamma)
    coefficient = nozzle.thrust_coefficient(gamma, e, exit_ratio, pc, pa)
    assert coefficient * pc * area == pytest.approx(force, rel=1e-9, abs=1e-9 * pc * area)


@given(GAMMA, st.floats(1.5, 50.0), st.floats(2e5, 2e7))
def test_matched_nozzle_is_the_best(gamma: float, e: float, pc: float) -> None:
    """At one ambient pressure thrust is greatest where exit and ambient pressure are equal."""
    ratio = nozzle.area_ratio_to_pressure_ratio(e, gamma)
    best = nozzle.thrust(pc, 1.0, gamma, e, ratio * pc)
    for other in (0.9 * e, 1.1 * e):
        assert nozzle.thrust(pc, 1.0, gamma, other, ratio * pc) < best


@given(GAMMA, st.floats(0.1, 5.0), st.floats(500.0, 3000.0))
def test_residence_time_is_the_gas_in_the_chamber_over_the_flow(gamma: float, length: float, c_star: float) -> None:
    """rho V / mdot with rho = pc/(R T), V = L* At, mdot = pc At / c* and R T = (c* Gamma)^2."""
    gas = (c_star * vandenkerckhove(gamma)) ** 2
    assert residence_time(length, c_star, gamma) == pytest.approx(length * c_star / gas, rel=1e-12)
    assert math.isfinite(residence_time(length, c_star, gamma))
