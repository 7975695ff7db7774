"""Further laws of the sampled controllers: feed-forward, dead zone, anti-windup, notch. Scalars, one sample at a time.

Anti-windup of a PI with output u = Kp e + x and its limited value v (Astrom and Hagglund, PID Controllers, 1995, section 3.5):

conditional       x += Kp Ki T e unless e drives u further into its limit (``controller.pi_integral``)
clamped           x = clip(x + Kp Ki T e, +-limit)
back-calculation  x += Kp Ki T e + T/Tt (v - u)
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from valvectl.parts.controller import clip, pi_integral

CASCADE, PID, STATE_FEEDBACK = 0.0, 1.0, 2.0
"""Structures, as numbers."""
STRUCTURES = {"cascade": CASCADE, "pid": PID, "state_feedback": STATE_FEEDBACK}
"""Structure by its name in the design file."""
CONDITIONAL, CLAMPED, BACK_CALCULATION = 0.0, 1.0, 2.0
"""Kinds of anti-windup, as numbers."""
ANTI_WINDUP = {"conditional": CONDITIONAL, "clamped": CLAMPED, "back_calculation": BACK_CALCULATION}
"""Kind of anti-windup by its name in the design file."""


@dataclass(frozen=True)
class ControllerMore:
    """What a controller does beyond its gains, SI, stem units. The default is the plain cascade."""

    structure: float = CASCADE
    """One of ``STRUCTURES``."""
    anti_windup: float = CONDITIONAL
    """One of ``ANTI_WINDUP``."""
    tracking_time: float = 0.0
    """Tracking time of back-calculation [s]; zero: the integral time of each loop."""
    dead_zone: float = 0.0
    """Speed errors within plus or minus this are not integrated [rad/s]."""
    feedforward_acceleration: float = 0.0
    """Share of the current that the command's acceleration takes [-]."""
    feedforward_friction: float = 0.0
    """Share of ``friction_current`` [-]."""
    friction_current: float = 0.0
    """Motor current that running friction of motor and stem takes, nominal [A]."""
    friction_speed: float = 0.0872665
    """Commanded speed from which friction is fed forward in full [rad/s]."""
    notch_frequency: float = 0.0
    """Centre of the notch on the current set-point [Hz]; zero: none."""
    notch_width: float = 0.5
    """Width over centre frequency [-]."""
    notch_depth: float = 0.0
    """Gain left at the centre [-]."""
    bandwidth: float = 0.0
    """Closed-loop poles of pid and state feedback [rad/s]; zero: as high as the margins allow."""
    damping: float = 1.0
    """Damping ratio of the pair of placed poles [-]."""
    weight: float = 1.0
    """Set-point weight b of the proportional part [-]."""
    pid: tuple[float, float, float] | None = None
    """Gain [A/rad], integral and derivative time [s] as stated; None: worked out."""
    derivative_filter: float = 20.0
    """N: filter of the derivative, time constant Td/N [-]."""
    observer_factor: float = 12.0
    """Poles of the observer over those of the closed loop [-]."""

    def for_tuning(self) -> ControllerMore:
        """The same without what the linear loop does not know of, or what leaves its stability as it is."""
        return replace(
            self,
            anti_windup=CONDITIONAL,
            tracking_time=0.0,
            dead_zone=0.0,
            feedforward_acceleration=0.0,
            feedforward_friction=0.0,
            friction_current=0.0,
            friction_speed=1.0,
        )

    @property
    def fed_forward(self) -> bool:
        """True when acceleration or friction is fed forward."""
        return self.feedforward_acceleration > 0.0 or self.feedforward_friction > 0.0


PLAIN_CASCADE = ControllerMore()
"""The plain cascade."""


# ------------------------------------------------------------------------------------------------------ feed-forward


def feedforward_current(
    command: float,
    before: float,
    earlier: float,
    period: float,
    ampere_per_acceleration: float,
    friction_current: float,
    friction_speed: float,
) -> float:
    """Motor current [A] that the command's acceleration and running friction take.

    Commands [rad] of this sample, the one before and the one before that. Acceleration by the second difference; friction
    as ``friction_current`` times the commanded speed over ``friction_speed``, held at plus or minus one, so that it is zero
    at rest and does not jump.
    """
    speed = (command - before) / period
    acceleration = (command - 2.0 * before + earlier) / (period * period)
    return ampere_per_acceleration * acceleration + friction_current * clip(speed / friction_speed, 1.0)


# ------------------------------------------------------------------------------------------------------- anti-windup


def dead_zone(error: float, width: float) -> float:
    """The error to be integrated: zero within plus or minus ``width``, as it is outside."""
    return 0.0 if abs(error) <= width else error


def integral_clamped(error: float, integral: float, kp: float, ki_period: float, limit: float) -> float:
    """Integral one sample on, held within plus or minus the output's limit."""
    return clip(integral + kp * ki_period * error, limit)


def integral_back_calculated(
    error: float, integral: float, kp: float, ki_period: float, output: float, limit: float, share: float
) -> float:
    """Integral one sample on, led back by ``share`` = T/Tt of what the limit cut off the output."""
    return integral + kp * ki_period * error + share * (clip(output, limit) - output)


def next_integral(
    kind: float,
    error: float,
    integral: float,
    kp: float,
    ki_period: float,
    output: float,
    limit: float,
    share: float,
) -> float:
    """Integral one sample on by the kind of anti-windup (``ANTI_WINDUP``)."""
    if kind < 0.5:
        return pi_integral(error, integral, kp, ki_period, output, limit)
    if kind < 1.5:
        return integral_clamped(error, integral, kp, ki_period, limit)
    return integral_back_calculated(error, integral, kp, ki_period, output, limit, share)


def tracking_share(period: float, tracking_time: float, integral_rate: float) -> float:
    """T/Tt [-], at most one: with the stated tracking time [s], or (when that is zero) the integral time 1/Ki."""
    share = period / tracking_time if tracking_time > 0.0 else period * integral_rate
    return min(share, 1.0)


# ------------------------------------------------------------------------------------------------------------- notch


def notch_coefficients(
    frequency: float, width: float, depth: float, period: float
) -> tuple[float, float, float, float, float]:
    """Coefficients b0, b1, b2, a1, a2 of a sampled notch; a0 = 1.

    Continuous: (s^2 + depth B s + w0^2) / (s^2 + B s + w0^2), w0 = 2 pi ``frequency`` [Hz], taken over by the bilinear
    transformation s -> w0 / tan(w0 T/2) (z - 1)/(z + 1), so that the centre stays where it is; gain 1 at zero frequency and
    at pi/T, ``depth`` at the centre. B is prewarped too, so that ``width``, over the centre frequency, is the sampled
    notch's own at -3 dB (for depth 0). Valid for ``frequency`` below half the sample rate and ``width * frequency`` below
    it as well. Source: Oppenheim and Schafer, Discrete-Time Signal Processing, bilinear transformation (from memory).
    """
    angle = 2.0 * math.pi * frequency * period
    bend = math.tan(0.5 * width * angle)
    over = 1.0 / (1.0 + bend)
    middle = -2.0 * math.cos(angle) * over
    return (1.0 + depth * bend) * over, middle, (1.0 - depth * bend) * over, middle, (1.0 - bend) * over


def biquad_output(value: float, z1: float, b0: float) -> float:
    """Output of a second-order section in transposed direct form II."""
    return b0 * value + z1


def biquad_first(value: float, output: float, z2: float, b1: float, a1: float) -> float:
    """Its first state, one sample on."""
    return b1 * value - a1 * output + z2


def biquad_second(value: float, output: float, b2: float, a2: float) -> float:
    """Its second state, one sample on."""
    return b2 * value - a2 * output
