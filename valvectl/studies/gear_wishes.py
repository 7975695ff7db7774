"""What is asked of a gear stage that the team makes itself: the inputs of ``gear_stage``, SI, with their checks."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Literal

from valvectl.errors import DesignError, Fault
from valvectl.parts import gear_backlash, gear_strength
from valvectl.parts.gear_material import MATERIALS, GearMaterial
from valvectl.parts.gear_teeth import FINE, SERIES_I, SERIES_II

Finish = Literal["cut", "hobbed", "ground"]
VELOCITY = {
    "cut": gear_strength.velocity_factor_cut,
    "hobbed": gear_strength.velocity_factor_hobbed,
    "ground": gear_strength.velocity_factor_ground,
}
"""Factor on the load by pitch-line speed for each way of making the teeth."""

SMALL_MODULES = tuple(m for m in (*FINE, *SERIES_I) if 0.5e-3 <= m <= 5e-3)
"""Modules tried by default [m]: 0.5 to 5 mm, first choice."""
SECOND_MODULES = tuple(m for m in SERIES_II if m <= 5e-3)
"""Modules added when second choice is allowed [m]."""

BETWEEN: dict[str, tuple[float, float]] = {
    "ratio": (1.0, 20.0),
    "ratio_tolerance": (0.0, 0.5),
    "centre_least": (1e-3, 2.0),
    "centre_most": (1e-3, 2.0),
    "face_width": (1e-4, 1.0),
    "torque": (0.0, 1e6),
    "peak_torque": (0.0, 1e6),
    "speed": (0.0, 1e4),
    "stop_speed": (0.0, 1e4),
    "stop_inertia": (0.0, 1e6),
    "stop_stiffness": (0.0, 1e12),
    "bending_safety": (0.1, 100.0),
    "yield_safety": (0.1, 100.0),
    "contact_safety": (0.1, 100.0),
    "static_contact_safety": (0.1, 100.0),
    "contact_ratio_least": (1.0, 2.0),
    "tip_thickness_least": (0.0, 1.0),
    "rim_heights": (0.0, 20.0),
    "friction": (0.0, 1.0),
    "static_friction": (0.0, 1.0),
    "thickness_tolerance": (0.0, 1e-3),
    "centre_tolerance": (0.0, 1e-3),
    "runout_pinion": (0.0, 1e-3),
    "runout_wheel": (0.0, 1e-3),
    "bearing_play": (0.0, 1e-3),
    "backlash_least": (0.0, 1e-3),
    "housing_expansion": (0.0, 1e-3),
    "assembly_temperature": (50.0, 1000.0),
    "low_temperature": (50.0, 1000.0),
    "high_temperature": (50.0, 1000.0),
    "wheel_colder": (0.0, 300.0),
    "wheel_warmer": (0.0, 300.0),
    "output_travel": (0.0, 2.0 * math.pi),
}
"""Allowed range of each number, ends included, SI."""
ABOVE_ZERO = ("ratio", "centre_least", "face_width", "torque", "peak_torque")
"""Numbers that may not be zero."""


@dataclass(frozen=True)
class GearWishes:
    """Inputs of the study of a gear stage, SI. Torques and speeds are the output's, at the wheel."""

    ratio: float
    """Wheel teeth over pinion teeth [-]."""
    centre_least: float
    """Smallest centre distance [m]."""
    centre_most: float
    """Largest centre distance [m]; the same as the smallest where the housing fixes it."""
    face_width: float
    """Of the wheel [m]; make the pinion about half a module wider."""
    torque: float
    """Torque at the output in running [N m], borne for ever."""
    peak_torque: float
    """Torque at the output when the motor stalls there [N m], borne a few times."""
    speed: float
    """Output speed in running [rad/s]."""
    ratio_tolerance: float = 0.03
    """Allowed departure from the ratio, relative, plus or minus [-]."""
    internal: bool = False
    """True: the pinion runs in an internal ring or sector."""
    modules: tuple[float, ...] = SMALL_MODULES
    """Modules to try [m]."""
    pinion_teeth: tuple[int, int] = (12, 40)
    """Fewest and most teeth of the pinion."""
    wheel_teeth_most: int = 160
    """Most teeth of the wheel or ring."""
    largest_size: float = math.inf
    """Overall length across both gears, or outer diameter of a ring, at most [m]."""
    pinion_material: GearMaterial = MATERIALS["alloy steel, quenched and tempered"]
    wheel_material: GearMaterial = MATERIALS["alloy steel, quenched and tempered"]
    pinion_bore: float = 0.0
    """Bore of the pinion, over the keyway if it has one [m]."""
    wheel_bore: float = 0.0
    """Bore of an external wheel [m]."""
    ring_rim: float = 3.0
    """Rim of a ring outside its root circle [modules]."""
    finish: Finish = "cut"
    """How the teeth are made."""
    face_modules: tuple[float, float] = (5.0, 16.0)
    """Face width in modules, from and to [-]; wider faces carry at one end only (common practice, no source)."""
    stop_speed: float = 0.0
    """Output speed at which the stop is hit [rad/s]; zero: the stop is not hit, the stall torque counts alone."""
    stop_inertia: float = 0.0
    """Inertia that then has to be stopped through these teeth, seen at the output: rotor and gears before [kg m^2]."""
    stop_stiffness: float = 0.0
    """Torsional stiffness between that inertia and the stop, at the output [N m/rad]."""
    bending_safety: float = 1.5
    """Bending endurance over stress in running, at least [-] (common practice, no source)."""
    yield_safety: float = 2.0
    """Yield stress over bending stress at the peak, at least [-]; 2 at stops, AIAA S-114."""
    contact_safety: float = 1.0
    """Contact endurance over pressure in running, at least [-]; the load's own safety is its square."""
    static_contact_safety: float = 1.0
    """Pressure borne a few times over pressure at the peak, at least [-]."""
    contact_ratio_least: float = 1.2
    """Contact ratio, at least [-] (common practice, no source)."""
    tip_thickness_least: float = 0.25
    """Thickness of the tooth tips, at least [modules]; 0.4 when case-hardened (common practice, no source)."""
    rim_heights: float = 1.2
    """Rim between bore and root over tooth height, at least [-] (AGMA 2001, below it the rim weakens the root; from memory)."""
    friction: float = 0.08
    """Friction coefficient of the teeth in running [-] (greased steel; common practice, no source)."""
    static_friction: float = 0.12
    """The same at breakaway [-]."""
    thinning: float | None = None
    """Mean amount taken off the teeth of each gear on the reference circle [m]; None: as little as never binds."""
    backlash_least: float = 5e-6
    """Backlash to be left in the worst case when ``thinning`` is None [m]."""
    thickness_tolerance: float = 15e-6
    """Of each gear's tooth thickness, plus or minus [m]."""
    centre_tolerance: float = 20e-6
    """Of the centre distance, plus or minus [m]."""
    runout_pinion: float = 20e-6
    """Indicator reading, as mounted [m]."""
    runout_wheel: float = 30e-6
    """Indicator reading, as mounted [m]."""
    bearing_play: float = 10e-6
    """Radial play of both shafts' bearings together [m]."""
    housing_expansion: float = MATERIALS["aluminium alloy, 6000 series, aged"].expansion
    """Coefficient of expansion of the housing [1/K]; aluminium."""
    assembly_temperature: float = 293.15
    """At which sizes are measured [K]."""
    low_temperature: float = 243.15
    """Coldest housing in use [K]."""
    high_temperature: float = 323.15
    """Hottest housing in use [K]."""
    wheel_colder: float = 20.0
    """How much colder than the housing the wheel gets, on the side of a cold valve [K]."""
    wheel_warmer: float = 5.0
    """How much warmer than the housing the wheel gets [K]."""
    lost_motion_most: float = math.inf
    """Lost motion at the output in the worst case, at most [rad]."""
    output_travel: float = 0.5 * math.pi
    """Travel of the output [rad]; says how many teeth a sector needs."""
    weights: tuple[float, float, float, float] = (1.0, 1.0, 1.0, 0.25)
    """Weight of strength, lost motion, size and inertia in the ranking [-]."""

    @property
    def sense(self) -> int:
        """Sign of the wheel's number of teeth in the laws of ``parts``."""
        return -1 if self.internal else 1

    @property
    def blow(self) -> float:
        """Largest output torque [N m]: at stall, or at the blow on the stop when one is given."""
        if self.stop_speed <= 0.0:
            return self.peak_torque
        return gear_strength.stop_torque(self.peak_torque, self.stop_speed, self.stop_inertia, self.stop_stiffness)

    def tolerances(self, thinning: float) -> gear_backlash.MeshTolerances:
        """What moves the backlash, with a given thinning of each gear [m]."""
        return gear_backlash.MeshTolerances(
            thinning_1=thinning,
            thinning_2=thinning,
            thickness=self.thickness_tolerance,
            centre=self.centre_tolerance,
            runout_1=self.runout_pinion,
            runout_2=self.runout_wheel,
            bearing_play=self.bearing_play,
            housing_expansion=self.housing_expansion,
            expansion_1=self.pinion_material.expansion,
            expansion_2=self.wheel_material.expansion,
            assembly=self.assembly_temperature,
            low=self.low_temperature,
            high=self.high_temperature,
            wheel_colder=self.wheel_colder,
            wheel_warmer=self.wheel_warmer,
        )


def _material_faults(key: str, material: GearMaterial) -> list[Fault]:
    faults = []
    for field in fields(GearMaterial):
        value = getattr(material, field.name)
        if isinstance(value, str):
            continue
        allowed = 0.0 <= value < 0.5 if field.name == "poisson" else value > 0.0 and math.isfinite(value)
        if not allowed:
            limit = "from 0 to below 0.5" if field.name == "poisson" else "above zero and finite"
            faults.append(Fault(f"must be {limit}", f"{key}.{field.name}", got=str(value)))
    return faults


def check(wishes: GearWishes) -> None:
    """Raise ``DesignError`` with every fault of the inputs at once."""
    faults: list[Fault] = []
    for key, (low, high) in BETWEEN.items():
        value = getattr(wishes, key)
        if not low <= value <= high or (key in ABOVE_ZERO and value == 0.0):
            above = "above" if key in ABOVE_ZERO and low == 0.0 else "from"
            faults.append(Fault(f"must be {above} {low:g} to {high:g} (SI)", key, got=str(value)))
    for key in ("largest_size", "lost_motion_most"):
        if not getattr(wishes, key) > 0.0:
            faults.append(Fault("must be above zero", key, got=str(getattr(wishes, key))))
    for key in ("pinion_bore", "wheel_bore", "ring_rim"):
        if not 0.0 <= getattr(wishes, key) < math.inf:
            faults.append(Fault("must be zero or above and finite", key, got=str(getattr(wishes, key))))
    if wishes.centre_least > wishes.centre_most:
        faults.append(Fault("must not be below centre_least", "centre_most", got=str(wishes.centre_most)))
    if wishes.low_temperature > wishes.high_temperature:
        faults.append(Fault("must not be below low_temperature", "high_temperature", got=str(wishes.high_temperature)))
    if not wishes.modules or not all(0.05e-3 <= m <= 50e-3 for m in wishes.modules):
        faults.append(Fault("must name at least one, each from 0.05 to 50 mm", "modules", got=str(wishes.modules)))
    fewest, most = wishes.pinion_teeth
    if not 6 <= fewest <= most <= 300:
        faults.append(
            Fault("must be two numbers from 6 to 300, fewest first", "pinion_teeth", got=str(wishes.pinion_teeth))
        )
    if not 6 <= wishes.wheel_teeth_most <= 1000:
        faults.append(Fault("must be from 6 to 1000", "wheel_teeth_most", got=str(wishes.wheel_teeth_most)))
    if not 0.0 <= wishes.face_modules[0] <= wishes.face_modules[1]:
        faults.append(Fault("must be two numbers, smaller first", "face_modules", got=str(wishes.face_modules)))
    if wishes.thinning is not None and not 0.0 <= wishes.thinning <= 1e-3:
        faults.append(Fault("must be from 0 to 1 mm", "thinning", got=str(wishes.thinning)))
    if wishes.finish not in VELOCITY:
        faults.append(Fault(f"must be one of {', '.join(VELOCITY)}", "finish", got=str(wishes.finish)))
    if wishes.stop_speed > 0.0 and not (wishes.stop_inertia > 0.0 and wishes.stop_stiffness > 0.0):
        faults.append(
            Fault("needs stop_inertia and stop_stiffness above zero", "stop_speed", got=str(wishes.stop_speed))
        )
    if wishes.static_friction < wishes.friction:
        faults.append(Fault("must not be below friction", "static_friction", got=str(wishes.static_friction)))
    if not all(0.0 <= w < math.inf for w in wishes.weights):
        faults.append(Fault("must be zero or above and finite", "weights", got=str(wishes.weights)))
    faults += _material_faults("pinion_material", wishes.pinion_material)
    faults += _material_faults("wheel_material", wishes.wheel_material)
    if faults:
        raise DesignError(faults)
