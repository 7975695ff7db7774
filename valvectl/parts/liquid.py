"""Properties of a liquid propellant at one temperature and pressure: from CoolProp by name, or as given.

A property at another temperature (for a slope, a tolerance) is another call of ``liquid_state``. CoolProp takes about
two seconds to load, so its numbers are kept in the cache and it is loaded only when they are not there.
"""

from __future__ import annotations

import difflib
import functools
import math
import re
from dataclasses import dataclass
from typing import Any

from valvectl.errors import RangeError
from valvectl.parts.alcohol_water import ALCOHOLS, alcohol_water, check_range
from valvectl.parts.cache import cached, library_version
from valvectl.parts.fluid_state import kept_state, liquid_numbers, number, saturation_pressure

_ALGORITHM = 1
_MIXTURE_ALGORITHM = 1

# Shown name, name in CoolProp, other spellings of the trade (lower case, blanks and hyphens as in `_squeeze`).
_LIQUIDS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("oxygen", "Oxygen", ("lox", "o2", "liquidoxygen")),
    ("methane", "Methane", ("lng", "ch4", "lch4", "liquidmethane")),
    ("ethanol", "Ethanol", ("etoh", "ethylalcohol", "c2h5oh")),
    ("methanol", "Methanol", ("meoh", "methylalcohol", "ch3oh")),
    ("water", "Water", ("h2o",)),
    ("nitrogen", "Nitrogen", ("ln2", "n2", "liquidnitrogen")),
    ("propane", "n-Propane", ("c3h8", "npropane", "lpg")),
    ("nitrous oxide", "NitrousOxide", ("n2o", "nitrous", "nitrousoxide")),
    # Liquid hydrogen that has stood is nearly all para.
    ("hydrogen", "ParaHydrogen", ("lh2", "h2", "liquidhydrogen", "parahydrogen")),
    ("isopropanol", "", ("ipa", "isopropylalcohol", "2propanol", "propan2ol")),
    ("rp-1", "", ("rp1", "kerosene", "kerosine", "jeta", "jeta1")),
)
_SPELLINGS = {
    spelling: (shown, library)
    for shown, library, others in _LIQUIDS
    for spelling in (shown.replace(" ", "").replace("-", ""), *others)
}
_REASONS = {"lng": "lng is taken as pure methane", "lpg": "lpg is taken as pure propane"}

PROPERTIES = ("density", "vapour_pressure", "critical_pressure", "viscosity", "sound_speed")
"""Names of the properties that can be given instead of taken from CoolProp."""


@dataclass(frozen=True)
class LiquidState:
    """A liquid at one temperature and pressure."""

    name: str
    """Plain name, such as ``oxygen``; a name that is not known stays as given."""
    temperature: float
    """Temperature [K]."""
    pressure: float
    """Absolute pressure [Pa]."""
    density: float
    """Density [kg/m^3]."""
    vapour_pressure: float
    """Saturation pressure at the temperature [Pa]."""
    critical_pressure: float
    """Critical pressure [Pa]."""
    viscosity: float
    """Dynamic viscosity [Pa s]."""
    sound_speed: float
    """Speed of sound in the unbounded liquid [m/s]."""
    source: str
    """Where the numbers come from."""


def _squeeze(name: str) -> str:
    return "".join(c for c in name.casefold() if c not in " -_.")


def trade_name(name: str) -> str:
    """Plain name of a propellant for any of its usual spellings; a name that is not known comes back stripped."""
    known = _SPELLINGS.get(_squeeze(name))
    return known[0] if known else name.strip()


def coolprop_name(name: str) -> str:
    """What CoolProp may call a liquid of any usual spelling; empty for those that are known not to be in it."""
    return _SPELLINGS.get(_squeeze(name), ("", name.strip()))[1]


def strength_of(name: str) -> tuple[str, float | None]:
    """Plain name of a propellant and the share of it that its name states [-]: ``ethanol 75 %`` is ethanol and 0.75;
    None when the name states none."""
    found = re.fullmatch(r"(.+?)[\s(]*(\d+(?:\.\d+)?)\s*%\s*\)?", name.strip())
    return (trade_name(found.group(1)), float(found.group(2)) / 100.0) if found else (trade_name(name), None)


def propellant(name: str, water: float | None) -> str:
    """Name of a propellant with the water that a design gives to it [-]: ``ethanol`` and 0.25 are ``ethanol 75 %``.

    Raises ``RangeError`` when the liquid is no alcohol or its name states a strength already.
    """
    if water is None:
        return name
    base, share = strength_of(name)
    if base not in ALCOHOLS:
        raise RangeError(f"only {', '.join(ALCOHOLS)} may carry water (water is given for {base!r})")
    if share is not None:
        raise RangeError(f"the name {name.strip()!r} states a strength already; delete it there or delete water")
    return base if water == 0.0 else f"{base} {100.0 * (1.0 - water):.10g} %"


def alcohol_of(name: str) -> tuple[str, float] | None:
    """Alcohol and mass fraction of water [-] of a liquid whose properties are worked out by ``alcohol_water``; None for the
    others, pure methanol and ethanol among them (CoolProp has them)."""
    base, share = strength_of(name)
    if base not in ALCOHOLS or (share is None and base != "isopropanol"):
        return None
    return base, 1.0 - share if share is not None else 0.0


def liquid_state(
    name: str,
    temperature: float,
    pressure: float,
    *,
    density: float | None = None,
    vapour_pressure: float | None = None,
    critical_pressure: float | None = None,
    viscosity: float | None = None,
    sound_speed: float | None = None,
) -> LiquidState:
    """State of a liquid.

    Parameters
    ----------
    name : usual spelling (``lox``, ``ethanol``, ``n2o`` ...), an alcohol with its strength by mass (``ethanol 75 %``), or a
        CoolProp fluid name; any text when all five are given
    temperature : [K]
    pressure : absolute [Pa]
    density : [kg/m^3]; this and the next four override CoolProp; None takes CoolProp's value
    vapour_pressure : [Pa]
    critical_pressure : [Pa]
    viscosity : dynamic [Pa s]
    sound_speed : [m/s]

    Raises ``RangeError`` when the name is not known, the temperature is outside the fluid's range, the fluid is not
    liquid there, or CoolProp lacks a property that was not given. Validity and source of each equation: CoolProp; the
    key of the publication stands in ``source``. ``critical_pressure`` is the critical point of CoolProp's equation,
    which differs from the published one by less than 1.5 % (methanol 82.2 against 81.0 bar), from memory.
    """
    shown = trade_name(name)
    given = {
        key: float(value)
        for key, value in zip(
            PROPERTIES, (density, vapour_pressure, critical_pressure, viscosity, sound_speed), strict=True
        )
        if value is not None
    }
    for key, value in (("temperature", temperature), ("pressure", pressure), *given.items()):
        if not (math.isfinite(value) and value > 0.0):
            raise RangeError(f"{key.replace('_', ' ')} of {shown!r} must be above zero and finite (got {value:g})")
    values = dict(given)
    sources = []
    mixture = alcohol_of(name)
    if mixture is not None and len(given) < len(PROPERTIES):
        facts = _from_mixture(mixture, shown, temperature, pressure, given)
        values = {key: float(facts[key]) for key in PROPERTIES if key not in given} | given
        sources.append(
            f"{mixture[0]} with {100 * mixture[1]:.4g} % water by mass: excess properties (parts/alcohol_water.py) on "
            f"CoolProp {library_version('CoolProp')}"
        )
    elif len(given) < len(PROPERTIES):
        facts = _from_coolprop(name, shown, temperature, pressure, given)
        missing = [key for key in PROPERTIES if key not in given and facts[key] is None]
        if missing:
            words = " and ".join(key.replace("_", " ") for key in missing)
            raise RangeError(f"CoolProp has no {words} for {shown}; give {' and '.join(missing)} in the design file")
        values = {key: float(facts[key]) for key in PROPERTIES if key not in given} | given
        sources.append(f"CoolProp {library_version('CoolProp')} {facts['fluid']} ({facts['reference']})")
        note = _REASONS.get(_squeeze(name))
        if note:
            sources.append(note)
    elif pressure <= values["vapour_pressure"]:
        raise RangeError(_boils(shown, temperature, pressure, values["vapour_pressure"], None))
    if given:
        sources.append("given: " + ", ".join(key.replace("_", " ") for key in given))
    return LiquidState(
        name=shown, temperature=float(temperature), pressure=float(pressure), source="; ".join(sources), **values
    )


def _boils(shown: str, temperature: float, pressure: float, vapour: float, boiling: float | None) -> str:
    at = f"; it boils at {boiling:.2f} K at that pressure" if boiling is not None else ""
    return (
        f"{shown} at {temperature:.2f} K is not liquid at {pressure / 1e5:.4g} bar abs: "
        f"its vapour pressure there is {vapour / 1e5:.4g} bar{at}"
    )


def _from_mixture(
    mixture: tuple[str, float], shown: str, temperature: float, pressure: float, given: dict[str, float]
) -> dict[str, Any]:
    """Facts of an alcohol with water, or of isopropanol; RangeError outside the range and where it boils."""
    check_range(*mixture, temperature)
    facts = cached(
        "alcohol-water",
        {"alcohol": mixture[0], "water": mixture[1], "temperature": float(temperature), "pressure": float(pressure)},
        lambda: alcohol_water(*mixture, float(temperature), float(pressure)),
        libraries=("CoolProp",),
        algorithm=_MIXTURE_ALGORITHM,
    )
    vapour = given.get("vapour_pressure", facts["vapour_pressure"])
    if pressure <= vapour:
        raise RangeError(_boils(shown, temperature, pressure, vapour, None))
    return facts


def _from_coolprop(
    name: str, shown: str, temperature: float, pressure: float, given: dict[str, float]
) -> dict[str, Any]:
    """CoolProp's facts at a point, with every reason why they can not be had as a RangeError.

    A vapour pressure that was given decides whether the liquid boils, but CoolProp's own decides whether CoolProp's
    density, viscosity and speed of sound are those of a liquid.
    """
    library = coolprop_name(name)
    if not library:
        raise RangeError(_unknown(shown, given, []))
    key = {"fluid": library.casefold(), "temperature": float(temperature), "pressure": float(pressure)}

    def compute() -> dict[str, Any]:
        return _ask(library, shown, float(temperature), float(pressure), given)

    facts = cached("liquid", key, compute, libraries=("CoolProp",), algorithm=_ALGORITHM, quick=True)
    lowest, critical = facts["lowest_temperature"], facts["critical_temperature"]
    if temperature >= critical:
        raise RangeError(f"{shown} is not liquid at {temperature:.2f} K: its critical temperature is {critical:.2f} K")
    melting = facts["melting_temperature"]
    if temperature < lowest or (melting is not None and temperature < melting):
        below = lowest if melting is None else max(lowest, melting)
        raise RangeError(
            f"{shown} is not liquid at {temperature:.2f} K and {pressure / 1e5:.4g} bar abs: "
            f"it freezes at about {below:.2f} K"
        )
    if pressure > facts["highest_pressure"]:
        raise RangeError(
            f"{pressure / 1e5:.4g} bar abs is above the range of CoolProp's equation for {shown} "
            f"({facts['highest_pressure'] / 1e5:.4g} bar)"
        )
    if "vapour_pressure" in given:
        if pressure <= given["vapour_pressure"]:
            raise RangeError(_boils(shown, temperature, pressure, given["vapour_pressure"], None))
        needed = [key for key in ("density", "viscosity", "sound_speed") if key not in given]
    else:
        needed = ["vapour_pressure"]
    own = facts["vapour_pressure"]
    if needed and own is not None and pressure <= own:
        raise RangeError(_boils(shown, temperature, pressure, own, facts["boiling_temperature"]))
    return facts


def _unknown(shown: str, given: dict[str, float], fluids: list[str]) -> str:
    missing = ", ".join(key for key in PROPERTIES if key not in given)
    hint = ""
    if _squeeze(shown) not in _SPELLINGS:
        spelled = {_squeeze(fluid): fluid for fluid in fluids}
        spelled.update({spelling: names[0] for spelling, names in _SPELLINGS.items() if names[1]})
        near = difflib.get_close_matches(_squeeze(shown), spelled, n=1, cutoff=0.6)
        hint = f"; did you mean {spelled[near[0]]!r}?" if near else ""
    return (
        f"liquid {shown!r} is not known to CoolProp{hint or '.'} "
        f"For a liquid that it does not know, such as a mixture, give also {missing}"
    )


@functools.lru_cache(maxsize=64)
def _fluid(library: str) -> dict[str, Any] | None:
    """What CoolProp says of a fluid whatever its state; None for a name that it does not know."""
    from CoolProp import CoolProp as coolprop

    fluids = list(coolprop.FluidsList())
    exact = {fluid.casefold(): fluid for fluid in fluids}
    squeezed = {_squeeze(fluid): fluid for fluid in fluids}
    fluid = exact.get(library.casefold()) or squeezed.get(_squeeze(library))
    if fluid is None:
        return None
    return {
        "fluid": fluid,
        "reference": str(coolprop.get_BibTeXKey(fluid, "EOS")).split(",")[0],
        "lowest_temperature": float(coolprop.PropsSI("Tmin", fluid)),
        "critical_temperature": float(coolprop.PropsSI("Tcrit", fluid)),
        "critical_pressure": float(coolprop.PropsSI("pcrit", fluid)),
        "highest_pressure": float(coolprop.PropsSI("pmax", fluid)),
    }


def _ask(library: str, shown: str, temperature: float, pressure: float, given: dict[str, float]) -> dict[str, Any]:
    """Everything needed to judge a point and use it; None where CoolProp has no number."""
    from CoolProp import CoolProp as coolprop

    known = _fluid(library)
    if known is None:
        raise RangeError(_unknown(shown, given, list(coolprop.FluidsList())))
    facts: dict[str, Any] = known | {
        "melting_temperature": None,
        "boiling_temperature": None,
        "vapour_pressure": None,
        "density": None,
        "sound_speed": None,
        "viscosity": None,
    }
    state = kept_state(known["fluid"])
    state.unspecify_phase()
    if state.has_melting_line():
        # Water's melting line falls with pressure; its range then starts at the triple point.
        facts["melting_temperature"] = number(lambda: state.melting_line(coolprop.iT, coolprop.iP, pressure))
    vapour = facts["vapour_pressure"] = number(lambda: saturation_pressure(known["fluid"], temperature))
    if pressure < facts["critical_pressure"]:
        facts["boiling_temperature"] = number(lambda: _boiling_temperature(known["fluid"], pressure))
    if vapour is not None and vapour < pressure:
        try:
            found = liquid_numbers(known["fluid"], temperature, pressure)
        except ValueError:  # outside its range
            return facts
        if found["density"] is not None:
            facts |= {key: found[key] for key in ("density", "sound_speed", "viscosity")}
    return facts


def _boiling_temperature(fluid: str, pressure: float) -> float:
    from CoolProp import CoolProp as coolprop

    state = kept_state(fluid)
    state.unspecify_phase()
    state.update(coolprop.PQ_INPUTS, pressure, 0.0)
    return float(state.T())
