"""Linear models at an operating point, as python-control objects.

The actuator is the machine without dry friction, lost motion and limits; the engine is the linear two-leg model with its
combustion delays exact (a frequency response) or left out (state space). Derivatives come from the laws themselves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from valvectl.design.schema import LEGS, LegName
from valvectl.parts import combustion, gearing, motor, tank, valve
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import OperatingPoint, coefficient
from valvectl.plant.machine import LegMachine, Machine
from valvectl.plant.servo_numbers import Servo

ComplexArray = NDArray[np.complex128]
SERVO_STATES = ("current", "motor_speed", "motor_angle", "stem_speed", "stem_angle")
"""States of the linear actuator: [A]; speeds [rad/s] and angles [rad] of motor over ratio and stem."""


def servo_rates(servo: Servo, state: FloatArray, voltage: float, load: float) -> FloatArray:
    """Rates of the actuator's states (``SERVO_STATES``) without dry friction and with the gap closed.

    ``voltage`` [V]; ``load`` torque on the stem against opening [N m]. Motor speed and angle are divided by the ratio.
    """
    current, motor_speed, motor_angle, stem_speed, stem_angle = (float(x) for x in state)
    ratio = servo.ratio
    spring = gearing.spring_torque(motor_angle - stem_angle, motor_speed - stem_speed, servo.spring, servo.damping, 0.0)
    shaft = servo.torque_constant * current
    shaft -= gearing.mean_mesh_torque(spring, ratio, servo.train.efficiency, servo.train.backdrive_efficiency)
    shaft -= servo.motor_viscous * motor_speed * ratio
    return np.array(
        [
            motor.current_rate(
                voltage, current, motor_speed * ratio, servo.resistance, servo.inductance, servo.torque_constant
            ),
            shaft / servo.motor_inertia / ratio,
            motor_speed,
            (spring - load) / servo.load_inertia,
            stem_speed,
        ]
    )


def servo_matrices(servo: Servo) -> tuple[FloatArray, FloatArray]:
    """A (5, 5) and B (5, 2) of the actuator; inputs voltage [V] and load torque [N m]. The laws are linear here, so that
    their values at unit vectors are the columns."""
    zero = np.zeros(5)
    a = np.column_stack([servo_rates(servo, column, 0.0, 0.0) for column in np.eye(5)])
    b = np.column_stack([servo_rates(servo, zero, 1.0, 0.0), servo_rates(servo, zero, 0.0, 1.0)])
    return a, b


def actuator(machine: Machine, name: LegName) -> Any:
    """The actuator of a leg as a ``control.StateSpace``: inputs voltage [V], load [N m]; outputs are its states."""
    import control

    a, b = servo_matrices(machine.legs[name].servo)
    return control.ss(
        a,
        b,
        np.eye(5),
        np.zeros((5, 2)),
        inputs=["voltage", "load"],
        outputs=list(SERVO_STATES),
        name=f"{name}_actuator",
    )


@dataclass(frozen=True)
class LegSlopes:
    """Linear coefficients of a leg at an operating point, relative changes of flow and pressure."""

    angle_gain: float
    """Flow change per change of angle with everything downstream held [1/rad]: authority times d ln c / d angle."""
    coupling: float
    """a: flow lost per relative rise of chamber pressure [-], pc / (2 dP) for square losses; zero when choked."""
    tank: float
    """Relative flow change per pascal of tank pressure [1/Pa]."""
    lag: float
    """Time constant of the liquid column [s]."""


def leg_slopes(leg: LegMachine, point: OperatingPoint) -> LegSlopes:
    """Coefficients of the linear feed model: (1 + lag s) e = angle_gain d_angle + tank d_pt - coupling p."""
    p = point.legs[leg.name]
    flow, rho = p.flow, leg.liquid.density
    c, fl = coefficient(leg, p.angle)
    loss = valve.valve_loss(c, rho)
    droop = -(
        tank.tank_pressure(leg.tank_pressure, leg.tank_droop, leg.reference_flow, 1.0)
        - tank.tank_pressure(leg.tank_pressure, leg.tank_droop, leg.reference_flow, 0.0)
    )
    if p.choked:
        # pt + head - droop m - up m^2 - ff pv - loss m^2 / fl^2 = 0
        up = (p.tank + leg.head - p.valve_inlet) / (flow * flow)
        resist = 2.0 * (up + loss / (fl * fl)) * flow * flow + droop * flow
        drive = 2.0 * loss / (fl * fl) * flow * flow
        inert = leg.up_inertance * flow
        coupling = 0.0
    else:
        total = p.tank + leg.head - point.chamber_pressure
        resist = 2.0 * total + droop * flow
        drive = 2.0 * loss * flow * flow
        inert = (leg.up_inertance + leg.down_inertance) * flow
        coupling = point.chamber_pressure / resist
    return LegSlopes(angle_gain=drive / resist * p.gain, coupling=coupling, tank=1.0 / resist, lag=inert / resist)


@dataclass(frozen=True)
class EngineModel:
    """Linear engine at an operating point; see ``engine_model``."""

    point: OperatingPoint
    slopes: dict[LegName, LegSlopes]
    kappa: float
    """d ln c* / d ln (mixture ratio) [-]."""
    pressure_exponent: float
    """d ln c* / d ln pc [-]."""
    residence: float
    """Residence time of the chamber [s]."""
    delays: dict[LegName, float]
    """Combustion delay [s] of each leg."""

    @property
    def weights(self) -> dict[LegName, float]:
        """Relative rise of chamber pressure per relative rise of a leg's flow, chamber alone [-]."""
        share = self.point.mixture_ratio / (1.0 + self.point.mixture_ratio)
        return {"oxidizer": share + self.kappa, "fuel": 1.0 - share - self.kappa}

    def response(self, omega: FloatArray) -> tuple[dict[LegName, ComplexArray], ComplexArray]:
        """Relative mixture-ratio error and relative chamber pressure per radian of each ball angle, delays exact.

        ``omega`` [rad/s], shape (n,). Returns ({leg: d ln(O/F) / d angle, shape (n,)}, d ln pc / d angle, shape (2, n)),
        complex [1/rad].
        """
        s = 1j * np.asarray(omega, dtype=float)
        lag = {name: 1.0 + self.slopes[name].lag * s for name in LEGS}
        burn = {name: self.weights[name] * np.exp(-self.delays[name] * s) for name in LEGS}
        denominator = 1.0 - self.pressure_exponent + self.residence * s
        for name in LEGS:
            denominator = denominator + burn[name] * self.slopes[name].coupling / lag[name]
        ratio: dict[LegName, ComplexArray] = {}
        pressure = np.zeros((2, s.size), dtype=complex)
        sign = {"oxidizer": 1.0, "fuel": -1.0}
        for k, name in enumerate(LEGS):
            drive = self.slopes[name].angle_gain / lag[name]
            p = burn[name] * drive / denominator
            pressure[k] = p
            back = self.slopes["oxidizer"].coupling / lag["oxidizer"] - self.slopes["fuel"].coupling / lag["fuel"]
            ratio[name] = sign[name] * drive - back * p
        return ratio, pressure

    def static_ratio_sensitivity(self, name: LegName) -> float:
        """Relative change of mixture ratio per radian of ball angle at rest [1/rad]."""
        return float(self.response(np.zeros(1))[0][name][0].real)

    def state_space(self) -> Any:
        """``control.StateSpace`` with the combustion delays left out: states relative flows and chamber pressure.

        Inputs oxidizer and fuel ball angle [rad]; outputs relative O/F and relative chamber pressure [-]. Use
        ``response`` where the delays matter.
        """
        import control

        o, f = (self.slopes[name] for name in LEGS)
        wo, wf = (self.weights[name] for name in LEGS)
        a = np.array(
            [
                [-1.0 / o.lag, 0.0, -o.coupling / o.lag],
                [0.0, -1.0 / f.lag, -f.coupling / f.lag],
                [wo / self.residence, wf / self.residence, -(1.0 - self.pressure_exponent) / self.residence],
            ]
        )
        b = np.array([[o.angle_gain / o.lag, 0.0], [0.0, f.angle_gain / f.lag], [0.0, 0.0]])
        c = np.array([[1.0, -1.0, 0.0], [0.0, 0.0, 1.0]])
        return control.ss(
            a,
            b,
            c,
            np.zeros((2, 2)),
            inputs=["oxidizer_angle", "fuel_angle"],
            outputs=["mixture_ratio", "chamber_pressure"],
            name="engine",
        )

    def frequency_response(self, omega: FloatArray) -> Any:
        """``control.FrequencyResponseData`` from both ball angles to relative O/F and pc, delays exact."""
        import control

        ratio, pressure = self.response(omega)
        data = np.stack([np.stack([ratio["oxidizer"], ratio["fuel"]]), pressure])
        return control.frd(data, omega)


def engine_model(machine: Machine, point: OperatingPoint) -> EngineModel:
    """Linear engine at a steady point: relative flow, O/F and chamber pressure against ball angles.

    Manifold compliance is left out here (its lag is far below the others when the manifold is full of liquid).
    """
    r, pc = point.mixture_ratio, point.chamber_pressure
    step = 1e-3
    kappa = math.log(machine.c_star_at(r * (1 + step), pc) / machine.c_star_at(r * (1 - step), pc)) / math.log(
        (1 + step) / (1 - step)
    )
    exponent = math.log(machine.c_star_at(r, pc * (1 + step)) / machine.c_star_at(r, pc * (1 - step))) / math.log(
        (1 + step) / (1 - step)
    )
    return EngineModel(
        point=point,
        slopes={name: leg_slopes(machine.legs[name], point) for name in LEGS},
        kappa=kappa,
        pressure_exponent=exponent,
        residence=combustion.residence_time(machine.characteristic_length, machine.c_star_at(r, pc), machine.gamma),
        delays={name: machine.legs[name].delay for name in LEGS},
    )
