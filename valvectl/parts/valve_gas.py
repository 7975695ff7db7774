"""Gas flow through a valve both ways, to IEC 60534-2-1: helium or nitrogen for pressurisation and purge, and others.

With c = Kv in SI form [m^2] and x = (p1 - p2)/p1 the mass flow is

    c FP Y sqrt(x p1 rho1),  Y = 1 - x / (3 x_choked),  x_choked = Fgamma xTP,  Fgamma = gamma / 1.4,

with x held at x_choked, where Y = 2/3. **With fittings Y is taken with xTP**, the same factor as in the choked limit, as
the 2011 edition has it (from memory); the flow is then continuous where it chokes. Programs that take Y with xT and the
limit with xTP get a coefficient some 2 % higher and a step.

Turbulent flow only. The standard's non-turbulent gas equation (N27, drop times mean pressure) is **not covered**: a flow
below a valve Reynolds number of 10 000 is refused when a viscosity is given; without one it is not looked at.

Validity: gamma 1.08 to 1.65 (Fgamma stands for the exact critical expansion; helium's 1.667 is just outside, see
``HELIUM``), xT up to 0.84, ideal gas but for the inlet compressibility factor Z; outlet velocity below sonic is not
checked. Source: IEC 60534-2-1:2011 (equations from memory, checked by its worked examples); the limit of xT is stated in
the public abstract of the 1998 edition.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from valvectl.errors import RangeError
from valvectl.parts.valve import KV_TO_C, LEAST_FP_TERM, piping_factor, valve_reynolds
from valvectl.parts.valve_fitted import N2, TURBULENT_REYNOLDS
from valvectl.parts.valve_sizing import PLATEAU, FittedValve, OutletPressure, check_positive, check_reducers

GAS_CONSTANT = 8.31446261815324
"""Molar gas constant [J/(mol K)], exact in the SI of 2019."""
N5 = 1.80e-3
"""Constant of the xTP term for Kv and mm (IEC 60534-2-1)."""
LARGEST_XT = 0.84
"""Largest xT for which the standard states validity [-]."""
NORMAL_TEMPERATURE, STANDARD_TEMPERATURE = 273.15, 288.15
"""Reference temperatures of a normal (0 degC) and a standard (15 degC) cubic metre [K]."""
REFERENCE_PRESSURE = 101325.0
"""Reference pressure of both [Pa]."""

# ------------------------------------------------------------------------------------------------ laws, plain floats


def gas_density(p: float, temperature: float, molar_mass: float, z: float) -> float:
    """Density [kg/m^3] from absolute pressure [Pa], temperature [K], molar mass [kg/mol], compressibility factor [-]."""
    return p * molar_mass / (z * GAS_CONSTANT * temperature)


def normal_to_mass(volume_flow: float, molar_mass: float) -> float:
    """Mass flow [kg/s] of a flow in normal cubic metres, 0 degC and 101.325 kPa, ideal gas [m^3/s]."""
    return volume_flow * gas_density(REFERENCE_PRESSURE, NORMAL_TEMPERATURE, molar_mass, 1.0)


def standard_to_mass(volume_flow: float, molar_mass: float) -> float:
    """Mass flow [kg/s] of a flow in standard cubic metres, 15 degC and 101.325 kPa, ideal gas [m^3/s]."""
    return volume_flow * gas_density(REFERENCE_PRESSURE, STANDARD_TEMPERATURE, molar_mass, 1.0)


def mass_to_normal(flow: float, molar_mass: float) -> float:
    """Flow in normal cubic metres (0 degC) a second of a mass flow [kg/s]."""
    return flow / gas_density(REFERENCE_PRESSURE, NORMAL_TEMPERATURE, molar_mass, 1.0)


def mass_to_standard(flow: float, molar_mass: float) -> float:
    """Flow in standard cubic metres (15 degC) a second of a mass flow [kg/s]."""
    return flow / gas_density(REFERENCE_PRESSURE, STANDARD_TEMPERATURE, molar_mass, 1.0)


def specific_heat_factor(gamma: float) -> float:
    """Fgamma [-]: ratio of specific heats over that of air, gamma / 1.40."""
    return gamma / 1.40


def fitted_xt(xt: float, kv: float, d: float, sum_k: float, inlet_k: float) -> float:
    """xTP [-]: (xT/FP^2) / (1 + xT (K1 + KB1)/N5 (Kv/d^2)^2), from Kv and valve size [m]; xT without fittings."""
    ratio = kv / (d * 1.0e3) ** 2
    fp = piping_factor(kv, d, sum_k)
    return xt / (fp * fp) / (1.0 + xt * inlet_k / N5 * ratio * ratio)


def expansion_factor(x: float, x_choked: float) -> float:
    """Y [-]: 1 - x/(3 x_choked), 2/3 from the choked ratio on."""
    return 1.0 - min(x, x_choked) / (3.0 * x_choked)


def gas_mass_flow(
    kv: float, xt: float, d: float, sum_k: float, inlet_k: float, gamma: float, p1: float, p2: float, rho1: float
) -> float:
    """Mass flow [kg/s], turbulent, choking included; zero against the flow direction. ``rho1`` at the inlet [kg/m^3]."""
    if p2 >= p1:
        return 0.0
    x_choked = specific_heat_factor(gamma) * fitted_xt(xt, kv, d, sum_k, inlet_k)
    x = min((p1 - p2) / p1, x_choked)
    c = KV_TO_C * kv * piping_factor(kv, d, sum_k)
    return c * expansion_factor(x, x_choked) * math.sqrt(x * p1 * rho1)


def ratio_at_share(share: float) -> float:
    """x over x_choked [-] at which the flow is ``share`` of the choked flow, both between 0 and 1.

    Y sqrt(x) = sqrt(x_choked) (r - r^3/3) with r^2 = x/x_choked; the cubic's root is r = 2 sin(asin(share)/3).
    """
    r = 2.0 * math.sin(math.asin(min(share, 1.0)) / 3.0)
    return r * r


# ------------------------------------------------------------------------------------------------- service and result


@dataclass(frozen=True)
class Gas:
    """A gas as the sizing equations see it, at the inlet."""

    molar_mass: float
    """[kg/mol]"""
    gamma: float
    """Ratio of specific heats [-]."""
    temperature: float
    """At the inlet [K]."""
    z: float = 1.0
    """Compressibility factor at the inlet [-]."""
    viscosity: float = 0.0
    """Dynamic viscosity [Pa s]; zero: the flow is taken as turbulent without being asked."""

    def __post_init__(self) -> None:
        check_positive(molar_mass=self.molar_mass, temperature=self.temperature, compressibility_factor=self.z)
        if not 1.0 < self.gamma < 2.0:
            raise RangeError(f"gamma must lie between 1 and 2 (got {self.gamma:.6g})")
        if not 0.0 <= self.viscosity < math.inf:
            raise RangeError(f"viscosity must not be negative (got {self.viscosity:.6g} Pa s)")


HELIUM = Gas(molar_mass=4.002602e-3, gamma=5.0 / 3.0, temperature=293.15, viscosity=1.96e-5)
"""Helium at 20 degC, dilute; viscosity from memory.

Fgamma overstates its choked flow by about 3 % against the isentropic critical flow.
"""
NITROGEN = Gas(molar_mass=28.0134e-3, gamma=1.40, temperature=293.15, viscosity=1.76e-5)
"""Nitrogen at 20 degC, dilute; viscosity from memory; above some 50 bar give Z and gamma at the state."""


@dataclass(frozen=True)
class GasFlow:
    """Gas flow through a valve between known pressures."""

    flow: float
    """Mass flow [kg/s]."""
    choked: bool
    """True when a lower outlet pressure would not raise the flow."""
    x: float
    """Pressure drop over inlet pressure [-]."""
    x_choked: float
    """Ratio at which it chokes [-]."""
    y: float
    """Expansion factor [-]."""
    fp: float
    """Piping factor FP [-]."""
    xtp: float
    """xTP [-]; xT without fittings."""
    reynolds: float
    """Valve Reynolds number [-]; infinite when no viscosity was given."""


def _check(xt: float, valve: FittedValve, kv: float | None = None) -> None:
    if not 0.0 < xt <= LARGEST_XT:
        raise RangeError(f"xT must be above 0 and at most {LARGEST_XT} (got {xt:.6g})")
    if kv is not None:
        check_positive(Kv=kv)
        check_reducers(valve, kv)


def _mass_flow(kv: float, xt: float, valve: FittedValve, gas: Gas, p1: float, p2: float) -> float:
    rho1 = gas_density(p1, gas.temperature, gas.molar_mass, gas.z)
    return gas_mass_flow(kv, xt, valve.size, *valve.losses, gas.gamma, p1, p2, rho1)


def gas_reynolds(flow: float, kv: float, valve: FittedValve, gas: Gas) -> float:
    """Valve Reynolds number [-] of a gas flow [kg/s]; infinite without a viscosity.

    Volume flow over kinematic viscosity is mass flow over dynamic viscosity, so that no pressure has to be chosen.
    """
    if gas.viscosity <= 0.0:
        return math.inf
    return valve_reynolds(3600.0 * flow / gas.viscosity, 1.0, kv, valve.fl, valve.fd, valve.pipe_before)


def gas_flow(kv: float, xt: float, valve: FittedValve, gas: Gas, p1: float, p2: float) -> GasFlow:
    """Flow from coefficient. Absolute pressures [Pa]; xT of the valve without fittings [-].

    Raises ``RangeError`` on values without meaning, where FP has no sound value, and when the flow is not turbulent:
    laminar gas flow is not covered.
    """
    _check(xt, valve, kv)
    check_positive(inlet_pressure=p1)
    if not (0.0 <= p2 < math.inf):
        raise RangeError(f"outlet pressure must not be negative (got {p2:.6g} Pa)")
    flow = _mass_flow(kv, xt, valve, gas, p1, p2)
    reynolds = gas_reynolds(flow, kv, valve, gas)
    if flow > 0.0 and reynolds < TURBULENT_REYNOLDS:
        raise RangeError(
            f"gas flow is not turbulent: valve Reynolds number {reynolds:.4g}, below {TURBULENT_REYNOLDS:.0f}; "
            "laminar gas flow through a valve is not covered"
        )
    xtp = fitted_xt(xt, kv, valve.size, *valve.losses)
    x, x_choked = max((p1 - p2) / p1, 0.0), specific_heat_factor(gas.gamma) * xtp
    return GasFlow(
        flow=flow,
        choked=x >= x_choked,
        x=x,
        x_choked=x_choked,
        y=expansion_factor(x, x_choked),
        fp=piping_factor(kv, valve.size, valve.losses[0]),
        xtp=xtp,
        reynolds=reynolds,
    )


def required_kv(flow: float, xt: float, valve: FittedValve, gas: Gas, p1: float, p2: float) -> tuple[float, GasFlow]:
    """Kv [m^3/h] that passes ``flow`` [kg/s], and the flow with it. Raises ``RangeError`` as ``gas_flow`` does.

    Without fittings in closed form; with them by a bracketed root in ln Kv.
    """
    from scipy.optimize import brentq

    _check(xt, valve)
    check_positive(flow=flow, inlet_pressure=p1)
    if not 0.0 <= p2 < p1:
        raise RangeError(f"no gas can flow: inlet {p1:.6g} Pa must be above outlet {p2:.6g} Pa")
    plain = FittedValve(valve.fl, valve.size, valve.size, valve.size)
    kv = flow / _mass_flow(1.0, xt, plain, gas, p1, p2)
    if valve.size != valve.pipe_before or valve.size != valve.pipe_behind:

        def short(log_kv: float) -> float:
            return math.log(_mass_flow(math.exp(log_kv), xt, valve, gas, p1, p2) / flow)

        sum_k = valve.losses[0]
        # Where FP exceeds 1 it is sound up to this Kv only, see ``check_reducers``.
        sound = math.inf if sum_k >= 0.0 else (1e3 * valve.size) ** 2 * math.sqrt((1.0 - LEAST_FP_TERM) * N2 / -sum_k)
        low = high = math.log(min(kv, sound))
        while short(low) > 0.0:
            low -= 0.05
        while short(high) < 0.0:
            if high >= min(math.log(sound), low + 20.0):
                check_reducers(valve, 1.01 * math.exp(high))
                raise RangeError(f"the reducers alone do not pass {flow:.6g} kg/s from {p1:.6g} to {p2:.6g} Pa")
            high = min(high + 0.05, math.log(sound))
        kv = math.exp(low if low == high else brentq(short, low, high, xtol=1e-15, rtol=1e-14))
    return kv, gas_flow(kv, xt, valve, gas, p1, p2)


def required_inlet_pressure(flow: float, kv: float, xt: float, valve: FittedValve, gas: Gas, p2: float) -> float:
    """Inlet pressure [Pa] at which ``flow`` [kg/s] passes into ``p2`` [Pa], at the same inlet temperature and Z.

    The choked flow is in proportion to p1; when that p1 does not choke, p1 solves the free equation.
    """
    from scipy.optimize import brentq

    _check(xt, valve, kv)
    check_positive(flow=flow)
    if not (0.0 <= p2 < math.inf):
        raise RangeError(f"outlet pressure must not be negative (got {p2:.6g} Pa)")
    x_choked = specific_heat_factor(gas.gamma) * fitted_xt(xt, kv, valve.size, *valve.losses)
    choked = flow / _mass_flow(kv, xt, valve, gas, 1.0, 0.0) if x_choked < 1.0 else math.inf
    if math.isfinite(choked) and (choked - p2) / choked >= x_choked:
        return choked

    def short(log_p1: float) -> float:
        passed = _mass_flow(kv, xt, valve, gas, math.exp(log_p1), p2)
        return math.log(passed / flow) if passed > 0.0 else -math.inf

    high = math.log(max(p2, 1.0)) + 1.0e-3
    while short(high) < 0.0:
        high += 0.5
    drop = math.exp(high) - p2

    def short_by_drop(log_drop: float) -> float:
        return math.log(_mass_flow(kv, xt, valve, gas, p2 + math.exp(log_drop), p2) / flow)

    low = math.log(drop) - 1.0
    while short_by_drop(low) > 0.0:
        low -= 2.0
    return p2 + math.exp(brentq(short_by_drop, low, math.log(drop), xtol=1e-14, rtol=1e-14))


def outlet_pressure_at_flow(
    flow: float, kv: float, xt: float, valve: FittedValve, gas: Gas, p1: float
) -> OutletPressure:
    """Outlet pressure for a flow [kg/s] from ``p1`` [Pa], or the statement that the flow does not tell it."""
    _check(xt, valve, kv)
    check_positive(flow=flow, inlet_pressure=p1)
    largest = _mass_flow(kv, xt, valve, gas, p1, 0.0)
    x_choked = specific_heat_factor(gas.gamma) * fitted_xt(xt, kv, valve.size, *valve.losses)
    if flow > largest * (1.0 + PLATEAU):
        text = f"{flow:.6g} kg/s is more than the valve passes from {p1:.6g} Pa; the most is {largest:.6g} kg/s"
        return OutletPressure("impossible", None, None, largest, text)
    if x_choked <= 1.0 and flow >= largest * (1.0 - PLATEAU):
        highest = p1 * (1.0 - x_choked)
        text = f"undetermined on the choked plateau: every outlet pressure up to {highest:.6g} Pa gives this flow"
        return OutletPressure("undetermined", None, highest, largest, text)
    rho1 = gas_density(p1, gas.temperature, gas.molar_mass, gas.z)
    full = KV_TO_C * kv * piping_factor(kv, valve.size, valve.losses[0]) * 2.0 / 3.0 * math.sqrt(x_choked * p1 * rho1)
    pressure = max(p1 * (1.0 - x_choked * ratio_at_share(flow / full)), 0.0)
    return OutletPressure("determined", pressure, pressure, largest, f"outlet pressure {pressure:.6g} Pa")
