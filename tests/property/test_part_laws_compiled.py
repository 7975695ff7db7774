"""Every part law compiles under numba and gives what Python gives."""

from __future__ import annotations

import importlib
import inspect
import math
import zlib
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

MODULES = (
    "lookup", "valve", "line", "tank", "injector", "chamber", "motor", "gearing", "friction", "encoder", "bus",
    "wave", "start", "valve_gas", "valve_fitted", "characteristic", "flow_coefficients", "lugre",
    "command_shape", "controller_more", "controller_pid", "controller_state",
)  # fmt: skip
RANGES: dict[str, tuple[float, float]] = {
    # Arguments whose size matters; all others are drawn between 0.1 and 2.
    "c": (1e-7, 1e-4),
    "rho": (500.0, 1300.0),
    "p1": (1e5, 5e6),
    "p2": (1e4, 5e6),
    "ff": (0.7, 0.96),
    "fl": (0.4, 1.0),
    "vapour_pressure": (1e3, 2e5),
    "critical_pressure": (4e6, 2e7),
    "flow": (0.01, 1.0),
    "cda": (1e-6, 1e-4),
    "drop": (-1e6, 1e6),
    "drop_start": (-1e6, 1e6),
    "inflow": (-1.0, 1.0),
    "half_step_over_compliance": (1e3, 1e8),
    "temperature": (200.0, 450.0),
    "surroundings": (200.0, 330.0),
    "coefficient": (0.001, 0.02),
    "thermal_resistance": (1.0, 10.0),
    "current_rms": (0.0, 12.0),
    "twist": (-0.05, 0.05),
    "twist_rate": (-10.0, 10.0),
    "half_gap": (-0.01, 0.02),
    "half_clearance": (0.0, 0.1),
    "ball": (-1.0, 1.0),
    "stem": (-1.0, 1.0),
    "stem_torque": (-3.0, 3.0),
    "speed": (-3.0, 3.0),
    "free_speed": (-1.0, 1.0),
    "level": (0.0, 1.0),
    "angle": (-3.0, 3.0),
    "command": (-3.0, 3.0),
    "error": (-2.0, 2.0),
    "integral": (-2.0, 2.0),
    "output": (-3.0, 3.0),
    "value": (-3.0, 3.0),
    "target": (-3.0, 3.0),
    "x": (-1.0, 3.0),
    "count": (-1e-3, 1e-3),
    "band": (0.0, 1.0),
    "time_constant": (-1.0, 2.0),
}
OWN_RANGES: dict[str, dict[str, tuple[float, float]]] = {
    # Where a law's domain is narrower, or its argument means something else than above.
    "characteristic.quick_opening": {"travel": (0.0, 1.0), "rangeability": (2.0, 100.0)},
    "characteristic.ball_shut_opening": {"bore": (0.1, 0.7), "ball": (1.0, 2.0)},
    "characteristic.ball_window": {"opening": (0.0, 1.6), "bore": (0.1, 0.7), "ball": (1.0, 2.0)},
}
WHOLE_NUMBERS: tuple[int, int] = (2, 100000)


def _laws() -> dict[str, Callable[..., Any]]:
    """Every public function of the part modules that takes only numbers (and tables) and returns numbers."""
    kinds = {"float", "int", "FloatArray"}
    found: dict[str, Callable[..., Any]] = {}
    for name in (*MODULES, "controller"):
        module = importlib.import_module(f"valvectl.parts.{name}")
        for label, law in vars(module).items():
            if label.startswith("_") or not inspect.isfunction(law) or law.__module__ != module.__name__:
                continue
            signature = inspect.signature(law)
            if signature.return_annotation not in ("float", "tuple[float, float]", "tuple[int, float]"):
                continue
            if all(p.annotation in kinds for p in signature.parameters.values()):
                found[f"{name}.{label}"] = law
    return found


LAWS = _laws()


@pytest.fixture(scope="module")
def compiled() -> dict[str, Callable[..., Any]]:
    """Every law compiled; registering them first lets one law call another."""
    import numba
    from numba.extending import register_jitable

    for law in LAWS.values():
        register_jitable(law)
    return {name: numba.njit(law) for name, law in LAWS.items()}


def test_the_laws_were_found():
    """A wrong filter would make the test below pass by testing nothing."""
    assert len(LAWS) >= 40
    assert {name.partition(".")[0] for name in LAWS} == {*MODULES, "controller"}
    assert {"valve.valve_flow", "line.inertance", "controller.rate_limited", "lookup.lookup"} <= set(LAWS)


def _arguments(law: Callable[..., Any], rng: np.random.Generator) -> list[Any]:
    arguments: list[Any] = []
    own = OWN_RANGES.get(f"{law.__module__.rsplit('.', 1)[1]}.{law.__name__}", {})
    for parameter in inspect.signature(law).parameters.values():
        low, high = own.get(parameter.name, RANGES.get(parameter.name, (0.1, 2.0)))
        if parameter.annotation == "FloatArray":
            arguments.append(rng.normal(size=9))
        elif parameter.annotation == "int":
            arguments.append(int(rng.integers(*WHOLE_NUMBERS)))
        else:
            arguments.append(float(rng.uniform(low, high)))
    return arguments


@pytest.mark.parametrize("name", LAWS)
def test_numba_gives_what_python_gives(name, compiled):
    law, machine = LAWS[name], compiled[name]
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    for _ in range(200):
        arguments = _arguments(law, rng)
        expected, got = np.atleast_1d(law(*arguments)), np.atleast_1d(machine(*arguments))
        np.testing.assert_array_equal(np.isnan(got), np.isnan(expected))
        # A value near zero between table entries of order one carries the rounding of those entries.
        rounding = 1e-15 if name.startswith("lookup.") else 0.0
        np.testing.assert_allclose(got, expected, rtol=1e-14, atol=rounding, err_msg=f"{name}{tuple(arguments)}")


@pytest.mark.parametrize("name", ["valve.outlet_pressure", "valve.inlet_pressure", "motor.winding_temperature"])
def test_random_arguments_reach_every_branch(name):
    """The numbers drawn above reach the plateau, both inverses and the thermal runaway."""
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    results = [LAWS[name](*_arguments(LAWS[name], rng)) for _ in range(200)]
    finite = [math.isfinite(r) for r in results]
    assert any(finite)
    if name != "valve.inlet_pressure":
        assert not all(finite)
