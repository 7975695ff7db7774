"""Numbers of a design for the symbols of ``plant.symbolic``."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.parts import lookup
from valvectl.parts.gearing import mesh_factors
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import OperatingPoint, coefficient
from valvectl.plant.linear import EngineModel
from valvectl.plant.machine import LegMachine, Machine
from valvectl.plant.servo_numbers import Servo


def actuator_values(servo: Servo) -> dict[str, float]:
    """Symbols of ``actuator_formulas``."""
    mean, _ = mesh_factors(servo.ratio, servo.train.efficiency, servo.train.backdrive_efficiency)
    return {
        "R": servo.resistance,
        "L": servo.inductance,
        "K": servo.torque_constant,
        "N": servo.ratio,
        "J_m": servo.motor_inertia,
        "b": servo.motor_viscous,
        "J_L": servo.load_inertia,
        "k": servo.spring,
        "c": servo.damping,
        "epsilon": mean * servo.ratio,
    }


def _loss(table: FloatArray, per_step: float, flow: float) -> tuple[float, float]:
    """Loss number [Pa s^2/kg^2] and its slope per kg/s at a flow [kg/s]."""
    cell, share = lookup.locate(table.size, 0.0, per_step, flow)
    low, high = float(table[cell]), float(table[cell + 1])
    return lookup.blend(low, high, share), (high - low) * per_step


def steady_values(leg: LegMachine, point: OperatingPoint, loss_slopes: bool = True) -> dict[str, float]:
    """Symbols of ``steady_formulas`` for a leg at a steady point.

    ``loss_slopes`` false: the loss numbers of the lines are taken as constant, which is how ``plant.linear`` has them.
    """
    at = point.legs[leg.name]
    c, fl = coefficient(leg, at.angle)
    u, um = _loss(leg.up_loss, leg.loss_per_step, at.flow)
    w, wm = _loss(leg.down_loss, leg.loss_per_step, at.flow)
    return {
        "m": at.flow,
        "p": point.chamber_pressure,
        "p_t": leg.tank_pressure,
        "p_v": leg.liquid.vapour_pressure,
        "h": leg.head,
        "d": leg.tank_droop / leg.reference_flow,
        "u": u,
        "w": w,
        "u_m": um if loss_slopes else 0.0,
        "w_m": wm if loss_slopes else 0.0,
        "c": c,
        "rho": leg.liquid.density,
        "rho_i": leg.injector_density,
        "A": leg.cda,
        "F_F": leg.ff,
        "F_L": fl,
    }


def ratio_values(model: EngineModel, coupling: dict[LegName, float]) -> dict[str, float]:
    """Symbols of ``ratio_formulas``; ``coupling`` is a of each leg."""
    return {
        "X_o": model.weights["oxidizer"],
        "X_f": model.weights["fuel"],
        "kappa": model.kappa,
        "n": model.pressure_exponent,
        "a_o": coupling["oxidizer"],
        "a_f": coupling["fuel"],
    }


def feed_values(machine: Machine, model: EngineModel, name: LegName) -> dict[str, float]:
    """Symbols of a leg in ``feed_formulas``, line losses taken as constant numbers; the choked valve has none here."""
    leg, point = machine.legs[name], model.point
    at = point.legs[name]
    v = steady_values(leg, point, loss_slopes=False)
    relative = at.flow / point.chamber_pressure
    valve_loss = 1.0 / (v["rho"] * v["c"] ** 2)
    return {
        "r_i": at.flow / (v["rho_i"] * v["A"] ** 2) * relative,
        "z": (v["d"] + 2.0 * (v["u"] + v["w"] + valve_loss) * at.flow) * relative,
        "l": (leg.up_inertance + leg.down_inertance) * relative,
        "sigma": leg.compliance / relative,
        "g": 2.0 * valve_loss * at.flow * relative,
    }


def chamber_values(model: EngineModel) -> dict[str, float]:
    """Symbols of the chamber in ``feed_formulas``."""
    out = {"n": model.pressure_exponent, "theta": model.residence}
    for name in LEGS:
        out[f"X_{name[0]}"], out[f"tau_{name[0]}"] = model.weights[name], model.delays[name]
    return out


def without_loss_slopes(machine: Machine, point: OperatingPoint) -> Machine:
    """Copy whose line losses are the constant numbers that hold at ``point``, so that its balance is what the linear model
    describes."""
    for name in LEGS:
        leg = machine.legs[name]
        flow = point.legs[name].flow
        up, down = (_loss(t, leg.loss_per_step, flow)[0] for t in (leg.up_loss, leg.down_loss))
        changed = {"up_loss": leg.up_loss * 0.0 + up, "down_loss": leg.down_loss * 0.0 + down}
        machine = dataclasses.replace(machine, legs={**machine.legs, name: dataclasses.replace(leg, **changed)})  # type: ignore[arg-type]
    return machine


def smoothed(machine: Machine, point: OperatingPoint, model: EngineModel) -> Machine:
    """Copy whose tables are straight lines that touch the design's own at ``point``: its balance has no kinks there, so that
    its derivatives can be had by differences. ``model``: the linear engine at the point, for the slopes of c*."""
    for name in LEGS:
        leg = machine.legs[name]
        flow = point.legs[name].flow
        grid = np.arange(leg.up_loss.size) / leg.loss_per_step
        up, down = (_loss(t, leg.loss_per_step, flow) for t in (leg.up_loss, leg.down_loss))
        machine = machine.with_leg(
            name, up_loss=up[0] + up[1] * (grid - flow), down_loss=down[0] + down[1] * (grid - flow)
        )
    r, x = point.mixture_ratio, math.log(point.chamber_pressure)
    at = machine.c_star_at(r, point.chamber_pressure) / machine.c_star_efficiency
    ratios, pressures = np.array([0.5 * r, 1.5 * r]), np.array([x - 1.0, x + 1.0])
    values = at * np.outer(1.0 + model.pressure_exponent * (pressures - x), 1.0 + model.kappa * (ratios / r - 1.0))
    plane = dataclasses.replace(machine.c_star, values=values, r0=0.5 * r, dr=r, nr=2, x0=x - 1.0, dx=2.0, nx=2)
    return dataclasses.replace(machine, c_star=plane)


def is_free(point: OperatingPoint, name: LegName) -> bool:
    """True when the leg's valve does not choke."""
    return not point.legs[name].choked and math.isfinite(point.legs[name].flow)
