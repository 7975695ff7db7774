"""CoolProp's states of its fluids, kept, and the numbers of a liquid asked of them: making a state takes longer than all that is
asked of it, and so does asking by the fluid's name."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from typing import Any

_states = threading.local()


def kept_state(fluid: str) -> Any:
    """CoolProp's state of a fluid, one for each thread. Raises ``ValueError`` for a fluid that CoolProp does not know."""
    from CoolProp import CoolProp as coolprop

    if fluid not in _states.__dict__:
        _states.__dict__[fluid] = coolprop.AbstractState("HEOS", fluid)
    return _states.__dict__[fluid]


def saturation_pressure(fluid: str, temperature: float) -> float:
    """Vapour pressure [Pa] of a liquid at a temperature [K]. Raises ``ValueError`` where there is none."""
    from CoolProp import CoolProp as coolprop

    state = kept_state(fluid)
    state.unspecify_phase()
    state.update(coolprop.QT_INPUTS, 0.0, temperature)
    return float(state.p())


def liquid_numbers(fluid: str, temperature: float, pressure: float) -> dict[str, float | None]:
    """Density [kg/m^3], sound speed [m/s], heat capacity [J/(kg K)] and viscosity [Pa s] of a liquid at a temperature [K] and a
    pressure [Pa] above its vapour pressure; None where CoolProp has no number. Raises ``ValueError`` where it is no liquid.
    """
    from CoolProp import CoolProp as coolprop

    state = kept_state(fluid)
    # The phase is imposed: beside the saturation line a flash might answer with the vapour.
    state.specify_phase(coolprop.iphase_liquid)
    state.update(coolprop.PT_INPUTS, pressure, temperature)
    asked = {
        "density": state.rhomass,
        "sound_speed": state.speed_sound,
        "heat_capacity": state.cpmass,
        "viscosity": state.viscosity,
    }
    return {name: number(ask) for name, ask in asked.items()}


def number(ask: Callable[[], float]) -> float | None:
    """What CoolProp answers; None where it has no such model, is outside its range, or gives no finite number."""
    try:
        value = float(ask())
    except ValueError:
        return None
    return value if math.isfinite(value) else None
