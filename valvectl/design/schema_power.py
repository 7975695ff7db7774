"""What a design file may say about the battery and its fuse, and about the duty that heats the motors.

Numbers are SI, as in ``schema``.
"""

from __future__ import annotations

import itertools
from typing import Literal

from pydantic import Field, model_validator

from valvectl.design.quantities import (
    Capacitance,
    Charge,
    Current,
    CurrentSquaredTime,
    Fraction,
    Resistance,
    Time,
    Voltage,
)
from valvectl.design.schema_base import Part, refuse

Regeneration = Literal["battery takes it", "blocked", "resistor"]


class FuseCurve(Part):
    """Time to melt over current, from the data sheet; straight lines in the logarithms join the points."""

    current: tuple[Current, ...] = Field(min_length=2, max_length=100, description="currents, rising")
    time: tuple[Time, ...] = Field(min_length=2, max_length=100, description="time to melt at each, falling")

    @model_validator(mode="after")
    def _order(self) -> FuseCurve:
        if len(self.current) != len(self.time):
            raise refuse("time", f"needs as many values as current ({len(self.current)})")
        if self.current[0] <= 0.0 or any(b <= a for a, b in itertools.pairwise(self.current)):
            raise refuse("current", "must be above zero and rise")
        if self.time[-1] <= 0.0 or any(b >= a for a, b in itertools.pairwise(self.time)):
            raise refuse("time", "must be above zero and fall")
        return self


class Fuse(Part):
    """Fuse in the battery's lead: everything that the battery gives goes through it."""

    rating: Current = Field(gt=0.0, description="rated current")
    melting_i2t: CurrentSquaredTime = Field(gt=0.0, description="nominal melting I2t, from the data sheet")
    derating: Fraction = Field(
        default=0.75, gt=0.0, le=1.0, description="lasting current allowed over the rating; warm surroundings lower it"
    )
    pulses: int = Field(
        default=1000, ge=1, le=10_000_000, description="how often in its life it must bear the worst pulse"
    )
    curve: FuseCurve | None = Field(default=None, description="time to melt over current; default: melting_i2t alone")


class Battery(Part):
    """Battery that feeds both drives."""

    voltage: Voltage = Field(gt=0.0, description="open-circuit voltage for the nominal run")
    minimum_voltage: Voltage = Field(gt=0.0, description="open-circuit voltage at the end of discharge; worst corner")
    resistance: Resistance = Field(ge=0.0, description="internal resistance with its own leads")
    undervoltage_lockout: Voltage = Field(gt=0.0, description="bus voltage at which a drive shuts off")
    other_loads: Current = Field(default=0.0, ge=0.0, description="current of everything else on it")
    capacity: Charge | None = Field(default=None, gt=0.0, description="charge it holds; default: not assessed")
    fuse: Fuse | None = Field(default=None, description="fuse in its lead; default: not assessed")
    regeneration: Regeneration = Field(
        default="battery takes it",
        description="where a braking motor's energy goes: into the battery, nowhere (a diode, a supply), a resistor",
    )
    bus_capacitance: Capacitance | None = Field(
        default=None, gt=0.0, description="of all capacitors on the bus together; default: voltage rise not assessed"
    )
    overvoltage_limit: Voltage | None = Field(
        default=None, gt=0.0, description="bus voltage that no part may see; default: not assessed"
    )
    dump_resistance: Resistance | None = Field(
        default=None, gt=0.0, description="of the brake resistor, with regeneration = resistor"
    )

    @model_validator(mode="after")
    def _order(self) -> Battery:
        if not self.undervoltage_lockout < self.minimum_voltage:
            raise refuse("undervoltage_lockout", f"must be below minimum_voltage ({self.minimum_voltage:g} V)")
        if not self.minimum_voltage <= self.voltage:
            raise refuse("minimum_voltage", f"must not be above voltage ({self.voltage:g} V)")
        if self.overvoltage_limit is not None and self.overvoltage_limit <= self.voltage:
            raise refuse("overvoltage_limit", f"must be above voltage ({self.voltage:g} V)")
        if self.dump_resistance is not None and self.regeneration != "resistor":
            raise refuse("dump_resistance", 'is of no use unless regeneration = "resistor"')
        return self


class Duty(Part):
    """What heats the motors: the throttle profile run some times with a pause between, or a standard duty type."""

    runs: int = Field(default=1, ge=1, le=10_000, description="runs of the throttle profile in a row")
    pause: Time = Field(default=0.0, ge=0.0, le=1e6, description="from the end of a run to the start of the next")
    hold: Literal["coast", "servo"] = Field(
        default="coast", description="in a pause: drives without current, or holding as at the end of the profile"
    )
    type: Literal["S1", "S2", "S3", "S6"] | None = Field(
        default=None, description="duty type by IEC 60034-1 to judge as well; default: none"
    )
    loaded: Time | None = Field(default=None, gt=0.0, le=1e6, description="S2, S3, S6: time under load")
    other: Time | None = Field(
        default=None, gt=0.0, le=1e6, description="S3: rest, S6: run without load, in each cycle"
    )

    @model_validator(mode="after")
    def _complete(self) -> Duty:
        for key, wants in (("loaded", ("S2", "S3", "S6")), ("other", ("S3", "S6"))):
            given = getattr(self, key) is not None
            if self.type in wants and not given:
                raise refuse(key, f"is needed with type {self.type}")
            if given and self.type not in wants:
                raise refuse(key, f"is of use with type {', '.join(wants)} only")
        return self
