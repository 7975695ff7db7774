"""Battery and loads that hold their power: voltage, sag, what the fuse takes, and what braking does to the bus.

Extends ``bus`` (a drive's current, the sagging voltage that the simulator steps) by the closed forms of steady loads. A load
of constant power P behind a resistance R of a source E has two operating points, V^2 - E V + R P = 0; the upper is the
one that is run at, and above E^2/(4 R) there is none. Elementary circuit theory. Fuse figures: a fuse maker's public selection
guide for electronic fuses (2017), charts of wave shapes and of pulse withstand; other kinds of fuse differ.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from valvectl.parts import bus
from valvectl.parts.lookup import FloatArray


def greatest_power(open_circuit: float, resistance: float, current: float) -> float:
    """Greatest constant power [W] that a source [V] behind a resistance [ohm] can carry beside a constant current [A]."""
    left = open_circuit - resistance * current
    if left <= 0.0:
        return 0.0
    return 0.25 * left * left / resistance if resistance > 0.0 else math.inf


def _discriminant(left: Any, resistance: float, power: Any) -> Any:
    """What stands under the root of V^2 - E V + R P = 0 [V^2]; numbers or arrays."""
    return left * left - 4.0 * resistance * power


def _upper(left: Any, root: Any) -> Any:
    """The upper of its two roots [V]; numbers or arrays."""
    return 0.5 * (left + root)


def operating_voltages(open_circuit: float, resistance: float, power: float, current: float) -> tuple[float, float]:
    """Both voltages [V], upper first, at which a source carries a constant power [W] and a constant current [A].

    Power below zero feeds the source: the lower root is then below zero and means nothing. Both zero when there is no
    operating point.
    """
    left = open_circuit - resistance * current
    square = _discriminant(left, resistance, power)
    if square < 0.0:
        return 0.0, 0.0
    if left < 0.0:  # only a load that feeds the bus can hold it up then
        lower = 0.5 * (left - math.sqrt(square))
        upper = resistance * power / lower
        return (upper, lower) if upper > 0.0 else (0.0, 0.0)
    upper = _upper(left, math.sqrt(square))
    return (upper, resistance * power / upper) if upper > 0.0 else (0.0, 0.0)


def bus_voltage(open_circuit: float, resistance: float, power: float, current: float) -> float:
    """Voltage [V] at which a constant power [W] and a constant current [A] are run; zero when they can not be carried."""
    return operating_voltages(open_circuit, resistance, power, current)[0]


def bus_voltages(open_circuit: FloatArray, resistance: float, power: FloatArray) -> FloatArray:
    """``bus_voltage``, to the bit, of many voltages [V] and constant powers [W] at once, shapes (n,), with no other current."""
    square = _discriminant(open_circuit, resistance, power)
    plain = (open_circuit >= 0.0) & (square >= 0.0)
    out = _upper(open_circuit, np.sqrt(np.where(plain, square, 0.0)))
    for j in np.flatnonzero(~plain):
        out[j] = bus_voltage(float(open_circuit[j]), resistance, float(power[j]), 0.0)
    return np.asarray(out)


def branch_current(bus_level: float, harness: float, power: float) -> float:
    """Current [A] of a constant-power load [W] behind its own harness [ohm] on a bus [V]; infinite when it collapses."""
    level = bus_voltage(bus_level, harness, power, 0.0)
    return bus.drive_current(0.0, 0.0, level, power) if level > 0.0 else math.inf


def shared_bus_voltage(
    open_circuit: float, resistance: float, powers: FloatArray, harnesses: FloatArray, current: float
) -> float:
    """Voltage [V] behind the battery's resistance that several loads share, each behind its own harness.

    ``powers`` [W], ``harnesses`` [ohm], shapes (n,); ``current`` [A] of the loads that hold their current. Zero when no
    operating point exists. Newton's method from above: with loads alone the balance is convex, so that the first root from
    above, which is the one that is run at, is not stepped over.
    """
    gaining = 0.0
    for j in range(powers.shape[0]):
        gaining += max(-powers[j], 0.0)
    level = open_circuit + math.sqrt(resistance * gaining)
    for _ in range(200):
        drawn, slope = current, 0.0
        for j in range(powers.shape[0]):
            own = branch_current(level, float(harnesses[j]), float(powers[j]))
            if own == math.inf:
                return 0.0
            drawn += own
            behind = level - float(harnesses[j]) * own
            # dI/dV of a constant-power branch.
            slope -= own / (behind - float(harnesses[j]) * own)
        gap = level - (open_circuit - resistance * drawn)
        steepness = 1.0 + resistance * slope
        if abs(gap) <= 1e-12 * open_circuit:
            return level if steepness > 0.0 else 0.0
        if steepness <= 0.0:
            return 0.0
        level -= gap / steepness
        if not level > 0.0:
            return 0.0
    return 0.0


def sag(open_circuit: float, level: float) -> float:
    """Share [-] of the open-circuit voltage [V] that is lost at a bus voltage [V]."""
    return 1.0 - level / open_circuit


def undervoltage_margin(level: float, lockout: float) -> float:
    """Margin [-] of a bus voltage [V] over a drive's undervoltage lockout [V]; 10 % is usual (common practice)."""
    return level / lockout - 1.0


def power_at_voltage(open_circuit: float, resistance: float, level: float, current: float) -> float:
    """Constant power [W] that pulls the bus down to ``level`` [V] beside a constant current [A].

    Below half the open-circuit voltage the point is not one that can be run at; use ``greatest_power`` there. Infinite
    without resistance.
    """
    if resistance <= 0.0:
        return math.inf
    return level * ((open_circuit - level) / resistance - current)


# ------------------------------------------------------------------------------------------------------- fuses


def pulse_i2t(first: float, last: float, time: float) -> float:
    """I^2 t [A^2 s] of a current that goes in a straight line from ``first`` to ``last`` [A] in a time [s].

    (a^2 + a b + b^2) t/3: a^2 t for a rectangle, a^2 t/3 for a triangle.
    """
    return (first * first + first * last + last * last) * time / 3.0


def half_sine_i2t(crest: float, time: float) -> float:
    """I^2 t [A^2 s] of a half sine of a crest [A] and length [s]: a^2 t/2."""
    return 0.5 * crest * crest * time


def decaying_i2t(first: float, time_constant: float) -> float:
    """I^2 t [A^2 s] of a current that decays from ``first`` [A] with a time constant [s]: a^2 tau/2."""
    return 0.5 * first * first * time_constant


def trace_i2t(time: FloatArray, current: FloatArray) -> float:
    """I^2 t [A^2 s] of samples joined by straight lines; ``time`` [s] and ``current`` [A], shapes (n,)."""
    if time.shape[0] < 2:
        return 0.0
    pulses = pulse_i2t(current[:-1], current[1:], np.diff(time))  # type: ignore[arg-type]
    return float(np.cumsum(pulses)[-1])


def pulse_share(pulses: float) -> float:
    """Share [-] of its melting I^2 t that a fuse takes ``pulses`` times, at least 10 s apart.

    0.48, 0.38, 0.29, 0.22 for 100, 1000, 10 000, 100 000 pulses, straight in the logarithm of the number between them;
    below 100 the value at 100, above 100 000 the last slope on, not below 0.05. Source as above.
    """
    decade = math.log10(pulses) if pulses > 100.0 else 2.0
    if decade <= 3.0:
        return 0.48 - 0.10 * (decade - 2.0)
    if decade <= 4.0:
        return 0.38 - 0.09 * (decade - 3.0)
    return max(0.29 - 0.07 * (decade - 4.0), 0.05)


def fuse_margin(melting_i2t: float, pulse: float, pulses: float) -> float:
    """Margin [-] of a fuse over a pulse: melting I^2 t [A^2 s] times ``pulse_share`` over the pulse's [A^2 s], less one."""
    return melting_i2t * pulse_share(pulses) / pulse - 1.0 if pulse > 0.0 else math.inf


def melting_time(melting_i2t: float, current: float) -> float:
    """Time [s] to melt at a current [A] far above the rating: I^2 t/I^2; good below some 10 ms, where no heat leaves."""
    return melting_i2t / (current * current)


# ---------------------------------------------------------------------------------------------------- braking


def capacitor_voltage(start: float, energy: float, capacitance: float) -> float:
    """Voltage [V] of a capacitance [F] at ``start`` [V] after an energy [J] went in: sqrt(V^2 + 2 E/C).

    For a bus that can not give energy back (a diode, a supply, a battery's protection open). Zero when more is taken out
    than there is.
    """
    square = start * start + 2.0 * energy / capacitance
    return math.sqrt(square) if square > 0.0 else 0.0


def capacitance_for(start: float, limit: float, energy: float) -> float:
    """Capacitance [F] that takes an energy [J] between two voltages [V]: 2 E/(Vl^2 - V^2); infinite without room."""
    room = limit * limit - start * start
    return 2.0 * energy / room if room > 0.0 else math.inf


def brake_resistor(limit: float, power: float) -> float:
    """Greatest brake resistor [ohm] that takes a braking power [W] at a voltage limit [V]; infinite without power."""
    return limit * limit / power if power > 0.0 else math.inf
