"""The published sources of the models that took part in a run, each with how sure the program is of them.

"From memory" means that the equation or constant was written down without the source at hand: read it before you rely on it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from valvectl.design.schema import LEGS
from valvectl.studies.analysis import Analysis
from valvectl.studies.torque import rule_in_force

LIBRARY, MEMORY, PRACTICE = "library, see its documentation", "from memory", "common practice, no source"
DERIVED = "derived from first principles; checked by tests"


@dataclass(frozen=True)
class Source:
    """Where a model comes from."""

    subject: str
    model: str
    source: str
    sure: str


def sources(analysis: Analysis) -> tuple[Source, ...]:
    """Those of a design, in the order in which data flow."""
    return tuple(_all(analysis))


def _all(analysis: Analysis) -> Iterator[Source]:
    design = analysis.design
    liquids = [design.leg(name).liquid for name in LEGS]
    yield Source("liquids", "density, vapour pressure, viscosity, speed of sound", "CoolProp", LIBRARY)
    if any(liquid.water for liquid in liquids):
        yield Source("liquids", "alcohol with water", "OIML R 22 (1975) for ethanol; mixing rules", MEMORY)
    yield Source("valves", "flow, choking, FF, fittings", "IEC 60534-2-1:2011, incompressible flow", MEMORY)
    if any(design.leg(name).valve.port is not None for name in LEGS):
        yield Source(
            "valves", "port models", "Weisbach's cock table; inherent characteristics after IEC 60534-1", MEMORY
        )
    yield Source("lines", "friction of pipes", "Churchill (1977), through the library fluids", LIBRARY)
    yield Source("lines", "liquid columns, manifolds", "momentum and continuity of one lump each", DERIVED)
    yield Source("chamber", "equilibrium, c*, gamma", "Cantera with NASA polynomials", LIBRARY)
    yield Source("chamber", "residence time and filling", "L* / (c* Gamma^2), Sutton & Biblarz", MEMORY)
    yield Source(
        "chamber", "combustion delay", "constant dead time a propellant, Summerfield (1951), Crocco & Cheng", MEMORY
    )
    if analysis.machine.separation:
        yield Source("nozzle", "separated flow", "Summerfield et al. (1954); Schmucker (1973)", MEMORY)
    yield Source(
        "stability", "two-leg dead-time loop", "Wenzel & Szuch, NASA TN D-3080 (1965); Nyquist criterion", MEMORY
    )
    yield Source("motor", "direct-current equations, copper +0.39 %/K", "elementary; IEC 60028 for copper", MEMORY)
    yield Source(
        "gears", "efficiency by direction of power, 2 - 1/efficiency back", "textbook rule for one mesh", MEMORY
    )
    yield Source(
        "friction", "stick or slip; Stribeck curve", "Armstrong-Helouvry, Dupont & Canudas de Wit (1994)", MEMORY
    )
    yield Source(
        "loops", "exact sampled model, matrix exponential", "Astrom & Wittenmark, Computer-Controlled Systems", MEMORY
    )
    if any(design.leg(name).controller.gains == "tune" for name in LEGS):
        yield Source("loops", "where the tuning starts", "modulus optimum, Kessler (1958)", MEMORY)
    rule = rule_in_force(design.requirements)
    yield Source("torque", f"margin rule: {rule.title}", rule.clause, rule.certainty)
    yield Source("heat", "one or two nodes, duty types", "IEC 60034-1", MEMORY)
    if analysis.tank_work.declared:
        yield Source("tanks", "regulator, ullage, bottle, trace", "ideal gas, first law; heat exchange stated", DERIVED)
    if any(design.leg(name).actuator.own_stage is not None for name in LEGS):
        yield Source("gear teeth", "bending, contact, geometry", "Lewis; Hertz; ISO 53, ISO 54, ISO 21771", MEMORY)
    yield Source("tolerances", "root-sum-square with correlation left out, coverage stated", "JCGM 100 (GUM)", MEMORY)
    yield Source("hold points", "order and kind of evidence", "", PRACTICE)
