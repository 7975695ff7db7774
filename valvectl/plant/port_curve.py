"""A port's Kv and FL against opening, from its flow table or from its shape: the one place where a shape becomes a curve.

The machine takes the design's own port from here and the study of ports every port that it compares.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from valvectl.design.schema import PortModel, Valve
from valvectl.design.schema_valve import PortShape
from valvectl.parts import characteristic, monotone, valve
from valvectl.parts.characteristic import InherentCurve

FULL_OPEN = 0.5 * math.pi
"""A quarter turn [rad]."""
FL_ANGLES = tuple(math.radians(a) for a in (10.0, 30.0, 50.0, 70.0, 90.0))
"""Openings at which a port model states FL [rad]."""
DEFAULT_FL: tuple[float, ...] = PortModel().fl
"""FL that a port model has when the design states none."""


@dataclass(frozen=True)
class Shape:
    """A port by its shape and sizes; sizes that the shape does not have stay at zero."""

    shape: PortShape
    bore: float = 0.0
    """Bore of the ball, or of the seat [m]."""
    ball: float = 0.0
    """Diameter of the ball [m] (round, v)."""
    open_loss: float = 0.0
    """K of the fully open passage on the velocity in the bore [-] (round, v)."""
    included_angle: float = 0.0
    """[rad] (v)"""
    kv: float = 0.0
    """Kv fully open [m^3/h at 1 bar] (formulas)."""
    rangeability: float = 0.0
    """[-] (formulas)"""
    dead_band: float = 0.0
    """Opening up to which the port is shut [rad] (v, formulas)."""
    opened: float = FULL_OPEN
    """Opening at the open end [rad] (v, formulas)."""


@dataclass(frozen=True)
class ValveCurve:
    """Kv and FL of a valve against opening, ``port_scale`` left out."""

    curve: InherentCurve
    """Kv without fittings, with its origin and where it stops being true."""
    fl_angle: tuple[float, ...]
    """[rad]"""
    fl: tuple[float, ...]
    """FL at these angles [-]."""
    fl_origin: str
    """Where FL comes from, in words."""


@functools.lru_cache(maxsize=256)
def shape_curve(shape: Shape) -> InherentCurve:
    """Kv against opening of a shape.

    A formula holds from one step of its grid above the dead band on; below, Kv goes to zero at the end of the dead band,
    since a valve has a seat and the formula does not. Raises ``RangeError`` on sizes without meaning.
    """
    if shape.shape == "cock":
        angles, kv = valve.weisbach_kv(shape.bore)
        return InherentCurve(
            "round, Weisbach",
            tuple(angles),
            tuple(kv),
            "Weisbach's losses of a cock in a round pipe",
            "25 to 85 degrees open; below, a power law to the shut angle",
        )
    if shape.shape == "round":
        return characteristic.ball_curve(shape.bore, shape.ball, shape.open_loss)
    if shape.shape == "v":
        reach = shape.dead_band + 2.0 * math.asin(shape.bore / shape.ball)
        return characteristic.v_port_curve(
            shape.bore, shape.ball, shape.included_angle, shape.dead_band, min(shape.opened, reach), shape.open_loss
        )
    make = {
        "equal percentage": characteristic.equal_percentage_curve,
        "linear": characteristic.linear_curve,
        "quick opening": characteristic.quick_opening_curve,
    }[shape.shape]
    curve = make(shape.kv, shape.rangeability, shape.dead_band, shape.opened)
    first = math.degrees(curve.angle[1])
    validity = (
        f"{curve.validity}; below {first:.3g} deg open not the formula but a way to zero at the end of the dead band"
    )
    return InherentCurve(curve.name, curve.angle, (0.0, *curve.kv[1:]), curve.method, validity)


def shape_of(part: Valve) -> Shape:
    """Shape and sizes of a design's port model; the open end is the open stop."""
    port = part.port
    assert port is not None
    kv = port.kv if port.cv is None else port.cv * valve.CV_TO_KV
    return Shape(
        shape=port.shape,
        bore=part.bore,
        ball=port.ball_diameter or 0.0,
        open_loss=port.open_loss_coefficient or 0.0,
        included_angle=port.included_angle or 0.0,
        kv=kv or 0.0,
        rangeability=port.rangeability or 0.0,
        dead_band=port.dead_band or 0.0,
        opened=part.open_stop,
    )


@functools.lru_cache(maxsize=256)
def valve_curve(part: Valve) -> ValveCurve:
    """Kv and FL of a design's valve, at its own bore, ``port_scale`` left out."""
    if part.flow is not None:
        column, factor = (part.flow.kv, 1.0) if part.flow.kv is not None else (part.flow.cv, valve.CV_TO_KV)
        assert column is not None
        kv = tuple(value * factor for value in column)
        curve = characteristic.measured_curve(part.flow.angle, kv, "the design's")
        return ValveCurve(curve, part.flow.angle, part.flow.fl, "the design's own FL against angle")
    assert part.port is not None
    fl, fl_angle = part.port.fl, FL_ANGLES
    if len(fl) == 1:
        fl, origin = fl * len(FL_ANGLES), "the design's own FL, one value for every opening"
    elif fl == DEFAULT_FL:
        origin = "default FL of a round port, no published table"
    else:
        origin = "the design's own FL of a round port"
    return ValveCurve(shape_curve(shape_of(part)), fl_angle, fl, origin)


def prepare(parts: Iterable[Valve]) -> None:
    """Make the curves of many designs' valves together, so that ``grid`` finds them: for engines drawn by the hundred."""
    tables: list[monotone.Table] = []
    for part in parts:
        found = valve_curve(part)
        tables.append(valve.log_table(found.curve.angle_array(), found.curve.kv_array() * part.port_scale))
        tables.append((np.array(found.fl_angle), np.array(found.fl)))
    monotone.prepare(tables)


def grid(part: Valve, before: float, behind: float, reducers: bool | None = None) -> valve.FlowCharacteristic:
    """The fine grid of a design's valve between its stops, ``port_scale`` in it.

    ``before``, ``behind``: pipe diameters [m]; ``reducers`` overrides the design's word on them. Raises ``RangeError``
    when reducers are outside what FP is good for.
    """
    found = valve_curve(part)
    return valve.flow_characteristic(
        found.curve.angle_array(),
        found.curve.kv_array() * part.port_scale,
        np.array(found.fl_angle),
        np.array(found.fl),
        part.closed_stop,
        part.open_stop,
        bore=part.bore * math.sqrt(part.port_scale),
        pipe_before=before,
        pipe_behind=behind,
        reducers=part.reducers if reducers is None else reducers,
    )
