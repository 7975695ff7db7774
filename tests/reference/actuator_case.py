"""An actuator and a demand with round numbers, for tests of the actuator's checks."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from valvectl.parts.gearing import StageNumbers
from valvectl.studies.actuator_checks import Demand, Numbers

STAGE = StageNumbers(
    ratio=20.0,
    efficiency=0.8,
    static_efficiency=0.7,
    backdrive_efficiency=0.75,
    inertia=0.0,
    compliance=0.0,
    lost_motion=0.0,
)
NUMBERS = Numbers(
    resistance=0.5,
    torque_constant=0.04,
    resistance_coefficient=0.0,
    magnet_coefficient=0.0,
    rotor_inertia=1e-5,
    friction=0.0,
    viscous=0.0,
    max_speed=500.0,
    temperature_limit=400.0,
    thermal_resistance=5.0,
    stages=(STAGE,),
    torque_limits=(math.inf,),
    speed_limits=(math.inf,),
    coupling=1e-4,
    current_limit=10.0,
    duty=1.0,
    harness=0.03,
    temperature=298.15,
    hot_winding=298.15,
    hot_surroundings=300.0,
    standing_current=10.0,
    bus_voltage=24.0,
    breakaway=2.0,
    running=1.0,
    load_inertia=4e-3,
)
DEMAND = Demand(
    stroke=math.radians(90.0),
    span=math.radians(40.0),
    speed_limit=6.0,
    acceleration=100.0,
    flow_gain=5.0,
    jump_torque=2.0,
    position_on_motor=False,
    count=1e-4,
    fixed_step=1e-4,
    slot=0.0,
    lag=2e-3,
    speed_on_motor=True,
    speed_count=1e-3,
    speed_period=1e-3,
    battery=24.0,
    battery_resistance=0.05,
    other_current=5.0,
    stroke_speed=6.0,
    other_moving=5.0,
    idle_power=0.0,
    lockout=16.0,
    torque_margin=1.0,
    dynamic_margin=0.25,
    stroke_time=0.5,
    motor_speed=1.0,
    flow_resolution=0.005,
    gear_torque=1.0,
    bus_limit=1.1,
    heating=1.0,
)


def numbers(ratio: float = 20.0, **changes: Any) -> Numbers:
    """The round actuator with a ratio and other changes; ``efficiency`` and ``static_efficiency`` are of its one stage."""
    stage = {key: changes.pop(key) for key in ("efficiency", "static_efficiency", "lost_motion") if key in changes}
    return replace(NUMBERS, stages=(replace(STAGE, ratio=ratio, **stage),), **changes)
