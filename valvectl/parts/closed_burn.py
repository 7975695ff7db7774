"""What has gathered in an unlit chamber, burnt at once in the closed volume: specific force over mixture ratio.

The specific force f = p / rho [J/kg] is what propellants give when they burn with volume and internal energy kept (the
trade's term in closed-vessel tests). What lies in the chamber at ignition has any mixture ratio, and how much of the
excess takes part is not known: the worst share is looked for. Bounds, not predictions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from valvectl.errors import RangeError
from valvectl.parts import start
from valvectl.parts.cache import cached
from valvectl.parts.combustion import CStarGrid
from valvectl.parts.equilibrium import ALGORITHM, Burner, recipes
from valvectl.parts.lookup import FloatArray

DENSITY = 10.0
"""Mean density at which the force is worked out [kg/m^3]; from 2 to 60 kg/m^3 it changes by 4 % either way."""
SPAN = 12.0
"""The curve reaches from about the design's mixture ratio over this to the same times it, as far as the gas stays hot."""
COLDEST = 500.0
"""Below this temperature [K] a mixture counts as one that does not burn, and the curve ends."""
NODES = 41
"""Mixture ratios worked out, evenly spaced in their logarithm."""
FINE = 801
"""Mixture ratios looked at in the search for the worst."""


@dataclass(frozen=True, eq=False)
class ForceCurve:
    """Specific force over mixture ratio."""

    ratio: FloatArray
    """Mixture ratios, rising [-], shape (n,)."""
    force: FloatArray
    """Pressure over density [J/kg], shape (n,)."""
    whole: bool
    """False when the curve ends at a c* table's edges: excess of a propellant beyond them is then left out."""


def force_curve(oxidizer: str, fuel: str, mixture_ratio: float) -> ForceCurve:
    """Force by equilibrium at constant volume, through the cache; names as in ``equilibrium``.

    Perfect gas, gas phase only, the excess evaporated and heated as well. Raises ``RangeError`` as ``chamber_gas`` does.
    """
    centre = 2.0 ** round(math.log2(mixture_ratio))  # neighbours share one curve
    ratio = np.geomspace(centre / SPAN, centre * SPAN, NODES)

    def compute() -> dict[str, list[float]]:
        import warnings

        burner = Burner(oxidizer, fuel)
        found: dict[int, float] = {}
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the gas of the first mixture too cold to burn lies outside the data
            for outwards in (range(NODES // 2, NODES), range(NODES // 2 - 1, -1, -1)):
                for j in outwards:
                    try:
                        force, temperature = burner.burn_closed(float(ratio[j]), DENSITY)
                    except RangeError:
                        if j == NODES // 2:
                            raise
                        break
                    if temperature < COLDEST and j != NODES // 2:
                        break
                    found[j] = force
        return {"ratio": [float(ratio[j]) for j in sorted(found)], "force": [found[j] for j in sorted(found)]}

    key = recipes(oxidizer, fuel) | {
        "centre": centre, "span": SPAN, "nodes": NODES, "density": DENSITY, "coldest": COLDEST,
    }  # fmt: skip
    answer = cached("closed-burn", key, compute, libraries=("cantera",), algorithm=ALGORITHM)
    return ForceCurve(np.array(answer["ratio"]), np.array(answer["force"]), True)


def force_from_c_star(grid: CStarGrid, chamber_pressure: float) -> ForceCurve:
    """Force from ideal c* at a chamber pressure [Pa], for propellants that equilibrium does not know: gamma R T."""
    ratio = np.geomspace(*grid.mixture_ratio_range, NODES)
    force = [start.closed_force(grid.c_star(float(r), chamber_pressure), grid.gamma) for r in ratio]
    return ForceCurve(ratio, np.array(force), False)


def worst_burst(oxidizer: float, fuel: float, volume: float, curve: ForceCurve) -> tuple[float, float, float]:
    """Highest pressure rise [Pa] that two masses [kg] can give in a closed volume [m^3].

    Returns it with the mass that takes part [kg] and its mixture ratio [-]. Any part of either mass may take part.
    """
    ratio = np.geomspace(curve.ratio[0], curve.ratio[-1], FINE)
    mass = np.array([start.burnable_mass(oxidizer, fuel, float(r)) for r in ratio])
    rise = mass * np.interp(np.log(ratio), np.log(curve.ratio), curve.force) / volume
    worst = int(np.argmax(rise))
    return float(rise[worst]), float(mass[worst]), float(ratio[worst])
