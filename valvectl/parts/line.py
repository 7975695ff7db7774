"""Pipe between tank, valve and manifold: friction, fittings, inertia of the liquid column.

Friction factor: Colebrook's equation (turbulent) and 64/Re (laminar) as solved by the ``fluids`` library, read once per
design into a table over mass flow. Inertance: Newton's law for a rigid column, dp = (L/A) d(mdot)/dt.
Valid as one lump for frequencies well below a / (4 L).
"""

from __future__ import annotations

import math

import numpy as np

from valvectl.parts.lookup import FloatArray


def area(diameter: float) -> float:
    """Area of a circle [m^2] of a diameter [m]."""
    return math.pi / 4.0 * diameter * diameter


def inertance(length: float, flow_area: float) -> float:
    """Inertance L/A [1/m] of a column of length [m] in an area [m^2]."""
    return length / flow_area


def reynolds(flow: float, diameter: float, viscosity: float) -> float:
    """Reynolds number [-] of a mass flow [kg/s] in a round pipe [m] at a dynamic viscosity [Pa s]."""
    return 4.0 * flow / (math.pi * diameter * viscosity)


def loss_per_flow_squared(friction_factor: float, length: float, diameter: float, fittings: float, rho: float) -> float:
    """Pressure drop over mass flow squared [Pa s^2/kg^2]: (f L/d + K) / (2 rho A^2), Darcy-Weisbach."""
    section = area(diameter)
    return (friction_factor * length / diameter + fittings) / (2.0 * rho * section * section)


def loss_table(
    length: float,
    diameter: float,
    roughness: float,
    fittings: float,
    rho: float,
    viscosity: float,
    largest_flow: float,
    points: int = 513,
) -> FloatArray:
    """Pressure drop over mass flow squared [Pa s^2/kg^2] on a uniform grid of mass flow from 0 to ``largest_flow``.

    The entry at zero flow repeats the first one above it: the quotient has no limit there, and the drop is nothing.
    """
    from fluids.friction import friction_factor

    flows = np.linspace(0.0, largest_flow, points)
    flows[0] = flows[1]
    return np.array(
        [
            loss_per_flow_squared(
                float(friction_factor(Re=reynolds(float(m), diameter, viscosity), eD=roughness / diameter)),
                length,
                diameter,
                fittings,
                rho,
            )
            for m in flows
        ]
    )
