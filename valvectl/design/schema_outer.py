"""What a design file may say about the outer loops: thrust by chamber pressure, mixture ratio by flow or injector drop."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from valvectl.design.quantities import Angle, Fraction, Number, PressureDifference, Rate, Time
from valvectl.design.schema_base import Part, refuse


class LoopGains(Part):
    """Gains of one outer loop, both or none."""

    gain: Number | None = Field(
        default=None,
        gt=0.0,
        le=10.0,
        description="proportional gain: relative trim per relative error; left out with integral_rate: tuned",
    )
    integral_rate: Rate | None = Field(
        default=None,
        gt=0.0,
        le=1000.0,
        description="rate at which a standing error adds the proportional part once more",
    )

    @model_validator(mode="after")
    def _both(self) -> LoopGains:
        if (self.gain is None) != (self.integral_rate is None):
            missing = "gain" if self.gain is None else "integral_rate"
            raise refuse(missing, "gain and integral_rate must be given together, or both left out to be tuned")
        return self


class ThrustLoop(LoopGains):
    """Chamber pressure held to what the throttle setting should give."""

    authority: Fraction = Field(
        default=0.10, gt=0.0, le=0.5, description="trim of the chamber pressure at most, either way"
    )


class MixtureLoop(LoopGains):
    """Mixture ratio held by what is measured of both flows."""

    authority: Fraction = Field(
        default=0.10, gt=0.0, le=0.5, description="trim of the mixture ratio at most, either way"
    )
    source: Literal["flow_meters", "absolute_pressures", "differential_pressures"] = Field(
        description="what is measured: both flows by meters before the valves; or both injector drops, from transducers of "
        "manifold and chamber pressure or from differential transducers"
    )
    lag: Time = Field(default=0.01, ge=0.0, le=1.0, description="time constant of meters or transducers")
    noise: Fraction | None = Field(
        default=None, ge=0.0, le=0.2, description="standard deviation of a meter's sample over the flow at full thrust"
    )
    accuracy: Fraction | None = Field(
        default=None, ge=0.0, le=0.2, description="standing error of a meter over its reading, bound"
    )
    pressure_noise: PressureDifference | None = Field(
        default=None, ge=0.0, description="standard deviation of a sample of a manifold or differential transducer"
    )
    pressure_accuracy: PressureDifference | None = Field(
        default=None, ge=0.0, description="standing error of a manifold or differential transducer, bound"
    )

    @model_validator(mode="after")
    def _sensor(self) -> MixtureLoop:
        meters = self.source == "flow_meters"
        wanted = ("noise", "accuracy") if meters else ("pressure_noise", "pressure_accuracy")
        other = ("pressure_noise", "pressure_accuracy") if meters else ("noise", "accuracy")
        for name in other:
            if getattr(self, name) is not None:
                raise refuse(
                    name, f"{name} does not belong to source {self.source}; it has {wanted[0]} and {wanted[1]}"
                )
        for name in wanted:
            if getattr(self, name) is None:
                raise refuse(name, f"{name} is needed with source {self.source}")
        return self


class OuterLoops(Part):
    """Slow loops round both valves that trim their commands; without this table the schedule runs open loop."""

    period: Time = Field(ge=1e-3, le=1.0, description="sample period of both outer loops")
    delay: Time = Field(default=0.0, ge=0.0, le=1.0, description="from sampling until the trimmed command is out")
    thrust: ThrustLoop | None = Field(default=None, description="thrust loop; left out: none")
    mixture: MixtureLoop | None = Field(default=None, description="mixture-ratio trim; left out: none")
    chamber_lag: Time = Field(
        default=0.005, ge=0.0, le=1.0, description="time constant of the chamber pressure transducer"
    )
    chamber_noise: PressureDifference = Field(
        default=0.0, ge=0.0, description="standard deviation of a sample of the chamber pressure"
    )
    chamber_accuracy: PressureDifference = Field(
        default=0.0, ge=0.0, description="standing error of the chamber pressure transducer, bound"
    )
    decoupling: Literal["static", "none"] = Field(
        default="static",
        description="static: each loop moves both valves so that the other's quantity stays, at rest; none: thrust by the "
        "oxidizer valve, mixture ratio by the fuel valve",
    )
    scheduled: bool = Field(
        default=True,
        description="trims pass through the inverse of the installed gains at the throttle setting; false: those at full thrust",
    )
    least_change: Angle = Field(
        default=0.0, ge=0.0, le=0.1, description="a trim is sent on when it differs from the one sent by this much"
    )

    @model_validator(mode="after")
    def _any(self) -> OuterLoops:
        if self.thrust is None and self.mixture is None:
            raise refuse("thrust", "outer_loops needs the table thrust, the table mixture, or both")
        if self.delay > self.period * (1.0 + 1e-9):
            raise refuse("delay", "delay must not be above period")
        return self
