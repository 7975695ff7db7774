"""Where each number sits in the work space of a block of lanes: rows of ``LANES`` numbers, the lane innermost.

A leg has its parameters (as ``layout`` numbers them), its state, and more rows that only the lanes need; two legs, then the
engine. All rows of a block lie in one array at distances known to the compiler, so that it can tell that they do not overlap.
"""

from __future__ import annotations

from valvectl.plant import layout as ix

LANES = 32
"""Lanes of a block: enough to fill vectors, few enough for the nearest caches (16 to 128 were tried). Results do not depend
on it."""
STRIDE = LANES
"""Numbers from a row to the next; room between rows was tried and gave nothing."""

# ---- rows of a leg --------------------------------------------------------------------------------------------
STATE = ix.PAR_SIZE
"""First row of a leg's state; its rows are ``STATE`` + index in ``layout``."""
(
    UP_SCALE,
    DOWN_SCALE,
    C_SCALE,
    FL_SCALE,
    RUN_SCALE,
    BREAK_SCALE,
    BALL_OFFSET,
    STEM_OFFSET,
    COMMAND_OFFSET,
    SHARE,
    LOSS_SHARE,
    C,
    FL,
    UP_LOSS,
    DOWN_LOSS,
    BREAK,
    RUN,
    FREE,
    FACTOR,
    STEP_VOLTAGE,
    BURNT,
    SUM_CURRENT_SQUARED,
    PEAK_CURRENT,
    PEAK_MOTOR_SPEED,
    LOWEST_BUS,
    PEAK_SPRING,
    SUM_CHOKED,
    PEAK_TRACKING,
    INJECTED,
    OVER_MOTOR,
    MOTOR_DECAY,
    PER_STRIBECK,
    LEVEL,
    SQUARE,
    LEG_ROWS,
) = range(STATE + ix.ST_SIZE, STATE + ix.ST_SIZE + 35)

# ---- rows of the engine, behind those of both legs ----------------------------------------------------------------
(
    PRESSURE,
    AFTER,
    BUS_NOW,
    LN_PRESSURE,
    C_STAR_U,
    C_STAR_V,
    C_STAR_LOW,
    C_STAR_HIGH,
    ALIVE,
    DONE,
    ERROR,
    ENGINE_ROWS,
) = range(ix.GLOB_SIZE, ix.GLOB_SIZE + 12)
ROWS = 2 * LEG_ROWS + ENGINE_ROWS

# ---- rows of whole numbers: cells of the look-ups, cells[leg, which, lane] -------------------------------------------
CELL_BALL, CELL_LOSS, CELL_STEM, CELL_TABLES, CELL_LOSSES, CELLS = range(6)
"""The last two say where a lane's own tables begin behind those of the first."""

# ---- reductions of a window: red[window, index, lane] -----------------------------------------------------------------
(
    ERROR_HIGHEST,
    ERROR_LOWEST,
    ERROR_SUM,
    ERROR_SQUARES,
    ROWS_OUT,
    LAST_OUT,
    PRESSURE_HIGHEST,
    PRESSURE_LOWEST,
    PRESSURE_SUM,
    RED_SIZE,
) = range(10)

# ---- histories: hist[which, row, column] --------------------------------------------------------------------------------
HIST_ERROR, HIST_PRESSURE, HIST_OXIDIZER, HIST_FUEL, HIST_OXIDIZER_BALL, HIST_FUEL_BALL, HIST_SIZE = range(7)
