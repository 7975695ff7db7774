"""What a design file may say about an actuator and its controller: motor, gearing, encoders, drive, sampled cascade.

Numbers are SI, angles in radians, as in ``schema``.
"""

from __future__ import annotations

import math
from typing import Literal

from pydantic import Field, model_validator

from valvectl.design.quantities import (
    Angle,
    AngularSpeed,
    Capacitance,
    Current,
    CurrentGain,
    Fraction,
    HeatCapacity,
    Inductance,
    Inertia,
    Number,
    PerKelvin,
    Power,
    Rate,
    Resistance,
    RotaryDamping,
    SpeedGain,
    Stiffness,
    Temperature,
    ThermalResistance,
    Time,
    Torque,
    TorqueConstant,
    Voltage,
)
from valvectl.design.schema_base import Part, refuse
from valvectl.design.schema_controller import ControllerBase
from valvectl.design.schema_gears import OwnStage

Location = Literal["motor", "stem"]
TWO_NODES = ("winding_case_resistance", "case_air_resistance", "winding_capacity", "case_capacity")
"""Keys of a motor that together make it two nodes of heat."""


class Motor(Part):
    """A permanent-magnet motor with brushes, or a brushless one by its direct-current equivalent.

    Brushless: resistance and inductance from line to line, torque per ampere of the direct-current equivalent (block
    commutation), so that torque constant and back-EMF constant are equal in SI.
    """

    kind: Literal["brushed", "brushless"] = Field(description="brushed, or brushless by line-to-line values")
    resistance: Resistance = Field(gt=0.0, description="at 25 degC, terminal (brushless: line to line)")
    inductance: Inductance = Field(gt=0.0, description="terminal (brushless: line to line)")
    torque_constant: TorqueConstant = Field(gt=0.0, description="torque per ampere at 25 degC")
    rotor_inertia: Inertia = Field(gt=0.0, description="rotor inertia")
    friction_torque: Torque = Field(ge=0.0, description="Coulomb friction and cogging at the shaft, warm")
    viscous_friction: RotaryDamping = Field(default=0.0, ge=0.0, description="speed-proportional friction at the shaft")
    cold_friction_factor: Number = Field(
        default=1.0, ge=1.0, le=20.0, description="factor on friction_torque and viscous_friction with cold grease"
    )
    max_speed: AngularSpeed = Field(gt=0.0, description="highest speed allowed by the maker")
    temperature_limit: Temperature = Field(gt=0.0, description="highest winding temperature allowed")
    thermal_resistance: ThermalResistance = Field(gt=0.0, description="winding to surroundings, as mounted")
    thermal_time_constant: Time = Field(gt=0.0, description="of the winding and case to surroundings")
    winding_case_resistance: ThermalResistance | None = Field(
        default=None, gt=0.0, description="winding to case; give all four of these or none: default one node"
    )
    case_air_resistance: ThermalResistance | None = Field(default=None, gt=0.0, description="case to surroundings")
    winding_capacity: HeatCapacity | None = Field(default=None, gt=0.0, description="heat capacity of the winding")
    case_capacity: HeatCapacity | None = Field(default=None, gt=0.0, description="heat capacity of the case")
    resistance_coefficient: PerKelvin = Field(default=0.0039, ge=0.0, description="copper: 0.39 %/K")
    magnet_coefficient: PerKelvin = Field(default=-0.0012, le=0.0, description="torque constant per kelvin (NdFeB)")

    @model_validator(mode="after")
    def _two_nodes(self) -> Motor:
        if all(getattr(self, key) is None for key in TWO_NODES):
            return self
        for key in TWO_NODES:
            if getattr(self, key) is None:
                raise refuse(key, f"is needed too: two nodes want all of {', '.join(TWO_NODES)}")
        total = float(self.winding_case_resistance) + float(self.case_air_resistance)  # type: ignore[arg-type]
        if abs(total / self.thermal_resistance - 1.0) > 0.02:
            raise refuse(
                "case_air_resistance",
                f"with winding_case_resistance makes {total:.4g} K/W; thermal_resistance ({self.thermal_resistance:.4g} "
                "K/W) must be the same within 2 %",
            )
        return self


class GearStage(Part):
    """One stage of gearing, the maker's or the team's own."""

    name: str = Field(max_length=60, description="what it is")
    ratio: Number = Field(gt=0.1, lt=2000.0, description="input speed over output speed")
    efficiency: Fraction = Field(gt=0.05, le=1.0, description="running efficiency, motor drives")
    static_efficiency: Fraction = Field(gt=0.05, le=1.0, description="efficiency at breakaway; below the running one")
    backdrive_efficiency: Fraction | None = Field(
        default=None, ge=0.0, le=1.0, description="efficiency when the valve drives; by default 2 - 1/efficiency"
    )
    inertia: Inertia = Field(default=0.0, ge=0.0, description="of the stage, at its input")
    stiffness: Stiffness | None = Field(default=None, gt=0.0, description="at its output, input held; default rigid")
    lost_motion: Angle = Field(ge=0.0, le=math.radians(20.0), description="at its output, input held, in all")
    torque_limit: Torque | None = Field(
        default=None, gt=0.0, description="peak torque allowed at its output; default not checked"
    )
    speed_limit: AngularSpeed | None = Field(
        default=None, gt=0.0, description="speed allowed at its input; default not checked"
    )


class Encoder(Part):
    """A position sensor."""

    location: Location = Field(description="on the motor shaft or on the valve stem")
    counts: int = Field(ge=4, le=2**26, description="counts per turn, after any multiplication of edges")
    accuracy: Angle = Field(
        default=0.0, ge=0.0, description="error bound of the angle, plus or minus, after calibration"
    )
    lag: Time = Field(
        default=0.0, ge=0.0, le=0.05, description="time constant of sensor and electronics ahead of the sampler"
    )


class ReturnSpring(Part):
    """A torsion spring that turns the valve shut when the motor lets go."""

    preload: Torque = Field(ge=0.0, description="torque towards shut at the closed stop")
    rate: Stiffness = Field(default=0.0, ge=0.0, description="rise of that torque with opening")


class Reserve(Part):
    """A store of energy beside the battery that shuts this valve when the bus fails."""

    capacitance: Capacitance = Field(gt=0.0, description="of the capacitors")
    voltage: Voltage = Field(gt=0.0, description="when full")
    minimum_voltage: Voltage = Field(gt=0.0, description="down to which the drive can use it")

    @model_validator(mode="after")
    def _order(self) -> Reserve:
        if self.minimum_voltage >= self.voltage:
            raise refuse("minimum_voltage", "must be below voltage")
        return self

    @property
    def usable(self) -> float:
        """Energy between both voltages [J]: C (V^2 - Vmin^2) / 2."""
        return float(0.5 * self.capacitance * (self.voltage**2 - self.minimum_voltage**2))


class Actuator(Part):
    """Motor, gearing, encoders, drive."""

    motor: Motor
    gears: tuple[GearStage, ...] = Field(min_length=1, max_length=6, description="stages from motor to stem")
    coupling_stiffness: Stiffness | None = Field(
        default=None, gt=0.0, description="between last gear and stem; default rigid"
    )
    contact_damping: Fraction = Field(
        default=0.05, ge=0.0, le=1.0, description="damping ratio of the load against the gears' stiffness"
    )
    position_encoder: Encoder
    speed_encoder: Encoder | None = Field(
        default=None, description="sensor of the speed loop; by default the position encoder"
    )
    stem_encoder: Encoder | None = Field(
        default=None,
        description="second sensor, on the stem, for controller.stem_trim with the position encoder on the motor",
    )
    current_limit: Current = Field(gt=0.0, description="limit of the motor current, set in the drive")
    duty_limit: Fraction = Field(default=0.95, gt=0.0, le=1.0, description="largest motor voltage over bus voltage")
    harness_resistance: Resistance = Field(ge=0.0, description="battery to this drive, out and back")
    idle_power: Power = Field(default=0.0, ge=0.0, description="drive electronics")
    own_stage: OwnStage | None = Field(
        default=None,
        description="wishes for the last gear stage as the team's own, for the study of its teeth; default none",
    )
    dead_drive: Literal["open", "shorted"] = Field(
        default="open", description="what a drive without power leaves the motor's terminals: open, or shorted (brakes)"
    )
    return_spring: ReturnSpring | None = Field(default=None, description="spring that shuts the valve; default none")
    reserve: Reserve | None = Field(default=None, description="store of energy that shuts the valve; default none")
    temperature: Temperature = Field(default=293.15, description="surroundings of motor and gears")
    hot_winding: Temperature = Field(default=373.15, description="winding temperature assumed for the torque margin")
    hot_surroundings: Temperature = Field(
        default=313.15, description="surroundings of the motor in the heating check, a warm day's"
    )

    @model_validator(mode="after")
    def _stiffness(self) -> Actuator:
        if self.coupling_stiffness is None and all(stage.stiffness is None for stage in self.gears):
            raise refuse("", "give coupling_stiffness or the stiffness of at least one gear stage")
        return self


class Gains(Part):
    """Gains of the cascade, in stem units."""

    position: Rate = Field(gt=0.0, description="stem speed set-point per position error")
    speed: SpeedGain = Field(gt=0.0, description="motor current per stem speed error")
    speed_integral: Rate = Field(ge=0.0, description="integral of the speed loop: 1 / integral time")
    current: CurrentGain = Field(gt=0.0, description="motor voltage per current error")
    current_integral: Rate = Field(ge=0.0, description="integral of the current loop: 1 / integral time")


class Controller(ControllerBase):
    """The sampled controller: loops at their own periods with their own delays, by default position P, speed PI, current PI."""

    position_period: Time = Field(gt=0.0, le=0.2, description="sample period of the position loop")
    position_delay: Time = Field(ge=0.0, description="position sampled to speed set-point in force: computing and bus")
    speed_period: Time = Field(gt=0.0, le=0.2, description="sample period of the speed loop")
    speed_delay: Time = Field(ge=0.0, description="speed sampled to current set-point in force")
    current_period: Time = Field(gt=0.0, le=0.2, description="sample period of the current loop")
    current_delay: Time = Field(ge=0.0, description="current sampled to voltage in force")
    speed_filter: Time = Field(default=0.0, ge=0.0, description="time constant of the filter on measured speed")
    gains: Gains | Literal["tune"] = Field(description="the gains, or tune to have them worked out")
    feedforward_speed: Fraction = Field(
        default=1.0, ge=0.0, le=1.5, description="share of the command's speed fed forward"
    )
    command_speed_limit: AngularSpeed = Field(
        gt=0.0, description="rate limit on the position command; also speed limit"
    )
    hold_band: Angle = Field(
        default=0.0,
        ge=0.0,
        description="position errors within plus or minus this count as zero once the command rests",
    )
    command_step: Angle = Field(
        default=0.0,
        ge=0.0,
        le=math.radians(5.0),
        description="smallest change of stem angle that the position command's message can carry; 0: finer than matters",
    )
    speed_offset: Time = Field(
        default=0.0,
        ge=0.0,
        description="first sample of the speed loop after the position loop's, in 20ths of current_period",
    )
    current_offset: Time = Field(
        default=0.0,
        ge=0.0,
        description="first sample of the current loop after the position loop's, in 20ths of current_period",
    )
    position_sense_delay: Time = Field(
        default=0.0, ge=0.0, description="part of position_delay from the sensor's latch to the controller"
    )
    position_bus_delay: Time = Field(
        default=0.0, ge=0.0, description="part of position_delay on the bus to the drive; the rest is computing"
    )
    speed_sense_delay: Time = Field(default=0.0, ge=0.0, description="the same part of speed_delay")
    speed_bus_delay: Time = Field(default=0.0, ge=0.0, description="the same part of speed_delay")
    current_sense_delay: Time = Field(default=0.0, ge=0.0, description="the same part of current_delay")
    current_bus_delay: Time = Field(default=0.0, ge=0.0, description="the same part of current_delay")
    position_jitter: Time = Field(default=0.0, ge=0.0, description="position_delay varies by plus or minus this")
    speed_jitter: Time = Field(default=0.0, ge=0.0, description="speed_delay varies by plus or minus this")
    current_jitter: Time = Field(default=0.0, ge=0.0, description="current_delay varies by plus or minus this")
    current_sensor_lag: Time = Field(
        default=0.0, ge=0.0, le=0.01, description="time constant of the current measurement ahead of its sampler"
    )
    speed_from: Literal["difference", "observer"] = Field(
        default="difference", description="measured speed from encoder differences, or from a tracking observer"
    )
    observer_bandwidth: Rate | None = Field(
        default=None, gt=0.0, description="natural frequency of the tracking observer, radians a second"
    )
    observer_damping: Number = Field(default=1.0, ge=0.3, le=3.0, description="damping ratio of the tracking observer")
    stem_trim: Rate = Field(
        default=0.0,
        ge=0.0,
        description="rate at which the stem encoder's error is added to the command of a position loop on the motor",
    )
    stem_trim_limit: Angle = Field(
        default=math.radians(2.0), gt=0.0, le=math.radians(20.0), description="largest trim, plus or minus"
    )
