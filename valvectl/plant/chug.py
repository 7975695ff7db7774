"""Feed-coupled (chug) stability: the loop chamber pressure -> both feed legs -> combustion delays -> chamber pressure.

Linear about a steady point, relative changes (flow over flow, pressure over chamber pressure):

    L(s) = sum_i X_i a_i(s) exp(-tau_i s) / (1 - n + theta s),      border where 1 + L(i w) = 0

with X_i the share of a leg in c* times flow, a_i its admittance, tau_i its combustion delay, n = d ln c* / d ln pc and
theta the residence time. Every a_i is passive and the chamber alone is stable, so the encirclements of -1 by L count the
roots to the right. Lineage: Summerfield (1951), Crocco and Cheng (1956), two delays as Wenzel and Szuch, NASA TN D-3080
(1965); forms from memory. Lumped: holds well below the first acoustic mode of the chamber and a / (4 L) of the lines.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from valvectl.design.schema import LEGS, LegName, Manifold
from valvectl.errors import RangeError
from valvectl.parts import injector, lookup, tank, valve
from valvectl.parts.lookup import FloatArray
from valvectl.plant.balance import OperatingPoint, coefficient
from valvectl.plant.linear import ComplexArray, engine_model
from valvectl.plant.machine import LegMachine, Machine

STIFF, SOFT = 0.0, math.inf
"""Storage of a manifold that takes up nothing, and of one whose pressure does not move (saturated vapour) [s]."""


# ------------------------------------------------------------------------------------------------------- the model


@dataclass(frozen=True)
class FeedLeg:
    """One leg as the chamber sees it, relative to its steady flow and the chamber pressure."""

    weight: float
    """X: rise of c* times total flow per rise of this leg's flow [-]."""
    delay: float
    """From injector to burnt [s]."""
    injector: float
    """Slope of the injector drop: 2 dP_inj / pc [-]."""
    line: float
    """Slope of all losses from tank to manifold with the regulator's droop [-]; infinite when the valve is choked."""
    inertia: float
    """Inertance of the column times flow over chamber pressure [s]."""
    storage: float
    """Manifold compliance times chamber pressure over flow [s]: ``STIFF`` 0, ``SOFT`` infinite."""
    before: float = 0.0
    """Part of ``inertia`` that lies in the line before the valve [s]."""
    transit: float = 0.0
    """Time of a wave through that line [s]; zero: a rigid column, as the time simulation has it."""

    def admittance(self, s: ComplexArray) -> ComplexArray:
        """a(s): relative fall of the injector flow per relative rise of chamber pressure [-], shape of ``s`` [1/s].

        The node of the manifold: storage s q = -q / z - (q - p) / r with z = line + inertia s. Limits: stiff
        1 / (r + z), at rest pc / (2 dP total); soft 1 / r = pc / (2 dP injector); choked and stiff zero.
        """
        r = self.injector
        if math.isinf(self.storage):
            return np.full(np.shape(s), 1.0 / r, dtype=complex)
        if math.isinf(self.line):
            return np.asarray(self.storage * s / (r * self.storage * s + 1.0))
        z = self.line + self.inertia * s
        if self.transit > 0.0:  # the tank's end held: (a/A) tanh(s L/a) in place of (L/A) s
            z = z + self.before * (np.tanh(self.transit * s) / self.transit - s)
        node = self.storage * s * z + 1.0
        return np.asarray(node / (r * node + z))


@dataclass(frozen=True)
class ChugLoop:
    """The loop at one steady point."""

    legs: dict[LegName, FeedLeg]
    pressure_exponent: float
    """n: d ln c* / d ln pc [-], below 1."""
    residence: float
    """theta [s]."""

    def __post_init__(self) -> None:
        numbers = [self.pressure_exponent, self.residence]
        for leg in self.legs.values():
            numbers += [leg.weight, leg.delay, leg.injector]
        sound = all(math.isfinite(x) for x in numbers)
        sound = sound and self.residence > 0.0 and self.pressure_exponent < 1.0
        for leg in self.legs.values():
            sound = sound and leg.injector > 0.0 and leg.delay >= 0.0
            sound = sound and leg.line >= 0.0 and leg.inertia >= 0.0 and leg.storage >= 0.0  # false for NaN
            sound = sound and 0.0 <= leg.before <= leg.inertia * (1.0 + 1e-9) and 0.0 <= leg.transit < math.inf
        if not sound:
            raise RangeError(
                "the chug loop needs a residence time and injector drops above zero, a pressure exponent of c* below 1, "
                "and no negative delay, loss, inertance or storage"
            )

    @property
    def longest_delay(self) -> float:
        """The longer of the two delays [s]."""
        return max(leg.delay for leg in self.legs.values())

    def with_delays(self, scale: float) -> ChugLoop:
        """Copy with both delays times ``scale`` [-]."""
        return self._with_legs(lambda leg: dataclasses.replace(leg, delay=leg.delay * scale))

    def with_storage(self, storage: float) -> ChugLoop:
        """Copy with one storage [s] in both manifolds; ``STIFF`` and ``SOFT`` are the textbook limits."""
        return self._with_legs(lambda leg: dataclasses.replace(leg, storage=storage))

    def with_waves(self, transit: Mapping[LegName, float]) -> ChugLoop:
        """Copy with waves in the lines before the valves; ``transit`` time of one through each [s]."""
        legs = {name: dataclasses.replace(leg, transit=transit[name]) for name, leg in self.legs.items()}
        return dataclasses.replace(self, legs=legs)

    def _with_legs(self, change: Callable[[FeedLeg], FeedLeg]) -> ChugLoop:
        return dataclasses.replace(self, legs={name: change(leg) for name, leg in self.legs.items()})

    def parts(self, s: ComplexArray) -> list[tuple[float, ComplexArray]]:
        """Of each leg its delay [s] and its part of L without the delay [-], shape of ``s`` [1/s]."""
        chamber = 1.0 - self.pressure_exponent + self.residence * s
        return [(leg.delay, leg.weight * leg.admittance(s) / chamber) for leg in self.legs.values()]

    def gain(self, omega: FloatArray) -> ComplexArray:
        """L(i omega) [-], ``omega`` [rad/s] of any shape."""
        s = 1j * np.asarray(omega, dtype=float)
        total = np.zeros(s.shape, dtype=complex)
        for delay, part in self.parts(s):
            total = total + part * np.exp(-delay * s)
        return total

    def bound(self, omega: FloatArray) -> FloatArray:
        """Largest |L| that any delays could give [-], ``omega`` [rad/s]."""
        return np.asarray(sum(np.abs(part) for _, part in self.parts(1j * np.asarray(omega, dtype=float))))

    def characteristic(self, s: complex) -> complex:
        """1 - n + theta s + sum X a(s) exp(-tau s) [-]: zero at the roots of the loop [1/s]."""
        at = np.array([s], dtype=complex)
        total = 1.0 - self.pressure_exponent + self.residence * s
        for leg in self.legs.values():
            total += leg.weight * complex(leg.admittance(at)[0]) * complex(np.exp(-leg.delay * at)[0])
        return complex(total)


def _slope(table: FloatArray, per_step: float, flow: float) -> float:
    """d(k m^2)/dm [Pa s/kg] of a loss table at a flow, the table's own straight line between its points included."""
    cell, share = lookup.locate(table.size, 0.0, per_step, flow)
    low, high = float(table[cell]), float(table[cell + 1])
    inside = 0.0 < share < 1.0
    return 2.0 * lookup.blend(low, high, share) * flow + ((high - low) * per_step * flow * flow if inside else 0.0)


def feed_leg(leg: LegMachine, point: OperatingPoint, weight: float, delay: float, compliance: float) -> FeedLeg:
    """Relative coefficients of a leg at a steady point; ``compliance`` of its manifold [kg/Pa], ``delay`` [s].

    The simulator's elements, linearised: tank with droop, line, valve (free or choked), line behind, manifold,
    injector. A choked valve holds the flow whatever happens behind it; only the manifold then takes part.
    """
    at = point.legs[leg.name]
    flow, pc = at.flow, point.chamber_pressure
    droop = tank.tank_pressure(leg.tank_pressure, leg.tank_droop, leg.reference_flow, 0.0)
    droop -= tank.tank_pressure(leg.tank_pressure, leg.tank_droop, leg.reference_flow, 1.0)
    c, _ = coefficient(leg, at.angle)
    loss = 2.0 * valve.valve_loss(c, leg.liquid.density) * flow
    lines = _slope(leg.up_loss, leg.loss_per_step, flow) + _slope(leg.down_loss, leg.loss_per_step, flow)
    relative = flow / pc
    return FeedLeg(
        weight=weight,
        delay=delay,
        injector=2.0 * injector.injector_drop(leg.cda, leg.injector_density, flow) / pc,
        line=math.inf if at.choked else (droop + lines + loss) * relative,
        inertia=(leg.up_inertance + leg.down_inertance) * relative,
        storage=compliance / relative,
        before=leg.up_inertance * relative,
    )


def chug_loop(
    machine: Machine,
    point: OperatingPoint,
    compliance: Mapping[LegName, float] | None = None,
    delay_scale: float = 1.0,
) -> ChugLoop:
    """The loop at a steady point.

    compliance : of each manifold [kg/Pa], infinite for the soft limit; by default what the time simulation uses
    delay_scale : factor on both combustion delays [-]
    """
    model = engine_model(machine, point)
    weights = model.weights
    legs: dict[LegName, FeedLeg] = {}
    for name in LEGS:
        leg = machine.legs[name]
        c = leg.compliance if compliance is None else compliance[name]
        legs[name] = feed_leg(leg, point, weights[name], leg.delay * delay_scale, c)
    return ChugLoop(legs=legs, pressure_exponent=model.pressure_exponent, residence=model.residence)


def compliance_at(leg: LegMachine, manifold: Manifold, gas_volume: float, full: float, pressure: float) -> float:
    """Compliance [kg/Pa] of a manifold at its own pressure ``pressure`` [Pa].

    ``gas_volume`` [m^3] is stated at the manifold's pressure ``full`` [Pa] at full thrust; its mass stays, so that it grows
    as the pressure falls (isothermal): compliance of the gas then goes with one over pressure squared. The gas sits before
    the injector and is under chamber pressure and injector drop.
    """
    return injector.manifold_compliance(
        manifold.volume + leg.jacket_share,
        leg.manifold_sound_speed,
        leg.injector_density,
        gas_volume * full / pressure,
        pressure,
    )
