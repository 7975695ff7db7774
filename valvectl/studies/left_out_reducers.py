"""What reducers to a wider line, left out of a design, would ask of a valve."""

from __future__ import annotations

import math

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LegName
from valvectl.parts.flow_coefficients import kv_to_k
from valvectl.parts.valve import reducer_losses
from valvectl.plant.balance import OperatingPoint
from valvectl.plant.machine import Machine
from valvectl.studies.port_shapes import line_bores
from valvectl.studies.ports import needed_kv
from valvectl.studies.valve_cautions import WIDER


def left_out_reducers(design: DesignFile, machine: Machine, full: OperatingPoint, name: LegName) -> str:
    """A sentence about a valve in a wider line whose reducers are left out, with what they would ask for at ``full`` thrust by
    the sum of losses of IEC 60534-2-1; empty where there are none, and where the design says of a table of Kv that they are in it
    (``reducers = false``)."""
    leg = design.leg(name)
    before, behind = line_bores(leg)
    bore = leg.valve.bore * math.sqrt(leg.valve.port_scale)
    if leg.valve.reducers or max(before, behind) <= 1.05 * leg.valve.bore:
        return ""
    measured = leg.valve.flow is not None
    if measured and "reducers" in leg.valve.model_fields_set:  # the team's own word
        return ""
    right = "right only for a Kv measured in this line, reducers and all"
    if measured:
        right += ' (then write "reducers = false")'
    else:
        right += "; a port shape knows only a pipe of the bore's size"
    text = f"{name}: {WIDER}: {right}"
    point = full.legs[name]
    if point.valve_drop <= 0.0:
        return f"{text}."
    loss = reducer_losses(bore, before, behind)[0] / kv_to_k(
        needed_kv(point.flow, machine.legs[name].liquid.density, point.valve_drop), bore
    )
    if loss >= 1.0:
        return f"{text}. Else they alone take more than the valve's whole drop at full thrust."
    more = 1.0 / math.sqrt(1.0 - loss) - 1.0
    return f"{text}. Else the valve needs {100.0 * more:.1f} % more Kv at full thrust than it is given here."
