"""Steady points of one engine at many pairs of angles, by the compiled solver: some fifty times as fast as one by one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from valvectl.design.schema import LEGS, LegName
from valvectl.plant import kernel_balance as kb
from valvectl.plant.balance import SHUT_SHARE, OperatingPoint, balance, coefficient, operating_point
from valvectl.plant.compiled import compiled_balance
from valvectl.plant.machine import Machine


def balances(machine: Machine, pairs: Sequence[tuple[float, float]]) -> list[OperatingPoint]:
    """``balance`` at pairs of oxidizer and fuel angle [rad], to some 1e-11 of each number.

    Raises ``NoBalanceError``, as ``balance`` does, for the first pair without a steady point.
    """
    legs = np.empty((2, kb.LEG_SIZE))
    losses = np.empty((2, 2, machine.legs["oxidizer"].up_loss.size))
    for k, name in enumerate(LEGS):
        leg = machine.legs[name]
        legs[k] = (
            leg.liquid.density,
            leg.ff,
            leg.liquid.vapour_pressure,
            leg.tank_pressure,
            leg.tank_droop,
            leg.reference_flow,
            leg.head,
            leg.loss_per_step,
            leg.cda,
            leg.injector_density,
        )
        losses[k, 0], losses[k, 1] = leg.up_loss, leg.down_loss
    grid = machine.c_star
    engine = np.array(
        [
            machine.throat_area,
            machine.c_star_efficiency,
            grid.r0,
            grid.dr,
            grid.x0,
            grid.dx,
            1e-3 * machine.chamber_pressure,
            max(leg.tank_pressure + abs(leg.head) for leg in machine.legs.values()),
            1e-13 * machine.chamber_pressure,
        ]
    )
    valves = np.array([[coefficient(machine.legs[n], a) for n, a in zip(LEGS, pair, strict=True)] for pair in pairs])
    found = np.empty((len(pairs), 3))
    compiled_balance()(legs, losses, engine, np.array(grid.values), valves, found)
    shut = np.array([SHUT_SHARE * float(machine.legs[n].characteristic.c[-1]) for n in LEGS])
    points = []
    for pair, (pressure, *flows), valve in zip(pairs, found.tolist(), valves, strict=True):
        if not np.isfinite(pressure) or bool((valve[:, 0] < shut).any()):
            points.append(balance(machine, *pair))  # says what is wrong
            continue
        angles: dict[LegName, float] = dict(zip(LEGS, pair, strict=True))
        points.append(operating_point(machine, angles, dict(zip(LEGS, flows, strict=True)), pressure))
    return points
