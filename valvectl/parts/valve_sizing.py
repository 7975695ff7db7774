"""Liquid sizing of a valve both ways, to IEC 60534-2-1: flow from coefficient, coefficient and pressures from flow.

The functions here take a ``FittedValve`` and a ``LiquidService``, check their input and answer with a frozen result. The
laws themselves are plain functions in ``valve_fitted.py`` and ``valve.py``; sources and the limits of the standard are
stated there. Kv is in [m^3/h at 1 bar], all else SI; pressures are absolute.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from valvectl.errors import RangeError
from valvectl.parts.valve import (
    KV_TO_C,
    LEAST_FP_TERM,
    combined_recovery_factor,
    piping_factor,
    reducer_losses,
    valve_reynolds,
)
from valvectl.parts.valve_fitted import (
    FULL_TRIM_BORDER,
    LARGEST_KV_OVER_D2,
    N2,
    bare_kv,
    branch_flow,
    factor_at_flow,
    passing_kv,
)

PLATEAU = 1.0e-9
"""Relative distance to the choked flow within which a stated flow counts as on the choked plateau."""
TOUCH = 1.0e-13
"""Relative shortfall of Kv FR at its top that counts as rounding."""

# --------------------------------------------------------------------------------------------------- input and checks


@dataclass(frozen=True)
class FittedValve:
    """A valve at one opening, between its pipes."""

    fl: float
    """Recovery factor FL [-] at this opening, without fittings."""
    size: float
    """Valve size (bore of the body) [m]."""
    pipe_before: float
    """Inner diameter of the pipe before [m]; equal to ``size`` without a reducer."""
    pipe_behind: float
    """Inner diameter of the pipe behind [m]."""
    fd: float = 1.0
    """Valve style modifier Fd [-]; used only with a viscosity. 0.98 to 1 for balls (IEC table, from memory)."""
    rated_kv: float | None = None
    """Kv fully open, which says whether the trim is full size or reduced; None: judged by the Kv in hand."""

    def __post_init__(self) -> None:
        if not 0.0 < self.fl <= 1.0:
            raise RangeError(f"FL must be above 0 and at most 1 (got {self.fl:.6g})")
        if not 0.0 < self.size <= min(self.pipe_before, self.pipe_behind) * (1.0 + 1e-9) or not math.isfinite(
            self.pipe_before + self.pipe_behind
        ):
            raise RangeError(
                f"valve size must be above zero and no wider than its pipes (got {1e3 * self.size:.4g} mm between "
                f"{1e3 * self.pipe_before:.4g} and {1e3 * self.pipe_behind:.4g} mm)"
            )
        if not 0.0 < self.fd <= 1.5:
            raise RangeError(f"Fd must be above 0 and at most 1.5 (got {self.fd:.6g})")
        if self.rated_kv is not None and not (self.rated_kv > 0.0 and math.isfinite(self.rated_kv)):
            raise RangeError(f"rated Kv must be above zero (got {self.rated_kv:.6g})")

    @property
    def losses(self) -> tuple[float, float]:
        """Sum K and K1 + KB1 [-] of the reducers."""
        return reducer_losses(self.size, self.pipe_before, self.pipe_behind)

    def full_trim(self, kv: float) -> bool:
        """True when the trim counts as full size."""
        rated = kv if self.rated_kv is None else self.rated_kv
        return rated / (self.size * 1.0e3) ** 2 >= FULL_TRIM_BORDER


@dataclass(frozen=True)
class LiquidService:
    """The liquid as the sizing equations see it."""

    density: float
    """[kg/m^3]"""
    vapour_pressure: float
    """At the inlet temperature [Pa]."""
    ff: float
    """Critical pressure ratio factor FF [-]; ``valve.critical_pressure_ratio_factor``."""
    viscosity: float = 0.0
    """Dynamic viscosity [Pa s]; zero: the flow is taken as turbulent without being asked."""

    def __post_init__(self) -> None:
        if not (self.density > 0.0 and math.isfinite(self.density)):
            raise RangeError(f"density must be above zero (got {self.density:.6g} kg/m3)")
        if not (0.0 <= self.vapour_pressure < math.inf and 0.0 <= self.viscosity < math.inf and 0.0 < self.ff <= 1.0):
            raise RangeError(
                "vapour pressure and viscosity must not be negative and FF must be above 0 and at most 1 "
                f"(got {self.vapour_pressure:.6g} Pa, {self.viscosity:.6g} Pa s, {self.ff:.6g})"
            )


def check_positive(**values: float) -> None:
    """Raise ``RangeError`` for the first value that is not a finite number above zero."""
    for name, value in values.items():
        if not (value > 0.0 and math.isfinite(value)):
            raise RangeError(f"{name.replace('_', ' ')} must be a finite number above zero (got {value:.6g})")


def check_reducers(valve: FittedValve, kv: float) -> None:
    """Raise ``RangeError`` when FP would rest on a small difference (a widening behind a valve of little loss)."""
    if 1.0 + valve.losses[0] / N2 * (kv / (valve.size * 1.0e3) ** 2) ** 2 < LEAST_FP_TERM:
        raise RangeError(
            f"reducers: FP has no sound value for Kv {kv:.4g} in {1e3 * valve.size:.4g} mm between pipes of "
            f"{1e3 * valve.pipe_before:.4g} and {1e3 * valve.pipe_behind:.4g} mm"
        )


# ------------------------------------------------------------------------------------------------------------ results


@dataclass(frozen=True)
class LiquidFlow:
    """Flow through a valve between known pressures."""

    flow: float
    """Mass flow [kg/s]; zero against the flow direction or when the inlet is below FF pv."""
    choked: bool
    """True when a lower outlet pressure would not raise the flow."""
    choked_drop: float
    """Drop at which it chokes [Pa]: (FLP/FP)^2 (p1 - FF pv)."""
    fp: float
    """Piping factor FP [-]."""
    flp: float
    """FLP [-]; equal to FL without an inlet reducer."""
    fr: float
    """Reynolds number factor FR [-]; 1 in turbulent flow or when no viscosity was given."""
    reynolds: float
    """Valve Reynolds number [-]; infinite when no viscosity was given."""
    beyond_standard: bool
    """True when non-turbulent flow meets fittings, choking or a Kv above 0.04 d^2: the standard gives no equation."""


@dataclass(frozen=True)
class RequiredCoefficient:
    """Kv that a flow needs between known pressures."""

    kv: float
    """[m^3/h at 1 bar]"""
    at: LiquidFlow
    """The flow with this Kv."""


@dataclass(frozen=True)
class OutletPressure:
    """Outlet pressure that belongs to a flow, where one does."""

    state: Literal["determined", "undetermined", "impossible"]
    """undetermined: the flow is the choked flow. impossible: the flow is above what the valve can pass."""
    pressure: float | None
    """Outlet pressure [Pa]; None unless determined."""
    highest: float | None
    """Highest outlet pressure that gives this flow [Pa]; None when impossible."""
    largest_flow: float
    """Largest flow at this inlet pressure [kg/s]."""
    sentence: str
    """The same in words."""


# ------------------------------------------------------------------------------------------------- the four questions


def _branch(kv: float, valve: FittedValve, service: LiquidService, head: float, choking: bool) -> float:
    sum_k, inlet_k = valve.losses
    return branch_flow(
        head,
        kv,
        valve.fl,
        valve.fd,
        valve.size,
        valve.pipe_before,
        sum_k,
        inlet_k,
        service.density,
        service.viscosity,
        valve.full_trim(kv),
        choking,
    )


def _factor(flow: float, kv: float, valve: FittedValve, service: LiquidService, full_trim: bool) -> float:
    return factor_at_flow(
        flow,
        kv,
        valve.fl,
        valve.fd,
        valve.size,
        valve.pipe_before,
        service.density,
        service.viscosity,
        full_trim,
    )


def liquid_flow(kv: float, valve: FittedValve, service: LiquidService, p1: float, p2: float) -> LiquidFlow:
    """Flow from coefficient. ``p1``, ``p2`` absolute pressure before and behind [Pa].

    Raises ``RangeError`` for a Kv or an inlet pressure that is not above zero, and where FP has no sound value.
    """
    check_positive(Kv=kv, inlet_pressure=p1)
    if not (0.0 <= p2 < math.inf):
        raise RangeError(f"outlet pressure must not be negative (got {p2:.6g} Pa)")
    check_reducers(valve, kv)
    head = p1 - service.ff * service.vapour_pressure
    free, choked = _branch(kv, valve, service, p1 - p2, False), _branch(kv, valve, service, head, True)
    flow = min(free, choked)
    fr = _factor(flow, kv, valve, service, valve.full_trim(kv)) if flow > 0.0 else 1.0
    sum_k, inlet_k = valve.losses
    fp = piping_factor(kv * fr, valve.size, sum_k)
    flp = combined_recovery_factor(kv * fr, valve.fl, valve.size, inlet_k)
    plain = valve.size == valve.pipe_before == valve.pipe_behind
    is_choked = choked > 0.0 and free >= choked
    reynolds = math.inf
    if service.viscosity > 0.0:
        reynolds = valve_reynolds(
            3600.0 * flow / service.density,
            service.viscosity / service.density,
            kv,
            valve.fl,
            valve.fd,
            valve.pipe_before,
        )
    return LiquidFlow(
        flow=flow,
        choked=is_choked,
        choked_drop=max((flp / fp) ** 2 * head, 0.0),
        fp=fp,
        flp=flp,
        fr=fr,
        reynolds=reynolds,
        beyond_standard=fr < 1.0 and (is_choked or not plain or kv > LARGEST_KV_OVER_D2 * (1.0e3 * valve.size) ** 2),
    )


def _kv_for_factor(needed: float, flow: float, valve: FittedValve, service: LiquidService, full: bool) -> float | None:
    """Least Kv with Kv FR = ``needed`` at a known flow, or None when the formulas of this trim give none."""
    from scipy.optimize import brentq, minimize_scalar

    def short(log_kv: float) -> float:
        kv = math.exp(log_kv)
        return math.log(kv * _factor(flow, kv, valve, service, full) / needed)

    low = math.log(needed)
    if short(low) >= -TOUCH:
        return needed
    # The full-trim term is held from here on, which bends Kv FR upward.
    bend = math.log(LARGEST_KV_OVER_D2) + 2.0 * math.log(1.0e3 * valve.size)
    nudge = 1.0e-6
    for _ in range(401):
        high = bend if low < bend < low + 0.05 else low + 0.05
        found = high
        if short(high) < 0.0 and short(low + nudge) > short(low) and short(high - nudge) > short(high):
            # Kv FR has its top in between; it may reach the need there only.
            found = minimize_scalar(
                lambda log_kv: -short(log_kv), bounds=(low, high), method="bounded", options={"xatol": 1e-9}
            ).x
            if 0.0 > short(found) > -TOUCH:
                return math.exp(found)
        if short(found) >= 0.0:
            return math.exp(brentq(short, low, found, xtol=1e-15, rtol=1e-14))
        low = high
    return None


def required_kv(flow: float, valve: FittedValve, service: LiquidService, p1: float, p2: float) -> RequiredCoefficient:
    """Coefficient from flow: the Kv at which ``liquid_flow`` passes ``flow`` [kg/s]. Pressures absolute [Pa].

    When no rated Kv says which trim it is and both trims answer, the larger Kv is given. In laminar flow the standard's
    full-trim formula makes the flow at a drop *fall* with Kv (as Kv^-1/2) up to 0.04 d^2: where two Kv pass the flow the
    least is given, and where only one above 0.04 d^2 does, the answer says that it is beyond the standard.

    Raises ``RangeError`` when nothing can flow, when the reducers alone take more than the drop, where FP has no sound
    value, and when the non-turbulent formulas give no Kv.
    """
    check_positive(flow=flow, inlet_pressure=p1)
    drop, head = p1 - p2, p1 - service.ff * service.vapour_pressure
    if not (p2 >= 0.0 and drop > 0.0 and head > 0.0):
        raise RangeError(
            f"no liquid can flow: inlet {p1:.6g} Pa must be above outlet {p2:.6g} Pa and above FF pv "
            f"{service.ff * service.vapour_pressure:.6g} Pa"
        )
    sum_k, inlet_k = valve.losses
    needed = max(
        bare_kv(flow / (KV_TO_C * math.sqrt(service.density * push)), valve.fl, valve.size, sum_k, inlet_k, choking)
        for push, choking in ((drop, False), (head, True))
    )
    if math.isinf(needed):
        raise RangeError(f"the reducers alone need more than the {drop:.6g} Pa there are at {flow:.6g} kg/s")
    if valve.rated_kv is not None:
        answers = [_kv_for_factor(needed, flow, valve, service, valve.full_trim(valve.rated_kv))]
    else:
        tried = [(full, _kv_for_factor(needed, flow, valve, service, full)) for full in (False, True)]
        answers = [kv for full, kv in tried if kv is not None and valve.full_trim(kv) == full]
    found = [kv for kv in answers if kv is not None]
    if not found:
        raise RangeError(
            f"non-turbulent flow: the formulas of the standard give no Kv for {flow:.6g} kg/s at {drop:.6g} Pa in "
            f"{1e3 * valve.size:.4g} mm; take a larger valve size"
        )
    kv = max(found)
    return RequiredCoefficient(kv, liquid_flow(kv, valve, service, p1, p2))


def _heads_at_flow(flow: float, kv: float, valve: FittedValve, service: LiquidService) -> tuple[float, float]:
    """p1 - p2 that the free branch and p1 - FF pv that the choked branch need for a flow [Pa]."""
    sum_k, inlet_k = valve.losses
    fr = _factor(flow, kv, valve, service, valve.full_trim(kv))
    c = [KV_TO_C * passing_kv(kv, fr, valve.fl, valve.size, sum_k, inlet_k, choking) for choking in (False, True)]
    return (flow / c[0]) ** 2 / service.density, (flow / c[1]) ** 2 / service.density


def required_inlet_pressure(flow: float, kv: float, valve: FittedValve, service: LiquidService, p2: float) -> float:
    """Inlet pressure [Pa] for a flow [kg/s] into ``p2`` [Pa], choked or free. Raises ``RangeError`` on bad input."""
    check_positive(flow=flow, Kv=kv)
    check_reducers(valve, kv)
    free, choked = _heads_at_flow(flow, kv, valve, service)
    return max(p2 + free, service.ff * service.vapour_pressure + choked)


def outlet_pressure_at_flow(
    flow: float, kv: float, valve: FittedValve, service: LiquidService, p1: float
) -> OutletPressure:
    """Outlet pressure for a flow [kg/s] from ``p1`` [Pa], or the statement that the flow does not tell it.

    Every outlet pressure below p1 less the choked drop gives the same flow, so that none of them is returned.
    """
    check_positive(flow=flow)
    plateau = liquid_flow(kv, valve, service, p1, 0.0)
    largest = plateau.flow
    if flow > largest * (1.0 + PLATEAU):
        text = f"{flow:.6g} kg/s is more than the valve passes from {p1:.6g} Pa; the most is {largest:.6g} kg/s"
        return OutletPressure("impossible", None, None, largest, text)
    if plateau.choked and flow >= largest * (1.0 - PLATEAU):
        highest = p1 - plateau.choked_drop
        text = f"undetermined on the choked plateau: every outlet pressure up to {highest:.6g} Pa gives this flow"
        return OutletPressure("undetermined", None, highest, largest, text)
    pressure = max(p1 - _heads_at_flow(flow, kv, valve, service)[0], 0.0)
    return OutletPressure("determined", pressure, pressure, largest, f"outlet pressure {pressure:.6g} Pa")
