"""What a design file may say about a leg's feed: liquid, tank, line, jacket, manifold, injector. SI, angles in radians."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from valvectl.design.quantities import (
    AbsolutePressure,
    Area,
    Density,
    Elasticity,
    Length,
    MassFlow,
    Number,
    PressureDifference,
    Speed,
    Temperature,
    Viscosity,
    Volume,
)
from valvectl.design.schema_base import Part


class Liquid(Part):
    """What flows in a leg. Properties come from CoolProp by name at this temperature, or from the numbers given."""

    name: str = Field(min_length=1, max_length=60, description="name; a CoolProp fluid unless all numbers are given")
    temperature: Temperature = Field(description="temperature of the liquid at the valve")
    density: Density | None = Field(default=None, gt=0.0, description="density; by default from CoolProp")
    vapour_pressure: AbsolutePressure | None = Field(default=None, gt=0.0, description="by default from CoolProp")
    critical_pressure: AbsolutePressure | None = Field(default=None, gt=0.0, description="by default from CoolProp")
    viscosity: Viscosity | None = Field(default=None, gt=0.0, description="by default from CoolProp")
    sound_speed: Speed | None = Field(default=None, gt=0.0, description="by default from CoolProp")


class Tank(Part):
    """Tank of a leg: regulated pressure above the liquid, and the liquid's head."""

    pressure: AbsolutePressure = Field(gt=0.0, description="regulated pressure at no flow, above the liquid")
    droop: PressureDifference = Field(
        default=0.0, ge=0.0, description="fall of that pressure from no flow to the flow at 100 % throttle, linear"
    )
    height: Length = Field(default=0.0, description="liquid surface above the injector; negative when below")
    load_factor: Number = Field(default=1.0, description="acceleration along the line over standard gravity")


class Fitting(Part):
    """Bends, filters, tees and so on of one sort."""

    name: str = Field(max_length=60, description="what it is")
    loss_coefficient: Number = Field(ge=0.0, description="K of one, on the velocity in the line")
    count: int = Field(default=1, ge=1, le=200, description="how many")


class Line(Part):
    """A round pipe with its fittings."""

    length: Length = Field(gt=0.0, description="length of the pipe")
    inner_diameter: Length = Field(gt=0.0, description="inner diameter")
    roughness: Length = Field(default=1.5e-6, ge=0.0, description="equivalent sand roughness (drawn tube 1.5 um)")
    fittings: tuple[Fitting, ...] = Field(default=(), description="bends, filters, tees")
    wall_thickness: Length = Field(
        default=1.0e-3,
        gt=0.0,
        description="thickness of the pipe's wall; this and the next four count in the surge study of the line before "
        "the valve",
    )
    wall_elasticity: Elasticity = Field(
        default=200.0e9, ge=1.0e6, le=1.0e12, description="modulus of elasticity of the wall; stainless steel 200 GPa"
    )
    poisson_ratio: Number = Field(default=0.3, ge=0.0, le=0.5, description="Poisson's ratio of the wall")
    anchoring: Literal["upstream", "throughout", "none"] = Field(
        default="upstream",
        description="how the pipe is held: at its upstream end, against all axial movement, or by expansion joints",
    )
    pressure_limit: AbsolutePressure | None = Field(
        default=None,
        gt=0.0,
        description="highest pressure allowed before the valve in a surge; by default 1.2 times that at rest",
    )


class Jacket(Part):
    """Cooling jacket between valve and injector: a loss that goes with flow squared, and the liquid in it."""

    pressure_drop: PressureDifference = Field(ge=0.0, description="pressure drop at reference_flow")
    reference_flow: MassFlow = Field(gt=0.0, description="mass flow at which pressure_drop holds")
    length: Length = Field(gt=0.0, description="length of the flow path")
    flow_area: Area = Field(gt=0.0, description="flow area of all channels together")


class Manifold(Part):
    """Liquid volume before the injector and what makes it soft."""

    volume: Volume = Field(gt=0.0, description="liquid volume between valve and injector that counts as manifold")
    gas_volume: Volume = Field(default=0.0, ge=0.0, description="gas or vapour trapped in it at full chamber pressure")


class Injector(Part):
    """Injector orifices of one propellant, all the same."""

    hole_diameter: Length = Field(gt=0.0, description="diameter of one orifice")
    hole_count: int = Field(ge=1, le=100000, description="number of orifices")
    discharge_coefficient: Number = Field(gt=0.1, le=1.0, description="discharge coefficient Cd")
