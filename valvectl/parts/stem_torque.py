"""Torque of a quarter-turn valve's stem over its travel, from a maker's few numbers, both ways.

A maker states one torque to break the ball open under a pressure, and the others as shares of it: running and ending while
it opens; breaking loose at the open end, running and ending (reseating) while it closes. Between the two ends the torque is
level; over the seat zone at either end it goes over in a straight line (our own reading of such a sheet: makers print no
curve). Stated running and ending torques are of the moving ball; from rest they are ``rest_factor`` times as large. The two
breaking torques are from rest, and a ball that moves there already needs them over ``rest_factor``.

Shares published by two makers (read without their names): floating ball, run open 70 %, end open 70 %, end close 85 %, run
close 50 %; another: run 50 %, reseat 75 %. They are specific to a maker.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

AS_STATED = "as stated"
SEAT_FACTOR: Mapping[str, float] = MappingProxyType(
    {AS_STATED: 1.0, "reinforced PTFE": 1.0, "virgin PTFE": 0.8, "acetal": 2.0, "PEEK": 2.3}
)
"""Torque with a seat over that with seats of reinforced PTFE [-]. Published by one maker, read without its name."""
SERVICE_FACTOR: Mapping[str, float] = MappingProxyType(
    {
        AS_STATED: 1.0,
        "non-lubricating liquid": 1.0,
        "lubricating liquid": 0.8,
        "clean dry gas": 1.3,
        "abrasive": 2.0,
        "oxygen-clean and dry": 1.5,
    }
)
"""Torque in a service over that in a liquid that does not lubricate [-]; the upper end where a range is printed (gas 1.2 to
1.3, abrasive 1.3 to 2.0). Published by one maker, read without its name; oxygen-clean and dry (degreased, no grease), 1.3
to 1.5: common practice, no source."""
USUAL_RUN_TO_OPEN, USUAL_END_TO_OPEN, USUAL_RUN_TO_CLOSE, USUAL_END_TO_CLOSE = 0.7, 0.7, 0.5, 0.85
"""Shares of the break-to-open torque [-], floating ball; published by one maker, read without its name."""
USUAL_REST_FACTOR = 1.2
"""Torque from rest over torque in motion at one place [-]; common practice, no source."""

Columns = tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...], tuple[float, ...], tuple[float, ...]]
"""Openings [rad]; running and breakaway torque opening, running and breakaway torque closing [N m]."""


def without_pressure(break_to_open: float, pressure_slope: float, pressure: float) -> float:
    """Break-to-open torque [N m] without pressure, from that at ``pressure`` [Pa]; slope [N m/Pa], linear as catalogues are.

    One catalogue of small top-entry ball valves: 9.6, 12.4, 15.8, 20.3, 32.8 N m at 100, 285, 500, 740, 1480 psi, which is
    7.9 N m + 0.243 N m/bar within 3 %.
    """
    return break_to_open - pressure_slope * pressure


def columns(
    break_to_open: float,
    run_to_open: float,
    end_to_open: float,
    break_to_close: float,
    run_to_close: float,
    end_to_close: float,
    rest_factor: float,
    closed_stop: float,
    open_stop: float,
    seat_zone: float,
) -> Columns:
    """The four torques against opening, as corners of straight lines.

    ``break_to_open`` [N m]; the other torques as shares of it [-]; ``rest_factor`` [-], 1 or more; stops and the width of
    the zone at each end [rad], twice the zone below the travel.
    """
    at = (closed_stop, closed_stop + seat_zone, open_stop - seat_zone, open_stop)
    bto, rest = break_to_open, rest_factor
    opening = (bto / rest, run_to_open * bto, run_to_open * bto, end_to_open * bto)
    closing = (end_to_close * bto, run_to_close * bto, run_to_close * bto, break_to_close * bto / rest)
    return (
        at,
        opening,
        (bto, *(rest * torque for torque in opening[1:])),
        closing,
        (*(rest * torque for torque in closing[:-1]), break_to_close * bto),
    )
