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
    """Where a model comes from and where it holds."""

    subject: str
    """Part of the machine, or of the method."""
    model: str
    """What is modelled, in a few words."""
    source: str
    """Publication, library or derivation; empty when there is none."""
    sure: str
    """How sure the program is of the source."""
    holds: str = ""
    """Where the model holds, or what it leaves out; one sentence without its stop."""


def sources(analysis: Analysis) -> tuple[Source, ...]:
    """Those of a design, in the order in which data flow."""
    return tuple(_all(analysis))


def _all(analysis: Analysis) -> Iterator[Source]:
    design = analysis.design
    liquids = [design.leg(name).liquid for name in LEGS]
    yield Source(
        "liquids",
        "density, vapour pressure, viscosity, speed of sound",
        "CoolProp",
        LIBRARY,
        "a pure liquid in the range of the library's equations; a run outside it stops",
    )
    if any(liquid.water for liquid in liquids):
        yield Source(
            "liquids",
            "alcohol with water",
            "OIML R 22 (1975) for ethanol; mixing rules",
            MEMORY,
            "liquid mixtures that neither freeze nor boil; no other solute",
        )
    yield Source(
        "valves",
        "flow, choking, FF, fittings",
        "IEC 60534-2-1:2011, incompressible flow",
        MEMORY,
        "Newtonian liquid; Kv between the stated angles; flashing flow downstream is not followed",
    )
    if any(design.leg(name).valve.port is not None for name in LEGS):
        yield Source(
            "valves",
            "port models",
            "Weisbach's cock table; inherent characteristics after IEC 60534-1",
            MEMORY,
            "a first guess from geometry; a flow test of the real valve replaces it",
        )
    yield Source(
        "lines",
        "friction of pipes",
        "Colebrook (1939) by the steps of Clamond (2009); 64/Re below Re 2040",
        MEMORY,
        "steady flow in round pipes, held against the library fluids; losses of fittings as stated",
    )
    yield Source(
        "lines",
        "liquid columns, manifolds",
        "momentum and continuity of one lump each",
        DERIVED,
        "well below the quarter-wave frequency of the line; no pressure waves",
    )
    yield Source(
        "chamber",
        "equilibrium, c*, gamma",
        "Cantera with NASA polynomials",
        LIBRARY,
        "complete mixing and equilibrium of ideal gases; the stated efficiency stands for what is missing",
    )
    yield Source(
        "chamber",
        "residence time and filling",
        "L* / (c* Gamma^2), Sutton & Biblarz",
        MEMORY,
        "one well-stirred volume, far below its first acoustic mode",
    )
    yield Source(
        "chamber",
        "combustion delay",
        "constant dead time a propellant, Summerfield (1951), Crocco & Cheng",
        MEMORY,
        "one fixed delay each; real delays follow pressure, mixture and drop size",
    )
    if analysis.machine.separation:
        yield Source(
            "nozzle",
            "separated flow",
            "Summerfield et al. (1954); Schmucker (1973)",
            MEMORY,
            "an estimate for overexpanded nozzles; side loads are not worked out",
        )
    yield Source(
        "stability",
        "two-leg dead-time loop",
        "Wenzel & Szuch, NASA TN D-3080 (1965); Nyquist criterion",
        MEMORY,
        "small swings about a steady point; no acoustics, no swing of large size",
    )
    yield Source(
        "motor",
        "direct-current equations, copper +0.39 %/K",
        "elementary; IEC 60028 for copper",
        MEMORY,
        "constant torque factor, ideal commutation; iron saturation and cogging are left out",
    )
    yield Source(
        "gears",
        "efficiency by direction of power, 2 - 1/efficiency back",
        "textbook rule for one mesh",
        MEMORY,
        "efficiency that does not change with load, speed or temperature",
    )
    yield Source(
        "friction",
        "stick or slip; Stribeck curve",
        "Armstrong-Helouvry, Dupont & Canudas de Wit (1994)",
        MEMORY,
        "one contact with constant numbers; no wear, ice or galling",
    )
    yield Source(
        "loops",
        "exact sampled model, matrix exponential",
        "Astrom & Wittenmark, Computer-Controlled Systems",
        MEMORY,
        "small motions without friction, counts and limits; the simulated rows have them",
    )
    if any(design.leg(name).controller.gains == "tune" for name in LEGS):
        yield Source(
            "loops",
            "where the tuning starts",
            "modulus optimum, Kessler (1958)",
            MEMORY,
            "a start only; what is reported are the margins of the exact loop",
        )
    rule = rule_in_force(design.requirements)
    yield Source(
        "torque",
        f"margin rule: {rule.title}",
        rule.clause,
        rule.certainty,
        "the phase of the design that the rule is written for",
    )
    yield Source(
        "heat",
        "one or two nodes, duty types",
        "IEC 60034-1",
        MEMORY,
        "one or two lumps of one temperature each; no hot spots, no air flow that changes",
    )
    if analysis.tank_work.declared:
        yield Source(
            "tanks",
            "regulator, ullage, bottle, trace",
            "ideal gas, first law; heat exchange stated",
            DERIVED,
            "one gas temperature in each tank; no slosh, no condensation but the stated collapse",
        )
    if any(design.leg(name).actuator.own_stage is not None for name in LEGS):
        yield Source(
            "gear teeth",
            "bending, contact, geometry",
            "Lewis; Hertz; ISO 53, ISO 54, ISO 21771",
            MEMORY,
            "first sizing of spur gears by hand methods; no rating to a standard",
        )
    yield Source(
        "tolerances",
        "root-sum-square by distribution, groups with their correlation, coverage stated",
        "JCGM 100 (GUM)",
        MEMORY,
        "small changes, so that slopes at the nominal point serve",
    )
    yield Source(
        "hold points", "order and kind of evidence", "", PRACTICE, "the least that is asked; local rules ask for more"
    )
