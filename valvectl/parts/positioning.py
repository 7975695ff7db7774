"""How small a move a valve's servo makes for certain: what sticks, what is let stand, what is not seen.

Terms as in ANSI/ISA-75.25.01 (from memory): *resolution* is the smallest step in one direction that moves the valve,
*dead band* the smallest step upon a reversal that does. Both are worst cases over the places where the valve may have come
to rest. Angles at the stem [rad], torques at the stem [N m].
"""

from __future__ import annotations


def slip(breakaway: float, running: float, stiffness: float) -> float:
    """Angle [rad] by which a stem jumps when it breaks loose: 2 (breakaway - running) / stiffness.

    The motor side stands still meanwhile; the released spring swings an undamped stem as far beyond its new balance as it
    began before it. ``stiffness`` [N m/rad] between motor and stem. Validity: damping and the Stribeck speed shorten the
    jump; a motor that goes on turning during it (a fast command) lengthens the move by its own way.
    Source: elementary mechanics of stick-slip; e.g. Rabinowicz, Friction and Wear of Materials (from memory).
    """
    return 2.0 * (breakaway - running) / stiffness


def rest_zone(hold_band: float, count: float, jump: float) -> float:
    """Width [rad] of the zone round the command in which the angle that the encoder sees may rest.

    The controller lets an error of ``hold_band`` to either side stand, and sees it only to half a count: 2 hold + count,
    these add. ``jump`` is the least move that friction lets the stem make (zero where the encoder does not see the stem).
    While it fits into that zone the stem always lands inside. When it does not, the stem jumps from just outside one edge to
    as far as jump beyond it, and hunts: the zone then is 2 jump - (2 hold + count) wide. So the jump does not add to the
    hold band: one of the two sets the zone.
    """
    let_stand = 2.0 * hold_band + count
    return max(let_stand, 2.0 * jump - let_stand)


def onward_step(command_step: float, hold_band: float, count: float, jump: float, sees_stem: float) -> float:
    """Smallest change of the wanted angle [rad] that moves the ball for certain, going on in the same direction.

    The command's own step adds: rounding may take that much away from the change (a bound: what is needed in truth is the
    next whole number of command steps above the rest, which lies below the sum). The ball lies against the slot's and the
    gears' side already, which holds when it came to its place without overshoot. With the encoder on the motor
    (``sees_stem`` 0) the motor must wind the gears up by another jump before the stem follows.
    """
    if sees_stem > 0.5:
        return command_step + rest_zone(hold_band, count, jump)
    return command_step + rest_zone(hold_band, count, 0.0) + jump


def reversal_step(
    command_step: float,
    hold_band: float,
    count: float,
    jump: float,
    lost_motion: float,
    wind_up: float,
    sees_stem: float,
) -> float:
    """Smallest change of the wanted angle [rad] that moves the ball for certain, whatever direction it came from.

    The lost motion that the loop does not see adds: it is crossed after the encoder has moved. With the encoder on the motor
    (``sees_stem`` 0) so does the gears' wind-up from one side's breakaway to the other's, ``wind_up``; the jump is a part
    of it, since it only takes the stem back inside.
    """
    if sees_stem > 0.5:
        return command_step + rest_zone(hold_band, count, jump) + lost_motion
    return command_step + rest_zone(hold_band, count, 0.0) + lost_motion + wind_up
