"""What the review holds a design to: every limit with its default. Numbers are SI, angles in radians."""

from __future__ import annotations

import math
from typing import Literal

from pydantic import Field, model_validator

from valvectl.design.quantities import Angle, Fraction, Number, Time
from valvectl.design.schema_base import Part, refuse
from valvectl.parts.torque_rule_table import PHASES, RULES

TorqueRule = Literal[
    "ECSS-E-ST-33-01C", "AIAA S-114", "NASA-STD-5017", "GSFC-STD-7000", "industrial 1.25", "industrial 1.5", "team"
]
Phase = Literal["concept", "preliminary design", "critical design", "tested"]


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
    torque_rule: TorqueRule | None = Field(
        default=None, description="named rule for the torque margins in place of torque_margin; by default that alone"
    )
    torque_phase: Phase | None = Field(
        default=None, description="phase of the project, for a rule whose factors fall from phase to phase"
    )
    torque_factor_estimated: Number = Field(
        default=3.0, ge=1.0, le=10.0, description="torque_rule team: factor on torques that were not measured"
    )
    torque_factor_measured: Number = Field(
        default=2.0, ge=1.0, le=10.0, description="torque_rule team: factor on torques measured at their worst"
    )
    dynamic_torque_margin: Fraction | None = Field(
        default=None,
        ge=0.0,
        description="torque left for acceleration over that needed, less one, at least; by default what torque_rule "
        "states, and not assessed without it",
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
        given = self.model_fields_set
        name, phase = self.torque_rule, self.torque_phase
        if name is not None and "torque_margin" in given:
            raise refuse(
                "torque_margin",
                f"give torque_rule or torque_margin, not both: {name} brings its own factors, and none is taken twice",
            )
        if phase is not None and (name is None or name not in PHASES):
            raise refuse("torque_phase", f"only {' and '.join(PHASES)} as torque_rule have phases")
        phases = PHASES.get(name or "")
        if phases and (name not in RULES if phase is None else phase not in phases):
            words = ", ".join(phases)
            raise refuse("torque_phase", f"{name} needs a phase of the project: {words}")
        for key in ("torque_factor_estimated", "torque_factor_measured"):
            if key in given and name != "team":
                raise refuse(key, 'only torque_rule = "team" takes factors of its own')
        if self.torque_factor_measured > self.torque_factor_estimated:
            raise refuse("torque_factor_measured", "must not be above torque_factor_estimated")
        return self
