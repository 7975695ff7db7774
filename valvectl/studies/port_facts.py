"""What is known about a leg's own port: where its curve stops being true, how far it lies from the characteristic that its
maker states, and how well Kv and FL are known at an opening."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np

from valvectl.design.design_file import DesignFile, Input
from valvectl.design.schema import LegName, Valve
from valvectl.parts.characteristic import (
    DeviationRow,
    deviation_rows,
    equal_percentage,
    inherent_rangeability,
    linear,
)
from valvectl.parts.lookup import FloatArray, lookup
from valvectl.parts.valve import KV_TO_C
from valvectl.parts.valve_fitted import relative_flow_uncertainty
from valvectl.plant import port_curve

STANDARD_TRAVEL = (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
"""Shares of the travel at which IEC 60534-2-4 has an inherent characteristic stated and checked (from memory)."""


@dataclass(frozen=True)
class StatedCharacteristic:
    """A measured table against the inherent characteristic that its maker states."""

    name: str
    """Characteristic stated."""
    rangeability: float
    """Rangeability stated [-]."""
    travel: tuple[float, float]
    """Shut angle, from which travel counts, and the last angle of the table [rad]."""
    rows: tuple[DeviationRow, ...]
    """One for each opening of ``STANDARD_TRAVEL``."""
    inherent_rangeability: float | None
    """Largest over smallest Kv within the limits [-]; None when even the open end is not."""

    @property
    def within(self) -> bool:
        """True when every opening is within its limits."""
        return all(row.within for row in self.rows)

    @property
    def verdict(self) -> str:
        """In words."""
        wrong = [math.degrees(row.angle) for row in self.rows if not row.within]
        head = f"{self.name}, rangeability {self.rangeability:g}, as stated"
        if not wrong:
            return f"{head}: the table is within the limits of IEC 60534-2-4 at every opening"
        at = ", ".join(f"{angle:.1f}" for angle in wrong)
        held = self.inherent_rangeability
        kept = "at no opening" if held is None else f"from the open end down over {held:.3g} to 1"
        return f"{head}: the table is NOT within the limits of IEC 60534-2-4 at {at} deg; it keeps them {kept}"


@functools.lru_cache(maxsize=64)
def stated_characteristic(part: Valve) -> StatedCharacteristic | None:
    """A flow table against the characteristic that the design states beside it; None when it states none.

    Rated Kv is the table's last. Travel counts from the angle of the last zero Kv (or the first angle). Kv between the
    table's points is the program's own interpolation, without reducers and without ``port_scale``.
    """
    flow = part.flow
    if flow is None or flow.characteristic is None or flow.rangeability is None:
        return None
    law = equal_percentage if flow.characteristic == "equal percentage" else linear
    curve = port_curve.valve_curve(part).curve
    first = next(i for i, kv in enumerate(curve.kv) if kv > 0.0)
    shut, opened = curve.angle[max(first - 1, 0)], curve.angle[-1]
    grid = port_curve.grid(part, part.bore, part.bore, reducers=False)
    angles = [shut + h * (opened - shut) for h in STANDARD_TRAVEL]
    measured = [lookup(grid.c, grid.start, grid.per_step, a) / KV_TO_C / part.port_scale for a in angles[:-1]]
    stated = [curve.rated_kv * law(h, flow.rangeability) for h in STANDARD_TRAVEL]
    rows = deviation_rows(angles, [*measured, curve.rated_kv], stated)
    return StatedCharacteristic(
        name=flow.characteristic,
        rangeability=flow.rangeability,
        travel=(shut, opened),
        rows=rows,
        inherent_rangeability=inherent_rangeability(rows),
    )


def port_notes(part: Valve) -> tuple[str, ...]:
    """Where the curve of a design's port stops being true, in sentences for the report; none for a table without a
    stated characteristic."""
    out: list[str] = []
    port = part.port
    if port is not None and port.shape == "cock":
        out.append(
            "the port is Weisbach's round cock, typed from memory and good from 25 to 85 deg; its FL values are typical, not "
            "of this valve. Replace both by a flow test."
        )
    elif port is not None:
        found = port_curve.valve_curve(part)
        out.append(
            f"the port is a model ({port.shape}): {found.curve.method}. Validity: {found.curve.validity}. FL: "
            f"{found.fl_origin}. Replace both by a flow test."
        )
    stated = stated_characteristic(part)
    if stated is not None and not stated.within:
        out.append(f"{stated.verdict}.")
    return tuple(out)


@dataclass(frozen=True)
class CoefficientBounds:
    """How well Kv and FL of a leg's own port are known at some angles; relative half-widths [-], shape (n,)."""

    kv: FloatArray
    """Of Kv; zero where the design states no tolerance."""
    fl: FloatArray
    """Of FL; zero likewise. Counts where the valve chokes."""
    flow: FloatArray
    """Of the flow at a held drop: of Kv while free, of Kv and FL together when choked."""


def _relative(item: Input | None, table: tuple[float, ...], angle: FloatArray) -> FloatArray:
    """Relative half-width of a list at some angles [-]: linear between the entries of its table, held outside."""
    if item is None or item.tolerance is None:
        return np.zeros(angle.size)
    values = item.value if isinstance(item.value, tuple) else (item.value,)
    widths = item.half_widths()
    shares = [w / abs(float(v)) if v else math.nan for w, v in zip(widths, values, strict=True)]
    known = [i for i, share in enumerate(shares) if math.isfinite(share)]
    if len(values) == 1:
        return np.full(angle.size, shares[0])
    return np.interp(angle, [table[i] for i in known], [shares[i] for i in known])


def coefficient_bounds(design: DesignFile, leg: LegName, angle: FloatArray, choking: FloatArray) -> CoefficientBounds:
    """Bounds of Kv, FL and flow of a leg's own port at some angles [rad]; ``choking`` drop over choking drop [-].

    Reducers are left out: they lessen the part of Kv (``parts.valve_fitted.relative_flow_uncertainty``).
    """
    part, at = design.leg(leg).valve, f"legs.{leg}.valve"
    found = port_curve.valve_curve(part)
    table = "flow" if part.flow is not None else "port"
    inputs = design.inputs
    column = next((k for k in ("kv", "cv") if f"{at}.{table}.{k}" in inputs), "kv")
    scale = inputs.get(f"{at}.port_scale")
    kv = _relative(inputs.get(f"{at}.{table}.{column}"), found.curve.angle, angle)
    kv = kv + _relative(scale, (), angle)
    fl = _relative(inputs.get(f"{at}.{table}.fl"), found.fl_angle, angle)
    flow = [
        relative_flow_uncertainty(float(k), float(f), bool(c >= 1.0)) for k, f, c in zip(kv, fl, choking, strict=True)
    ]
    return CoefficientBounds(kv, fl, np.array(flow))
