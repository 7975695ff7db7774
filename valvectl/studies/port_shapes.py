"""Ports that a leg could be given: shape and bore to Kv and FL against angle.

Shapes are worked out once for one size: the Kv of like ports goes with bore squared, at the same loss coefficient on the
velocity in the bore. Angles count from shut.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from valvectl.design.schema import Leg
from valvectl.errors import RangeError
from valvectl.parts import characteristic, valve
from valvectl.parts.characteristic import InherentCurve
from valvectl.parts.flow_coefficients import k_to_kv
from valvectl.parts.lookup import FloatArray
from valvectl.plant.machine import LegMachine
from valvectl.plant.port_curve import FULL_OPEN, shape_curve, valve_curve
from valvectl.plant.port_curve import Shape as ShapeSizes

Shape = Literal[
    "own table",
    "own model",
    "round, Weisbach",
    "round, geometry",
    "V 30 deg",
    "V 60 deg",
    "V 90 deg",
    "equal percentage",
    "linear",
]
SHAPES: tuple[Shape, ...] = tuple(s for s in get_args(Shape) if s != "own model")
"""Shapes compared; the own model comes beside them where the design has one."""
OWN: tuple[Shape, Shape] = ("own table", "own model")
"""Shapes that are the design's own, scaled."""
V_ANGLE: dict[str, float] = {"V 30 deg": 30.0, "V 60 deg": 60.0, "V 90 deg": 90.0}
"""Included angle of the V [deg]."""
STANDARD_BORES = (3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 15.0, 20.0, 25.0)
"""Bores compared [mm]: sizes that small valves are made in (common practice, no source)."""
BORE_REACH = 2.6
"""Standard bores within this factor of the design's are compared."""
SHUT = math.radians(valve.WEISBACH_SHUT_DEG)
"""Dead band of the shapes from geometry and formula [rad]: that of Weisbach's cock, so that shapes compare alike."""
BALL_OVER_BORE = 1.0 / math.sin(0.25 * math.pi - 0.5 * SHUT)
"""Ball over bore that gives a round bore this dead band [-]; ``characteristic.ball_shut_opening`` solved for the ball."""
OPEN_LOSS = valve.WEISBACH_K[-1]
"""K [-] of the fully open passage of round bores and V-ports: the last entry of Weisbach's table."""
TRIM_LOSS = 4.0
"""K [-] on the velocity in the bore of an equal percentage or linear trim fully open, that is CdA of half the bore's area
(common practice, no source: throttling trims pass less than a plain bore of their size)."""
RANGEABILITY = 50.0
"""Of the equal percentage and the linear trim [-] (IEC 60534-2-4's usual example)."""
_UNIT = 0.01
"""Bore at which the shapes are worked out [m]."""


@dataclass(frozen=True)
class Port:
    """A port to try: its shape and its bore."""

    shape: Shape
    bore: float
    """Bore of the ball, or of the seat [m]; for the own table or model the bore to which its Kv is scaled."""

    @property
    def label(self) -> str:
        """As printed."""
        return f"{self.shape}, {1e3 * self.bore:.3g} mm"


@dataclass(frozen=True)
class PortCurve:
    """What a port passes against angle."""

    port: Port
    curve: InherentCurve
    """Kv against angle, with its origin and where it stops being true."""
    fl_angle: tuple[float, ...]
    """[rad]"""
    fl: tuple[float, ...]
    """FL at these angles [-]."""
    fl_origin: str
    """Where FL comes from, in words."""

    def grid(self, leg: Leg, reducers: bool) -> valve.FlowCharacteristic:
        """The fine grid that the balance uses, between the leg's stops, with reducers to the leg's line or without.

        Raises ``RangeError`` when reducers are outside what FP is good for.
        """
        part = leg.valve
        before, behind = line_bores(leg)
        return valve.flow_characteristic(
            self.curve.angle_array(),
            self.curve.kv_array(),
            np.array(self.fl_angle),
            np.array(self.fl),
            part.closed_stop,
            part.open_stop,
            bore=self.port.bore,
            pipe_before=before,
            pipe_behind=behind,
            reducers=reducers,
        )

    def fitted(self, machine_leg: LegMachine, leg: Leg, reducers: bool) -> LegMachine:
        """The leg with this port in place of its own. Raises ``RangeError`` as ``grid`` does."""
        alone = self.grid(leg, False)
        bore = self.port.bore
        return dataclasses.replace(
            machine_leg,
            characteristic=self.grid(leg, True) if reducers else alone,
            valve_alone=alone,
            valve_sizes=(bore, *line_bores(leg)) if reducers else (bore, bore, bore),
        )


def line_bores(leg: Leg) -> tuple[float, float]:
    """Inner diameters [m] of the pipes before and behind the valve."""
    before = leg.line.inner_diameter
    return before, before if leg.downstream is None else leg.downstream.inner_diameter


def with_reducers(leg: Leg, port: Port) -> bool:
    """Whether a port's Kv needs the piping factor: always when it comes from a formula or from geometry, which know only
    a pipe of the bore's size; for the own table or model as the design says."""
    if port.shape in OWN:
        return leg.valve.reducers
    return any(abs(d / port.bore - 1.0) > 1e-6 for d in line_bores(leg))


def own_port(leg: Leg) -> Port:
    """The design's own port; its bore is that to which ``port_scale`` brings it."""
    part = leg.valve
    shape: Shape = "own model"
    if part.flow is not None:
        shape = "own table"
    elif part.port is not None and part.port.shape == "cock":
        shape = "round, Weisbach"
    return Port(shape, part.bore * math.sqrt(part.port_scale))


def default_ports(leg: Leg) -> tuple[Port, ...]:
    """The design's own port, then every shape at its bore and at the standard bores about it."""
    own = own_port(leg)
    near = (b for b in (mm / 1e3 for mm in STANDARD_BORES) if own.bore / BORE_REACH <= b <= own.bore * BORE_REACH)
    bores = sorted({own.bore, *(b for b in near if abs(b / own.bore - 1.0) > 1e-6)})
    shapes = [*(s for s in OWN if s == own.shape), *(s for s in SHAPES if s not in OWN)]
    return (own, *(Port(s, b) for s in shapes for b in bores if (s, b) != (own.shape, own.bore)))


def own_scale(leg: Leg, port: Port) -> float:
    """``port_scale`` of the design file [-] that scales the leg's own Kv to a bore."""
    return float((port.bore / leg.valve.bore) ** 2)


def port_curve(leg: Leg, port: Port) -> PortCurve:
    """Kv and FL of a port in a leg. FL is the leg's own column where it has one, else the default of a round port.

    Raises ``RangeError`` for a bore or a shape without meaning and for the own table of a leg that has none.
    """
    if not (math.isfinite(port.bore) and port.bore > 0.0):
        raise RangeError(f"port: the bore must be above zero (got {1e3 * port.bore:.6g} mm)")
    if port.shape not in get_args(Shape):
        raise RangeError(f"port: unknown shape {port.shape!r}; allowed are {', '.join(SHAPES)}")
    found = valve_curve(leg.valve)
    origin = found.fl_origin
    if port != own_port(leg) and port.shape not in OWN:
        origin += "; assumed to hold for this port at the same angle"
    if port.shape in OWN:
        if port.shape != own_port(leg).shape:
            raise RangeError(f"port: this leg has no flow {port.shape.removeprefix('own ')} of its own to scale")
        own, scale = found.curve, own_scale(leg, port)
        if port.shape == "own table":
            scaled = f" times {scale:.4g}, its fittings scaled with it" if port != own_port(leg) else ""
            text = f"the design's{scaled}"
            curve = characteristic.measured_curve(own.angle, [value * scale for value in own.kv], text)
        else:
            curve = dataclasses.replace(_scaled(own, scale), method=f"{own.method}; times {scale:.4g}")
    else:
        curve = _scaled(shape_curve(_sizes(port.shape)), (port.bore / _UNIT) ** 2)
    return PortCurve(port, curve, found.fl_angle, found.fl, origin)


def _scaled(curve: InherentCurve, factor: float) -> InherentCurve:
    return dataclasses.replace(curve, kv=tuple(value * factor for value in curve.kv))


def _sizes(shape: Shape) -> ShapeSizes:
    """A shape to compare, worked out at the bore ``_UNIT``."""
    if shape == "round, Weisbach":
        return ShapeSizes("cock", bore=_UNIT)
    ball = BALL_OVER_BORE * _UNIT
    if shape == "round, geometry":
        return ShapeSizes("round", bore=_UNIT, ball=ball, open_loss=OPEN_LOSS)
    if shape in V_ANGLE:
        included = math.radians(V_ANGLE[shape])
        return ShapeSizes("v", _UNIT, ball, OPEN_LOSS, included_angle=included, dead_band=SHUT, opened=FULL_OPEN)
    rated = k_to_kv(TRIM_LOSS, _UNIT)
    formula: Literal["equal percentage", "linear"] = "equal percentage" if shape == "equal percentage" else "linear"
    return ShapeSizes(formula, _UNIT, kv=rated, rangeability=RANGEABILITY, dead_band=SHUT, opened=FULL_OPEN)


def port_keys(port: Port) -> dict[str, str]:
    """What the table ``port`` of a design file says for one of ``SHAPES`` but the own ones, as written there."""
    sizes = _sizes(port.shape)
    scale = port.bore / _UNIT
    out = {"shape": f'"{sizes.shape}"'}
    if sizes.included_angle:
        out["included_angle"] = f'"{math.degrees(sizes.included_angle):.6g} deg"'
    if sizes.ball:
        out["ball_diameter"] = f'"{1e3 * scale * sizes.ball:.6g} mm"'
        out["open_loss_coefficient"] = f"{sizes.open_loss:.6g}"
    if sizes.kv:
        out["kv"] = f"{scale * scale * sizes.kv:.6g}"
        out["rangeability"] = f"{sizes.rangeability:.6g}"
    if sizes.shape not in ("cock", "round"):
        out["dead_band"] = f'"{math.degrees(sizes.dead_band):.6g} deg"'
    return out


def curve_points(grid: valve.FlowCharacteristic, points: int = 91) -> tuple[FloatArray, FloatArray]:
    """Angles [rad] and Kv with fittings [m^3/h] for drawing, shape (points,)."""
    pick = np.linspace(0, grid.c.size - 1, points).astype(int)
    return grid.angles[pick], grid.c[pick] / valve.KV_TO_C
