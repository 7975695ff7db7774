"""What a design file may say about single faults: their size, the watch that is to see them, limits and what follows."""

from __future__ import annotations

import math

from pydantic import Field, model_validator

from valvectl.design.quantities import AbsolutePressure, Angle, Fraction, Number, PressureDifference, Time, Voltage
from valvectl.design.schema_base import Part, refuse

_CHOSEN = "; by default what the study proposes"


class Watch(Part):
    """The engine computer's watch over its readings: each held against what the fault-free run should show."""

    period: Time = Field(default=0.005, ge=1e-3, le=1.0, description="time between two looks at the readings")
    persistence: int = Field(
        default=3, ge=1, le=100, description="looks in a row beyond a threshold that make an alarm"
    )
    false_alarms: Number = Field(
        default=1e-4, gt=0.0, le=0.1, description="probability of an alarm by noise alone in one firing, at most"
    )
    margin: Number = Field(
        default=1.2,
        ge=1.0,
        le=10.0,
        description="proposed thresholds stand this factor above what fault-free engines within tolerance show (common "
        "practice, no source)",
    )
    engines: int = Field(
        default=8, ge=0, le=200, description="engines at random corners of the tolerances that must not trip"
    )
    position: Angle | None = Field(
        default=None, gt=0.0, description="threshold: position reading off what is expected" + _CHOSEN
    )
    disagreement: Angle | None = Field(
        default=None, gt=0.0, description="threshold: encoders on motor and stem against each other" + _CHOSEN
    )
    chamber: PressureDifference | None = Field(
        default=None, gt=0.0, description="threshold: chamber pressure off what is expected" + _CHOSEN
    )
    mixture: Fraction | None = Field(
        default=None, gt=0.0, description="threshold: measured O/F off what is expected" + _CHOSEN
    )
    tank: PressureDifference | None = Field(
        default=None, gt=0.0, description="threshold: tank pressure off what is expected" + _CHOSEN
    )
    chamber_noise: PressureDifference | None = Field(
        default=None,
        ge=0.0,
        description="standard deviation of a chamber pressure reading; by default that of outer_loops, and without either "
        "the chamber is not watched",
    )
    tank_noise: PressureDifference | None = Field(
        default=None,
        ge=0.0,
        description="standard deviation of a tank pressure reading; left out: the tanks are not watched",
    )
    message_timeout: Time | None = Field(
        default=None,
        gt=0.0,
        le=10.0,
        description="silence after which a missing message is an alarm; left out: messages are not watched",
    )


class Faults(Part):
    """Single faults for the study of faults. Sizes are assumptions to be replaced by what a failure analysis finds."""

    watched: Time = Field(default=2.0, ge=0.05, le=60.0, description="time followed after a fault")
    slow_speed: Fraction = Field(
        default=0.05,
        gt=0.0,
        lt=1.0,
        description="slow valve: speed at which drag takes all that the current limit gives, over command_speed_limit",
    )
    slip: Angle = Field(
        default=math.radians(5.0), gt=0.0, le=math.radians(90.0), description="slipped coupling: jump towards shut"
    )
    encoder_offset: Angle = Field(
        default=math.radians(2.0), gt=0.0, le=math.radians(90.0), description="error of a shifted encoder, either way"
    )
    encoder_noise: Angle = Field(
        default=math.radians(0.2), gt=0.0, le=math.radians(10.0), description="standard deviation of a noisy encoder"
    )
    command_delay: Time = Field(default=0.05, gt=0.0, le=10.0, description="delay of late commands")
    reset_time: Time = Field(
        default=0.05, gt=0.0, le=10.0, description="time a controller gives no voltage after a reset"
    )
    brown_out_voltage: Voltage | None = Field(
        default=None, gt=0.0, description="battery in a brown-out; by default battery.undervoltage_lockout"
    )
    brown_out_time: Time = Field(default=0.1, gt=0.0, le=60.0, description="how long a brown-out lasts")
    regulator_high: Fraction = Field(
        default=0.25,
        gt=0.0,
        le=10.0,
        description="regulator failed open: rise of the tank pressure over its set pressure; where tank.relief_pressure is "
        "given, that instead",
    )
    regulator_low: Fraction = Field(
        default=0.25, gt=0.0, lt=1.0, description="regulator failed shut: fall of the tank pressure, without an ullage"
    )
    regulator_time: Time = Field(
        default=0.5,
        gt=0.0,
        le=600.0,
        description="time of that rise or fall; with tank.ullage (and bottle and gas_valve for a rise) the gas itself sets it",
    )
    mixture_ratio_high: Number | None = Field(
        default=None,
        gt=0.0,
        description="O/F above which the wall suffers; by default the wanted one raised by "
        "requirements.mixture_ratio_transient",
    )
    mixture_ratio_low: Number | None = Field(
        default=None, gt=0.0, description="O/F below which the fault counts as harmful; left out: low O/F is not judged"
    )
    chamber_pressure_limit: AbsolutePressure | None = Field(
        default=None,
        gt=0.0,
        description="chamber pressure allowed; by default 1.2 times engine.chamber_pressure (common practice, no source)",
    )
    wall_time: Time = Field(
        default=0.05,
        ge=0.0,
        le=10.0,
        description="time beyond a limit that the hardware stands (common practice, no source)",
    )
    reaction_time: Time = Field(
        default=0.02, ge=0.0, le=10.0, description="from an alarm until the valves are told to shut"
    )
    shut_off_time: Time | None = Field(
        default=None,
        gt=0.0,
        le=10.0,
        description="time in which shut-off valves of their own, beside the throttle valves, stop both flows; left out: "
        "there are none, and the throttle valves shut",
    )
    watch: Watch = Watch()

    @model_validator(mode="after")
    def _limits(self) -> Faults:
        high, low = self.mixture_ratio_high, self.mixture_ratio_low
        if high is not None and low is not None and low >= high:
            raise refuse("mixture_ratio_low", "must be below mixture_ratio_high")
        return self
