"""What can be said further about a design that can not be built: which value would fit the others, liquids by the user's name."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence

from valvectl.design.design_file import DesignFile
from valvectl.design.quantities import ABSOLUTE_PRESSURE, FORCE, LENGTH, Kind, show
from valvectl.design.schema import LEGS
from valvectl.design.schema_feed import GIVEN_LIQUIDS, NAMED_LIQUIDS
from valvectl.errors import Fault, RangeError
from valvectl.parts import line, nozzle, separation
from valvectl.parts.liquid import trade_name
from valvectl.plant import machine

INSIDE = 1.001
"""Factor by which the ends of a range are drawn in, so that they still fit once they are rounded."""


def explained(faults: Sequence[Fault], design: DesignFile) -> list[Fault]:
    """The faults that ``machine.build`` found, with what would mend them and with the names that the file uses."""
    return [
        _throat(fault, design) if fault.key == "engine.throat_diameter" else _liquid(fault, design) for fault in faults
    ]


def _throat(fault: Fault, design: DesignFile) -> Fault:
    """Thrust, chamber pressure and throat contradict each other: the range of each that fits the other two."""
    low, high = INSIDE * machine.LOWEST_NOZZLE_EFFICIENCY, machine.HIGHEST_NOZZLE_EFFICIENCY / INSIDE
    engine = design.engine
    try:
        gamma = machine._c_star(design).gamma
    except RangeError:  # said by itself
        return fault
    exit_ratio = nozzle.area_ratio_to_pressure_ratio(engine.expansion_ratio, gamma)

    def ideal(pressure: float) -> float:
        """Ideal thrust over throat area [Pa]."""
        return pressure * separation.separated_thrust_coefficient(
            separation.CRITERIA[engine.separation],
            gamma,
            engine.expansion_ratio,
            exit_ratio,
            pressure,
            engine.ambient_pressure,
        )

    throat = line.area(engine.throat_diameter)
    at = ideal(engine.chamber_pressure)
    fits = []
    if at > 0.0:
        widths = [math.sqrt(4.0 * engine.thrust / (math.pi * share * at)) for share in (high, low)]
        fits.append(_range("throat_diameter", widths, LENGTH))
        fits.append(_range("thrust", [share * throat * at for share in (low, high)], FORCE))
    tanks = min(design.leg(name).tank.pressure for name in LEGS)
    pressures = [_pressure(ideal, engine.thrust / (share * throat), tanks) for share in (high, low)]
    known = [p for p in pressures if p is not None]
    if len(known) == len(pressures):
        fits.append(_range("chamber_pressure", known, ABSOLUTE_PRESSURE))
    if not fits:
        return fault
    return dataclasses.replace(fault, message=f"{fault.message}. What fits the other two: {', or '.join(fits)}")


def _range(name: str, ends: Sequence[float], kind: Kind) -> str:
    low, high = (show(end, kind, 4) for end in ends)
    number, _, unit = low.partition(" ")
    return f"{name} {number if high.endswith(unit) else low} to {high}"


def _pressure(ideal: Callable[[float], float], wanted: float, highest: float) -> float | None:
    """Chamber pressure [Pa] below ``highest`` at which ``ideal`` gives ``wanted`` [Pa]; None where there is none."""
    low, high = 1e4, highest
    if not ideal(low) < wanted <= ideal(high):
        return None
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if ideal(middle) < wanted else (low, middle)
    return high


def _liquid(fault: Fault, design: DesignFile) -> Fault:
    """A fault of a leg's liquid with the name as the file has it, and the names that would do."""
    name = next((leg for leg in LEGS if fault.key == f"legs.{leg}.liquid"), None)
    if name is None:
        return fault
    written = design.leg(name).liquid.name.strip()
    plain, message = trade_name(written), fault.message
    if plain != written and plain.casefold() != written.casefold():
        message = message.replace(repr(plain), f"{written!r} (here {plain})", 1)
    if "is not known to CoolProp" in message:
        message += (
            f". By name alone: {', '.join(NAMED_LIQUIDS)}, any other fluid of CoolProp, alcohols with water; "
            f"{', '.join(GIVEN_LIQUIDS)} only with these numbers"
        )
    return dataclasses.replace(fault, message=message)
