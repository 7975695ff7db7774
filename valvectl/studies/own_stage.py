"""The gear stage of the team's own making as a design asks for it: wishes from the design file, loads from the actuator.

Running torque: the stem's largest running torque, cold, at the largest pressure difference. Peak: what the motor can put
through at its current limit, cold magnets, running efficiency of the stages before, no friction taken off: an upper bound, as
the teeth see it (the torque margin takes the lower bound of the same). At a stop the stages before and the rotor are stopped
through these teeth, at the command's speed limit unless the design states ``stop_speed``.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.design.schema_gears import OwnStage, ToothMaterial
from valvectl.errors import DesignError, Fault
from valvectl.parts.gear_material import MATERIALS, GearMaterial
from valvectl.plant.machine import Machine
from valvectl.studies.gear_result import GearStageResult
from valvectl.studies.gear_stage import gear_stage
from valvectl.studies.gear_wishes import GearWishes
from valvectl.studies.torque import greatest_need, largest_pressure_drop

_SAME = (
    "ratio_tolerance", "face_width", "wheel_teeth_most", "pinion_bore", "wheel_bore", "finish", "bending_safety",
    "yield_safety", "contact_safety", "friction", "static_friction", "thinning", "thickness_tolerance", "centre_tolerance",
    "runout_pinion", "runout_wheel", "bearing_play", "housing_expansion", "assembly_temperature", "low_temperature",
    "high_temperature", "wheel_colder", "wheel_warmer",
)  # fmt: skip
"""Keys that mean the same in the design file and in the study."""


def _material(name: str, given: ToothMaterial | None) -> GearMaterial:
    if given is None:
        return MATERIALS[name]
    return GearMaterial(
        name="as given",
        elasticity=given.elasticity,
        poisson=given.poisson_ratio,
        density=given.density,
        expansion=given.expansion,
        yield_stress=given.yield_stress,
        bending_endurance=given.bending_endurance,
        contact_endurance=given.contact_endurance,
        origin="given in the design file",
    )


def gear_wishes(design: DesignFile, machine: Machine, name: LegName) -> GearWishes:
    """What a leg's design asks of its last stage, SI. Raises ``DesignError`` when it asks for nothing."""
    actuator, servo, leg = design.leg(name).actuator, machine.legs[name].servo, machine.legs[name]
    asked: OwnStage | None = actuator.own_stage
    key = f"legs.{name}.actuator.own_stage"
    if asked is None:
        file = str(design.path) if design.path is not None else ""
        raise DesignError(
            Fault("table is missing: it says what the gear stage of your own making may be (centre_distance, face_width)",
                  key=key, file=file)
        )  # fmt: skip
    before = actuator.gears[:-1]
    ratio_before = math.prod(stage.ratio for stage in before)
    ratio = actuator.gears[-1].ratio if asked.ratio is None else asked.ratio
    running = greatest_need(leg, largest_pressure_drop(machine, name), breakaway=False)
    through = math.prod(stage.ratio * stage.efficiency for stage in before)
    strongest = max(servo.torque_constant, servo.hot_torque_constant) * servo.current_limit * through * ratio
    same: dict[str, Any] = {field: getattr(asked, field) for field in _SAME}
    rotor = actuator.motor.rotor_inertia
    inertia, reached = rotor, 1.0
    for stage in before:
        inertia += stage.inertia / (reached * reached)
        reached *= stage.ratio
    return GearWishes(
        **same,
        ratio=ratio,
        centre_least=asked.centre_distance[0],
        centre_most=asked.centre_distance[-1],
        torque=max(running, 1e-6),
        peak_torque=max(strongest, 1e-6),
        speed=servo.speed_limit,
        internal=asked.kind == "internal",
        pinion_teeth=(asked.pinion_teeth_least, asked.pinion_teeth_most),
        largest_size=math.inf if asked.largest_size is None else asked.largest_size,
        pinion_material=_material(asked.pinion_material, asked.pinion_properties),
        wheel_material=_material(asked.wheel_material, asked.wheel_properties),
        stop_speed=servo.speed_limit if asked.stop_speed is None else asked.stop_speed,
        stop_inertia=inertia * (ratio_before * ratio) ** 2,
        stop_stiffness=servo.spring,
        lost_motion_most=math.inf if asked.lost_motion is None else asked.lost_motion,
        output_travel=leg.open_stop - leg.closed_stop,
    )


def own_stage(design: DesignFile, machine: Machine, name: LegName) -> GearStageResult:
    """Pairs for a leg's last stage, what the workshop needs, and what was ruled out. Faults name keys of the design file."""
    wishes = gear_wishes(design, machine, name)
    try:
        return gear_stage(wishes)
    except DesignError as error:
        file = str(design.path) if design.path is not None else ""
        at = f"legs.{name}.actuator.own_stage"
        raise DesignError([dataclasses.replace(f, key=f"{at}.{f.key}", file=file) for f in error.faults]) from None
