"""What the review holds a design to: every limit with its default. Numbers are SI, angles in radians."""

from __future__ import annotations

import math

from pydantic import Field, model_validator

from valvectl.design.quantities import Angle, Fraction, Number, Time
from valvectl.design.schema_base import Part, refuse
from valvectl.parts.torque_rule_table import RULES


class Requirements(Part):
    """Limits that the review holds the design to. Every one has a default from common practice."""

    mixture_ratio_steady: Fraction = Field(default=0.05, gt=0.0, description="error of O/F at a held throttle, at most")
    mixture_ratio_transient: Fraction = Field(
        default=0.10, gt=0.0, description="error of O/F while throttling, at most"
    )
    mixture_ratio_settling: Time = Field(
        default=0.3, gt=0.0, description="from the end of a throttle change to O/F back in the steady band, at most"
    )
    mixture_ratio_disturbed: Fraction = Field(
        default=0.05,
        gt=0.0,
        description="error of O/F from all declared disturbances of the tanks together, valves on their schedule, at most",
    )
    flow_resolution: Fraction = Field(
        default=0.005, gt=0.0, description="flow change of the smallest reliable step, at most"
    )
    flow_dead_band: Fraction = Field(
        default=0.01,
        gt=0.0,
        description="flow change of the smallest step that moves the ball for certain after a reversal, at most (common "
        "practice, no source: twice the resolution)",
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
    boiling_margin: Number = Field(
        default=1.2,
        gt=1.0,
        description="pressure before the injector over the vapour pressure of the liquid behind a heated jacket, mean "
        "temperature, over the range, at least",
    )
    torque_margin: Fraction = Field(
        default=1.0, ge=0.0, description="torque available over torque needed, less one, worst corner, at least"
    )
    torque_rule: str | None = Field(
        default=None,
        max_length=60,
        description="named margin rule to hold the actuator to besides torque_margin; valvectl torque lists them",
    )
    torque_rule_margin: Fraction = Field(
        default=0.0,
        ge=0.0,
        description="torque available over torque required by torque_rule, less one, before and after the gears, at least",
    )
    torque_dynamic_margin: Fraction = Field(
        default=0.25,
        ge=0.0,
        description="torque left at the commanded speed over that needed to accelerate, less one, at least; assessed where "
        "torque_rule asks for one",
    )
    trim_error: Fraction = Field(
        default=0.03,
        gt=0.0,
        description="O/F error that sensors' accuracy and noise leave with outer_loops closed, at most; a row only when stated",
    )
    trim_sensitivity: Number = Field(
        default=2.0,
        gt=1.0,
        description="largest singular value of the outer loops' joint sensitivity, at most; a row only when stated",
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

    @model_validator(mode="after")
    def _rule(self) -> Requirements:
        if self.torque_rule is not None and self.torque_rule not in RULES:
            raise refuse("torque_rule", "must be one of " + "; ".join(f'"{name}"' for name in RULES))
        return self
