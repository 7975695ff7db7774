"""What a design file may say about a controller beyond periods and delays: structure, command shape, anti-windup, notch.

Numbers are SI, angles in radians, as in ``schema``.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from valvectl.design.quantities import (
    AngleGain,
    AngularAcceleration,
    AngularJerk,
    AngularSpeed,
    Fraction,
    Frequency,
    Number,
    Time,
)
from valvectl.design.schema_base import Part, refuse

Structure = Literal["cascade", "pid", "state_feedback"]
PID_GAINS = ("gain", "integral_time", "derivative_time")


class Pid(Part):
    """Position error to current set-point: ISA form, derivative filtered; give all three gains or none."""

    gain: AngleGain | None = Field(default=None, gt=0.0, description="K: current per angle; default: worked out")
    integral_time: Time | None = Field(default=None, gt=0.0, description="Ti; default: worked out")
    derivative_time: Time | None = Field(default=None, ge=0.0, description="Td; default: worked out")
    derivative_filter: Number = Field(
        default=20.0, ge=1.0, le=100.0, description="N: the derivative is filtered with the time constant Td/N"
    )

    @model_validator(mode="after")
    def _complete(self) -> Pid:
        given = [key for key in PID_GAINS if getattr(self, key) is not None]
        for key in PID_GAINS:
            if given and key not in given:
                raise refuse(key, f"is needed too: give all of {', '.join(PID_GAINS)}, or none to have them worked out")
        return self


class StateFeedback(Part):
    """Observer for angle and speed of the rigid actuator, integral of the position error; gains by pole placement."""

    observer_factor: Number = Field(
        default=12.0, ge=1.0, le=30.0, description="poles of the observer over those of the closed loop"
    )


class ControllerBase(Part):
    """Structure of a controller and what belongs to it."""

    structure: Structure = Field(
        description="cascade: position P, speed PI, current PI; pid or state_feedback: position to current (no speed "
        "loop), current PI"
    )
    command_shape: Literal["ramp", "trapezoid", "s_curve", "minimum_jerk"] = Field(
        default="ramp", description="way from one target to the next; ramp: straight lines, at most the speed limit"
    )
    command_acceleration_limit: AngularAcceleration | None = Field(
        default=None, gt=0.0, description="of the shaped command; default: no limit"
    )
    command_jerk_limit: AngularJerk | None = Field(
        default=None, gt=0.0, description="of the shaped command; default: no limit"
    )
    feedforward_acceleration: Fraction = Field(
        default=0.0,
        ge=0.0,
        le=1.5,
        description="share of the current that the command's acceleration takes, fed forward",
    )
    feedforward_friction: Fraction = Field(
        default=0.0, ge=0.0, le=1.5, description="share of the current that running friction takes, fed forward"
    )
    friction_speed: AngularSpeed = Field(
        default=0.0872665, gt=0.0, description="commanded speed from which friction is fed forward in full"
    )
    integral_dead_zone: AngularSpeed = Field(
        default=0.0, ge=0.0, description="cascade: speed errors within plus or minus this are not integrated"
    )
    anti_windup: Literal["conditional", "clamped", "back_calculation"] = Field(
        default="conditional",
        description="conditional: integrals stand while limited; clamped: within the output's limit; "
        "back_calculation: led back by output less its limited value",
    )
    tracking_time: Time | None = Field(
        default=None,
        gt=0.0,
        description="of back_calculation; default: integral time of each loop, for pid sqrt(Ti Td)",
    )
    notch_frequency: Frequency | None = Field(
        default=None, gt=0.0, description="centre of a notch on the current set-point; default: no notch"
    )
    notch_width: Fraction = Field(
        default=0.5, gt=0.0, le=2.0, description="width at -3 dB (of a notch to zero) over its centre frequency"
    )
    notch_depth: Fraction = Field(default=0.0, ge=0.0, le=1.0, description="gain left at the notch's centre")
    bandwidth: Frequency | None = Field(
        default=None,
        gt=0.0,
        description="pid, state_feedback: closed-loop poles are placed at it; default: as high as the margins allow",
    )
    pole_damping: Number = Field(
        default=1.0, ge=0.4, le=1.0, description="pid, state_feedback: damping ratio of the pair of placed poles"
    )
    setpoint_weight: Fraction = Field(
        default=0.6, ge=0.0, le=1.0, description="pid, state_feedback: share of the command in the proportional part"
    )
    pid: Pid | None = Field(default=None, description="gains of structure pid; default: worked out")
    state_feedback: StateFeedback | None = Field(default=None, description="observer of structure state_feedback")

    @model_validator(mode="after")
    def _fits(self) -> ControllerBase:
        given = self.model_fields_set
        wants: tuple[tuple[str, tuple[Structure, ...]], ...] = (
            ("pid", ("pid",)),
            ("state_feedback", ("state_feedback",)),
            ("bandwidth", ("pid", "state_feedback")),
            ("pole_damping", ("pid", "state_feedback")),
            ("setpoint_weight", ("pid", "state_feedback")),
            ("integral_dead_zone", ("cascade",)),
            ("notch_frequency", ("cascade", "pid")),
        )
        for key, structures in wants:
            if key in given and getattr(self, key) is not None and self.structure not in structures:
                why = ": its observer must know the current set-point as it is" if key == "notch_frequency" else ""
                raise refuse(key, f"goes with structure {' or '.join(structures)} only, not {self.structure}{why}")
        for key in ("notch_width", "notch_depth"):
            if key in given and self.notch_frequency is None:
                raise refuse(key, "is of use with notch_frequency only")
        if self.tracking_time is not None and self.anti_windup != "back_calculation":
            raise refuse("tracking_time", "is of use with anti_windup back_calculation only")
        if self.bandwidth is not None and self.pid is not None and self.pid.gain is not None:
            raise refuse("bandwidth", "has no effect beside gains in pid; leave one of them out")
        if self.anti_windup == "clamped" and self.structure != "cascade" and self.setpoint_weight < 1.0:
            why = "the integral carries what the weight leaves out of the command"
            raise refuse("anti_windup", f"clamped needs setpoint_weight 1 with structure {self.structure}: {why}")
        shape, acceleration, jerk = self.command_shape, self.command_acceleration_limit, self.command_jerk_limit
        if acceleration is not None and shape == "ramp":
            raise refuse("command_acceleration_limit", "has no effect with command_shape ramp")
        if jerk is not None and shape in ("ramp", "trapezoid"):
            raise refuse("command_jerk_limit", f"has no effect with command_shape {shape}")
        if acceleration is None and shape in ("trapezoid", "s_curve"):
            raise refuse("command_acceleration_limit", f"is needed with command_shape {shape}")
        if jerk is None and shape == "s_curve":
            raise refuse("command_jerk_limit", "is needed with command_shape s_curve")
        return self
