"""Where each number sits in the work space of a block of lanes: rows of ``LANES`` numbers, the lane innermost.

A leg has its parameters (as ``layout`` numbers them), its state, and more rows that only the lanes need. The rows of both legs
lie side by side, ``WIDE`` numbers each, so that a law that does not depend on the leg is one loop for both; the engine's rows
follow. All rows of a block lie in one array at distances known to the compiler, so that it can tell that they do not overlap.
"""

from __future__ import annotations

from valvectl.plant import layout as ix

LANES = 16
"""Lanes of a block: enough to fill vectors, few enough for the nearest cache. A power of two, at least 8. Results do not depend
on it."""
WIDE = 2 * LANES
"""Numbers of a leg's row: the oxidizer leg's lanes, then the fuel leg's."""

# ---- rows of a leg --------------------------------------------------------------------------------------------
STATE = ix.PAR_SIZE
"""First row of a leg's state; its rows are ``STATE`` + index in ``layout``."""
(
    BALL_OFFSET,
    STEM_OFFSET,
    COMMAND_OFFSET,
    SUPPLY,
    THROAT_PRESSURE,
    STREAM,
    CURRENT_RATE,
    OVER_MOTOR,
    MOTOR_DECAY,
    PER_STRIBECK,
    DELAY_PART,
    SUM_CURRENT_SQUARED,
    PEAK_CURRENT,
    PEAK_MOTOR_SPEED,
    LOWEST_BUS,
    PEAK_SPRING,
    SUM_CHOKED,
    PEAK_TRACKING,
    STEP_VOLTAGE,
    BURNT,
    SHARE,
    FREE,
    LEVEL,
    FOUR,
) = range(STATE + ix.ST_SIZE, STATE + ix.ST_SIZE + 24)
"""Products of parameters: ``SUPPLY`` pressure of a full tank with its head, ``THROAT_PRESSURE`` at which the valve chokes,
``STREAM`` torque of the stream on the stem for a pressure, ``CURRENT_RATE`` integral rate of the current loop over a sample."""
LOSS_FOUR, LEG_ROWS = FOUR + 4, FOUR + 8
"""Four rows each: two neighbours of two tables that share a grid."""
LOSS_SHARE, FLOW_BEFORE, MIDDLE, INJECTED = FREE, LEVEL, SHARE, LEVEL
CHOKED_LOSS, ALL_LOSS = FOUR, FOUR + 1
UP_LOSS, DOWN_LOSS, SUPPLY_NOW = range(LOSS_FOUR, LOSS_FOUR + 3)
FACTOR, SQUARE, BREAK, RUN = range(LOSS_FOUR, LOSS_FOUR + 4)
"""What lives within a step only shares its row with what is done with by then: a block has to fit into the nearest cache."""

# ---- rows of the engine, behind those of both legs ----------------------------------------------------------------
(
    PRESSURE,
    BUS_NOW,
    C_STAR_U,
    C_STAR_V,
    ALIVE,
    DONE,
    ERROR,
    STEP_OVER_RESIDENCE,
    FOUR_C_STAR,
) = range(ix.GLOB_SIZE, ix.GLOB_SIZE + 9)
ENGINE_ROWS = FOUR_C_STAR + 4
ENGINE = 2 * LEG_ROWS
"""First of the engine's rows in a block, where those before are halves of the legs' rows: see ``leg_row``."""
ROWS = ENGINE + ENGINE_ROWS


def leg_row(k: int, row: int) -> int:
    """Which row of ``LANES`` numbers of a block is a leg's: ``k`` 0 the oxidizer, 1 the fuel."""
    return 2 * row + k


# ---- rows of whole numbers: cells of the look-ups, cells[which, leg, lane] -------------------------------------------
CELL, LOSS_CELL, OWN_CELL, OWN_LOSS_CELL, BURNT_BEFORE, CELLS = range(6)
"""``OWN_CELL`` and ``OWN_LOSS_CELL`` say where a lane's tables begin, ``BURNT_BEFORE`` how far before the present one in the ring
of delayed flows the younger of the two lies that burn now."""

# ---- tables in pairs that share a grid: pairs[whose, point, which, 2] ------------------------------------------------------
PAIR_FLOW, PAIR_OPENING, PAIR_CLOSING = range(3)
PAIR_OF = ((ix.TAB_C, ix.TAB_FL), (ix.TAB_BREAK, ix.TAB_RUN), (ix.TAB_BREAK_CLOSING, ix.TAB_RUN_CLOSING))
"""The two tables of each pair."""
PAIRS = 4
"""Room for pairs at a point; one is left free, so that all that belongs to an angle is one line of a cache."""

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

# ---- tones of a window: tones[window, frequency, index, lane], each a sum over looks -----------------------------------
ERROR_COSINE, ERROR_SINE, PRESSURE_COSINE, PRESSURE_SINE, TONE_SIZE = range(5)

# ---- histories: hist[lane, which, row] ----------------------------------------------------------------------------------
HIST_ERROR, HIST_OXIDIZER_BALL, HIST_FUEL_BALL, HIST_PRESSURE, HIST_OXIDIZER, HIST_FUEL, HIST_SIZE = range(7)
HIST_BRIEF = HIST_PRESSURE
"""How many come first that a throttle profile is read from."""
