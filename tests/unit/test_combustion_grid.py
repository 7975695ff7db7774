"""Grids of characteristic velocity: from a table, edges, compiled laws, refusals."""

from __future__ import annotations

import inspect
import math
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from valvectl.errors import RangeError
from valvectl.parts import cache, combustion, equilibrium, nozzle
from valvectl.parts.combustion import CStarGrid, c_star_grid, c_star_grid_from_table, c_star_lookup

RATIOS = (0.8, 1.0, 1.25, 1.4, 2.0)
PRESSURES = (4e5, 9e5, 20e5)
ROWS = (
    (1550.0, 1650.0, 1670.0, 1655.0, 1540.0),
    (1552.0, 1657.0, 1680.0, 1664.0, 1550.0),
    (1553.0, 1663.0, 1688.0, 1672.0, 1560.0),
)


@pytest.fixture(autouse=True)
def fresh(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(cache.ENVIRONMENT, str(tmp_path / "cache"))
    cache.forget()


def test_table_is_met_at_its_points() -> None:
    grid = c_star_grid_from_table(RATIOS, PRESSURES, ROWS, 1.15)
    for p, values in zip(PRESSURES, ROWS, strict=True):
        for r, value in zip(RATIOS, values, strict=True):
            assert grid.c_star(r, p) == pytest.approx(value, rel=5e-4)
    assert grid.values.shape == (grid.nx, grid.nr)
    assert grid.gamma == 1.15
    assert (grid.gamma_frozen, grid.gamma_shifting, grid.molar_mass, grid.temperature) == (None, None, None, None)
    assert not grid.values.flags.writeable


def test_uniform_table_is_kept_as_it_is() -> None:
    rows = [[1500.0, 1600.0, 1580.0], [1510.0, 1620.0, 1600.0]]
    grid = c_star_grid_from_table([1.0, 1.5, 2.0], [1e5, 1e6], rows, 1.2)
    assert (grid.nr, grid.nx) == (3, 2)
    assert np.array_equal(grid.values, rows)


def test_single_pressure_means_no_dependence_on_pressure() -> None:
    grid = c_star_grid_from_table([1.0, 2.0], [1e6], [[1500.0, 1600.0]], 1.2)
    assert {grid.c_star(1.5, p) for p in (1.0, 1e5, 1e6, 1e8)} == {1550.0}


def test_edge_value_outside() -> None:
    grid = c_star_grid_from_table(RATIOS, PRESSURES, ROWS, 1.15)
    assert grid.c_star(0.0, 9e5) == grid.c_star(0.8, 9e5)
    assert grid.c_star(-5.0, 9e5) == grid.c_star(0.8, 9e5)
    assert grid.c_star(math.inf, 9e5) == grid.c_star(2.0, 9e5)
    assert grid.c_star(1.0, 0.0) == grid.c_star(1.0, 4e5)
    assert grid.c_star(1.0, 1e12) == grid.c_star(1.0, 20e5)


def test_nan_is_not_hidden() -> None:
    grid = c_star_grid_from_table(RATIOS, PRESSURES, ROWS, 1.15)
    assert math.isnan(grid.c_star(math.nan, 9e5))
    assert math.isnan(grid.c_star(1.0, math.nan))


@pytest.mark.parametrize(
    ("ratios", "pressures", "rows", "gamma", "words"),
    [
        ([1.0, 1.0], [1e6], [[1500.0, 1600.0]], 1.2, "must rise"),
        ([1.0, 2.0], [2e6, 1e6], [[1500.0, 1600.0]] * 2, 1.2, "must rise"),
        ([0.0, 2.0], [1e6], [[1500.0, 1600.0]], 1.2, "above zero"),
        ([1.0, 2.0], [1e6], [[1500.0, -1.0]], 1.2, "above zero"),
        ([1.0, 2.0], [1e6], [[1500.0, math.nan]], 1.2, "finite"),
        ([1.0, 2.0], [1e6], [[1500.0, 1600.0, 1700.0]], 1.2, "one finite value for each"),
        ([1.0], [1e6], [[1500.0]], 1.2, "one finite value for each"),
        ([1.0, 2.0], [1e6], [[1500.0, 1600.0]], 1.0, "gamma"),
        ([1.0, 2.0], [1e6], [[1500.0, 1600.0]], math.nan, "gamma"),
        ([0.01, 1.0, 1.0001, 40.0], [1e6], [[1000.0, 1100.0, 1900.0, 1000.0]], 1.2, "too unevenly"),
    ],
)  # fmt: skip
def test_bad_tables(ratios: Any, pressures: Any, rows: Any, gamma: float, words: str) -> None:
    with pytest.raises(RangeError, match=words):
        c_star_grid_from_table(ratios, pressures, rows, gamma)


@pytest.mark.parametrize(
    ("oxidizer", "fuel", "ratio", "pressure", "words"),
    [
        ("lox", "methanl", 1.2, 15e5, "did you mean 'methanol'"),
        ("oxigen", "methanol", 1.2, 15e5, "did you mean 'oxygen'"),
        ("lox", "rp-1 80 %", 2.2, 15e5, "does not know the propellant 'rp-1 80 %'"),
        ("lox", "ethanol 0 %", 1.2, 15e5, "does not know the propellant"),
        ("lox", "ethanol 120 %", 1.2, 15e5, "does not know the propellant"),
        ("lox", "", 1.2, 15e5, "does not know the propellant"),
        ("lox", "methanol", 0.0, 15e5, "mixture ratio must be above zero"),
        ("lox", "methanol", math.nan, 15e5, "mixture ratio must be above zero"),
        ("lox", "methanol", 1.2, -1.0, "chamber pressure must be above zero"),
    ],
)
def test_equilibrium_refusals(oxidizer: str, fuel: str, ratio: float, pressure: float, words: str) -> None:
    with pytest.raises(RangeError, match=words):
        c_star_grid(oxidizer, fuel, ratio, pressure)


def test_solver_failure_is_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    import cantera

    def fail(*_: object) -> None:
        raise cantera.CanteraError("no convergence")

    monkeypatch.setattr(equilibrium.Burner, "_burn", fail)
    with pytest.raises(RangeError, match=r"could not be found at mixture ratio 1\.2 and 15 bar abs"):
        equilibrium.chamber_gas("lox", "methanol", 1.2, 15e5)


@pytest.mark.parametrize(("fuel", "ratio"), [("ethanol", 0.6), ("rp-1", 1.5), ("methanol", 0.4), ("methanol", 4.0)])
def test_rich_and_lean_designs_have_a_whole_smooth_grid(fuel: str, ratio: float) -> None:
    """The solver's first guess is too hot for the rich edge; no node may be lost or out of line."""
    grid = c_star_grid("lox", fuel, ratio, 15e5)
    assert np.isfinite(grid.values).all()
    assert np.abs(grid.values[:, 1:] / grid.values[:, :-1] - 1.0).max() < 0.03


@pytest.mark.parametrize("guess", [1800.0, 1200.0])
def test_equilibrium_does_not_depend_on_the_guess(guess: float, monkeypatch: pytest.MonkeyPatch) -> None:
    burner = equilibrium.Burner("lox", "ethanol")
    first = burner.burn(1.0, 5e5)
    monkeypatch.setattr(equilibrium, "_GUESSES", (guess,))
    again = burner.burn(1.0, 5e5)
    assert again.c_star == pytest.approx(first.c_star, rel=1e-8)
    assert again.temperature == pytest.approx(first.temperature, rel=1e-8)


def test_water_in_alcohol_by_mass() -> None:
    for spelled in ("ethanol 75 %", "Ethanol 75%", "etoh (75 %)"):
        parts = equilibrium.mixture_of(spelled, equilibrium.FUELS)
        assert [(one.name, share) for one, share in parts] == [("ethanol", 0.75), ("water", 0.25)]
    assert len(equilibrium.mixture_of("ethanol 100 %", equilibrium.FUELS)) == 1


def test_grid_is_shared_and_cached(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = c_star_grid("lox", "hydrogen", 4.0, 15e5)
    near = c_star_grid("LOX", "LH2", 4.01, 15.05e5)
    assert np.array_equal(first.values, near.values)
    assert first.temperature != near.temperature
    assert len(list((tmp_path / "cache").glob("c-star-*.json"))) == 1
    cache.forget()
    monkeypatch.setattr(combustion, "Burner", None)  # would fail if the grid were worked out again
    again = c_star_grid("lox", "hydrogen", 4.0, 15e5)
    assert np.array_equal(first.values, again.values)
    assert first.gamma == again.gamma == first.gamma_shifting


def test_slope_has_the_sign_of_the_peak() -> None:
    grid = c_star_grid("lox", "hydrogen", 4.0, 15e5)
    assert grid.log_slope(2.2, 15e5) > 0.0 > grid.log_slope(6.0, 15e5)


def compiled(law: Callable[..., Any]) -> Callable[..., Any]:
    """The law compiled by numba with every law that it calls, as the simulator will have to do."""
    import numba

    names = {
        name: compiled(value)
        for name, value in inspect.getmodule(law).__dict__.items()  # type: ignore[union-attr]
        if name in law.__code__.co_names and isinstance(value, types.FunctionType)
    }
    return numba.njit(types.FunctionType(law.__code__, law.__globals__ | names, law.__name__))


GRID = np.array([[1.0, 2.0, 4.0], [3.0, 5.0, 9.0]])


@pytest.mark.parametrize(
    ("law", "cases"),
    [
        (combustion.vandenkerckhove, [(1.2,), (1.4,)]),
        (combustion.residence_time, [(1.0, 1700.0, 1.2)]),
        (c_star_lookup, [(GRID, 1.0, 0.5, 3, 2.0, 1.0, 2, r, x)
                         for r in (-1.0, 1.0, 1.3, 2.0, 9.0, math.inf, math.nan)
                         for x in (0.0, 2.4, 3.0, 9.0, math.nan)]),
        (nozzle.critical_pressure_ratio, [(1.2,)]),
        (nozzle.area_ratio_to_pressure_ratio, [(2.6, 1.13), (1.0, 1.2), (400.0, 1.3), (math.nan, 1.2)]),
        (nozzle.thrust_coefficient, [(1.2, 3.0, 0.07, 15e5, 1e5)]),
        (nozzle.thrust, [(15e5, 1e-3, 1.13, 2.6, 1e5)]),
        (nozzle.thrust_to_chamber_pressure, [(2000.0, 1e-3, 1.13, 2.6, 1e5)]),
        (nozzle.throat_choked, [(15e5, 1.13, 1e5)]),
        (nozzle.summerfield_separation, [(15e5, 0.02, 1e5)]),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)  # fmt: skip
def test_laws_compile(law: Callable[..., Any], cases: list[tuple[Any, ...]]) -> None:
    fast = compiled(law)
    for case in cases:
        assert fast(*case) == pytest.approx(law(*case), rel=1e-12, nan_ok=True)


def test_read_only_grid_compiles() -> None:
    grid: CStarGrid = c_star_grid_from_table(RATIOS, PRESSURES, ROWS, 1.15)
    fast = compiled(c_star_lookup)
    got = fast(grid.values, grid.r0, grid.dr, grid.nr, grid.x0, grid.dx, grid.nx, 1.1, math.log(9e5))
    assert got == pytest.approx(grid.c_star(1.1, 9e5), rel=1e-12)
