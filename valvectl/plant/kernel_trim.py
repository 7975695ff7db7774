"""The outer loops in the compiled simulator: lagging sensors at every step, both loops at their samples.

``out`` holds numbers and states of the loops (``layout.OUT_*``), ``rows`` one row a sample: what is wanted and the decoupler at
the throttle setting then, noise drawn outside, and, last, what came of it.
"""

from __future__ import annotations

from typing import Any

from valvectl.parts.controller import clip, pi_integral, pi_output
from valvectl.parts.injector import orifice_flow
from valvectl.parts.outer_loop import flow_ratio, lag_step, relative_error, sent_trim, valve_trim
from valvectl.plant import layout as ix
from valvectl.plant.kernel_base import jit, laws

laws(clip, pi_integral, pi_output, orifice_flow, flow_ratio, lag_step, relative_error, sent_trim, valve_trim)


@jit
def trim_sensors(out: Any, flow_o: float, flow_f: float, manifold_o: float, manifold_f: float, pressure: float) -> None:
    """Sensors one step on."""
    out[ix.OUT_PC] = lag_step(out[ix.OUT_PC], pressure, out[ix.OUT_PC_SHARE])
    source = out[ix.OUT_SOURCE]
    first, second = flow_o, flow_f
    if source > 0.5:
        first, second = manifold_o, manifold_f
    if source > 1.5:
        first, second = manifold_o - pressure, manifold_f - pressure
    out[ix.OUT_FIRST] = lag_step(out[ix.OUT_FIRST], first, out[ix.OUT_SHARE])
    out[ix.OUT_SECOND] = lag_step(out[ix.OUT_SECOND], second, out[ix.OUT_SHARE])


@jit
def one_loop(out: Any, error: float, gain: int, integral: int) -> float:
    """Output of one loop [-]; ``gain`` is the index of its Kp, Ki T and authority, ``integral`` that of its integrator."""
    output = pi_output(error, out[integral], out[gain])
    out[integral] = pi_integral(error, out[integral], out[gain], out[gain + 1], output, out[gain + 2])
    return clip(output, out[gain + 2])


@jit
def sample_trims(out: Any, row: Any) -> None:
    """Both loops at one of their samples; the trims wait in ``out`` for their time."""
    pc = out[ix.OUT_PC] + out[ix.OUT_PC_OFFSET] + row[ix.ROW_NOISE_PC]
    first = out[ix.OUT_FIRST] * out[ix.OUT_SCALE_O] + out[ix.OUT_OFFSET_O] + row[ix.ROW_NOISE_O]
    second = out[ix.OUT_SECOND] * out[ix.OUT_SCALE_F] + out[ix.OUT_OFFSET_F] + row[ix.ROW_NOISE_F]
    source = out[ix.OUT_SOURCE]
    if source > 0.5:
        shared = pc if source < 1.5 else 0.0
        first = orifice_flow(out[ix.OUT_ORIFICE_O], first - shared)
        second = orifice_flow(out[ix.OUT_ORIFICE_F], second - shared)
    ratio = flow_ratio(first, second)
    up = one_loop(out, relative_error(row[ix.ROW_PC], pc), ix.OUT_KP_P, ix.OUT_X_P)
    ur = one_loop(out, relative_error(row[ix.ROW_RATIO], ratio), ix.OUT_KP_R, ix.OUT_X_R)
    trim_o = valve_trim(up, ur, row[ix.ROW_D_OP], row[ix.ROW_D_OR])
    trim_f = valve_trim(up, ur, row[ix.ROW_D_FP], row[ix.ROW_D_FR])
    least = out[ix.OUT_LEAST]
    trim_o = sent_trim(trim_o, out[ix.OUT_NEXT_O], row[ix.ROW_LOW_O], row[ix.ROW_HIGH_O], least)
    trim_f = sent_trim(trim_f, out[ix.OUT_NEXT_F], row[ix.ROW_LOW_F], row[ix.ROW_HIGH_F], least)
    out[ix.OUT_NEXT_O], out[ix.OUT_NEXT_F] = trim_o, trim_f
    row[ix.ROW_GOT_PC], row[ix.ROW_GOT_RATIO] = pc, ratio
    row[ix.ROW_U_P], row[ix.ROW_U_R] = up, ur
    row[ix.ROW_TRIM_O], row[ix.ROW_TRIM_F] = trim_o, trim_f


@jit
def take_trims(out: Any, first: Any, second: Any, tick: int) -> None:
    """Trims whose time has come reach the valves' controllers."""
    if tick >= out[ix.OUT_DUE] - 1e-9:
        first[ix.OUTER_TRIM], second[ix.OUTER_TRIM] = out[ix.OUT_NEXT_O], out[ix.OUT_NEXT_F]
