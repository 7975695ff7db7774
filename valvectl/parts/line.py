"""Pipe between tank, valve and manifold: friction, fittings, inertia of the liquid column.

Friction factor: Colebrook's equation (turbulent) and 64/Re (laminar), read once per
design into a table over mass flow. Inertance: Newton's law for a rigid column, dp = (L/A) d(mdot)/dt.
Valid as one lump for frequencies well below a / (4 L).
"""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np

from valvectl.parts.lookup import FloatArray


def area(diameter: float) -> float:
    """Area of a circle [m^2] of a diameter [m]."""
    return math.pi / 4.0 * diameter * diameter


def inertance(length: float, flow_area: float) -> float:
    """Inertance L/A [1/m] of a column of length [m] in an area [m^2]."""
    return length / flow_area


Flow = TypeVar("Flow", float, FloatArray)


def reynolds(flow: Flow, diameter: float, viscosity: float) -> Flow:
    """Reynolds number [-] of a mass flow [kg/s] in a round pipe [m] at a dynamic viscosity [Pa s]."""
    return 4.0 * flow / (math.pi * diameter * viscosity)


LAMINAR = 2040.0
"""Reynolds number below which flow in a round pipe is taken as laminar [-]."""


def friction_factor(re: FloatArray, relative_roughness: float) -> FloatArray:
    """Darcy friction factor [-] at Reynolds numbers [-], shape (n,), all above zero: 64/Re below ``LAMINAR``, from there on
    Colebrook's equation by Clamond's two steps.

    ``relative_roughness`` is that of the wall over the diameter [-]. Good to a few units in the last place of Colebrook's
    equation, whose own scatter against measurements is some percent. D. Clamond, Ind. Eng. Chem. Res. 48 (2009) 3665.
    """
    turbulent = re >= LAMINAR
    number = np.maximum(re, LAMINAR)
    rough = relative_roughness * number * (_LN10 / 18.574)
    smooth = np.log(number) - math.log(5.02 / _LN10)
    f = smooth - 0.2
    first, more = rough + f, 1.0 + rough + f
    e = (np.log(first) - 0.2) / more
    f = f - (more + 0.5 * e) * e * first / (more + e * (1.0 + e / 3.0))
    first, more = rough + f, 1.0 + rough + f
    e = (np.log(first) + f - smooth) / more
    f = f - (more + 0.5 * e) * e * first / (more + e * (1.0 + e / 3.0))
    return np.asarray(np.where(turbulent, (0.5 * _LN10 / f) ** 2, 64.0 / re))


_LN10 = math.log(10.0)


def loss_per_flow_squared(
    friction_factor: FloatArray, length: float, diameter: float, fittings: float, rho: float
) -> FloatArray:
    """Pressure drop over mass flow squared [Pa s^2/kg^2]: (f L/d + K) / (2 rho A^2), Darcy-Weisbach; shape (n,)."""
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
    flows = np.linspace(0.0, largest_flow, points)
    flows[0] = flows[1]
    factors = friction_factor(reynolds(flows, diameter, viscosity), roughness / diameter)
    return loss_per_flow_squared(factors, length, diameter, fittings, rho)
