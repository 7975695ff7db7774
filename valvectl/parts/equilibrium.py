"""Shifting equilibrium of liquid propellants: chamber gas, throat, ideal characteristic velocity.

Worked out with Cantera and the NASA species data that ship with it (``nasa_gas.yaml``), gas phase only. Cantera is
loaded only when the cache does not hold the answer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from valvectl.errors import RangeError
from valvectl.parts.cache import cached

ALGORITHM = 1
"""Part of every cache key; raise it when the computation changes."""


# --------------------------------------------------------------------------------------------------- propellants


@dataclass(frozen=True)
class Reactant:
    """A liquid propellant as equilibrium sees it: what atoms, how much enthalpy."""

    name: str
    """Plain name."""
    atoms: tuple[tuple[str, float], ...]
    """Element and atoms a molecule."""
    enthalpy: float
    """Enthalpy of the liquid at ``reference``, elements at 298.15 K zero [J/mol]."""
    reference: float
    """Temperature that the enthalpy holds for [K]. It is used whatever the propellant's real temperature: 10 K of
    liquid oxygen are about 0.5 kJ/mol, under 0.1 % of c*."""
    source: str
    """Where the enthalpy comes from."""


_MEMORY = (
    "NASA tables of liquid reactants, from memory; "
    "within 0.15 kJ/mol of NASA's gas enthalpy plus CoolProp's step from gas to liquid"
)

OXIDIZERS: dict[str, Reactant] = {
    "oxygen": Reactant("oxygen", (("O", 2.0),), -12.979e3, 90.17, _MEMORY),
    "nitrous oxide": Reactant(
        "nitrous oxide",
        (("N", 2.0), ("O", 1.0)),
        60.93e3,
        184.68,
        "worked out: NASA gas enthalpy at 298.15 K plus CoolProp (Lemmon and Span 2006) to the boiling liquid",
    ),
}
"""Oxidizers that equilibrium knows, by plain name."""

FUELS: dict[str, Reactant] = {
    "methanol": Reactant("methanol", (("C", 1.0), ("H", 4.0), ("O", 1.0)), -238.91e3, 298.15, _MEMORY),
    "ethanol": Reactant("ethanol", (("C", 2.0), ("H", 6.0), ("O", 1.0)), -277.51e3, 298.15, _MEMORY),
    "isopropanol": Reactant(
        "isopropanol", (("C", 3.0), ("H", 8.0), ("O", 1.0)), -318.1e3, 298.15, "thermochemical tables, from memory"
    ),
    "methane": Reactant("methane", (("C", 1.0), ("H", 4.0)), -89.233e3, 111.64, _MEMORY),
    "propane": Reactant("propane", (("C", 3.0), ("H", 8.0)), -128.228e3, 231.08, _MEMORY),
    "hydrogen": Reactant("hydrogen", (("H", 2.0),), -9.012e3, 20.27, _MEMORY),
    "rp-1": Reactant(
        "rp-1", (("C", 1.0), ("H", 1.953)), -24.718e3, 298.15, "usual formula CH1.953 of kerosene fuel, from memory"
    ),
}
"""Fuels that equilibrium knows, by plain name; alcohols also with water, as in ``ethanol 75 %`` (by mass)."""

WATER = Reactant("water", (("H", 2.0), ("O", 1.0)), -285.83e3, 298.15, _MEMORY)
"""What alcohols are thinned with."""


def mixture_of(name: str, table: dict[str, Reactant]) -> tuple[tuple[Reactant, float], ...]:
    """Reactants of a propellant with their mass fractions [-], from its name in any usual spelling.

    The heat of mixing alcohol and water is left out: it lowers c* by 0.02 to 0.05 % (ethanol 75 %, O/F 1.0 to 1.4), and by
    0.1 % at most (methanol 60 %), worked out with heats of mixing from memory (-350 to -800 J/mol).

    Raises ``RangeError`` for a name that equilibrium does not know, with the nearest one.
    """
    import difflib

    from valvectl.parts.alcohol_water import ALCOHOLS
    from valvectl.parts.liquid import strength_of

    base, share = strength_of(name)
    key = base.casefold()
    if key in table and share is None:
        return ((table[key], 1.0),)
    if key in table and share is not None and key in ALCOHOLS and 0.0 < share <= 1.0:
        return ((table[key], share), (WATER, 1.0 - share)) if share < 1.0 else ((table[key], 1.0),)
    near = difflib.get_close_matches(key, table, n=1, cutoff=0.6)
    hint = f"; did you mean {near[0]!r}?" if near and near[0] != key else ""
    known = ", ".join("rp-1 (kerosene)" if known == "rp-1" else known for known in table)
    raise RangeError(
        f"equilibrium does not know the propellant {name.strip()!r}{hint} "
        f"(known: {known}; alcohols also with water, as in 'ethanol 75 %' by mass); for any other give a c* table"
    )


# -------------------------------------------------------------------------------------------------- equilibrium


@dataclass(frozen=True)
class ChamberGas:
    """Ideal combustion gas at one mixture ratio and chamber pressure, and its isentropic flow to the throat."""

    temperature: float
    """Chamber temperature [K]."""
    molar_mass: float
    """Molar mass of the gas [kg/mol]."""
    c_star: float
    """Characteristic velocity, equilibrium shifting down to the throat [m/s]."""
    gamma_shifting: float
    """Isentropic exponent d ln p / d ln rho at constant entropy, composition in equilibrium, in the chamber [-]."""
    gamma_frozen: float
    """Ratio of specific heats of the chamber gas, composition held [-]."""
    throat_pressure_ratio: float
    """Throat pressure over chamber pressure [-]."""


# Temperatures [K] from which the chamber's equilibrium is sought, one after the other.
_GUESSES = (3000.0, 1800.0, 1200.0, 900.0, 700.0)


class Burner:
    """Cantera gas of the neutral small species of the elements at hand, and the recipe of the propellants."""

    def __init__(self, oxidizer: str, fuel: str) -> None:
        import cantera

        self._ct = cantera
        self._names = (oxidizer, fuel)
        legs = (mixture_of(oxidizer, OXIDIZERS), mixture_of(fuel, FUELS))
        elements = {element for leg in legs for reactant, _ in leg for element, _ in reactant.atoms}
        # Molecules of more than two carbon atoms triple the time. While there are fewer carbon than oxygen atoms they
        # change c* by less than 1e-5; beyond, by up to 1 %, where soot is left out anyway. Ions are traces.
        species = [
            one
            for one in cantera.Species.list_from_file("nasa_gas.yaml")
            if set(one.composition) <= elements
            and one.composition.get("C", 0) <= 2
            and one.charge == 0
            # Polynomials that end early would be used beyond their range.
            and one.thermo.min_temp <= 300.0
            and one.thermo.max_temp >= 5000.0
        ]
        self.gas = cantera.Solution(thermo="ideal-gas", species=species)
        weights = {element: self.gas.atomic_weight(element) * 1e-3 for element in elements}
        self._parts = [self._recipe(leg, weights) for leg in legs]

    def _recipe(
        self, leg: tuple[tuple[Reactant, float], ...], weights: dict[str, float]
    ) -> tuple[dict[str, float], float]:
        """Moles of atoms a kilogram [mol/kg] and enthalpy [J/kg] of a propellant."""
        atoms: dict[str, float] = {}
        enthalpy = 0.0
        for reactant, share in leg:
            moles = share / sum(count * weights[element] for element, count in reactant.atoms)
            enthalpy += moles * reactant.enthalpy
            for element, count in reactant.atoms:
                atoms[element] = atoms.get(element, 0.0) + moles * count
        return atoms, enthalpy

    def burn(self, mixture_ratio: float, pressure: float) -> ChamberGas:
        """Equilibrium in the chamber and the throat on the shifting isentrope."""
        try:
            return self._burn(mixture_ratio, pressure)
        except self._ct.CanteraError as error:
            raise RangeError(
                f"equilibrium of {self._names[0]} and {self._names[1]} could not be found at mixture ratio "
                f"{mixture_ratio:.4g} and {pressure / 1e5:.4g} bar abs; give a c* table instead"
            ) from error

    def burn_closed(self, mixture_ratio: float, density: float) -> tuple[float, float]:
        """Pressure over density [J/kg] and temperature [K] of propellants burnt at once in a closed volume.

        ``density`` mean density [kg/m^3].

        Internal energy and volume are kept. The liquids' energy counts as their enthalpy, less p/rho of the liquid: under
        0.1 % of what burning releases.
        """
        gas = self.gas
        moles, energy = self._mixed(mixture_ratio)
        try:
            self._settle(moles, energy, 1e6)  # at constant pressure first: near enough to find the other
            gas.UV = energy, 1.0 / density
            gas.equilibrate("UV", rtol=1e-9)
        except self._ct.CanteraError as error:
            raise RangeError(
                f"equilibrium of {self._names[0]} and {self._names[1]} in a closed volume could not be found at mixture "
                f"ratio {mixture_ratio:.4g}"
            ) from error
        return float(gas.P) / density, float(gas.T)

    def _mixed(self, mixture_ratio: float) -> tuple[dict[str, float], float]:
        """Atoms in proportion and enthalpy [J/kg] of the propellants at a mixture ratio."""
        share = 1.0 / (1.0 + mixture_ratio)
        (atoms_o, enthalpy_o), (atoms_f, enthalpy_f) = self._parts
        moles = {
            element: mixture_ratio * atoms_o.get(element, 0.0) + atoms_f.get(element, 0.0)
            for element in {*atoms_o, *atoms_f}
        }
        return moles, share * (mixture_ratio * enthalpy_o + enthalpy_f)

    def _settle(self, moles: dict[str, float], enthalpy: float, pressure: float) -> None:
        """Bring the gas to equilibrium at an enthalpy [J/kg] and pressure [Pa].

        The liquids' enthalpy lies below that of any cold unburnt gas, so the start is an equilibrium at a guessed
        temperature. A guess far too hot has a composition that can not be cooled to that enthalpy; then a cooler one
        serves. Where the gas ends does not depend on the guess.
        """
        for guess in _GUESSES:
            self.gas.TPX = 3000.0, pressure, moles
            self.gas.equilibrate("TP")
            try:
                self.gas.TP = guess, pressure
                self.gas.equilibrate("TP")
                self.gas.HP = enthalpy, pressure
                self.gas.equilibrate("HP", rtol=1e-9)
                return
            except self._ct.CanteraError:
                if guess == _GUESSES[-1]:
                    raise

    def _burn(self, mixture_ratio: float, pressure: float) -> ChamberGas:
        gas = self.gas
        moles, enthalpy = self._mixed(mixture_ratio)
        self._settle(moles, enthalpy, pressure)
        temperature, molar_mass = float(gas.T), float(gas.mean_molecular_weight) * 1e-3
        entropy, total, density = gas.s, gas.h, gas.density
        frozen = float(gas.cp / gas.cv)

        def at(ratio: float) -> float:
            """Mass flow per area [kg/(s m^2)] where the pressure has fallen to this share."""
            gas.SP = entropy, ratio * pressure
            gas.equilibrate("SP", rtol=1e-9)
            return float(gas.density) * math.sqrt(max(2.0 * (total - float(gas.h)), 0.0))

        # The throat is where flow per area has its maximum: the top of a parabola through three points in ln p, twice,
        # the second time close enough for the flow at the top to be exact to 1e-6.
        middle = math.log(0.565)
        for width in (0.06, 0.015):
            low, mid, high = (math.log(at(math.exp(middle + shift))) for shift in (-width, 0.0, width))
            bend = low - 2.0 * mid + high
            middle += 0.5 * width * (low - high) / bend
        throat = math.exp(middle)
        flow = at(throat)
        gas.SP = entropy, 0.99 * pressure
        gas.equilibrate("SP", rtol=1e-9)
        shifting = math.log(0.99) / math.log(float(gas.density) / density)
        return ChamberGas(temperature, molar_mass, pressure / flow, shifting, frozen, throat)


def chamber_gas(oxidizer: str, fuel: str, mixture_ratio: float, chamber_pressure: float) -> ChamberGas:
    """Ideal combustion gas at one point, through the cache.

    Parameters
    ----------
    oxidizer, fuel : names in any usual spelling; alcohols also with water, as in ``ethanol 75 %``
    mixture_ratio : oxidizer over fuel by mass [-]
    chamber_pressure : absolute [Pa]

    Perfect gas, gas phase only: where soot would form (about one carbon atom or more an oxygen atom) the answer is that
    of soot-free gas of small molecules, wrong by some percent. Raises ``RangeError`` for unknown names and
    where no equilibrium is found.
    """
    for text, value in (("mixture ratio", mixture_ratio), ("chamber pressure", chamber_pressure)):
        if not (math.isfinite(value) and value > 0.0):
            raise RangeError(f"{text} must be above zero and finite for equilibrium (got {value:g})")
    key = recipes(oxidizer, fuel) | {"mixture_ratio": float(mixture_ratio), "pressure": float(chamber_pressure)}
    answer = cached(
        "chamber-gas",
        key,
        lambda: vars(Burner(oxidizer, fuel).burn(mixture_ratio, chamber_pressure)),
        libraries=("cantera",),
        algorithm=ALGORITHM,
    )
    return ChamberGas(**answer)


def recipes(oxidizer: str, fuel: str) -> dict[str, Any]:
    """What a cache key says about the propellants: the recipe, so that a changed enthalpy is another key."""

    def recipe(name: str, table: dict[str, Reactant]) -> list[list[Any]]:
        return [
            [one.name, share, one.enthalpy, [list(atom) for atom in one.atoms]]
            for one, share in mixture_of(name, table)
        ]

    return {"oxidizer": recipe(oxidizer, OXIDIZERS), "fuel": recipe(fuel, FUELS)}
