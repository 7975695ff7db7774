"""What a design file may say about a gear stage that the team makes itself, for the study of its teeth. SI."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from valvectl.design.quantities import (
    Angle,
    AngularSpeed,
    Density,
    Elasticity,
    Fraction,
    Length,
    Number,
    PerKelvin,
    Stress,
    Temperature,
    TemperatureDifference,
)
from valvectl.design.schema_base import Part, refuse
from valvectl.parts.gear_material import MATERIALS


class ToothMaterial(Part):
    """Material of a gear by its numbers, from your certificate."""

    elasticity: Elasticity = Field(gt=0.0, description="modulus of elasticity")
    poisson_ratio: Number = Field(default=0.3, ge=0.0, lt=0.5, description="Poisson's ratio")
    density: Density = Field(gt=0.0, description="density")
    expansion: PerKelvin = Field(gt=0.0, description="linear expansion")
    yield_stress: Stress = Field(gt=0.0, description="0.2 % proof stress; of case-hardened steel that of the core")
    bending_endurance: Stress = Field(gt=0.0, description="nominal root stress borne for ever, pulsating")
    contact_endurance: Stress = Field(gt=0.0, description="largest Hertzian pressure borne for ever")


class OwnStage(Part):
    """Wishes for the last gear stage as the team's own spur pair or ring; its torques and speeds come from the actuator."""

    ratio: Number | None = Field(
        default=None, gt=1.0, le=20.0, description="wheel over pinion teeth; by default that of the last gear stage"
    )
    ratio_tolerance: Fraction = Field(default=0.03, ge=0.0, le=0.5, description="departure from the ratio, at most")
    kind: Literal["external", "internal"] = Field(
        default="external", description="external wheel, or internal ring or sector"
    )
    centre_distance: tuple[Length, ...] = Field(
        min_length=1, max_length=2, description="centre distance, or smallest and largest"
    )
    face_width: Length = Field(gt=0.0, description="face width of the wheel")
    pinion_teeth_least: int = Field(default=12, ge=6, le=300, description="fewest teeth of the pinion")
    pinion_teeth_most: int = Field(default=40, ge=6, le=300, description="most teeth of the pinion")
    wheel_teeth_most: int = Field(default=160, ge=6, le=1000, description="most teeth of the wheel or ring")
    largest_size: Length | None = Field(
        default=None, gt=0.0, description="length across both gears, or outer diameter of a ring, at most"
    )
    pinion_bore: Length = Field(default=0.0, ge=0.0, description="bore of the pinion, over the keyway")
    wheel_bore: Length = Field(default=0.0, ge=0.0, description="bore of an external wheel")
    pinion_material: str = Field(
        default="alloy steel, quenched and tempered", description="name of a typical material of the pinion"
    )
    pinion_properties: ToothMaterial | None = Field(
        default=None, description="its numbers from your certificate, in place of the typical ones"
    )
    wheel_material: str = Field(
        default="alloy steel, quenched and tempered", description="name of a typical material of the wheel"
    )
    wheel_properties: ToothMaterial | None = Field(
        default=None, description="its numbers from your certificate, in place of the typical ones"
    )
    finish: Literal["cut", "hobbed", "ground"] = Field(default="cut", description="how the teeth are made")
    stop_speed: AngularSpeed | None = Field(
        default=None,
        ge=0.0,
        description="speed of the output when it hits a stop by mistake; by default the command's speed limit, 0: never",
    )
    bending_safety: Number = Field(default=1.5, ge=0.1, le=100.0, description="bending endurance over stress, at least")
    yield_safety: Number = Field(
        default=2.0, ge=0.1, le=100.0, description="yield over bending stress at stall or stop, at least"
    )
    contact_safety: Number = Field(
        default=1.0, ge=0.1, le=100.0, description="contact endurance over pressure, at least"
    )
    friction: Number = Field(default=0.08, ge=0.0, le=1.0, description="friction coefficient of the teeth, running")
    static_friction: Number = Field(default=0.12, ge=0.0, le=1.0, description="the same at breakaway")
    thinning: Length | None = Field(
        default=None,
        ge=0.0,
        le=1e-3,
        description="taken off the teeth of each gear at the reference circle; by default as little as never binds",
    )
    thickness_tolerance: Length = Field(
        default=15e-6, ge=0.0, le=1e-3, description="of each tooth thickness, plus or minus"
    )
    centre_tolerance: Length = Field(
        default=20e-6, ge=0.0, le=1e-3, description="of the centre distance, plus or minus"
    )
    runout_pinion: Length = Field(default=20e-6, ge=0.0, le=1e-3, description="indicator reading, as mounted")
    runout_wheel: Length = Field(default=30e-6, ge=0.0, le=1e-3, description="indicator reading, as mounted")
    bearing_play: Length = Field(default=10e-6, ge=0.0, le=1e-3, description="radial play of both shafts together")
    housing_expansion: PerKelvin = Field(
        default=23.5e-6, ge=0.0, le=1e-3, description="linear expansion of the housing"
    )
    assembly_temperature: Temperature = Field(default=293.15, description="at which sizes are measured")
    low_temperature: Temperature = Field(default=243.15, description="coldest housing in use")
    high_temperature: Temperature = Field(default=323.15, description="hottest housing in use")
    wheel_colder: TemperatureDifference = Field(
        default=20.0,
        ge=0.0,
        le=300.0,
        description="how much colder than the housing the wheel gets, beside a cold valve",
    )
    wheel_warmer: TemperatureDifference = Field(
        default=5.0, ge=0.0, le=300.0, description="how much warmer than the housing the wheel gets"
    )
    lost_motion: Angle | None = Field(
        default=None, gt=0.0, description="lost motion at the output, worst case, at most"
    )

    @model_validator(mode="after")
    def _together(self) -> OwnStage:
        for key in ("pinion_material", "wheel_material"):
            value = getattr(self, key)
            if value not in MATERIALS:
                known = "; ".join(f'"{name}"' for name in MATERIALS)
                raise refuse(
                    key, f"must be one of {known}; or give its numbers in {key.replace('material', 'properties')}"
                )
        if self.pinion_teeth_least > self.pinion_teeth_most:
            raise refuse("pinion_teeth_most", f"must not be below pinion_teeth_least ({self.pinion_teeth_least})")
        if not all(1e-3 <= c <= 2.0 for c in self.centre_distance):
            raise refuse("centre_distance", "must be from 1 mm to 2 m")
        if self.centre_distance[0] > self.centre_distance[-1]:
            raise refuse("centre_distance", "must be one length, or two with the smaller first")
        if self.static_friction < self.friction:
            raise refuse("static_friction", f"must not be below friction ({self.friction:g})")
        if self.low_temperature > self.high_temperature:
            raise refuse("high_temperature", "must not be below low_temperature")
        return self
