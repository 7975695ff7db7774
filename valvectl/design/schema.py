"""What a design file may say: every key with its meaning, unit, range and default.

All numbers here are SI and angles are radians; the text with units has been read at the border (``quantities``).
Leaving a key out that has a default is allowed; the default then shows up in the list of defaults used.
Angles of a valve count from the shut position; positive opens.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Literal

from pydantic import Field, model_validator

from valvectl.design.quantities import (
    AbsolutePressure,
    Angle,
    Area,
    Current,
    Density,
    Elasticity,
    Force,
    Fraction,
    Length,
    MassFlow,
    Number,
    PressureDifference,
    Resistance,
    Speed,
    Temperature,
    Time,
    Viscosity,
    Voltage,
    Volume,
)
from valvectl.design.schema_actuator import Actuator, Controller, Encoder, Gains, GearStage, Location, Motor
from valvectl.design.schema_base import Part, refuse
from valvectl.design.schema_valve import FlowTable, RoundPort, StemTorque, Valve

SCHEMA = "valvectl-design-1"
LegName = Literal["oxidizer", "fuel"]
LEGS: tuple[LegName, LegName] = ("oxidizer", "fuel")

__all__ = [
    "LEGS", "SCHEMA", "Actuator", "Battery", "CStarTable", "Combustion", "Controller", "DesignData", "Encoder",
    "Engine", "Fitting", "FlowTable", "Gains", "GearStage", "Injector", "Jacket", "Leg", "LegName", "Legs", "Line",
    "Liquid", "Location", "Manifold", "Motor", "Part", "ProfilePoint", "Requirements", "RoundPort", "Simulation",
    "Start", "StemTorque", "Tank", "Throttle", "Valve",
]  # fmt: skip


# ------------------------------------------------------------------------------------------------------- engine


class CStarTable(Part):
    """Characteristic velocity given as a table instead of by equilibrium."""

    mixture_ratio: tuple[Number, ...] = Field(min_length=2, description="mixture ratios by mass, rising")
    chamber_pressure: tuple[AbsolutePressure, ...] = Field(min_length=1, description="chamber pressures, rising")
    c_star: tuple[tuple[Speed, ...], ...] = Field(
        description="ideal characteristic velocity, one row a chamber pressure, one column a mixture ratio"
    )
    gamma: Number = Field(gt=1.0, lt=1.67, description="isentropic exponent of the chamber gas")

    @model_validator(mode="after")
    def _shape(self) -> CStarTable:
        for name in ("mixture_ratio", "chamber_pressure"):
            values = getattr(self, name)
            if any(b <= a for a, b in pairwise(values)) or values[0] <= 0.0:
                raise refuse(name, f"{name} must be above zero and rise from entry to entry")
        if len(self.c_star) != len(self.chamber_pressure) or any(
            len(row) != len(self.mixture_ratio) for row in self.c_star
        ):
            raise refuse(
                "c_star",
                f"c_star needs {len(self.chamber_pressure)} row(s) (chamber_pressure) "
                f"of {len(self.mixture_ratio)} entries (mixture_ratio)",
            )
        if any(value <= 0.0 for row in self.c_star for value in row):
            raise refuse("c_star", "c_star must be above zero")
        return self


class Combustion(Part):
    """How propellant flow becomes chamber pressure."""

    source: Literal["equilibrium", "table"] = Field(
        description="where c* comes from: chemical equilibrium (shifting, Cantera) or the table given here"
    )
    table: CStarTable | None = Field(default=None, description="c* table; needed when source is table")
    efficiency: Fraction = Field(gt=0.3, le=1.0, description="c* efficiency: delivered over ideal")
    delay_oxidizer: Time = Field(
        gt=0.0, le=0.05, description="time from injector to burnt for the oxidizer (combustion dead time)"
    )
    delay_fuel: Time = Field(gt=0.0, le=0.05, description="time from injector to burnt for the fuel")
    delay_exponent: Number = Field(
        default=0.0,
        ge=-3.0,
        le=3.0,
        description="in the stability study both delays are those stated times throttle^-exponent; 0: the same at every "
        "setting. The time simulation keeps the delays stated",
    )

    @model_validator(mode="after")
    def _source(self) -> Combustion:
        if self.source == "table" and self.table is None:
            raise refuse("table", "source is table, but there is no table")
        if self.source == "equilibrium" and self.table is not None:
            raise refuse("table", "source is equilibrium, but a table is given; delete one of the two")
        return self


class Engine(Part):
    """Chamber and nozzle at 100 % throttle."""

    thrust: Force = Field(gt=0.0, description="thrust at 100 % throttle at the ambient pressure")
    chamber_pressure: AbsolutePressure = Field(gt=0.0, description="chamber pressure at 100 % throttle")
    mixture_ratio: Number = Field(gt=0.05, lt=50.0, description="oxidizer over fuel by mass, held over the range")
    throat_diameter: Length = Field(gt=0.0, description="diameter of the nozzle throat")
    expansion_ratio: Number = Field(gt=1.0, lt=500.0, description="nozzle exit area over throat area")
    characteristic_length: Length = Field(gt=0.05, lt=10.0, description="L*: chamber volume over throat area")
    ambient_pressure: AbsolutePressure = Field(
        default=101325.0,
        ge=0.0,
        description="ambient pressure; gauge pressures in the file count from here",
    )
    combustion: Combustion


# ---------------------------------------------------------------------------------------------------------- leg


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


# ---------------------------------------------------------------------------------------------------------- legs


class Leg(Part):
    """One propellant from tank to injector with its valve and servo."""

    liquid: Liquid
    tank: Tank
    line: Line
    valve: Valve
    downstream: Line | None = Field(default=None, description="pipe from valve to manifold; default: bolted on")
    jacket: Jacket | None = Field(default=None, description="cooling jacket between valve and injector; default none")
    manifold: Manifold
    injector: Injector
    actuator: Actuator
    controller: Controller


class Legs(Part):
    """The two legs."""

    oxidizer: Leg
    fuel: Leg


# --------------------------------------------------------------------------------------------- battery, throttle


class Battery(Part):
    """Battery that feeds both drives."""

    voltage: Voltage = Field(gt=0.0, description="open-circuit voltage for the nominal run")
    minimum_voltage: Voltage = Field(gt=0.0, description="open-circuit voltage at the end of discharge; worst corner")
    resistance: Resistance = Field(ge=0.0, description="internal resistance with its own leads")
    undervoltage_lockout: Voltage = Field(gt=0.0, description="bus voltage at which a drive shuts off")
    other_loads: Current = Field(default=0.0, ge=0.0, description="current of everything else on it")

    @model_validator(mode="after")
    def _order(self) -> Battery:
        if not self.undervoltage_lockout < self.minimum_voltage:
            raise refuse("undervoltage_lockout", f"must be below minimum_voltage ({self.minimum_voltage:g} V)")
        if not self.minimum_voltage <= self.voltage:
            raise refuse("minimum_voltage", f"must not be above voltage ({self.voltage:g} V)")
        return self


class ProfilePoint(Part):
    """A corner of the throttle profile; straight lines join the corners."""

    time: Time = Field(ge=0.0, description="time from the start of the profile")
    throttle: Fraction = Field(gt=0.0, le=1.2, description="thrust over full thrust")


class Throttle(Part):
    """Range and profile."""

    minimum: Fraction = Field(gt=0.02, lt=1.0, description="lowest throttle setting")
    profile: tuple[ProfilePoint, ...] = Field(min_length=2, max_length=1000, description="corners, in order of time")
    schedule_points: int = Field(
        default=31, ge=2, le=1001, description="entries of the table throttle to angles in the engine computer"
    )

    @model_validator(mode="after")
    def _order(self) -> Throttle:
        times = [point.time for point in self.profile]
        if times[0] != 0.0:
            raise refuse("profile[0].time", "profile must start at time 0")
        for i in range(1, len(times)):
            if times[i] < times[i - 1]:
                raise refuse(f"profile[{i}].time", "profile times must not fall")
        if times[-1] <= 0.0:
            raise refuse("profile", "profile must last longer than zero")
        if times[-1] > 600.0:
            raise refuse(f"profile[{len(times) - 1}].time", "profile must end within 600 s")
        for i, point in enumerate(self.profile):
            if not self.minimum - 1e-9 <= point.throttle <= 1.0 + 1e-9:
                raise refuse(f"profile[{i}].throttle", "profile must stay between throttle.minimum and 100 %")
        return self


class Requirements(Part):
    """Limits that the review holds the design to. Every one has a default from common practice."""

    mixture_ratio_steady: Fraction = Field(default=0.05, gt=0.0, description="error of O/F at a held throttle, at most")
    mixture_ratio_transient: Fraction = Field(
        default=0.10, gt=0.0, description="error of O/F while throttling, at most"
    )
    mixture_ratio_settling: Time = Field(
        default=0.3, gt=0.0, description="from the end of a throttle change to O/F back in the steady band, at most"
    )
    flow_resolution: Fraction = Field(
        default=0.005, gt=0.0, description="flow change of the smallest reliable step, at most"
    )
    valve_travel: Angle = Field(
        default=math.radians(8.0), description="travel left between the angles used and either end, at least"
    )
    cavitation: Fraction = Field(
        default=0.8,
        gt=0.0,
        description="pressure drop of the valve over the drop at which it chokes, at most; distance from choking, not "
        "freedom from cavitation, which begins earlier",
    )
    injector_stiffness: Fraction = Field(
        default=0.10,
        gt=0.0,
        description="injector drop over chamber pressure over the range, at least; 10 % at the lowest throttle is low "
        "common practice (15 to 30 % at full flow is usual), so that stability then needs evidence of its own",
    )
    torque_margin: Fraction = Field(
        default=1.0, ge=0.0, description="torque available over torque needed, less one, worst corner, at least"
    )
    stroke_time: Time = Field(default=0.5, gt=0.0, description="full stroke from stop to stop, at most")
    gain_margin: Number = Field(default=6.0, gt=0.0, description="gain margin [dB], at least")
    phase_margin: Angle = Field(default=math.radians(45.0), gt=0.0, description="phase margin, at least")
    chug_margin: Number = Field(
        default=6.0,
        gt=0.0,
        description="gain margin [dB] of the feed-coupled combustion loop, manifolds as stated, over the throttle range, "
        "at least",
    )
    peak_sensitivity: Number = Field(default=2.0, gt=1.0, description="largest |S|, at most")
    step_overshoot: Fraction = Field(default=0.05, ge=0.0, description="overshoot of a step of the command, at most")
    step_settling: Time = Field(default=0.15, gt=0.0, description="settling to 2 % of the step, at most")
    tracking_mismatch: Time = Field(default=0.005, gt=0.0, description="difference of the two valves' lags, at most")
    limit_cycle: Fraction = Field(
        default=0.0025, gt=0.0, description="flow change from peak to peak of hunting at a held command, at most"
    )
    bus_voltage: Number = Field(
        default=1.1, gt=1.0, description="lowest bus voltage over undervoltage_lockout, at least"
    )
    motor_heating: Fraction = Field(
        default=1.0, gt=0.0, description="rise of the winding over the rise allowed to temperature_limit, at most"
    )
    motor_speed: Fraction = Field(
        default=1.0, gt=0.0, description="highest motor speed of profile and full strokes over its max_speed, at most"
    )
    gear_torque: Fraction = Field(
        default=1.0,
        gt=0.0,
        description="torque that the current limit can put through a gear stage over its torque_limit, at most",
    )


class Start(Part):
    """How the engine starts, for the study of the start: both valves open from shut to the lowest throttle."""

    fuel_lead: Time = Field(
        default=0.0, ge=-10.0, le=10.0, description="fuel command before the oxidizer command; negative: after it"
    )
    ignition_delay: Time = Field(
        default=0.01, ge=0.0, le=10.0, description="from the later propellant's arrival in the chamber to ignition"
    )
    timing_scatter: Time = Field(
        default=0.005, ge=0.0, le=1.0, description="standard deviation of each valve's and of the igniter's timing"
    )
    burst_limit: PressureDifference | None = Field(
        default=None,
        gt=0.0,
        description="pressure rise allowed when what has gathered burns at once; by default not assessed",
    )


class Simulation(Part):
    """Numerics of the time simulation."""

    step: Time = Field(default=20e-6, ge=1e-6, le=100e-6, description="longest integration step")
    record: Time = Field(default=5e-4, ge=1e-6, le=0.1, description="time between recorded points")


class DesignData(Part):
    """A whole design file."""

    schema_: Literal["valvectl-design-1"] = Field(alias="schema", description="version of the file's layout")
    name: str = Field(min_length=1, max_length=120, description="name of the design")
    note: str = Field(default="", max_length=4000, description="anything a reader should know")
    engine: Engine
    legs: Legs
    battery: Battery
    throttle: Throttle
    start: Start = Start()
    requirements: Requirements = Requirements()
    simulation: Simulation = Simulation()
