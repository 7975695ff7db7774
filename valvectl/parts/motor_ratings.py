"""From a motor's data sheet to the numbers of the model: which volt, which ampere, which ohm.

The base of all conversions is the peak back-EMF of one phase against the star point, ke [V s/rad], of a motor with
sinusoidal EMF; the model (``motor``) is its direct-current equivalent: torque = K i, EMF = K w, loss = R i^2 with the
same K, and R between two terminals.

======================================  ===============================  ========================================
Speed constant stated per volt of       EMF constant                     rpm/V of the same motor, ke = 1 mV s/rad
======================================  ===============================  ========================================
"line peak" (hobby motors; DC volt)     sqrt(3) ke                       5513.3
"line RMS" (industrial, volt meter)     sqrt(3/2) ke                     7797.0
"phase peak"                            ke                               9549.3
"phase RMS"                             ke / sqrt(2)                     13504.7
======================================  ===============================  ========================================

======================================  ===============================  ========================================
Torque constant stated per ampere of    torque constant                  model current i per that ampere
======================================  ===============================  ========================================
"phase peak" (field-oriented drives)    3/2 ke  (= 8.27/KV line peak)    sqrt(3)/2
"phase RMS" (industrial servo data)     3/sqrt(2) ke                     sqrt(3/2)
"direct" (direct-current equivalent)    sqrt(3) ke (= 9.549/KV)          1
"block" (six steps, mean torque)        (3 sqrt(3)/pi) ke                1, with K 4.5 % below "direct"
======================================  ===============================  ========================================

With "direct" the model's copper loss R i^2 equals the three phases' 3/2 R_phase I_peak^2, its torque equals theirs, and
its voltage is the line's peak, which a bus can give up to its own voltage. For a motor with trapezoidal EMF in six
steps, K is the flat line-to-line EMF over speed and "direct" holds as it stands. "Block" is for sinusoidal EMF driven in
six steps: the mean over 60 degrees about the crest is 3/pi of the peak.

Traps: 8.27/KV belongs with a current limit in amperes of phase peak, 9.55/KV with the model's; a resistance measured
between two terminals is two phases in star and two thirds of a phase in delta; a data sheet in US practice states
amperes of phase peak or of RMS with no mark on the unit.

Source: machine theory of the permanent-magnet synchronous motor, e.g. Krishnan, Permanent Magnet Synchronous and
Brushless DC Motor Drives (2010), amplitude-invariant transform, from memory; each factor is derived in the tests anew.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from valvectl.parts import motor

RPM = math.pi / 30.0
"""One revolution a minute [rad/s]."""

EmfConvention = Literal["line peak", "line RMS", "phase peak", "phase RMS"]
CurrentConvention = Literal["phase peak", "phase RMS", "direct", "block"]

EMF_FACTOR: Mapping[EmfConvention, float] = MappingProxyType(
    {"line peak": math.sqrt(3.0), "line RMS": math.sqrt(1.5), "phase peak": 1.0, "phase RMS": math.sqrt(0.5)}
)
"""EMF constant in a convention over the phase's peak EMF constant [-]."""

TORQUE_FACTOR: Mapping[CurrentConvention, float] = MappingProxyType(
    {
        "phase peak": 1.5,
        "phase RMS": 3.0 / math.sqrt(2.0),
        "direct": math.sqrt(3.0),
        "block": 3.0 * math.sqrt(3.0) / math.pi,
    }
)
"""Torque constant in a convention over the phase's peak EMF constant [-]."""

MODEL_CURRENT: Mapping[CurrentConvention, float] = MappingProxyType(
    {"phase peak": math.sqrt(0.75), "phase RMS": math.sqrt(1.5), "direct": 1.0, "block": 1.0}
)
"""The model's current over the current in a convention, for the same copper loss [-]."""


def phase_emf_from_speed_constant(speed_constant: float, convention: EmfConvention) -> float:
    """Peak EMF constant of a phase [V s/rad] from a speed constant [rad/(s V)] per volt of ``convention``.

    A catalogue's rpm/V times ``RPM`` is rad/(s V).
    """
    return 1.0 / (speed_constant * EMF_FACTOR[convention])


def speed_constant(phase_emf: float, convention: EmfConvention) -> float:
    """Speed constant [rad/(s V)] per volt of ``convention``, from the peak EMF constant of a phase [V s/rad]."""
    return 1.0 / (phase_emf * EMF_FACTOR[convention])


def phase_emf_from_torque_constant(torque_constant: float, convention: CurrentConvention) -> float:
    """Peak EMF constant of a phase [V s/rad] from a torque constant [N m/A] per ampere of ``convention``."""
    return torque_constant / TORQUE_FACTOR[convention]


def torque_constant(phase_emf: float, convention: CurrentConvention) -> float:
    """Torque constant [N m/A] per ampere of ``convention``, from the peak EMF constant of a phase [V s/rad]."""
    return phase_emf * TORQUE_FACTOR[convention]


def model_current(current: float, convention: CurrentConvention) -> float:
    """Current of the direct-current equivalent [A] with the copper loss of a current [A] stated in ``convention``.

    Its torque is the same too, but for "block", where a sinusoidal motor gives 3/pi of it.
    """
    return current * MODEL_CURRENT[convention]


# ------------------------------------------------------------------------------------------------ star and delta


def terminal_from_star(phase_value: float) -> float:
    """Resistance [ohm] or inductance [H] between two terminals from that of a phase in star; mutual part included."""
    return 2.0 * phase_value


def star_from_terminal(terminal_value: float) -> float:
    """Resistance [ohm] or inductance [H] of a phase of the equivalent star from that between two terminals."""
    return 0.5 * terminal_value


def terminal_from_delta(winding_value: float) -> float:
    """Resistance [ohm] or inductance [H] between two terminals from that of one winding in delta.

    One winding beside the other two in series.
    """
    return winding_value / 1.5


def delta_from_terminal(terminal_value: float) -> float:
    """Resistance [ohm] or inductance [H] of one winding in delta from that between two terminals."""
    return 1.5 * terminal_value


# -------------------------------------------------------------------------------------- what a data sheet implies


def motor_constant(torque_per_ampere: float, resistance: float) -> float:
    """Km [N m/sqrt(W)]: torque over the root of the copper loss; K [N m/A] and R [ohm] of the same circuit."""
    return torque_per_ampere / math.sqrt(resistance)


def no_load_friction(torque_per_ampere: float, no_load_current: float) -> float:
    """Friction torque [N m] that a no-load current [A] carries; drag at that speed included."""
    return torque_per_ampere * no_load_current


def friction_of_two_runs(torque_1: float, speed_1: float, torque_2: float, speed_2: float) -> tuple[float, float]:
    """Coulomb part [N m] and viscous part [N m s/rad] of the friction at two no-load runs.

    ``torque`` [N m] at ``speed`` [rad/s]. With one speed given twice the whole is Coulomb friction.
    """
    if speed_1 == speed_2:
        return 0.5 * (torque_1 + torque_2), 0.0
    viscous = (torque_2 - torque_1) / (speed_2 - speed_1)
    return torque_1 - viscous * speed_1, viscous


def constant_from_no_load(voltage: float, no_load_current: float, no_load_speed: float, resistance: float) -> float:
    """K [V s/rad] from a no-load run: (V - R I0)/w0; voltage [V], current [A], speed [rad/s], R [ohm]."""
    return (voltage - resistance * no_load_current) / no_load_speed


def resistance_at_reference(resistance: float, coefficient: float, temperature: float) -> float:
    """Resistance [ohm] at ``motor.REFERENCE_TEMPERATURE`` from one stated at a temperature [K]; coefficient [1/K]."""
    return resistance / motor.winding_resistance(1.0, coefficient, temperature)


def constant_at_reference(torque_per_ampere: float, coefficient: float, temperature: float) -> float:
    """K [N m/A] at ``motor.REFERENCE_TEMPERATURE`` from one stated at a magnet temperature [K]; coefficient [1/K]."""
    return torque_per_ampere / motor.torque_constant(1.0, coefficient, temperature)


# ------------------------------------------------------------------------------------------- speed-torque line


def speed_at_torque(voltage: float, torque: float, friction: float, resistance: float, k: float) -> float:
    """Speed [rad/s] under a shaft torque [N m] and a friction [N m] at a voltage [V]: (V - R (T + Tf)/K)/K.

    Negative above the stall torque: the load drives the motor back.
    """
    return motor.no_load_speed(voltage - resistance * (torque + friction) / k, k)


def torque_at_speed(voltage: float, speed: float, friction: float, resistance: float, k: float) -> float:
    """Shaft torque [N m] at a speed [rad/s]: K (V - K w)/R - Tf; not limited by any current limit."""
    return k * (voltage - k * speed) / resistance - friction


def stall_torque(voltage: float, friction: float, resistance: float, k: float) -> float:
    """Shaft torque [N m] of a standing motor at a voltage [V], friction [N m] taken off."""
    return k * motor.stall_current(voltage, resistance) - friction


def greatest_power(voltage: float, friction: float, resistance: float, k: float) -> float:
    """Greatest shaft power [W] at a voltage [V], with constant friction [N m]: a quarter of stall torque times no-load
    speed, at half of each; zero when the friction holds the motor."""
    stall = stall_torque(voltage, friction, resistance, k)
    if stall <= 0.0:
        return 0.0
    return 0.25 * stall * speed_at_torque(voltage, 0.0, friction, resistance, k)


def greatest_efficiency(no_load_current: float, stall_current: float) -> float:
    """Greatest efficiency [-] with constant friction: (1 - sqrt(I0/Is))^2; zero when I0 is not below Is.

    At the current sqrt(I0 Is). Textbook result for a permanent-magnet motor.
    """
    if no_load_current >= stall_current:
        return 0.0
    root = 1.0 - math.sqrt(no_load_current / stall_current)
    return root * root


def current_of_greatest_efficiency(no_load_current: float, stall_current: float) -> float:
    """Current [A] at the greatest efficiency: sqrt(I0 Is)."""
    return math.sqrt(no_load_current * stall_current)


# ----------------------------------------------------------------------------------------------- a catalogue's row


@dataclass(frozen=True)
class CatalogueRow:
    """What a data sheet says of a brushless motor, SI, each constant with its convention."""

    constant: float
    """Speed constant [rad/(s V)] or torque constant [N m/A], by ``constant_is``."""
    constant_is: Literal["speed", "torque"]
    emf_convention: EmfConvention
    """Volt of a speed constant; not read for a torque constant."""
    current_convention: CurrentConvention
    """Ampere of a torque constant and of ``peak_current``."""
    terminal_resistance: float
    """Between two terminals [ohm]."""
    terminal_inductance: float
    """Between two terminals [H]."""
    peak_current: float
    """[A] of ``current_convention``."""
    no_load_current: float
    """Bus current of the unloaded motor [A]; zero when not stated."""
    stated_at: float = motor.REFERENCE_TEMPERATURE
    """Temperature of winding and magnets for which resistance and constant are stated [K]."""
    resistance_coefficient: float = 0.0039
    """[1/K] about ``motor.REFERENCE_TEMPERATURE``"""
    magnet_coefficient: float = -0.0012
    """[1/K] about ``motor.REFERENCE_TEMPERATURE``"""


@dataclass(frozen=True)
class ModelNumbers:
    """The direct-current equivalent at ``motor.REFERENCE_TEMPERATURE``, as ``motor`` takes it."""

    torque_constant: float
    """[N m/A] = [V s/rad]"""
    resistance: float
    """[ohm]"""
    inductance: float
    """[H]"""
    peak_current: float
    """[A] of the model"""
    no_load_friction: float
    """Friction and drag at the no-load run [N m]."""
    motor_constant: float
    """[N m/sqrt(W)]"""


def model_numbers(row: CatalogueRow) -> ModelNumbers:
    """The model's numbers from a row of a catalogue.

    A "block" row of a sinusoidal motor gives the K at which the drive's mean torque comes out; its EMF then is 4.5 %
    low, which errs towards too much speed.
    """
    if row.constant_is == "speed":
        phase_emf = phase_emf_from_speed_constant(row.constant, row.emf_convention)
    else:
        phase_emf = phase_emf_from_torque_constant(row.constant, row.current_convention)
    kind: CurrentConvention = "block" if row.current_convention == "block" else "direct"
    k = constant_at_reference(torque_constant(phase_emf, kind), row.magnet_coefficient, row.stated_at)
    resistance = resistance_at_reference(row.terminal_resistance, row.resistance_coefficient, row.stated_at)
    return ModelNumbers(
        torque_constant=k,
        resistance=resistance,
        inductance=row.terminal_inductance,
        peak_current=model_current(row.peak_current, row.current_convention),
        no_load_friction=no_load_friction(k, row.no_load_current),
        motor_constant=motor_constant(k, resistance),
    )
