"""What a design file may say about a leg's feed: liquid, tank, line, jacket, manifold, injector. SI, angles in radians."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from valvectl.design.quantities import (
    AbsolutePressure,
    Area,
    Density,
    Elasticity,
    Fraction,
    HeatFlow,
    Length,
    MassFlow,
    Number,
    PressureDifference,
    SpecificHeat,
    Speed,
    Temperature,
    TemperatureDifference,
    Time,
    Viscosity,
    Volume,
    WarmingRate,
)
from valvectl.design.schema_base import Part, refuse
from valvectl.design.schema_supply import Bottle, GasValve, Trace, Ullage
from valvectl.design.supply_rules import missing_for_supply

NAMED_LIQUIDS = (
    "oxygen",
    "nitrous oxide",
    "methane",
    "ethanol",
    "methanol",
    "isopropanol",
    "propane",
    "hydrogen",
    "nitrogen",
    "water",
)
"""Liquids whose properties come by name alone, in the plain name of each; trade names such as lox are understood too."""
GIVEN_LIQUIDS = ("rp-1 (kerosene)",)
"""Propellants that combustion knows by name, but whose liquid properties have to be given."""


class Liquid(Part):
    """What flows in a leg. Properties come from CoolProp by name at this temperature, or from the numbers given."""

    name: str = Field(
        min_length=1,
        max_length=60,
        description=(
            f"{', '.join(NAMED_LIQUIDS)} or any other fluid of CoolProp; with all five properties given any liquid, as "
            f"{', '.join(GIVEN_LIQUIDS)} needs"
        ),
    )
    temperature: Temperature = Field(description="temperature of the liquid at the valve")
    water: Fraction | None = Field(
        default=None,
        ge=0.0,
        le=0.6,
        description="water in methanol, ethanol or isopropanol, by mass; left out: none, or what the name states",
    )
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
    supply: Literal["regulated", "blow-down", "electronic"] = Field(
        default="regulated",
        description="what holds the pressure: a spring-loaded regulator, nothing (pressure is then that at the start), or a "
        "gas valve switched by a computer; this and the rest count in the study of disturbances",
    )
    lock_up: PressureDifference | None = Field(
        default=None,
        ge=0.0,
        description="rise over pressure at which the regulator shuts; the tank stands there at the start",
    )
    response_time: Time | None = Field(
        default=None, gt=0.0, le=60.0, description="time constant with which the regulated pressure follows the flow"
    )
    diameter: Length | None = Field(
        default=None,
        gt=0.0,
        description="inner diameter of the upright tank; the liquid's level then falls by what has left",
    )
    warming: WarmingRate | None = Field(
        default=None,
        ge=-10.0,
        le=10.0,
        description="rate at which the liquid at the valve warms from the start of the profile",
    )
    trace: Trace | None = Field(default=None, description="tank pressure over time, in place of the regulator")
    ullage: Ullage | None = Field(default=None, description="gas above the liquid")
    bottle: Bottle | None = Field(default=None, description="gas bottle of this tank")
    gas_valve: GasValve | None = Field(default=None, description="what lets the gas into the tank")
    relief_pressure: AbsolutePressure | None = Field(
        default=None, gt=0.0, description="pressure at which a relief valve holds the tank, whatever flows in"
    )

    @model_validator(mode="after")
    def _supply(self) -> Tank:
        missing = missing_for_supply(self)
        if missing is not None:
            raise refuse(*missing)
        if self.relief_pressure is not None and self.relief_pressure <= self.pressure + (self.lock_up or 0.0):
            raise refuse("relief_pressure", "must be above pressure and lock_up together")
        return self


class Fitting(Part):
    """Bends, filters, tees and so on of one sort."""

    name: str = Field(max_length=60, description="what it is")
    loss_coefficient: Number = Field(ge=0.0, le=1e6, description="K of one, on the velocity in the line")
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
    """Cooling jacket between valve and injector: a loss that goes with flow squared, the liquid in it, the heat it takes up.

    With ``heat`` or ``temperature_rise`` the liquid in manifold and injector is the hot one.
    """

    pressure_drop: PressureDifference = Field(ge=0.0, description="pressure drop at reference_flow")
    reference_flow: MassFlow = Field(gt=0.0, description="mass flow at which pressure_drop holds")
    length: Length = Field(gt=0.0, description="length of the flow path")
    flow_area: Area = Field(gt=0.0, description="flow area of all channels together")
    volume: Volume | None = Field(default=None, gt=0.0, description="liquid in it; left out: length times flow_area")
    compliant: bool = Field(
        default=False, description="count its liquid as manifold volume too (the most that it can soften the manifold)"
    )
    heat: HeatFlow | None = Field(
        default=None, gt=0.0, description="heat taken up at 100 % throttle; or temperature_rise"
    )
    temperature_rise: TemperatureDifference | None = Field(
        default=None, gt=0.0, description="rise of the liquid's mean temperature at 100 % throttle; or heat"
    )
    specific_heat: SpecificHeat | None = Field(
        default=None, gt=0.0, description="specific heat of the liquid; left out: from its properties"
    )
    outlet_density: Density | None = Field(
        default=None, gt=0.0, description="density behind it at 100 % throttle; left out: from its properties"
    )
    outlet_vapour_pressure: AbsolutePressure | None = Field(
        default=None, gt=0.0, description="vapour pressure behind it at 100 % throttle; left out: from its properties"
    )

    @property
    def liquid_volume(self) -> float:
        """Liquid in it [m^3]."""
        return float(self.volume if self.volume is not None else self.length * self.flow_area)

    @model_validator(mode="after")
    def _heated(self) -> Jacket:
        if self.heat is not None and self.temperature_rise is not None:
            raise refuse("temperature_rise", "heat and temperature_rise say the same thing; delete one of the two")
        if self.heat is None and self.temperature_rise is None:
            for key in ("specific_heat", "outlet_density", "outlet_vapour_pressure"):
                if getattr(self, key) is not None:
                    raise refuse(key, f"{key} counts for a heated jacket only; give heat or temperature_rise too")
        return self


class Manifold(Part):
    """Liquid volume before the injector and what makes it soft."""

    volume: Volume = Field(gt=0.0, description="liquid volume between valve and injector that counts as manifold")
    gas_volume: Volume = Field(default=0.0, ge=0.0, description="gas or vapour trapped in it at full thrust")


class Injector(Part):
    """Injector orifices of one propellant, all the same."""

    hole_diameter: Length = Field(gt=0.0, le=0.1, description="diameter of one orifice")
    hole_count: int = Field(ge=1, le=100000, description="number of orifices")
    discharge_coefficient: Number | None = Field(
        default=None, gt=0.1, le=1.0, description="discharge coefficient Cd; left out: from inlet and length"
    )
    inlet: Literal["sharp", "rounded"] | None = Field(
        default=None, description="edge of the orifice's inlet, for Cd and its cavitation"
    )
    inlet_radius: Length | None = Field(
        default=None, gt=0.0, description="radius of a rounded inlet; left out: 0.14 diameters or more"
    )
    length: Length | None = Field(default=None, gt=0.0, description="length of the orifice, for Cd and its cavitation")

    @model_validator(mode="after")
    def _coefficient(self) -> Injector:
        if self.discharge_coefficient is None and (self.inlet is None or self.length is None):
            raise refuse(
                "discharge_coefficient",
                "key is missing: discharge coefficient Cd; or give inlet and length to predict it",
            )
        if self.inlet_radius is not None and self.inlet != "rounded":
            raise refuse("inlet_radius", 'inlet_radius belongs to inlet = "rounded"')
        return self
