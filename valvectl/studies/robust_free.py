"""Which quantities a robust choice may move, between which bounds, and what a choice of them writes into the design.

A quantity is a number of the design file (``legs.fuel.controller.hold_band``) or one that engineers speak of and the file
writes by several keys: total gear ratio, bandwidths of position and speed loop, shape of the command. ``legs.both.`` and a
short name without a leg move both legs alike. Values are rounded to a few digits in the unit of the file before they are
tried, so that the file written is the design that was judged.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from pydantic_core import PydanticCustomError

from valvectl.design.design_file import DesignFile
from valvectl.design.keys import Spec, find, no_such_key, split
from valvectl.design.quantities import parse, show, visible
from valvectl.design.schema import LEGS, LegName
from valvectl.errors import DesignError, Fault
from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.plant.machine import Machine

DIGITS = 4
"""Significant digits of a value tried."""
SHAPES = ("ramp", "trapezoid", "s_curve", "minimum_jerk")
MOST = 20
"""Quantities that may be free at once."""
Short = Literal[
    "ratio", "position_bandwidth", "speed_bandwidth", "speed_limit", "current_limit", "shape", "acceleration_limit",
    "jerk_limit",
]  # fmt: skip

_SHORT: dict[str, tuple[str, str]] = {
    "ratio": ("", "total gear ratio, by the last stage"),
    "position_bandwidth": ("Hz", "gain of the position loop over 2 pi"),
    "speed_bandwidth": ("Hz", "gain of the speed loop times acceleration per current, over 2 pi"),
    "speed_limit": ("deg/s", "limit of the command's speed"),
    "current_limit": ("A", "limit of the motor current"),
    "shape": ("", "shape of the command"),
    "acceleration_limit": ("deg/s^2", "limit of the shaped command's acceleration"),
    "jerk_limit": ("deg/s^3", "limit of the S-curve's and the minimum-jerk move's jerk"),
}
_PER_SI = {
    "Hz": 1.0 / (2.0 * math.pi),
    "deg/s": 180.0 / math.pi,
    "deg/s^2": 180.0 / math.pi,
    "deg/s^3": 180.0 / math.pi,
}
_DIRECT = {
    "speed_limit": "controller.command_speed_limit",
    "current_limit": "actuator.current_limit",
    "acceleration_limit": "controller.command_acceleration_limit",
    "jerk_limit": "controller.command_jerk_limit",
}
_SPREAD = {"ratio": 1.8, "position_bandwidth": 2.5, "speed_bandwidth": 2.0, "speed_limit": 2.0, "current_limit": 1.6}
"""Default bounds: the present value over and times this (common practice, no source)."""
_RISE = (0.005, 0.2)
"""Time to the speed limit, and to the acceleration, at the default bounds of acceleration and jerk [s]."""
DEFAULT = (
    "ratio", "oxidizer.position_bandwidth", "fuel.position_bandwidth", "oxidizer.speed_bandwidth", "fuel.speed_bandwidth",
    "speed_limit", "current_limit", "shape", "acceleration_limit", "jerk_limit",
)  # fmt: skip
"""Free when nothing is named, as far as the design has them."""


@dataclass(frozen=True)
class Free:
    """One quantity that may move."""

    name: str
    """As asked for: a short name or a dotted key."""
    legs: tuple[LegName, ...]
    """Legs that it moves; empty for a key of the engine."""
    low: float
    """Lower bound in ``unit``."""
    high: float
    """Upper bound."""
    present: float
    """Value in the design as it is; of both legs the geometric mean where they differ. NaN: the design has none."""
    unit: str
    short: str = ""
    """One of the short names; empty for a dotted key."""
    words: tuple[str, ...] = ()
    """Choices in place of numbers; the value is then the index."""
    scale: Literal["linear", "log", "count", "word"] = "log"

    def value(self, share: float) -> float:
        """Value at a place between the bounds, 0 to 1, rounded as it is tried."""
        share = min(max(share, 0.0), 1.0)
        if self.words:
            return float(min(int(share * len(self.words)), len(self.words) - 1))
        way = self.high / self.low if self.scale == "log" else self.high - self.low
        raw = self.low * way**share if self.scale == "log" else self.low + way * share
        if self.scale == "count":
            return float(round(raw))
        return min(max(float(f"{raw:.{DIGITS}g}"), self.low), self.high)

    def share(self, value: float) -> float:
        """Place of a value between the bounds, 0 to 1; values outside count as at the bound."""
        if self.words:
            return (value + 0.5) / len(self.words)
        if math.isnan(value):
            return 0.5
        if self.scale == "log":
            place = math.log(max(value, 1e-300) / self.low) / math.log(self.high / self.low)
        else:
            place = (value - self.low) / (self.high - self.low)
        return min(max(place, 0.0), 1.0)

    def text(self, value: float) -> str:
        """The value as the design file would write it."""
        if self.words:
            return self.words[int(value)]
        return f"{_clean(value):.10g} {self.unit}".strip()


class Knobs:
    """The free quantities of a design and what a choice of them changes."""

    def __init__(
        self, design: DesignFile, machine: Machine, gains: dict[LegName, CascadeGains], asked: Sequence[str]
    ) -> None:
        """``asked``: texts ``NAME`` or ``NAME=LOW..HIGH`` (``shape=ramp|s_curve``); none: ``DEFAULT``. Raises ``DesignError``
        with every fault."""
        self.design = design
        self.machine = machine
        self.gains = gains
        self.free: tuple[Free, ...] = ()
        faults: list[Fault] = []
        found: list[Free] = []
        for text in asked or self._sensible():
            try:
                found.append(self._read(text))
            except DesignError as error:
                faults.extend(error.faults)
        faults.extend(_twice(found))
        if len(found) > MOST:
            faults.append(Fault(f"at most {MOST} quantities may be free", got=str(len(found))))
        if faults:
            raise DesignError(faults)
        self.free = tuple(found)

    # ------------------------------------------------------------------------------------------------- reading

    def _sensible(self) -> list[str]:
        """``DEFAULT`` without what the design has no place for."""
        out = []
        planned = any(self.design.leg(n).controller.command_acceleration_limit is not None for n in LEGS)
        for name in DEFAULT:
            leg, _, short = name.rpartition(".")
            legs = [n for n in LEGS if leg in ("", n)]
            cascade = all(self.design.leg(n).controller.structure == "cascade" for n in legs)
            if short.endswith("bandwidth") and not cascade:
                continue
            if short == "shape" and planned:  # a ramp can not keep the limits that the file states
                name = "shape=" + "|".join(SHAPES[1:])
            out.append(name)
        return out

    def _read(self, text: str) -> Free:
        name, equals, bounds = (part.strip() for part in text.partition("="))
        if not name or (equals and not bounds):
            raise _fault(text, 'must be written NAME or NAME=LOW..HIGH, such as "ratio=40..90"')
        leg, _, short = name.rpartition(".")
        if leg in ("", "both", *LEGS) and short in _SHORT:
            legs: tuple[LegName, ...] = tuple(n for n in LEGS if leg in ("", "both", n))
            return self._short(name, short, legs, bounds)
        if leg in ("", "both", *LEGS):
            near = difflib.get_close_matches(short, _SHORT, n=1)
            hint = f"; nearest: {near[0]}" if near else ""
            raise _fault(
                name,
                f"is no quantity that can be free: one of {', '.join(_SHORT)}, or a dotted key of the design{hint}",
            )
        return self._dotted(name, bounds)

    def _short(self, name: str, short: str, legs: tuple[LegName, ...], bounds: str) -> Free:
        unit = _SHORT[short][0]
        if short.endswith("bandwidth"):
            other = [n for n in legs if self.design.leg(n).controller.structure != "cascade"]
            if other:
                why = f"the {other[0]} leg's controller is no cascade; free legs.{other[0]}.controller.bandwidth in its place"
                raise _fault(name, why)
        if short == "shape":
            words = tuple(w.strip() for w in bounds.split("|")) if bounds else SHAPES
            wrong = [w for w in words if w not in SHAPES]
            if wrong or len(set(words)) != len(words) or len(words) < 2:
                raise _fault(name, f"must be two or more of {'|'.join(SHAPES)}, each once", bounds)
            now = self.design.leg(legs[0]).controller.command_shape
            return Free(name, legs, 0.0, len(words) - 1.0, float(words.index(now)) if now in words else 0.0, "", short, words,
                        "word")  # fmt: skip
        values = [self.now(short, n) for n in legs]
        given = [v for v in values if math.isfinite(v)]
        present = _clean(math.exp(sum(math.log(v) for v in given) / len(given))) if given else math.nan
        low, high = self._bounds(short, legs, present)
        if bounds:
            low, high = self._two(name, bounds, unit, None)
        return Free(name, legs, low, high, present, unit, short)

    def _bounds(self, short: str, legs: Sequence[LegName], present: float) -> tuple[float, float]:
        """Default bounds, in the unit of the quantity."""
        if short in _SPREAD:
            return _rounded(present / _SPREAD[short]), _rounded(present * _SPREAD[short])
        top = max(self.now("speed_limit", n) for n in legs)
        if short == "acceleration_limit":
            return _rounded(top / _RISE[1]), _rounded(top / _RISE[0])
        return _rounded(top / _RISE[1] ** 2), _rounded(top / _RISE[0] ** 2)

    def now(self, short: str, name: LegName) -> float:
        """Present value of a short name for a leg, in its unit; NaN where the design has none."""
        servo, controller = self.machine.legs[name].servo, self.design.leg(name).controller
        given: float | None
        if short == "ratio":
            given = servo.ratio
        elif short == "position_bandwidth":
            given = self.gains[name].position
        elif short == "speed_bandwidth":
            given = self.gains[name].speed * servo.acceleration_per_ampere
        elif short == "speed_limit":
            given = servo.speed_limit
        elif short == "current_limit":
            given = servo.current_limit
        elif short == "acceleration_limit":
            given = controller.command_acceleration_limit
        else:
            given = controller.command_jerk_limit
        return math.nan if given is None else _clean(float(given) * _PER_SI.get(_SHORT[short][0], 1.0))

    def _dotted(self, name: str, bounds: str) -> Free:
        both = name.startswith("legs.both.")
        key = name.replace("legs.both.", f"legs.{LEGS[0]}.", 1) if both else name
        path = split(key)
        spec = find(path) if path else None
        if path is None or spec is None:
            raise no_such_key(key)
        single = spec.depth == 0 or isinstance(path[-1], int)
        if spec.form not in ("quantity", "count") or not single:
            raise _fault(name, f"is no single number ({spec.expected()}); only numbers and shape can be free")
        if not bounds:
            raise _fault(name, 'needs bounds: KEY=LOW..HIGH with the units of the file, such as "0.01 deg..0.05 deg"')
        kind = spec.kind
        low, high = self._two(name, bounds, "", spec)
        value = self.design.get(key)
        present = math.nan if value is None else float(value)
        legs: tuple[LegName, ...] = LEGS if both else ()
        factor, unit = _shown(spec)
        scale: Literal["linear", "log", "count", "word"] = "count" if kind is None else "log" if low > 0.0 else "linear"
        low, high, present = (_clean(x * factor) for x in (low, high, present))
        return Free(name, legs, low, high, present, unit, "", (), scale)

    def _two(self, name: str, bounds: str, unit: str, spec: Spec | None) -> tuple[float, float]:
        """Both bounds, in ``unit``; of a key of the file in SI."""
        low, dots, high = (part.strip() for part in bounds.partition(".."))
        if not dots or not low or not high:
            raise _fault(name, "bounds must be written LOW..HIGH", bounds)
        values = [self._one(name, text, unit, spec) for text in (low, high)]
        if not values[0] < values[1]:
            raise _fault(name, "the lower bound must lie below the upper one", bounds)
        if spec is None and values[0] <= 0.0:
            raise _fault(name, "bounds must be above zero", bounds)
        return values[0], values[1]

    def _one(self, name: str, text: str, unit: str, spec: Spec | None) -> float:
        try:
            if spec is not None and spec.form == "count":
                return float(int(text))
            if spec is not None:
                assert spec.kind is not None
                raw = float(text) if spec.kind.plain and _is_number(text) else text
                return parse(raw, spec.kind, self.design.engine.ambient_pressure)
            given = text.removesuffix(unit).strip() if unit else text
            value = float(given)
            if not math.isfinite(value):
                raise ValueError
            return value
        except PydanticCustomError as error:
            raise _fault(name, error.message(), text) from None
        except ValueError:
            what = "a whole number" if spec is not None else f"a number{f' in {unit}' if unit else ''}"
            raise _fault(name, f"a bound must be {what}", text) from None

    # ------------------------------------------------------------------------------------------------- choosing

    @property
    def servo_only(self) -> bool:
        """True when nothing free touches feed, engine or throttle."""
        return all(
            f.short or (f.name.split(".")[2:3] in (["actuator"], ["controller"]) and f.name.startswith("legs."))
            for f in self.free
        )

    def start(self) -> FloatArray:
        """Place of the present design, shape (d,); outside bounds it counts as at the bound."""
        return np.array([f.share(f.present) for f in self.free])

    def values(self, shares: FloatArray) -> tuple[float, ...]:
        """Values tried at a place, shape (d,)."""
        return tuple(f.value(float(x)) for f, x in zip(self.free, shares, strict=True))

    def is_present(self, values: Sequence[float]) -> bool:
        """True when a choice is the design as it is, but for rounding."""
        for f, value in zip(self.free, values, strict=True):
            if f.words:
                if any(f.words[int(value)] != self.design.leg(n).controller.command_shape for n in f.legs):
                    return False
            elif math.isnan(f.present):
                if any(key.endswith(_DIRECT.get(f.short, f.name)) for key in self.changes(values)):
                    return False
            elif (
                not f.low <= f.present <= f.high
                or value != f.value(f.share(f.present))
                or len({self._at(f, n) for n in f.legs}) > 1
            ):
                return False
        return True

    def _at(self, f: Free, name: LegName) -> float:
        """Present value of one leg."""
        if f.short:
            return self.now(f.short, name)
        return float(self.design.get(f.name.replace("legs.both.", f"legs.{name}.", 1)) or 0.0)

    def changes(self, values: Sequence[float]) -> dict[str, Any]:
        """What a choice writes: dotted key to a text or number as in the file.

        Loops whose gains are free have all gains written; a bandwidth that is not free stays the present one. Gains that the
        file leaves to the program and that are not free follow the new ratio by the rule.
        """
        out: dict[str, Any] = {}
        chosen = {(n, f.short): v for f, v in zip(self.free, values, strict=True) if f.short for n in f.legs}
        for f, value in zip(self.free, values, strict=True):
            if not f.short:
                keys = [f.name.replace("legs.both.", f"legs.{n}.", 1) for n in f.legs] or [f.name]
                for key in keys:
                    out[key] = round(value) if f.scale == "count" else f.text(value) if f.unit else value
        for name in LEGS:
            mine = {short: v for (leg, short), v in chosen.items() if leg == name}
            if mine:
                self._of_leg(name, mine, out)
        return out

    def _of_leg(self, name: LegName, mine: dict[str, float], out: dict[str, Any]) -> None:
        at = f"legs.{name}"
        gears = self.design.leg(name).actuator.gears
        last = len(gears) - 1
        ratio = self.machine.legs[name].servo.ratio
        if "ratio" in mine:
            stage = float(f"{gears[last].ratio * mine['ratio'] / ratio:.{DIGITS}g}")
            out[f"{at}.actuator.gears[{last}].ratio"] = stage
        given = self.design.leg(name).controller
        words = next((f.words for f in self.free if f.short == "shape" and name in f.legs), ())
        shape = words[int(mine["shape"])] if words else given.command_shape
        if words:
            out[f"{at}.controller.command_shape"] = shape
        for short in ("speed_limit", "current_limit", "acceleration_limit", "jerk_limit"):
            takes = {"acceleration_limit": SHAPES[1:], "jerk_limit": SHAPES[2:]}.get(short, SHAPES)
            if short in mine and shape in takes:
                out[f"{at}.{_DIRECT[short]}"] = f"{_clean(mine[short]):.10g} {_SHORT[short][0]}"
        if "position_bandwidth" in mine or "speed_bandwidth" in mine:
            out.update(self._gains(name, mine, out))

    def _gains(self, name: LegName, mine: dict[str, float], changed: dict[str, Any]) -> dict[str, Any]:
        """All gains of a leg for the bandwidths chosen, at the ratio chosen."""
        from valvectl.design.write_gains import gains_text

        before = self.gains[name]
        old = self.machine.legs[name].servo.acceleration_per_ampere
        ratios = {k: v for k, v in changed.items() if k.startswith(f"legs.{name}.actuator.gears")}
        new = self._acceleration(name, tuple(ratios.items())) if ratios else old
        crossing = 2.0 * math.pi * mine["speed_bandwidth"] if "speed_bandwidth" in mine else before.speed * old
        gains = CascadeGains(
            position=2.0 * math.pi * mine["position_bandwidth"] if "position_bandwidth" in mine else before.position,
            speed=crossing / new,
            speed_integral=before.speed_integral * crossing / (before.speed * old),  # keeps its share of the crossover
            current=before.current,
            current_integral=before.current_integral,
        )
        return {f"legs.{name}.controller.gains.{key}": text for key, text in gains_text(gains).items()}

    def _acceleration(self, name: LegName, ratios: tuple[tuple[str, Any], ...]) -> float:
        from valvectl.plant.machine import build

        return build(self.design.with_values(dict(ratios))).legs[name].servo.acceleration_per_ampere


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _clean(value: float) -> float:
    """Without the rounding that a change of unit leaves."""
    return float(f"{value:.12g}")


def _rounded(value: float) -> float:
    return float(f"{value:.3g}")


def _shown(spec: Spec) -> tuple[float, str]:
    """Factor from SI to the unit in which a key is shown, and that unit. An offset (gauge, degC) is not used."""
    kind = spec.kind
    if kind is None or not kind.shown:
        return 1.0, ""
    number, _, unit = show(1.0, kind, 15).partition(" ")
    return (1.0, "K") if unit == "K" else (float(number), unit)


def _fault(name: str, message: str, got: str = "") -> DesignError:
    return DesignError(Fault(message, key=visible(name), got=visible(got) if got else ""))


def _twice(found: Sequence[Free]) -> list[Fault]:
    """Quantities that move the same number of the same leg."""
    seen: dict[tuple[str, str], str] = {}
    out = []
    for f in found:
        what = f.short or f.name.replace("legs.both.", "", 1)
        keys: list[tuple[str, str]] = [(n, what) for n in f.legs] or [("", what)]
        for n in LEGS:
            if not f.short and not f.legs and f.name.startswith(f"legs.{n}."):
                keys = [(n, f.name.removeprefix(f"legs.{n}."))]
        direct = {path: short for short, path in _DIRECT.items()}
        keys = [(n, direct.get(w, w)) for n, w in keys]
        for key in keys:
            if key in seen:
                out.append(Fault(f"moves the same number as {seen[key]}; leave one of them out", key=f.name))
                break
            seen[key] = f.name
    return out


__all__ = ["DEFAULT", "SHAPES", "Free", "Knobs"]
