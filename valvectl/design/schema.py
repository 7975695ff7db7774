"""What a design file may say: every key with its meaning, unit, range and default.

All numbers here are SI and angles are radians; the text with units has been read at the border (``quantities``).
Leaving a key out that has a default is allowed; the default then shows up in the list of defaults used.
Angles of a valve count from the shut position; positive opens.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from valvectl.design.quantities import Fraction, PressureDifference, Time
from valvectl.design.schema_actuator import Actuator, Controller, Encoder, Gains, GearStage, Location, Motor
from valvectl.design.schema_base import Part
from valvectl.design.schema_engine import Combustion, CStarTable, Engine
from valvectl.design.schema_faults import Faults as Faults
from valvectl.design.schema_feed import Fitting, Injector, Jacket, Line, Liquid, Manifold, Tank
from valvectl.design.schema_gas import Purge
from valvectl.design.schema_outer import OuterLoops
from valvectl.design.schema_power import Battery, Duty, Fuse
from valvectl.design.schema_requirements import Requirements
from valvectl.design.schema_supply import Flight
from valvectl.design.schema_torque import TorqueModel
from valvectl.design.schema_tuning import Tuning
from valvectl.design.schema_valve import FlowTable, PortModel, StemTorque, Valve

SCHEMA = "valvectl-design-1"
LegName = Literal["oxidizer", "fuel"]
LEGS: tuple[LegName, LegName] = ("oxidizer", "fuel")

__all__ = [
    "LEGS", "SCHEMA", "Actuator", "Battery", "CStarTable", "Combustion", "Controller", "DesignData", "Duty", "Encoder",
    "Engine", "Fitting", "Flight", "FlowTable", "Fuse", "Gains", "GearStage", "Injector", "Jacket", "Leg", "LegName", "Legs",
    "Line", "Liquid", "Location", "Manifold", "Motor", "OuterLoops", "Part", "PortModel", "ProfilePoint", "Requirements",
    "Simulation", "Start", "StemTorque", "Tank", "Throttle", "TorqueModel", "Tuning", "Valve",
]  # fmt: skip


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
    purge: Purge | None = Field(
        default=None, description="purge gas let in behind the valve; without it no purge is worked out"
    )


class Legs(Part):
    """The two legs."""

    oxidizer: Leg
    fuel: Leg


# ------------------------------------------------------------------------------------------------------ throttle


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
    rate_matched: bool = Field(
        default=False,
        description="each change of throttle takes both valves the same time, as long as the slower one needs",
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


class Corner(Part):
    """A named combination of toleranced inputs at their bounds, for the study of the worst case."""

    name: str = Field(min_length=1, max_length=80, description="name of the corner")
    upper: tuple[str, ...] = Field(
        default=(),
        max_length=500,
        description="dotted keys of the toleranced inputs at their upper bound; by default none",
    )
    lower: tuple[str, ...] = Field(
        default=(), max_length=500, description="dotted keys of those at their lower bound; by default none"
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
    duty: Duty = Duty()
    start: Start = Start()
    flight: Flight | None = Field(
        default=None, description="load factor over time; left out: each tank's own, constant"
    )
    corners: tuple[Corner, ...] = Field(
        default=(), max_length=50, description="named combinations of toleranced inputs; by default none"
    )
    outer_loops: OuterLoops | None = Field(
        default=None, description="loops that trim both commands; left out: the schedule runs open loop"
    )
    faults: Faults = Faults()
    requirements: Requirements = Requirements()
    tuning: Tuning = Tuning()
    simulation: Simulation = Simulation()
