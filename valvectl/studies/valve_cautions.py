"""What a design leaves out about a valve although it matters: its torque in the cold, and reducers to a wider line."""

from __future__ import annotations

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.studies.torque_demand import COLD_BELOW

COLD = "valve.torque.cold_factor is not stated"
WIDER = "the line is wider than the bore and reducers are left out"
LEAST_EFFECT = 0.01
"""Share of Kv from which reducers that are left out are mentioned on the screen [-]; a tolerance of Kv is rarely less."""


def cold_torque(design: DesignFile, name: LegName) -> str:
    """A sentence about a cold liquid's valve whose torques stand as measured warm; empty where that is not so."""
    leg = design.leg(name)
    if leg.liquid.temperature >= COLD_BELOW or f"legs.{name}.valve.torque.cold_factor" in design.inputs:
        return ""
    return (
        f"{name}: {COLD} though the liquid has {leg.liquid.temperature:.0f} K: its torques count as if it turned as easily cold "
        "as warm. Seats and packing stiffen in the cold: measure it, or assume a factor."
    )


def matters(sentence: str) -> bool:
    """True for a sentence of this module that belongs on the screen, not in the report alone."""
    if COLD in sentence:
        return True
    if WIDER not in sentence:
        return False
    found = sentence.rpartition("needs ")[2].partition(" %")[0]
    return not found.replace(".", "").isdigit() or float(found) >= 100.0 * LEAST_EFFECT
