"""Nitrogen and helium at a supply's pressure and temperature, as gas sizing wants them: Z, gamma and viscosity.

From CoolProp, once a state, kept in the cache. gamma is that of the dilute gas at the temperature (cp/cv of the ideal gas),
as IEC 60534-2-1 has it; Z and viscosity are those of the state.
"""

from __future__ import annotations

from typing import Any

from valvectl.errors import RangeError
from valvectl.parts.cache import cached
from valvectl.parts.valve_gas import GAS_CONSTANT, Gas

GASES = {"nitrogen": "Nitrogen", "helium": "Helium"}
"""Gases by name, and their name in CoolProp."""
HIGHEST = 700e5
"""Highest supply pressure taken [Pa]; beyond, sizing with an inlet Z is not to be trusted (common practice, no source)."""


def gas_state(name: str, pressure: float, temperature: float) -> Gas:
    """A gas at an absolute pressure [Pa] and a temperature [K].

    Raises ``RangeError`` for another gas, a pressure that is not above zero or above ``HIGHEST``, and where it is no gas.
    """
    if name not in GASES:
        raise RangeError(f"gas must be one of {', '.join(GASES)} (got {name})")
    if not 0.0 < pressure <= HIGHEST:
        raise RangeError(
            f"{name}: pressure must be above zero and at most {HIGHEST / 1e5:.0f} bar (got {pressure / 1e5:.6g})"
        )
    key = {"gas": name, "pressure": float(pressure), "temperature": float(temperature)}
    facts = cached("gas", key, lambda: _ask(GASES[name], pressure, temperature), libraries=("CoolProp",), algorithm=1)
    if facts["phase"] not in ("gas", "supercritical_gas", "supercritical"):
        state = f" ({facts['phase']})" if facts["phase"] else ""
        raise RangeError(f"{name} at {pressure / 1e5:.4g} bar and {temperature:.4g} K is no gas{state}")
    return Gas(
        molar_mass=facts["molar_mass"],
        gamma=facts["gamma"],
        temperature=temperature,
        z=facts["z"],
        viscosity=facts["viscosity"],
    )


def _ask(fluid: str, pressure: float, temperature: float) -> dict[str, Any]:
    from CoolProp import CoolProp as coolprop

    def number(output: str) -> float:
        return float(coolprop.PropsSI(output, "T", float(temperature), "P", float(pressure), fluid))

    try:
        phase = str(coolprop.PhaseSI("T", float(temperature), "P", float(pressure), fluid))
        molar_mass, density = number("M"), number("D")
        cp = number("CP0MASS") * molar_mass
        viscosity = number("V")
    except ValueError:  # outside the range of CoolProp's equation
        return {"phase": "", "molar_mass": 0.0, "gamma": 0.0, "z": 0.0, "viscosity": 0.0}
    return {
        "phase": phase,
        "molar_mass": molar_mass,
        "gamma": cp / (cp - GAS_CONSTANT),
        "z": pressure * molar_mass / (density * GAS_CONSTANT * temperature),
        "viscosity": viscosity,
    }
