"""Injector orifices and the manifold before them."""

from __future__ import annotations

import math


def injector_flow(cda: float, rho: float, drop: float) -> float:
    """Mass flow [kg/s] through orifices of effective area ``cda`` [m^2] at a pressure drop [Pa]; odd in the drop."""
    return orifice_flow(cda * math.sqrt(2.0 * rho), drop)


def orifice_flow(orifice: float, drop: float) -> float:
    """``injector_flow`` with ``orifice`` = Cd A sqrt(2 rho) [kg/s/Pa^0.5] worked out before; ``drop`` [Pa]."""
    return math.copysign(orifice * math.sqrt(abs(drop)), drop)


def injector_drop(cda: float, rho: float, flow: float) -> float:
    """Pressure drop [Pa] of a mass flow [kg/s]; inverse of ``injector_flow``."""
    return math.copysign(flow * flow / (2.0 * rho * cda * cda), flow)


def manifold_compliance(volume: float, sound_speed: float, rho: float, gas_volume: float, pressure: float) -> float:
    """Mass stored per pressure [kg/Pa] in a manifold: liquid elasticity and, where there is any, trapped gas.

    Liquid: V / a^2 (bulk modulus rho a^2); gas, isothermal: rho Vg / p. ``volume``, ``gas_volume`` [m^3], ``sound_speed``
    [m/s], ``rho`` [kg/m^3], ``pressure`` of the manifold [Pa] at which the gas has that volume. Walls are taken as rigid.
    """
    return volume / (sound_speed * sound_speed) + rho * gas_volume / pressure


def manifold_midpoint(
    drop_start: float, inflow: float, cda: float, rho: float, half_step_over_compliance: float
) -> tuple[float, float]:
    """Drop [Pa] across the injector and its flow [kg/s] in the middle of a time step, implicit midpoint rule.

    Solves y = y0 + (h / 2C) (inflow - flow(y)) exactly; the manifold is too stiff for an explicit step.
    ``drop_start`` is manifold less chamber pressure with the chamber at mid-step; reverse flow is covered.
    """
    return orifice_midpoint(drop_start, inflow, cda * math.sqrt(2.0 * rho), half_step_over_compliance)


def orifice_midpoint(
    drop_start: float, inflow: float, orifice: float, half_step_over_compliance: float
) -> tuple[float, float]:
    """``manifold_midpoint`` with ``orifice`` = Cd A sqrt(2 rho) [kg/s/Pa^0.5] worked out before."""
    b = half_step_over_compliance * orifice
    q = drop_start + half_step_over_compliance * inflow
    root = math.sqrt(0.25 * b * b + abs(q))
    s = abs(q) / (root + 0.5 * b)  # the positive root of s^2 + b s = |q| without cancellation
    if q >= 0.0:
        return s * s, orifice * s
    return -s * s, -orifice * s
