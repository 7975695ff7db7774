"""A gas valve or orifice for nitrogen or helium, both ways: the Kv (or hole) that a flow needs, or the flow of a Kv.

Valves by IEC 60534-2-1 (``parts/valve_gas``), orifices by isentropic flow (``parts/gas_orifice``). The gas comes at the
state before the device (``parts/gas_state``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from valvectl.errors import RangeError
from valvectl.parts import gas_orifice, valve_gas
from valvectl.parts.flow_coefficients import cda_to_kv, kv_to_cda
from valvectl.parts.gas_state import gas_state
from valvectl.parts.line import area
from valvectl.parts.valve_gas import Gas, gas_density
from valvectl.parts.valve_sizing import FittedValve, check_positive
from valvectl.studies.result import Result

TYPICAL_FL = 0.9
"""FL of a gas valve [-]; it enters the valve Reynolds number alone, weakly (common practice, no source)."""
TYPICAL_XT = 0.7
"""xT [-] when none is stated: a globe valve, the standard's table (from memory); a full-bore ball has 0.15 to 0.3."""
TYPICAL_CD = 0.8
"""Cd of an orifice [-] when none is stated (common practice, no source: 0.6 sharp, 0.9 and more rounded)."""
WIDE = 1.0
"""Pipe [m] taken where none is stated: without fittings its size enters the Reynolds number alone, by a fourth root."""
FASTEST = 0.3
"""Outlet Mach number in the pipe above which sizing that leaves out velocity is called into question (common practice)."""


@dataclass(frozen=True)
class GasService(Result):
    """A gas device between known pressures."""

    device: Literal["valve", "orifice"]
    gas: str
    sized: bool
    """True when the size was worked out from a flow, False when the flow was from the size."""
    inlet: float
    """[Pa]"""
    outlet: float
    """[Pa]"""
    temperature: float
    """Before the device [K]."""
    density: float
    """Before the device [kg/m^3]."""
    z: float
    """Compressibility factor there [-]."""
    gamma: float
    """[-]"""
    kv: float
    """Kv [m^3/h at 1 bar]; of an orifice that of its CdA, for comparison."""
    cda: float
    """Discharge coefficient times area [m^2]; of a valve that of its Kv in liquid, for comparison."""
    diameter: float
    """Of the hole [m]; of a valve zero."""
    xt: float
    """xT [-] of the valve; of an orifice zero."""
    mass_flow: float
    """[kg/s]"""
    normal_flow: float
    """At 0 degC and 101.325 kPa [m^3/s]."""
    standard_flow: float
    """At 15 degC and 101.325 kPa [m^3/s]."""
    choked: bool
    """True when a lower pressure behind would not raise the flow."""
    chokes_below: float
    """Pressure behind at and below which it is choked [Pa]."""
    pipe: float
    """Inner diameter of the pipe behind [m]; zero when not stated."""
    mach: float
    """Speed in the pipe behind over the speed of sound [-], gas at its inlet temperature; NaN without a pipe."""
    cautions: tuple[str, ...]
    assumptions: tuple[str, ...]

    @property
    def statement(self) -> str:
        """Choked or not, and what that means, in words."""
        bar = f"{self.chokes_below / 1e5:.3g} bar abs"
        if self.choked:
            return (
                f"choked: every pressure behind from {bar} down gives this flow, so the flow does not tell the pressure there; "
                "it rises with the pressure before alone"
            )
        return f"not choked (it chokes at {bar} behind and below): the flow depends on both pressures"

    def columns(self) -> dict[str, Any]:
        return {
            "device": [self.device],
            "gas": [self.gas],
            "inlet [bar abs]": [self.inlet / 1e5],
            "outlet [bar abs]": [self.outlet / 1e5],
            "temperature [K]": [self.temperature],
            "Kv [m3/h]": [self.kv],
            "CdA [mm^2]": [1e6 * self.cda],
            "hole [mm]": [1e3 * self.diameter],
            "flow [g/s]": [1e3 * self.mass_flow],
            "flow [m3/h at 0 degC, 1.01325 bar]": [3600.0 * self.normal_flow],
            "flow [m3/h at 15 degC, 1.01325 bar]": [3600.0 * self.standard_flow],
            "choked": [self.choked],
            "chokes below [bar abs]": [self.chokes_below / 1e5],
            "outlet Mach number": [self.mach],
        }


def _one(**values: float | None) -> str:
    given = [name for name, value in values.items() if value is not None]
    if len(given) != 1:
        names = ", ".join(values)
        raise RangeError(f"give exactly one of {names.replace('_', ' ')} (now {' and '.join(given) or 'none'})")
    return given[0]


def _mass(state: Gas, mass: float | None, normal: float | None, standard: float | None) -> float:
    if mass is not None:
        return mass
    if normal is not None:
        return valve_gas.normal_to_mass(normal, state.molar_mass)
    assert standard is not None
    return valve_gas.standard_to_mass(standard, state.molar_mass)


def gas_valve(
    gas: str,
    inlet: float,
    outlet: float,
    temperature: float = 293.15,
    *,
    kv: float | None = None,
    mass_flow: float | None = None,
    normal_flow: float | None = None,
    standard_flow: float | None = None,
    xt: float | None = None,
    size: float | None = None,
) -> GasService:
    """Kv that a flow of gas needs, or the flow that a Kv passes; give exactly one of kv and the three flows.

    Parameters
    ----------
    gas : nitrogen or helium
    inlet, outlet : absolute pressure before and behind [Pa]
    temperature : before the valve [K]
    kv : [m^3/h at 1 bar]
    mass_flow : [kg/s]; normal_flow (0 degC) and standard_flow (15 degC) [m^3/s]
    xt : pressure ratio factor [-]; by default that of a globe valve, which the answer says
    size : valve size and inner diameter of its pipes [m]; by default taken as wide enough

    Raises ``RangeError`` for values without meaning, a state that is no gas, and a flow that is not turbulent.
    """
    asked = _one(kv=kv, mass_flow=mass_flow, normal_flow=normal_flow, standard_flow=standard_flow)
    state = gas_state(gas, inlet, temperature)
    assumed = []
    if xt is None:
        xt = TYPICAL_XT
        assumed.append(
            f"xT {TYPICAL_XT:g}, that of a globe valve; a full-bore ball has 0.15 to 0.3 and passes less when choked"
        )
    if size is None:
        assumed.append("no pipe stated: the speed in it was not looked at")
    wide = size if size is not None else WIDE
    fitted = FittedValve(TYPICAL_FL, wide, wide, wide)
    if asked == "kv":
        assert kv is not None
        found = valve_gas.gas_flow(kv, xt, fitted, state, inlet, outlet)
    else:
        kv, found = valve_gas.required_kv(
            _mass(state, mass_flow, normal_flow, standard_flow), xt, fitted, state, inlet, outlet
        )
    below = max(inlet * (1.0 - found.x_choked), 0.0)
    return _service(
        "valve", gas, state, inlet, outlet, found.flow, found.choked, below, size, assumed,
        sized=asked != "kv", kv=kv, cda=kv_to_cda(kv), diameter=0.0, xt=xt,
    )  # fmt: skip


def gas_orifice_service(
    gas: str,
    inlet: float,
    outlet: float,
    temperature: float = 293.15,
    *,
    diameter: float | None = None,
    mass_flow: float | None = None,
    normal_flow: float | None = None,
    standard_flow: float | None = None,
    cd: float | None = None,
    size: float | None = None,
) -> GasService:
    """Hole that a flow of gas needs, or the flow that a hole passes; arguments as ``gas_valve``, ``diameter`` of the hole [m],
    ``cd`` its discharge coefficient [-]."""
    asked = _one(diameter=diameter, mass_flow=mass_flow, normal_flow=normal_flow, standard_flow=standard_flow)
    state = gas_state(gas, inlet, temperature)
    assumed = []
    if cd is None:
        cd = TYPICAL_CD
        assumed.append(f"Cd {TYPICAL_CD:g}; 0.6 when sharp and thin, 0.9 and more when rounded")
    if not 0.0 < cd <= 1.0:
        raise RangeError(f"Cd must be above 0 and at most 1 (got {cd:.6g})")
    if size is None:
        assumed.append("no pipe stated: the speed in it was not looked at")
    if not 0.0 <= outlet < inlet:
        raise RangeError(f"no gas can flow: inlet {inlet:.6g} Pa must be above outlet {outlet:.6g} Pa")
    rho = gas_density(inlet, temperature, state.molar_mass, state.z)
    if diameter is None:
        flow = _mass(state, mass_flow, normal_flow, standard_flow)
        check_positive(flow=flow)
        cda = gas_orifice.orifice_cda(flow, state.gamma, inlet, outlet, rho)
        diameter = math.sqrt(4.0 / math.pi * cda / cd)
    else:
        check_positive(diameter=diameter)
        cda = cd * area(diameter)
        flow = gas_orifice.orifice_gas_flow(cda, state.gamma, inlet, outlet, rho)
    below = inlet * gas_orifice.critical_ratio(state.gamma)
    return _service(
        "orifice", gas, state, inlet, outlet, flow, outlet <= below, below, size, assumed,
        sized=asked != "diameter", kv=cda_to_kv(cda), cda=cda, diameter=diameter, xt=0.0,
    )  # fmt: skip


def _service(
    device: Literal["valve", "orifice"],
    gas: str,
    state: Gas,
    inlet: float,
    outlet: float,
    flow: float,
    choked: bool,
    below: float,
    size: float | None,
    assumed: list[str],
    *,
    sized: bool,
    kv: float,
    cda: float,
    diameter: float,
    xt: float,
) -> GasService:
    mach, cautions = math.nan, []
    if size is not None:
        check_positive(size=size)
        # Throttled perfect gas keeps its temperature.
        rho = gas_density(max(outlet, 1.0), state.temperature, state.molar_mass, 1.0)
        mach = flow / rho / area(size) / gas_orifice.sound_speed(state.gamma, max(outlet, 1.0), rho)
        if mach > 1.0:
            cautions.append(
                f"the pipe behind ({1e3 * size:.3g} mm) can not pass this flow at that pressure: it would have to be "
                f"{mach:.2g} times faster than sound; the pressure behind is then higher than stated"
            )
        elif mach > FASTEST:
            cautions.append(
                f"Mach {mach:.2f} in the pipe behind, above {FASTEST:g}: its pressure loss is not small; widen it"
            )
        if diameter >= size:
            cautions.append(f"the hole ({1e3 * diameter:.3g} mm) is not smaller than the pipe")
    if abs(state.gamma / 1.4 - 1.0) > 0.15 and device == "valve":
        cautions.append(
            f"gamma {state.gamma:.3f} is just outside the standard's 1.08 to 1.65: choked flow is some 3 % too high"
        )
    return GasService(
        device=device,
        gas=gas,
        sized=sized,
        inlet=inlet,
        outlet=outlet,
        temperature=state.temperature,
        density=gas_density(inlet, state.temperature, state.molar_mass, state.z),
        z=state.z,
        gamma=state.gamma,
        kv=kv,
        cda=cda,
        diameter=diameter,
        xt=xt,
        mass_flow=flow,
        normal_flow=valve_gas.mass_to_normal(flow, state.molar_mass),
        standard_flow=valve_gas.mass_to_standard(flow, state.molar_mass),
        choked=choked,
        chokes_below=below,
        pipe=size or 0.0,
        mach=mach,
        cautions=tuple(cautions),
        assumptions=tuple(assumed),
    )
