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
    PAR_MORE,
) = range(67)
# what a controller does beyond the plain cascade
(
    STRUCTURE,
    ANTI_WINDUP,
    TRACK_OUTER,
    TRACK_CURRENT,
    DEAD_ZONE,
    FORWARD_ON,
    FORWARD_ACCELERATION,
    FORWARD_FRICTION,
    FRICTION_SPEED,
    NOTCH_ON,
    NOTCH_B0,
    NOTCH_B1,
    NOTCH_B2,
    NOTCH_A1,
    NOTCH_A2,
    OUTER_ANGLE,
    OUTER_SPEED,
    OUTER_INTEGRAL,
    OUTER_WEIGHT,
    PID_DECAY,
    STATE_M1,
    STATE_M2,
    STATE_F12,
    STATE_F22,
    STATE_P0,
    STATE_Q0,
    STATE_P1,
    STATE_Q1,
    STATE_DELAY,
    STATE_PAST,
) = range(PAR_MORE, PAR_MORE + 30)
PAR_TIMING = STATE_PAST + 11
"""``STATE_PAST`` is the first of ``controller_state.MOST_PAST`` gains of past outputs."""
# offsets, observer, sensor lags, jitter, trim
(
    OBSERVED,
    OBSERVER_GAIN,
    OBSERVER_RATE_GAIN,
    LAGGED,
    POSITION_KEEP,
    POSITION_RAMP,
    SPEED_KEEP,
    SPEED_RAMP,
    CURRENT_KEEP,
    CURRENT_RAMP,
    TRIM_KEEP,
    TRIM_RAMP,
    TRIM_GAIN,
    TRIM_LIMIT,
    TRIM_COUNT,
    POSITION_JITTER,
    SPEED_JITTER,
    CURRENT_JITTER,
    PAR_SIZE,
) = range(PAR_TIMING, PAR_TIMING + 19)

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
    ST_MORE,
) = range(22)
(
    COMMAND_EARLIER,
    CURRENT_FORWARD,
    NOTCH_1,
    NOTCH_2,
    DERIVATIVE,
    WEIGHED_BEFORE,
    HAT_ANGLE,
    HAT_SPEED,
    PAST,
) = range(ST_MORE, ST_MORE + 9)
ST_TIMING = PAST + 11
"""``PAST`` is the first of ``controller_state.MOST_PAST`` past outputs, the latest first."""
(
    OBSERVER_SPEED,
    MOTOR_BEFORE,
    STEM_BEFORE,
    CURRENT_BEFORE,
    POSITION_SEEN,
    SPEED_SEEN,
    CURRENT_SEEN,
    TRIM_SEEN,
    TRIM,
    ST_SIZE,
) = range(ST_TIMING, ST_TIMING + 10)

# ---- the three sampled loops: rings of outputs under way, ring[leg, loop, slot, (value, tick)] ------------------
LOOP_POSITION, LOOP_SPEED, LOOP_CURRENT, LOOPS = range(4)
QUEUES, QUEUE_FORWARD = 4, 3
"""Queues of outputs under way: one a loop, and one of the current fed forward that the position loop sends along."""
RING = 16
"""Outputs that may be under way at once, a power of two; a delay may be at most RING - 2 sample periods."""
HEAD_INDEX, COUNT_INDEX, DRAWN_INDEX, QUEUE_SIZE = range(4)
LATE = 4096
"""Random latenesses of a loop's outputs before they come round again, a power of two: late[leg, loop, n], -1 to 1."""

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
