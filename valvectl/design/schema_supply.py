"""What a design file may say about a tank's gas side and what disturbs it. SI, absolute pressures.

Every table here may be left out: the tank then holds its regulated pressure (less droop) whatever happens.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Literal

from pydantic import Field, ValidationInfo, model_validator

from valvectl.design.quantities import (
    AbsolutePressure,
    Fraction,
    HeatConductance,
    Number,
    PressureDifference,
    Temperature,
    Time,
    Volume,
)
from valvectl.design.schema_base import Part, refuse

LONGEST_TRACE = 20_000
"""Most points of a pressure trace."""
LARGEST_KV = 1000.0
"""Largest Kv of a gas valve [m^3/h]; more is taken for a slip of the pen."""


class Collapse(Part):
    """Sudden cooling of the ullage by the liquid, as when it sloshes: constant mass and volume."""

    share: Fraction = Field(
        gt=0.0, le=1.0, description="share lost of the gas's temperature excess over the liquid, all at once"
    )
    time: Time = Field(ge=0.0, description="when it happens, from the start of the profile")


class Ullage(Part):
    """Gas above the liquid: how much, which, how warm."""

    volume: Volume = Field(gt=0.0, description="volume of the whole tank, liquid and gas")
    share: Fraction = Field(gt=0.0, lt=1.0, description="share of the tank that is gas at the start of the profile")
    gas: Literal["nitrogen", "helium", "argon", "oxygen"] = Field(
        description="pressurant, taken as a perfect gas; oxygen for a tank pressed with its own warm vapour"
    )
    gas_temperature: Temperature = Field(
        description="temperature of that gas at the start; what flows in without a bottle"
    )
    heat_exchange: HeatConductance = Field(
        default=0.0,
        ge=0.0,
        le=1e5,
        description="heat flow from gas to liquid and wall over their temperature difference, hA",
    )
    collapse: Collapse | None = Field(default=None, description="sudden cooling of the gas by the liquid")


class Bottle(Part):
    """Gas bottle before the regulator or gas valve of one tank."""

    volume: Volume = Field(gt=0.0, description="inner volume of the bottle")
    pressure: AbsolutePressure = Field(gt=0.0, description="pressure of the bottle at the start of the profile")
    temperature: Temperature = Field(description="temperature of its gas at the start, and of its wall throughout")
    heat_exchange: HeatConductance = Field(
        default=0.0, ge=0.0, le=1e5, description="heat flow from wall to gas over their temperature difference, hA"
    )
    inlet_effect: Number = Field(
        default=0.0,
        ge=-0.2,
        le=0.2,
        description="rise of the regulated pressure over the fall of the bottle's, bar a bar; the set pressure counts at the "
        "full bottle",
    )


class GasValve(Part):
    """What lets gas into the tank: a regulator's own valve wide open, or the valve of an electronic regulator."""

    kv: Number = Field(gt=0.0, le=LARGEST_KV, description="Kv wide open [m^3/h]")
    xt: Number = Field(gt=0.0, le=0.84, description="pressure drop ratio factor xT of IEC 60534-2-1")
    kind: Literal["on-off", "proportional"] | None = Field(
        default=None, description="how an electronic regulator moves it; not for a spring-loaded regulator"
    )
    sample_period: Time | None = Field(
        default=None,
        ge=1e-3,
        le=1.0,
        description="time between two readings of the tank pressure, each followed by a command",
    )
    delay: Time | None = Field(default=None, ge=0.0, le=1.0, description="from reading to gas flow, both ways")
    dead_band: PressureDifference | None = Field(
        default=None, gt=0.0, description="on-off: opens half of it below the set pressure, shuts half of it above"
    )
    proportional_band: PressureDifference | None = Field(
        default=None, gt=0.0, description="proportional: pressure below the set pressure at which it is wide open"
    )


class Trace(Part):
    """Tank pressure over time, measured or assumed, in place of the regulator: from a CSV file or as two lists."""

    file: str | None = Field(
        default=None,
        min_length=1,
        max_length=200,
        description="CSV file in the design file's folder or below, header row with units such as time [s],pressure [bar abs]",
    )
    time: tuple[Time, ...] = Field(
        default=(), max_length=LONGEST_TRACE, description="times from the start of the profile, rising; not beside file"
    )
    pressure: tuple[AbsolutePressure, ...] = Field(
        default=(),
        max_length=LONGEST_TRACE,
        description="tank pressure above the liquid at these times; not beside file",
    )

    @model_validator(mode="before")
    @classmethod
    def _read_with_the_design(cls, data: Any, info: ValidationInfo) -> Any:
        # A table that a program left alone comes as the object it is. Another name would leave times and pressures as
        # they were read, other pressures would no longer be the file's.
        if isinstance(data, dict) and data.get("file") is not None and (info.context or {}).get("si"):
            raise refuse("file", "a program can not change a trace that comes from a file; load the design anew")
        return data

    @model_validator(mode="after")
    def _columns(self) -> Trace:
        if len(self.time) != len(self.pressure):
            raise refuse("pressure", f"needs as many entries as time ({len(self.time)})")
        if len(self.time) < 2:
            raise refuse("time", "needs at least 2 times with their pressures, or a file")
        if any(b <= a for a, b in pairwise(self.time)):
            raise refuse("time", "times must rise from entry to entry")
        if min(self.pressure) <= 0.0:
            raise refuse("pressure", "pressures must be above zero")
        return self


class LoadPoint(Part):
    """A corner of the load-factor profile; straight lines join the corners."""

    time: Time = Field(ge=0.0, description="time from the start of the throttle profile")
    load_factor: Number = Field(ge=-20.0, le=20.0, description="acceleration along the lines over standard gravity")


class Flight(Part):
    """What the vehicle does to both tanks."""

    load_factor: tuple[LoadPoint, ...] = Field(
        min_length=2,
        max_length=1000,
        description="corners, in order of time, held after the last; the schedule is made for the tank's own load_factor",
    )

    @model_validator(mode="after")
    def _order(self) -> Flight:
        times = [point.time for point in self.load_factor]
        if times[0] != 0.0:
            raise refuse("load_factor[0].time", "profile must start at time 0")
        for i in range(1, len(times)):
            if times[i] < times[i - 1]:
                raise refuse(f"load_factor[{i}].time", "profile times must not fall")
        return self
