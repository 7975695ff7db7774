"""Heat of a motor as two nodes: winding to case, case to surroundings; loss that rises with the winding's temperature.

    Cw dTw/dt = P(Tw) - (Tw - Tc)/Rwc              P(Tw) = I^2 R(Tw), R linear (``motor.winding_resistance``)
    Cc dTc/dt = Pc + (Tw - Tc)/Rwc - (Tc - Ta)/Rca

At constant current this is linear in both temperatures, so that a step of any length is exact: two exponentials, of which
one may grow when the heating runs away. At constant torque the current follows the magnets' torque constant as well; that is
solved for its steady state only (``holding_temperature``). Magnets are taken at the case's temperature.
Source: two-node model as in any text on motor heating (winding, housing); the solution of a two by two linear system.
"""

from __future__ import annotations

import math

from valvectl.parts import motor


def phi(rate: float, step: float) -> float:
    """(exp(rate step) - 1)/rate [s]: growth of a unit slope over a step [s]; ``step`` itself at rate zero [1/s].

    Infinite where the exponential overflows.
    """
    x = rate * step
    if x > 700.0:
        return math.inf
    if abs(x) < 1e-12:
        return step * (1.0 + 0.5 * x)
    return math.expm1(x) / rate


def runaway_gain(current: float, r25: float, coefficient: float, thermal_resistance: float) -> float:
    """Loop gain [-] of heating at constant current: Rth I^2 R25 a; no steady temperature from 1 upwards.

    Current [A] RMS, R25 [ohm], coefficient [1/K], winding to surroundings [K/W].
    """
    return thermal_resistance * motor.copper_loss(current, r25) * coefficient


def runaway_current(r25: float, coefficient: float, thermal_resistance: float) -> float:
    """Current [A] at which ``runaway_gain`` is 1; infinite when the resistance does not rise with temperature."""
    slope = thermal_resistance * r25 * coefficient
    return 1.0 / math.sqrt(slope) if slope > 0.0 else math.inf


def continuous_current(
    limit: float, surroundings: float, r25: float, coefficient: float, thermal_resistance: float
) -> float:
    """Greatest lasting current [A] for a winding limit [K]: sqrt((Tl - Ta)/(Rth R(Tl))); zero when it is hotter outside."""
    rise = limit - surroundings
    if rise <= 0.0:
        return 0.0
    return math.sqrt(rise / (thermal_resistance * motor.winding_resistance(r25, coefficient, limit)))


def steady_temperatures(
    surroundings: float,
    current: float,
    r25: float,
    coefficient: float,
    winding_case: float,
    case_air: float,
    case_loss: float,
) -> tuple[float, float]:
    """Winding and case [K] at a lasting RMS current [A]; both infinite when the heating runs away.

    ``winding_case``, ``case_air`` thermal resistances [K/W]; ``case_loss`` heat born in the case [W].
    """
    base = surroundings + case_air * case_loss
    winding = motor.winding_temperature(base, current, r25, coefficient, winding_case + case_air)
    if winding == math.inf:
        return math.inf, math.inf
    loss = motor.copper_loss(current, motor.winding_resistance(r25, coefficient, winding))
    return winding, base + case_air * loss


def heat_rates(
    winding: float,
    case: float,
    surroundings: float,
    current: float,
    r25: float,
    coefficient: float,
    winding_case: float,
    case_air: float,
    winding_capacity: float,
    case_capacity: float,
    case_loss: float,
) -> tuple[float, float]:
    """dTw/dt and dTc/dt [K/s] at temperatures [K]; heat capacities [J/K], the rest as in ``steady_temperatures``."""
    across = (winding - case) / winding_case
    loss = motor.copper_loss(current, motor.winding_resistance(r25, coefficient, winding))
    return (
        (loss - across) / winding_capacity,
        (case_loss + across - (case - surroundings) / case_air) / case_capacity,
    )


def heat_modes(
    current: float,
    r25: float,
    coefficient: float,
    winding_case: float,
    case_air: float,
    winding_capacity: float,
    case_capacity: float,
) -> tuple[float, float]:
    """The two rates [1/s] of the network at constant current, slower one first; positive: it runs away.

    Minus one over each is a time constant. Always real and apart.
    """
    own = (motor.copper_loss(current, r25) * coefficient - 1.0 / winding_case) / winding_capacity
    other = -(1.0 / winding_case + 1.0 / case_air) / case_capacity
    coupling = 1.0 / (winding_case * winding_case * winding_capacity * case_capacity)
    half = 0.5 * (own - other)
    root = math.sqrt(half * half + coupling)
    middle = 0.5 * (own + other)
    if middle > 0.0:
        slow = middle + root
        return slow, (own * other - coupling) / slow
    fast = middle - root
    return (own * other - coupling) / fast, fast  # without the cancellation of middle + root


def heat_step(
    winding: float,
    case: float,
    surroundings: float,
    current: float,
    r25: float,
    coefficient: float,
    winding_case: float,
    case_air: float,
    winding_capacity: float,
    case_capacity: float,
    case_loss: float,
    step: float,
) -> tuple[float, float]:
    """Winding and case [K] a time ``step`` [s] later at a constant RMS current [A]: exact for any step.

    x + (c0 + c1 A) dx/dt with the two modes of A; infinite when it has run away beyond all numbers.
    """
    slow, fast = heat_modes(current, r25, coefficient, winding_case, case_air, winding_capacity, case_capacity)
    rate_w, rate_c = heat_rates(
        winding, case, surroundings, current, r25, coefficient, winding_case, case_air, winding_capacity,
        case_capacity, case_loss,
    )  # fmt: skip
    grown, settled = phi(slow, step), phi(fast, step)
    if grown == math.inf:
        return math.inf, math.inf
    c1 = (grown - settled) / (slow - fast)
    c0 = settled - fast * c1
    own = (motor.copper_loss(current, r25) * coefficient - 1.0 / winding_case) / winding_capacity
    into_winding = 1.0 / (winding_case * winding_capacity)
    into_case = 1.0 / (winding_case * case_capacity)
    other = -(1.0 / winding_case + 1.0 / case_air) / case_capacity
    return (
        winding + c0 * rate_w + c1 * (own * rate_w + into_winding * rate_c),
        case + c0 * rate_c + c1 * (into_case * rate_w + other * rate_c),
    )


def time_to_limit(
    limit: float,
    winding: float,
    case: float,
    surroundings: float,
    current: float,
    r25: float,
    coefficient: float,
    winding_case: float,
    case_air: float,
    winding_capacity: float,
    case_capacity: float,
    case_loss: float,
) -> float:
    """Time [s] until the winding first reaches ``limit`` [K] at a constant current [A]; zero if it is there already.

    Infinite when it never does. The winding's temperature turns at most once, so that the first crossing is found between
    turning points by halving.
    """
    if winding >= limit:
        return 0.0
    slow, fast = heat_modes(current, r25, coefficient, winding_case, case_air, winding_capacity, case_capacity)
    rate_w, rate_c = heat_rates(
        winding, case, surroundings, current, r25, coefficient, winding_case, case_air, winding_capacity,
        case_capacity, case_loss,
    )  # fmt: skip
    own = (motor.copper_loss(current, r25) * coefficient - 1.0 / winding_case) / winding_capacity
    second = own * rate_w + rate_c / (winding_case * winding_capacity)
    # dTw/dt = a exp(slow t) + b exp(fast t), a + b = rate_w, a slow + b fast = second.
    a = (second - fast * rate_w) / (slow - fast)
    b = rate_w - a
    turn = 0.0
    if a != 0.0 and -b / a > 0.0:
        turn = max(math.log(-b / a) / (slow - fast), 0.0)
    start, end = 0.0, 0.0
    if turn > 0.0:
        at_turn, _ = heat_step(
            winding, case, surroundings, current, r25, coefficient, winding_case, case_air, winding_capacity,
            case_capacity, case_loss, turn,
        )  # fmt: skip
        if at_turn >= limit:
            end = turn
        else:
            start = turn
    if end == 0.0:
        ends = motor.winding_temperature(
            surroundings + case_air * case_loss, current, r25, coefficient, winding_case + case_air
        )
        falling = a < 0.0 or (a == 0.0 and b <= 0.0)
        if falling or not ends > limit:
            return math.inf
        width = 1.0 / abs(fast)
        end = start + width
        for _ in range(400):
            there, _ = heat_step(
                winding, case, surroundings, current, r25, coefficient, winding_case, case_air, winding_capacity,
                case_capacity, case_loss, end,
            )  # fmt: skip
            if there >= limit:
                break
            width *= 2.0
            end += width
            if width > 1e15:
                return math.inf
    for _ in range(200):
        middle = 0.5 * (start + end)
        if middle <= start or middle >= end:
            break
        there, _ = heat_step(
            winding, case, surroundings, current, r25, coefficient, winding_case, case_air, winding_capacity,
            case_capacity, case_loss, middle,
        )  # fmt: skip
        if there >= limit:
            end = middle
        else:
            start = middle
    return end


# --------------------------------------------------------------------------------------------- holding a torque


def holding_temperature(
    torque: float,
    surroundings: float,
    r25: float,
    coefficient: float,
    k25: float,
    magnet_coefficient: float,
    winding_case: float,
    case_air: float,
) -> float:
    """Steady winding temperature [K] of a motor that holds a torque [N m] at its shaft; infinite when none exists.

    The current is T/K at the case's temperature, so that warm magnets ask for more current. Newton's method from the cold
    side on a convex equation: it climbs to the lower of its two roots and passes none.
    """
    total = winding_case + case_air
    share = case_air / total
    rise = 0.0
    for _ in range(200):
        k = motor.torque_constant(k25, magnet_coefficient, surroundings + share * rise)
        if k <= 0.0:
            return math.inf
        resistance = motor.winding_resistance(r25, coefficient, surroundings + rise)
        heat = total * motor.copper_loss(torque / k, resistance)
        slope = heat * (r25 * coefficient / resistance - 2.0 * share * k25 * magnet_coefficient / k)
        gap = heat - rise
        if gap <= 1e-12 * (1.0 + rise):
            return surroundings + rise
        if slope >= 1.0:
            return math.inf
        rise += gap / (1.0 - slope)
    return surroundings + rise


def holding_limit(
    limit: float,
    surroundings: float,
    r25: float,
    coefficient: float,
    k25: float,
    magnet_coefficient: float,
    winding_case: float,
    case_air: float,
) -> float:
    """Greatest torque [N m] that can be held for ever within a winding limit [K]: K(Tc) I at the limit, unless it runs
    away below it, then the torque at which the steady state is lost; zero when it is hotter outside than the limit."""
    total = winding_case + case_air
    rise = limit - surroundings
    if rise <= 0.0:
        return 0.0
    # torque as a function of the rise; it has one crest, and the part beyond it is not stable.
    low, high = 0.0, rise
    if holding_slope(rise, surroundings, r25, coefficient, k25, magnet_coefficient, total, case_air) < 0.0:
        for _ in range(200):
            middle = 0.5 * (low + high)
            if middle <= low or middle >= high:
                break
            if holding_slope(middle, surroundings, r25, coefficient, k25, magnet_coefficient, total, case_air) < 0.0:
                high = middle
            else:
                low = middle
        rise = low
    current = continuous_current(surroundings + rise, surroundings, r25, coefficient, total)
    return motor.torque_constant(k25, magnet_coefficient, surroundings + rise * case_air / total) * current


def holding_slope(
    rise: float,
    surroundings: float,
    r25: float,
    coefficient: float,
    k25: float,
    magnet_coefficient: float,
    total: float,
    case_air: float,
) -> float:
    """d ln(torque)/d(rise) [1/K] of the torque [N m] held in steady state at a rise [K] of the winding.

    Negative where more heat holds less torque: not stable. ``total`` thermal resistance winding to surroundings [K/W].
    """
    share = case_air / total
    k = motor.torque_constant(k25, magnet_coefficient, surroundings + share * rise)
    resistance = motor.winding_resistance(r25, coefficient, surroundings + rise)
    if k <= 0.0:
        return -1.0
    return 0.5 / rise - 0.5 * r25 * coefficient / resistance + share * k25 * magnet_coefficient / k
