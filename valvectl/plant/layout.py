"""Where each number sits in the plain arrays that the compiled simulator works on. Integers only."""

from __future__ import annotations

# ---- parameters of a leg: par[leg, index] ---------------------------------------------------------------------
(
    RHO,
    FF,
    VAPOUR,
    TANK,
    DROOP_SLOPE,
    HEAD,
    UP_INERTANCE,
    DOWN_INERTANCE,
    STEP_OVER_UP,
    STEP_OVER_ALL,
    LOSS_PER_STEP,
    GRID_START,
    GRID_PER_STEP,
    HALF_STEP_COMPLIANCE,
    ORIFICE,
    DELAY,
    RELATIVE_SLOPE,
    COLD,
    STRIBECK,
    HYDRO,
    BORE,
    CLOSED_STOP,
    OPEN_STOP,
    RATIO,
    PER_RATIO,
    MESH_MEAN,
    MESH_LOSS,
    STEP_OVER_MOTOR,
    STEP_OVER_LOAD,
    SPRING,
    DAMPING,
    HALF_GAP,
    HALF_SLOT,
    MOTOR_FRICTION,
    VISCOUS_DECAY,
    CURRENT_HALF,
    CURRENT_GAIN,
    TORQUE_CONSTANT,
    POSITION_ON_MOTOR,
    POSITION_COUNT,
    SPEED_ON_MOTOR,
    SPEED_COUNT,
    CURRENT_LIMIT,
    DUTY_LIMIT,
    HARNESS,
    IDLE_POWER,
    POSITION_PERIOD,
    SPEED_PERIOD,
    CURRENT_PERIOD,
    POSITION_DELAY_TICKS,
    SPEED_DELAY_TICKS,
    CURRENT_DELAY_TICKS,
    FILTER_SHARE,
    KP_POSITION,
    KP_SPEED,
    KI_SPEED,
    KP_CURRENT,
    KI_CURRENT,
    FEEDFORWARD,
    SPEED_LIMIT,
    HOLD_BAND,
    RETURN_PRELOAD,
    RETURN_RATE,
    OFF_TICK,
    SHORTED,
    AUDIT,
    SIGMA0,
    SIGMA1,
    PAR_SIZE,
) = range(69)

# ---- parameters of the engine: glob[index] --------------------------------------------------------------------
(
    THROAT_AREA,
    RESIDENCE,
    EFFICIENCY,
    R_START,
    R_STEP,
    X_START,
    X_STEP,
    BATTERY,
    BATTERY_RESISTANCE,
    OTHER_LOADS,
    STEP,
    PER_STEP,
    HYDRAULICS,
    GLOB_SIZE,
) = range(14)

# ---- columns of the valve tables: valve[leg, column, point] ---------------------------------------------------
TAB_C, TAB_FL, TAB_RUN, TAB_BREAK, TAB_RUN_CLOSING, TAB_BREAK_CLOSING, TAB_SIZE = range(7)

# ---- state of a leg: st[leg, index]; speeds and line flow live half a step behind angles and pressures ---------
(
    CURRENT,
    MOTOR_SPEED,
    MOTOR_ANGLE,
    STEM_SPEED,
    STEM_ANGLE,
    BALL_ANGLE,
    FLOW,
    MANIFOLD,
    VALVE_DROP,
    VOLTAGE,
    BUS,
    DRAWN,
    COMMAND,
    COMMAND_BEFORE,
    SPEED_SET,
    CURRENT_SET,
    ANGLE_BEFORE,
    SPEED_FILTERED,
    SPEED_INTEGRAL,
    CURRENT_INTEGRAL,
    CHOKED,
    BRISTLE,
    ST_SIZE,
) = range(23)

# ---- the three sampled loops: rings of outputs under way, ring[leg, loop, slot, (value, tick)] ------------------
LOOP_POSITION, LOOP_SPEED, LOOP_CURRENT, LOOPS = range(4)
RING = 16
"""Outputs that may be under way at once, a power of two; a delay may be at most RING - 2 sample periods."""
HEAD_INDEX, COUNT_INDEX, QUEUE_SIZE = range(3)

# ---- accumulators of a leg: acc[leg, index] --------------------------------------------------------------------
(
    SUM_CURRENT_SQUARED,
    PEAK_CURRENT,
    PEAK_MOTOR_SPEED,
    LOWEST_BUS,
    PEAK_SPRING,
    E_DRAWN,
    E_BATTERY,
    E_HARNESS,
    E_IDLE,
    E_MOTOR,
    E_THROUGH,
    E_COPPER,
    E_MOTOR_FRICTION,
    E_GEAR,
    E_CONTACT,
    E_STEM_FRICTION,
    E_STREAM,
    E_RETURN,
    E_STOP,
    E_STORED,
    E_GIVEN,
    ACC_SIZE,
) = range(22)

# ---- a record: rec[row, index]; the first entries are the engine's, then LEG_RECORD entries for each leg ---------
REC_TIME, REC_PC, REC_BUS, REC_ENGINE = range(4)
(
    REC_COMMAND,
    REC_STEM,
    REC_BALL,
    REC_MOTOR,
    REC_CURRENT,
    REC_VOLTAGE,
    REC_FLOW,
    REC_MANIFOLD,
    REC_DROP,
    REC_CHOKED,
    REC_SPEED,
    LEG_RECORD,
) = range(12)
REC_SIZE = REC_ENGINE + 2 * LEG_RECORD
