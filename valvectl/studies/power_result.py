"""Results of the study of both motors and all other loads on one battery."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from valvectl.design.schema import LEGS, LegName
from valvectl.parts.lookup import FloatArray
from valvectl.plant.energy import EnergyBook
from valvectl.studies.result import Result

SPENT: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("battery", ("battery_loss",)),
    ("harness", ("harness_loss",)),
    ("drive electronics", ("electronics",)),
    ("windings", ("copper",)),
    ("motor friction", ("motor_friction",)),
    ("gears", ("gear_loss", "contact_loss")),
    ("stem friction", ("stem_friction",)),
    ("stream", ("stream",)),
    ("return spring", ("return_spring",)),
    ("stops", ("stop",)),
    ("still moving", ("stored",)),
)
"""Where a drive's energy goes, in the order shown, and the entries of ``EnergyBook`` that make it up."""


@dataclass(frozen=True)
class PowerCase:
    """One simulated run with both drives and the other loads on the battery."""

    what: str
    """Opening or closing both valves at once, or the throttle profile."""
    battery: float
    """Open-circuit voltage [V]."""
    duration: float
    """[s]"""
    lowest: dict[LegName, float]
    """Lowest voltage at each drive [V], over every step."""
    lowest_time: float
    """When the lower of the two is seen in the record [s]."""
    sag_battery: float
    """Of the sag at that time, in the battery's resistance [V]."""
    sag_harness: float
    """Of the sag at that time, in that drive's harness [V]."""
    sag_others: float
    """Of ``sag_battery``, what the other loads alone make [V]."""
    peak_current: float
    """Largest current from the battery in the record [A]."""
    rms_current: float
    """RMS of it [A]."""
    charge: float
    """Taken from the battery [C], over every step."""
    returned: float
    """Energy that the drives together gave back while they braked more than they took [J], other loads not counted."""
    braking_power: float
    """Largest power given back so [W]."""
    books: dict[LegName, EnergyBook]
    other_energy: float
    """For the other loads at the battery's open-circuit voltage [J]."""
    time: FloatArray = field(repr=False)
    """[s], shape (n,)."""
    drive_voltage: dict[LegName, FloatArray] = field(repr=False)
    """[V], each of shape (n,)."""
    current: FloatArray = field(repr=False)
    """From the battery [A], shape (n,)."""
    power: FloatArray = field(repr=False)
    """Of both drives together [W], shape (n,); below zero when they give back."""

    @property
    def collapsed(self) -> bool:
        """True when a drive saw less than half the open-circuit voltage: below that no steady operating point exists, and
        what the run says of currents and energies means nothing."""
        return min(self.lowest.values()) < 0.5 * self.battery

    @property
    def drawn(self) -> float:
        """Energy from the battery's open-circuit voltage [J], other loads included."""
        return sum(book.drawn for book in self.books.values()) + self.other_energy

    @property
    def spent(self) -> dict[str, float]:
        """Where it went [J]; the sum differs from ``drawn`` by the imbalance."""
        out = {
            words: sum(float(getattr(book, key)) for book in self.books.values() for key in keys)
            for words, keys in SPENT
        }
        out["other loads"] = self.other_energy
        return out

    @property
    def imbalance(self) -> float:
        """What is not accounted for over what was drawn [-]."""
        return (self.drawn - sum(self.spent.values())) / self.drawn if self.drawn > 0.0 else 0.0

    @property
    def leg_imbalance(self) -> float:
        """The larger of both drives' own imbalances, between battery and valve [-]."""
        found = [v for b in self.books.values() for v in (b.imbalance, b.supply_imbalance)]
        return max(found, key=abs)


@dataclass(frozen=True)
class FuseResult:
    """The fuse in the battery's lead."""

    rating: float
    """[A]"""
    allowed: float
    """Lasting current allowed after derating [A]."""
    rms_current: float
    """Largest RMS over a run [A]."""
    pulse_i2t: float
    """I2t of the worst stretch above ``allowed`` [A^2 s]; zero when there is none."""
    pulse_time: float
    """How long that stretch is [s]."""
    pulse_allowed: float
    """I2t that it may take as often as stated [A^2 s]."""
    curve_margin: float
    """Least margin of the melting curve's current over the RMS current in windows of every length, less one [-]; NaN
    without a curve."""

    @property
    def rms_margin(self) -> float:
        """Allowed lasting current over the RMS current less one [-]."""
        return self.allowed / self.rms_current - 1.0 if self.rms_current > 0.0 else math.inf

    @property
    def pulse_margin(self) -> float:
        """Allowed I2t over the pulse's less one [-]."""
        return self.pulse_allowed / self.pulse_i2t - 1.0 if self.pulse_i2t > 0.0 else math.inf

    @property
    def holds(self) -> bool:
        """True when no margin is below zero."""
        return min(self.rms_margin, self.pulse_margin) >= 0.0 and not self.curve_margin < 0.0


@dataclass(frozen=True)
class Regenerated:
    """Braking energy at a full battery."""

    way: str
    """What the design says becomes of it."""
    energy: float
    """Most that stands on the bus at a time when nothing but the drives takes it again [J]."""
    power: float
    """Largest braking power [W]."""
    charge_current: float
    """Largest current back into the battery, the other loads off [A]."""
    voltage: float
    """Highest bus voltage with the battery's path blocked [V]; NaN without a bus capacitance."""
    limit: float
    """Overvoltage limit [V]; NaN when none is stated."""
    capacitance: float
    """Capacitance that keeps the limit [F]; NaN without a limit."""
    resistor: float
    """Greatest brake resistor that keeps the limit [ohm]; NaN without a limit."""
    dump_resistance: float
    """The design's [ohm]; NaN when it has none."""

    @property
    def holds(self) -> bool | None:
        """Whether the limit is kept; None when that can not be said."""
        if math.isnan(self.limit):
            return None
        if self.way == "resistor":
            return None if math.isnan(self.dump_resistance) else self.dump_resistance <= self.resistor
        if self.way == "battery takes it":
            return True
        return None if math.isnan(self.voltage) else self.voltage <= self.limit


@dataclass(frozen=True)
class PowerResult(Result):
    """Both drives and the other loads on one battery at the end of its discharge."""

    cases: tuple[PowerCase, ...]
    lockout: float
    """Undervoltage lock-out [V]."""
    regenerated: Regenerated
    fuse: FuseResult | None
    run_charge: float
    """Charge of one run of the throttle profile [C]."""
    mission_charge: float
    """Charge of the mission: all runs and the pauses between them [C]."""
    capacity: float
    """Of the battery [C]; NaN when not stated."""
    halved_voltage: float
    """Lowest drive voltage of the strokes with half the time step less that shown [V]."""
    halved_energy: float
    """Largest relative change of a stroke's drawn energy with half the time step [-]."""
    step: float
    """Time step [s]."""
    greatest_power: float
    """Greatest constant power that the battery can carry at the end of discharge beside the other loads [W]."""
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def lowest(self) -> float:
        """Lowest voltage at a drive in any run [V]."""
        return min(v for case in self.cases for v in case.lowest.values())

    @property
    def margin(self) -> float:
        """Margin to the lock-out [V]."""
        return self.lowest - self.lockout

    def columns(self) -> dict[str, Any]:
        out: dict[str, Any] = {
            "run": [c.what for c in self.cases],
            "duration [s]": [c.duration for c in self.cases],
        }
        for name in LEGS:
            out[f"lowest at {name} drive [V]"] = [c.lowest[name] for c in self.cases]
        out["sag in battery [V]"] = [c.sag_battery for c in self.cases]
        out["sag in harness [V]"] = [c.sag_harness for c in self.cases]
        out["peak current [A]"] = [c.peak_current for c in self.cases]
        out["RMS current [A]"] = [c.rms_current for c in self.cases]
        out["charge [mA h]"] = [c.charge / 3.6 for c in self.cases]
        out["given back [J]"] = [c.returned for c in self.cases]
        out["drawn [J]"] = [c.drawn for c in self.cases]
        for words in self.cases[0].spent:
            out[f"{words} [J]"] = [c.spent[words] for c in self.cases]
        out["imbalance [%]"] = [100.0 * c.imbalance for c in self.cases]
        return out
