"""Compiled: one leg's servo with its rotor moved as a sine from outside, everything else as in ``kernel_servo``.

The loops sample, the drive puts its voltage on, current and stem follow; only the rotor does what it is told. What torque
the rotor gets is summed up by harmonics.
"""

from __future__ import annotations

import math
from typing import Any

from valvectl.parts.gearing import spring_torque
from valvectl.plant import layout as ix
from valvectl.plant.kernel_base import FAST, flat, laws
from valvectl.plant.kernel_sensors import sense
from valvectl.plant.kernel_servo import control, mechanics, step_voltage

__all__ = ["FAST", "SUMS", "driven"]

laws(spring_torque)

SUMS = 12
"""Sums kept: in-phase and leading parts of torque (1st, 3rd), stem (1st, 3rd), current (1st); mean torque, mean stem."""


def driven(
    par: Any, tables: Any, command: Any, periods: Any, due: Any, late: Any, st: Any, ring: Any, queue: Any, acc: Any,
    middle: float, amplitude: float, omega: float, third_in: float, third_ahead: float, h: float, turn: int, settle: int,
    read: int, out: Any,
) -> None:  # fmt: skip
    """Run ``settle`` periods of about ``turn`` steps and then ``read`` steps, over which ``out`` (SUMS,) is filled.

    Rotor angle over the ratio is ``middle`` + ``amplitude`` (sin x + ``third_in`` sin 3x + ``third_ahead`` cos 3x) [rad],
    x = ``omega`` t. Torques are at the shaft, motor torque
    less all that opposes it [N m]. After each settling period the mean torque is taken out of the speed integral: under a
    motion that is given nothing else would bring it to its middle. Shapes of the arrays as in ``kernel.run``, one leg.
    """
    points, samples = tables.shape[1], command.shape[0]
    par_, st_, tables_, command_ = flat(par), flat(st), flat(tables), flat(command)
    ring_, queue_, acc_, periods_, due_, late_ = (
        flat(ring),
        flat(queue),
        flat(acc),
        flat(periods),
        flat(due),
        flat(late),
    )
    ratio, constant = par_[ix.RATIO], par_[ix.TORQUE_CONSTANT]
    inertia = h / par_[ix.STEP_OVER_MOTOR]
    mean = 0.0
    for j in range(SUMS):
        out[j] = 0.0
    for tick in range(turn * settle + read):
        phase = omega * h * tick
        s, c, s3, c3 = math.sin(phase), math.cos(phase), math.sin(3.0 * phase), math.cos(3.0 * phase)
        before = phase - 0.5 * omega * h
        st_[ix.MOTOR_ANGLE] = ratio * (middle + amplitude * (s + third_in * s3 + third_ahead * c3))
        rate = math.cos(before) + 3.0 * (third_in * math.cos(3.0 * before) - third_ahead * math.sin(3.0 * before))
        st_[ix.MOTOR_SPEED] = ratio * amplitude * omega * rate
        speed = ratio * amplitude * omega * (c + 3.0 * (third_in * c3 - third_ahead * s3))
        control(par_, st_, ring_, queue_, late_, command_, samples, tick, periods_, due_)
        spring = spring_torque(
            st_[ix.MOTOR_ANGLE] / ratio - st_[ix.STEM_ANGLE],
            st_[ix.MOTOR_SPEED] / ratio - st_[ix.STEM_SPEED],
            par_[ix.SPRING],
            par_[ix.DAMPING],
            par_[ix.HALF_GAP],
        )
        dry = par_[ix.MOTOR_FRICTION] + par_[ix.MESH_LOSS] * abs(spring)
        viscous = 2.0 * par_[ix.VISCOUS_DECAY] / h * inertia
        torque = constant * st_[ix.CURRENT] - par_[ix.MESH_MEAN] * spring - (dry if speed > 0.0 else -dry)
        torque -= viscous * speed
        mean += torque
        if tick >= turn * settle:
            stem = st_[ix.STEM_ANGLE] - middle
            out[0] += torque * s
            out[1] += torque * c
            out[2] += torque * s3
            out[3] += torque * c3
            out[4] += stem * s
            out[5] += stem * c
            out[6] += stem * s3
            out[7] += stem * c3
            out[8] += st_[ix.CURRENT] * s
            out[9] += st_[ix.CURRENT] * c
            out[10] += 0.5 * torque
            out[11] += 0.5 * stem
        elif (tick + 1) % turn == 0:
            st_[ix.SPEED_INTEGRAL] -= mean / (turn * constant)
            mean = 0.0
        voltage = step_voltage(st_, ring_, queue_, tick)
        mechanics(par_, st_, acc_, tables_, points, voltage, h)
        sense(par_, st_)
    for j in range(SUMS):
        out[j] *= 2.0 / read
