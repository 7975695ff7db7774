"""Perfect-gas nozzle laws against closed forms and worked examples of the textbooks."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from outside import Certainty, OutsideCheck, verify

from valvectl.parts import nozzle
from valvectl.parts.combustion import residence_time, vandenkerckhove

CLOSED = (
    "closed form of one-dimensional isentropic flow; Sutton and Biblarz, Rocket Propulsion Elements, tabulate the same"
)
BOOK = "Sutton and Biblarz, Rocket Propulsion Elements, nozzle theory chapter, example with these inputs"
SP125 = "Huzel and Huang, NASA SP-125 (1967/71), LOX/RP-1 booster sample calculation"
PSI = 6894.757293168361
GRAVITY = 9.80665


def ideal_c_star(gamma: float, temperature: float, gas_constant: float) -> float:
    return math.sqrt(gas_constant * temperature) / vandenkerckhove(gamma)


def exit_speed(gamma: float, temperature: float, gas_constant: float, exit_ratio: float) -> float:
    """Exit speed [m/s]: thrust at matched exit pressure over flow."""
    return ideal_c_star(gamma, temperature, gas_constant) * thrust_matched(gamma, exit_ratio)


def thrust_matched(gamma: float, exit_ratio: float) -> float:
    """Thrust coefficient [-] when exit and ambient pressure are equal."""
    return nozzle.thrust_coefficient(gamma, 1.0, exit_ratio, 1.0, exit_ratio)


def area_ratio_for(gamma: float, exit_ratio: float) -> float:
    """Expansion ratio [-] at which the program's nozzle has this exit over chamber pressure, by bisection."""
    low, high = 1.0, 1000.0
    for _ in range(100):
        middle = 0.5 * (low + high)
        if nozzle.area_ratio_to_pressure_ratio(middle, gamma) > exit_ratio:
            low = middle
        else:
            high = middle
    return high


def separation_threshold() -> float:
    """Exit over ambient pressure [-] at which the flag turns, by bisection."""
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if nozzle.summerfield_separation(20e5, middle * 101325.0 / 20e5, 101325.0):
            low = middle
        else:
            high = middle
    return high


Row = tuple[OutsideCheck, Callable[[], float]]


def row(
    id_: str,
    what: str,
    expected: float,
    unit: str,
    tolerance: float,
    source: str,
    certainty: Certainty,
    compute: Callable[[], float],
) -> Row:
    return OutsideCheck(id_, what, expected, unit, tolerance, source, certainty), compute


ROWS: list[Row] = []
for k, choked, throat, vacuum in [
    (1.2, 0.648531, 0.564474, 2.24658),
    (1.25, 0.658065, 0.554929, 2.08098),
    (1.3, 0.667262, 0.545728, 1.96437),
    (1.4, 0.684731, 0.528282, 1.81163),
]:
    ROWS += [
        row(f"R1-Gamma-{k}", f"Gamma at {k}", choked, "", 1e-6, CLOSED, "recomputed", lambda k=k: vandenkerckhove(k)),
        row(f"R1-throat-{k}", f"throat pressure ratio at {k}", throat, "", 1e-6, CLOSED, "recomputed",
            lambda k=k: nozzle.critical_pressure_ratio(k)),
        row(f"R1-vacuum-{k}", f"largest vacuum thrust coefficient at {k}", vacuum, "", 3e-6, CLOSED, "recomputed",
            lambda k=k: nozzle.thrust_coefficient(k, 1.0, 0.0, 1.0, 0.0)),
    ]  # fmt: skip

ROWS += [
    row("R2-v2", "k 1.30, 2222 K, R 345.7, 2.068 to 0.1013 MPa: exit speed", 1827.0, "m/s", 1e-3, BOOK, "from memory",
        lambda: exit_speed(1.3, 2222.0, 345.7, 0.1013 / 2.068)),
    row("R2-Is", "same: specific impulse", 186.0, "s", 3e-3, BOOK, "from memory",
        lambda: exit_speed(1.3, 2222.0, 345.7, 0.1013 / 2.068) / GRAVITY),
    row("R2-c*", "same: characteristic velocity", 1313.0, "m/s", 1e-3, BOOK, "from memory",
        lambda: ideal_c_star(1.3, 2222.0, 345.7)),
    row("R2-pt", "same: throat pressure", 1.1286e6, "Pa", 1e-3, BOOK, "from memory",
        lambda: 2.068e6 * nozzle.critical_pressure_ratio(1.3)),
    row("R3-pe", "k 1.30, expansion ratio 44.2: exit over chamber pressure", 1.0 / 811.3, "", 5e-3, BOOK, "from memory",
        lambda: nozzle.area_ratio_to_pressure_ratio(44.2, 1.3)),
    row("R3-eps", "k 1.30, pressure ratio 1/811.3: expansion ratio", 44.2, "", 2e-3, BOOK, "recomputed",
        lambda: area_ratio_for(1.3, 1.0 / 811.3)),
    row("R3-v2", "k 1.30, 2800 K, R 355.4, pressure ratio 1/811.3: exit speed", 2605.0, "m/s", 1e-3, BOOK, "recomputed",
        lambda: exit_speed(1.3, 2800.0, 355.4, 1.0 / 811.3)),
    row("R3-flow", "same, 5000 N: flow", 1.919, "kg/s", 1e-3, BOOK, "recomputed",
        lambda: 5000.0 / exit_speed(1.3, 2800.0, 355.4, 1.0 / 811.3)),
    row("R3-c*", "same: characteristic velocity", 1495.0, "m/s", 1e-3, BOOK, "recomputed",
        lambda: ideal_c_star(1.3, 2800.0, 355.4)),
    row("R3-At", "same, 2.068 MPa: throat area", 13.88e-4, "m^2", 1e-3, BOOK, "recomputed",
        lambda: 5000.0 / (2.068e6 * thrust_matched(1.3, 1.0 / 811.3))),
    row("R4-CF", "k 1.229, pressure ratio 20.4: thrust coefficient", 1.405, "", 1e-3, BOOK, "from memory",
        lambda: thrust_matched(1.229, 1.0 / 20.4)),
    row("R4-At", "same, 1300 N, 2.067 MPa: throat area", 4.48e-4, "m^2", 2e-3, BOOK, "from memory",
        lambda: 1300.0 / (2.067e6 * thrust_matched(1.229, 1.0 / 20.4))),
    row("R4-eps", "same: expansion ratio", 3.54, "", 3e-3, BOOK, "recomputed",
        lambda: area_ratio_for(1.229, 1.0 / 20.4)),
    row("R4-v2", "same, 2861 K, 21.87 g/mol: exit speed", 2240.0, "m/s", 1e-3, BOOK, "recomputed",
        lambda: exit_speed(1.229, 2861.0, 8.314462618 / 21.87e-3, 1.0 / 20.4)),
    row("R4-c*", "same: characteristic velocity", 1594.0, "m/s", 1e-3, BOOK, "recomputed",
        lambda: ideal_c_star(1.229, 2861.0, 8.314462618 / 21.87e-3)),
    row("R7", "k 1.2: throat over chamber pressure", 0.5645, "", 1e-4, CLOSED, "recomputed",
        lambda: nozzle.critical_pressure_ratio(1.2)),
    row("R10-c*", "6460 R, 22.5 g/mol, gamma 1.222: characteristic velocity", 5785 * 0.3048, "m/s", 1e-3, SP125,
        "recomputed", lambda: ideal_c_star(1.222, 6460.0 / 1.8, 8.314462618 / 22.5e-3)),
    row("R10-pe", "gamma 1.222, expansion ratio 14, 1000 psia: exit pressure", 7.54, "psi", 3e-3, SP125, "recomputed",
        lambda: 1000.0 * nozzle.area_ratio_to_pressure_ratio(14.0, 1.222)),
    row("R10-CF", "same at 14.7 psia ambient: thrust coefficient", 1.561, "", 1e-3, SP125, "recomputed",
        lambda: nozzle.thrust_coefficient(1.222, 14.0, nozzle.area_ratio_to_pressure_ratio(14.0, 1.222), 1000.0, 14.7)),
    row("R10-vacuum", "same in vacuum: thrust coefficient", 1.767, "", 1e-3, SP125, "recomputed",
        lambda: nozzle.thrust_coefficient(1.222, 14.0, nozzle.area_ratio_to_pressure_ratio(14.0, 1.222), 1000.0, 0.0)),
    row("R10-F", "same, 487.5 in^2, factor 0.98: thrust", 747000 * 4.4482216, "N", 3e-3, SP125, "from memory",
        lambda: 0.98 * nozzle.thrust(1000.0 * PSI, 487.5 * 0.0254**2, 1.222, 14.0, 14.7 * PSI)),
    row("R14", "L* 1 m, c* 1700 m/s, gamma 1.2: residence time", 1.3986e-3, "s", 4e-5,
        "L*/(c* Gamma^2), as in Sutton and Biblarz and in NASA SP-125", "recomputed",
        lambda: residence_time(1.0, 1700.0, 1.2)),
    row("R16", "exit over ambient pressure at separation", 0.4, "", 1e-12,
        "Summerfield, Foster and Swan, Jet Propulsion 24 (1954); they found 0.35 to 0.4", "from memory",
        separation_threshold),
]  # fmt: skip


@pytest.mark.parametrize(("check", "compute"), ROWS, ids=[one[0].id for one in ROWS])
def test_nozzle(check: OutsideCheck, compute: Callable[[], float]) -> None:
    verify(check, compute())
