"""What the study of tank disturbances took for granted, could not assess, and warns of, in words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, LegName
from valvectl.plant.machine import Machine
from valvectl.plant.tanks import TankNumbers
from valvectl.studies.disturbance_result import DisturbanceResult

LITTLE_LEFT = 0.05
"""Share of the liquid below which what is left is worth a caution (common practice, no source)."""
LOW_BOTTLE = 1.5
"""Bottle over tank pressure below which a regulator is near the end of its range (common practice, no source)."""
DENSE_GAS = 100e5
"""Bottle pressure above which a perfect gas is off by some per cent [Pa]."""


def assumptions(
    design: DesignFile, machine: Machine, tanks: Mapping[LegName, TankNumbers], profile: Sequence[tuple[float, float]]
) -> tuple[str, ...]:
    """What was taken for granted, and what could not be assessed for lack of data."""
    out = [
        "legs and chamber are in steady balance at every instant and the valves follow their schedule at once; changes "
        "quicker than some tens of milliseconds are right before and after, not in between"
    ]
    for name in LEGS:
        out += _of_tank(design, machine, name, tanks[name])
    if design.data.flight is None:
        out.append("load factors are constant: no flight.load_factor is stated, so acceleration is not assessed")
    still = [name for name in LEGS if not design.leg(name).tank.warming]
    if still:
        out.append(
            f"liquid temperature is constant, {' and '.join(still)}: no tank.warming is stated, so it is not assessed"
        )
    level = [name for name in LEGS if design.leg(name).tank.diameter is None]
    if level:
        out.append(
            f"liquid level is constant, {' and '.join(level)}: no tank.diameter is stated, so its fall is not assessed"
        )
    return tuple(out)


def _of_tank(design: DesignFile, machine: Machine, name: LegName, tank: TankNumbers) -> list[str]:
    out: list[str] = []
    if tank.trace is not None:
        return [f"{name} tank: the trace holds everything that the gas side does; nothing about the gas is worked out"]
    if tank.supply == "regulated" and tank.gas is None:
        missing = ["ullage"]
        missing += ["lock-up"] if tank.lock_up == 0.0 else []
        missing += ["response"] if tank.response_time == 0.0 else []
        out.append(
            f"{name} tank: pressure held by the regulator, {tank.pressure / 1e5:.4g} bar abs less droop; {', '.join(missing)} "
            "not stated, so pressurant, collapse and bottle are not assessed"
        )
    if tank.gas is not None:
        vapour = machine.legs[name].liquid.vapour_pressure / tank.pressure
        out.append(
            f"{name} tank: {tank.gas.name} as a perfect gas, well mixed, without vapour of the propellant (whose vapour "
            f"pressure is {100.0 * vapour:.2g} % of the tank's); gas dissolving in the liquid is left out"
        )
        if tank.heat_exchange == 0.0 and tank.collapse_share == 0.0:
            out.append(f"{name} tank: no heat_exchange and no collapse stated: the gas loses no heat to the liquid")
    if tank.bottle is not None and tank.bottle.pressure > DENSE_GAS:
        out.append(
            f"{name} bottle: a perfect gas; at {tank.bottle.pressure / 1e5:.0f} bar a real one holds some per cent less, so "
            "that the bottle empties a little sooner"
        )
    if tank.valve is not None and tank.gas is not None and tank.gas.gamma > 1.65:
        out.append(f"{name} gas valve: IEC 60534-2-1 overstates the choked flow of {tank.gas.name} by some 3 %")
    if tank.supply == "regulated" and tank.gas is not None and tank.valve is None:
        out.append(f"{name} regulator: no gas_valve stated, so that it passes whatever is asked and no Kv is assessed")
    return out


def cautions(
    design: DesignFile,
    tanks: Mapping[LegName, TankNumbers],
    profile: Sequence[tuple[float, float]],
    result: DisturbanceResult,
) -> tuple[str, ...]:
    """What a reader should not miss."""
    out = [f"all together: {result.together.ended}"] if result.together.ended else []
    end = profile[-1][0]
    for name in LEGS:
        tank, last = tanks[name], result.tanks[name]
        if tank.trace is not None and (float(tank.trace[0][0]) > 0.0 or float(tank.trace[0][-1]) < end):
            first, final = float(tank.trace[0][0]), float(tank.trace[0][-1])
            out.append(f"{name} trace covers {first:g} to {final:g} s of 0 to {end:g} s; its ends are held beyond them")
        if math.isfinite(tank.collapse_time) and tank.collapse_time > end:
            out.append(
                f"{name} collapse at {tank.collapse_time:g} s lies after the end at {end:g} s: it does not happen"
            )
        if last.choking >= 1.0:
            out.append(
                f"{name} valve chokes at {last.choking_time:.2f} s: flow then answers to tank pressure differently"
            )
        if math.isfinite(last.residual) and last.residual < LITTLE_LEFT * tank.liquid_volume:
            share = max(100.0 * last.residual / tank.liquid_volume, 0.0)
            out.append(f"{name} tank: {share:.1f} % of the liquid is left at the end; outlet and sump are not modelled")
        gas = result.gas.get(name)
        if gas is None:
            continue
        bottle, tank_end = f"{gas.bottle_end / 1e5:.3g} bar abs", f"{last.final / 1e5:.3g}"
        empty = gas.bottle_end <= 1.001 * last.final
        if empty:
            out.append(f"{name} bottle is EMPTY by the end: {bottle} against {tank_end} in the tank")
        elif gas.bottle_end < LOW_BOTTLE * last.final:
            out.append(
                f"{name} bottle ends at {bottle}, near the tank's {tank_end}: the regulator has little left to work with"
            )
        if gas.kv_needed > gas.kv_given and not empty:
            out.append(
                f"{name} gas valve is too small: Kv {gas.kv_needed:.3g} needed at {gas.kv_time:.2f} s, {gas.kv_given:.3g} "
                "given"
            )
    if float(np.min(result.throttle)) < design.throttle.minimum - 1e-9:
        out.append("the burn is below throttle.minimum, where the schedule holds its lowest angles")
    return tuple(out)
