"""What a design file may say about a valve: port, stem torque, stops. Numbers are SI, angles in radians from shut."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from valvectl.design.quantities import (
    Angle,
    AngularSpeed,
    Inertia,
    Length,
    Number,
    RotaryDamping,
    Stiffness,
    Torque,
    TorquePerPressure,
)
from valvectl.design.schema_base import SINGLE, Part, refuse
from valvectl.design.schema_torque import TorqueModel

PortShape = Literal["cock", "round", "v", "equal percentage", "linear", "quick opening"]
"""Shapes of a port model."""
_GEOMETRY = ("ball_diameter", "open_loss_coefficient")
_RATED = ("kv", "cv", "rangeability", "dead_band")
SHAPE_KEYS: dict[PortShape, tuple[str, ...]] = {
    "cock": (),
    "round": _GEOMETRY,
    "v": ("included_angle", *_GEOMETRY, "dead_band"),
    "equal percentage": _RATED,
    "linear": _RATED,
    "quick opening": _RATED,
}
"""Keys of each shape beside shape and fl; all of them are needed, of kv and cv one."""


def _listed(raw: Any) -> Any:
    """One value as a list of it."""
    return raw if isinstance(raw, (list, tuple)) else [raw]


class FlowTable(Part):
    """Flow coefficient and recovery factor against opening, as measured or as the maker states."""

    angle: tuple[Angle, ...] = Field(min_length=4, description="opening angles from shut, rising")
    kv: tuple[Number, ...] | None = Field(default=None, description="flow coefficient Kv [m3/h at 1 bar]; or give cv")
    cv: tuple[Number, ...] | None = Field(default=None, description="flow coefficient Cv [US gal/min at 1 psi]; or kv")
    fl: tuple[Number, ...] = Field(description="liquid pressure recovery factor FL at each angle")
    characteristic: Literal["equal percentage", "linear"] | None = Field(
        default=None, description="inherent characteristic that the maker states, to be compared with the table"
    )
    rangeability: Number | None = Field(
        default=None, gt=1.0, lt=1e4, description="rangeability that belongs to the stated characteristic"
    )

    @model_validator(mode="after")
    def _stated(self) -> FlowTable:
        if (self.characteristic is None) != (self.rangeability is None):
            missing = "rangeability" if self.rangeability is None else "characteristic"
            raise refuse(missing, f"characteristic and rangeability belong together; {missing} is missing")
        return self

    @model_validator(mode="after")
    def _columns(self) -> FlowTable:
        if (self.kv is None) == (self.cv is None):
            raise refuse("", "give exactly one of kv and cv")
        column = self.kv if self.kv is not None else self.cv
        assert column is not None
        name = "kv" if self.kv is not None else "cv"
        if len(column) != len(self.angle) or len(self.fl) != len(self.angle):
            raise refuse(
                "",
                f"angle, {name} and fl need the same number of entries "
                f"(now {len(self.angle)}, {len(column)}, {len(self.fl)})",
            )
        if any(b <= a for a, b in pairwise(self.angle)) or self.angle[0] < 0.0:
            raise refuse("angle", "angle must start at zero or above and rise from entry to entry")
        if column[0] < 0.0 or any(b < a or (b == a and a > 0.0) for a, b in pairwise(column)):
            raise refuse(name, f"{name} must rise with angle from entry to entry (zeros allowed at the shut end)")
        if sum(value > 0.0 for value in column) < 3:
            raise refuse(name, f"{name} needs at least three entries above zero")
        if any(not 0.2 <= value <= 1.0 for value in self.fl):
            raise refuse("fl", "fl must lie between 0.2 and 1.0")
        return self


class PortModel(Part):
    """A port by its shape, when there is no flow table; each shape has keys of its own, and fl."""

    shape: PortShape = Field(
        default="cock",
        description="cock: Weisbach's published losses (25 to 85 degrees open); round, v: from geometry; the others: a formula",
    )
    fl: Annotated[tuple[Number, ...], BeforeValidator(_listed), SINGLE] = Field(
        default=(0.95, 0.92, 0.85, 0.74, 0.60),
        min_length=1,
        max_length=5,
        description="FL at 10, 30, 50, 70 and 90 degrees open, or one value; no open published table exists, so state yours",
    )
    ball_diameter: Length | None = Field(default=None, gt=0.0, description="diameter of the ball (round, v)")
    open_loss_coefficient: Number | None = Field(
        default=None, gt=0.0, lt=1e3, description="K of the fully open passage on the velocity in the bore (round, v)"
    )
    included_angle: Angle | None = Field(
        default=None,
        ge=math.radians(5.0),
        le=math.radians(150.0),
        description="angle of the notch at its apex (v)",
    )
    kv: Number | None = Field(
        default=None,
        gt=0.0,
        description="Kv fully open [m3/h at 1 bar]; or cv (equal percentage, linear, quick opening)",
    )
    cv: Number | None = Field(default=None, gt=0.0, description="Cv fully open [US gal/min at 1 psi]; or kv")
    rangeability: Number | None = Field(
        default=None,
        gt=1.0,
        lt=1e4,
        description="Kv fully open over the least Kv of the formula (equal percentage, linear, quick opening)",
    )
    dead_band: Angle | None = Field(
        default=None, ge=0.0, description="opening up to which the port is shut (all but cock and round)"
    )

    @model_validator(mode="after")
    def _range(self) -> PortModel:
        if len(self.fl) not in (1, 5):
            raise refuse("fl", f"fl needs five values, at 10, 30, 50, 70 and 90 degrees, or one (now {len(self.fl)})")
        if any(not 0.2 <= value <= 1.0 for value in self.fl):
            raise refuse("fl", "fl must lie between 0.2 and 1.0")
        return self

    @model_validator(mode="after")
    def _shape_keys(self) -> PortModel:
        own = SHAPE_KEYS[self.shape]
        every = dict.fromkeys(key for keys in SHAPE_KEYS.values() for key in keys)
        there = [key for key in every if getattr(self, key) is not None]
        strange = [key for key in there if key not in own]
        if strange:
            keys = ", ".join(("fl", *own))
            raise refuse(strange[0], f'shape "{self.shape}" has no {" and no ".join(strange)}; its keys are {keys}')
        if "kv" in own and ("kv" in there) == ("cv" in there):
            raise refuse("", f'shape "{self.shape}" needs exactly one of kv and cv')
        missing = [key for key in own if key not in there and key not in ("kv", "cv")]
        if missing:
            raise refuse("", f'shape "{self.shape}" needs {" and ".join(missing)} too')
        return self


class StemTorque(Part):
    """Torque that the stem needs against opening, and what raises it: a table (warm, no pressure) or a maker's numbers."""

    angle: tuple[Angle, ...] | None = Field(
        default=None, min_length=2, description="opening angles, rising, covering the travel"
    )
    running: tuple[Torque, ...] | None = Field(
        default=None, description="running torque at each angle, valve moving, warm, no pressure"
    )
    breakaway: tuple[Torque, ...] | None = Field(
        default=None, description="breakaway torque at each angle, from rest, warm, no pressure"
    )
    running_closing: tuple[Torque, ...] | None = Field(
        default=None, description="running torque at each angle while it closes; by default as while it opens"
    )
    breakaway_closing: tuple[Torque, ...] | None = Field(
        default=None, description="breakaway torque at each angle when it closes; by default as when it opens"
    )
    model: TorqueModel | None = Field(default=None, description="a maker's numbers in place of the table")
    includes_factor: Number = Field(
        default=1.0,
        ge=1.0,
        le=10.0,
        description="safety factor that the maker has put into these torques already; it is taken out",
    )
    includes_unknown_factor: bool = Field(
        default=False,
        description="true: the torques are said to hold a safety factor whose size is not known; no margin is judged then",
    )
    pressure_slope: TorquePerPressure = Field(
        default=0.0,
        ge=0.0,
        description="rise of breakaway torque per pressure difference; running rises in the same proportion",
    )
    cold_factor: Number = Field(
        default=1.0, ge=1.0, le=10.0, description="factor on all of it at the liquid's temperature"
    )
    dwell_factor: Number = Field(
        default=1.0, ge=1.0, le=5.0, description="factor on breakaway for the first move after a long rest"
    )
    stribeck_speed: AngularSpeed = Field(
        default=math.radians(2.0), gt=0.0, description="stem speed at which breakaway has fallen to running (1/e)"
    )
    friction_model: Literal["stribeck", "lugre"] = Field(
        default="stribeck",
        description="stem friction in simulated runs; stribeck: truly sticks; lugre: bristles that bend before it slides",
    )
    presliding_angle: Angle = Field(
        default=math.radians(0.02),
        gt=0.0,
        le=math.radians(2.0),
        description="bend of the bristles at breakaway (lugre), when bristle_stiffness is not given; the default is a guess",
    )
    bristle_stiffness: Stiffness | None = Field(
        default=None, gt=0.0, description="sigma0 (lugre); by default highest cold breakaway over presliding_angle"
    )
    bristle_damping: RotaryDamping | None = Field(
        default=None, ge=0.0, description="sigma1 (lugre); by default sqrt(sigma0 times inertia)"
    )
    hydrodynamic_coefficient: Number = Field(
        default=0.05, ge=0.0, le=1.0, description="Ct in T = Ct d^3 dp; tends to close"
    )

    @model_validator(mode="after")
    def _columns(self) -> StemTorque:
        table = [name for name in ("angle", "running", "breakaway") if getattr(self, name) is not None]
        closing = [name for name in ("running_closing", "breakaway_closing") if getattr(self, name) is not None]
        if self.includes_unknown_factor and self.includes_factor != 1.0:
            raise refuse("includes_unknown_factor", "either the factor is known (includes_factor) or it is not")
        if self.model is not None:
            if table or closing:
                raise refuse("model", f"give either the table ({', '.join([*table, *closing])}) or the model, not both")
            least = self.pressure_slope * self.model.pressure
            if least >= self.model.break_to_open:
                raise refuse(
                    "model.break_to_open",
                    f"must be above pressure_slope times model.pressure ({least:g} N m), the part that pressure makes",
                )
            return self
        if len(table) < 3:
            raise refuse("", "give angle, running and breakaway (a table), or model (a maker's numbers)")
        if len(closing) == 1:
            other = "breakaway_closing" if closing[0] == "running_closing" else "running_closing"
            raise refuse(closing[0], f"needs {other} beside it: both columns of closing, or neither")
        assert self.angle is not None
        assert self.running is not None
        assert self.breakaway is not None
        if not len(self.angle) == len(self.running) == len(self.breakaway):
            raise refuse(
                "",
                "angle, running and breakaway need the same number of entries "
                f"(now {len(self.angle)}, {len(self.running)}, {len(self.breakaway)})",
            )
        if any(b <= a for a, b in pairwise(self.angle)):
            raise refuse("angle", "angle must rise from entry to entry")
        self._pair("running", "breakaway")
        if closing:
            self._pair("running_closing", "breakaway_closing")
        return self

    @model_validator(mode="after")
    def _bristles(self) -> StemTorque:
        for name in ("bristle_stiffness", "bristle_damping"):
            if self.friction_model != "lugre" and getattr(self, name) is not None:
                raise refuse(name, f'{name} belongs to friction_model = "lugre"')
        return self

    def _pair(self, run: str, rest: str) -> None:
        running, breakaway = getattr(self, run), getattr(self, rest)
        assert self.angle is not None
        for name, column in ((run, running), (rest, breakaway)):
            if len(column) != len(self.angle):
                raise refuse(name, f"needs as many entries as angle ({len(self.angle)}, now {len(column)})")
        if any(value < 0.0 for value in (*running, *breakaway)):
            raise refuse("", f"{run} and {rest} must not be negative")
        if any(b < r for r, b in zip(running, breakaway, strict=True)):
            raise refuse(rest, f"{rest} must not be below {run} at any angle")


class Valve(Part):
    """A quarter-turn valve: port, torque, stops."""

    bore: Length = Field(gt=0.0, description="bore of the ball")
    flow: FlowTable | None = Field(default=None, description="measured or stated Kv and FL against angle")
    port: PortModel | None = Field(default=None, description="port model, when there is no flow table")
    port_scale: Number = Field(
        default=1.0,
        gt=0.01,
        lt=100.0,
        description="factor on all Kv, to try a larger or smaller port of the same shape",
    )
    reducers: bool = Field(
        default=False, description="true: bore differs from the line and Kv was measured without reducers (FP, FLP)"
    )
    torque: StemTorque
    inertia: Inertia = Field(gt=0.0, description="ball, stem and coupling half, about the stem axis")
    slot_clearance: Angle = Field(
        default=0.0, ge=0.0, le=math.radians(10.0), description="lost motion between stem and ball, in all"
    )
    closed_stop: Angle = Field(default=0.0, description="hard stop at the shut end")
    open_stop: Angle = Field(default=math.radians(90.0), description="hard stop at the open end")
    closes: Literal["clockwise", "counterclockwise"] = Field(
        description="sense in which the stem turns to shut, seen from the actuator; for wiring and commissioning"
    )

    @model_validator(mode="after")
    def _one(self) -> Valve:
        if (self.flow is None) == (self.port is None):
            raise refuse("", "give exactly one of flow (a table) and port (a model)")
        if self.open_stop <= self.closed_stop:
            raise refuse("open_stop", "open_stop must be above closed_stop")
        return self

    @model_validator(mode="after")
    def _port_fits(self) -> Valve:
        port = self.port
        if port is None:
            return self
        if port.ball_diameter is not None:
            least = self.bore * (math.sqrt(2.0) if port.shape == "round" else 1.0)
            if not port.ball_diameter > least:
                why = "or a bore of that size never shuts" if port.shape == "round" else "the bore"
                raise refuse("port.ball_diameter", f"must be above {1e3 * least:.4g} mm, {why}")
        if port.dead_band is not None and port.dead_band >= self.open_stop:
            raise refuse("port.dead_band", f"must be below open_stop ({math.degrees(self.open_stop):.4g} deg)")
        return self
