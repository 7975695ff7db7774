"""The compiled heart of ``characteristics``: one line from tank to valve, plain arrays and floats only.

The laws are those of ``valvectl.parts``; here they are only joined and stepped, as in ``kernel``.
"""

from __future__ import annotations

import functools
from pathlib import Path
from typing import Any

from valvectl.parts.lookup import blend, locate
from valvectl.parts.valve import valve_loss
from valvectl.parts.wave import node_flow, unsteady_drop, valve_end_flow

# The columns of a run's record.
PRESSURE, FLOW, INLET, ENERGY, WORK, FRICTION, ANGLE, COLUMNS = 0, 1, 2, 3, 4, 5, 6, 7
# What the valve end does.
GIVEN, IMPOSED, HELD = 0, 1, 2


def held_angle(
    arriving: float,
    impedance: float,
    half: float,
    after: float,
    rho: float,
    choke_pressure: float,
    c: Any,
    fl: Any,
    back: Any,
    start: float,
    per_step: float,
    angle: float,
    last: float,
    step: float,
    pressure: float,
) -> float:
    """Next angle [rad] of a held valve: a full ``step`` [rad] nearer to ``last``, or as much of it as ``pressure`` allows.

    ``arriving``, ``impedance``, ``half`` and ``after`` as in ``valve_end_flow``; tables ``c``, ``fl``, ``back`` of shape (k,)
    from ``start`` at ``per_step`` entries a radian.
    """
    low, high = max(angle - step, last), angle
    trial = low
    for _ in range(40):
        cell, way = locate(c.shape[0], start, per_step, trial)
        loss = valve_loss(blend(c[cell], c[cell + 1], way), rho)
        recovery, behind = blend(fl[cell], fl[cell + 1], way), blend(back[cell], back[cell + 1], way)
        m = valve_end_flow(arriving, impedance, half, loss, after, recovery, behind, choke_pressure)
        if arriving - impedance * m - half * m * abs(m) <= pressure:
            if trial == low:
                return low
            high = trial
        else:
            low = trial
        trial = 0.5 * (low + high)
    return high


def march(
    p: Any,
    up: Any,
    down: Any,
    before: Any,
    volume: Any,
    plus: Any,
    minus: Any,
    high: Any,
    low: Any,
    rec: Any,
    loss: Any,
    behind: Any,
    per_step: float,
    c: Any,
    fl: Any,
    back: Any,
    imposed: Any,
    mode: int,
    held: Any,
    fixed_loss: float,
    tank: float,
    droop: float,
    lift: float,
    impedance: float,
    rho: float,
    choke_pressure: float,
    vapour: float,
    unsteady: float,
    step: float,
) -> float:
    """Advance a line from the steady state in ``p`` (piezometric), ``up`` and ``down``. Returns the largest cavity.

    Node arrays have shape (reaches + 1,): pressure less the head at rest ``p`` [Pa], flow that arrives ``up`` and that
    leaves ``down`` [kg/s] (equal where there is no cavity), flow one step ago ``before``, cavity ``volume`` [m^3], work
    arrays ``plus`` and ``minus``, ``high`` and ``low`` absolute [Pa]. ``rec`` (steps + 1, 7). ``imposed`` (steps + 1,);
    ``c``, ``fl``, ``back`` (steps + 1,), or tables over the angle (k,) for a held valve, whose ``held`` (6,) is start,
    entries per radian, first and last angle, step and pressure. ``lift`` is the head of one reach [Pa].
    """
    last = p.shape[0] - 1
    share = 1.0 / last
    count = loss.shape[0]
    largest = 0.0
    storing = 0.5 * step / (rho * impedance)  # dx A / (2 rho a^2), on pressure squared
    work, lost = rec[0, WORK], rec[0, FRICTION]
    angle = held[2]
    valve_c, valve_fl, valve_back, after = 0.0, 0.0, 0.0, 0.0
    for n in range(1, rec.shape[0]):
        done = 0.0
        taken = 0.0
        for i in range(last + 1):
            m = 0.5 * (up[i] + down[i])
            cell, way = locate(count, 0.0, per_step, abs(m))
            half = 0.5 * share * blend(loss[cell], loss[cell + 1], way)
            extra = 0.0
            if unsteady > 0.0:
                a, b = max(i - 1, 0), min(i + 1, last)
                along = (up[b] + down[b] - up[a] - down[a]) / (2.0 * (b - a))
                extra = unsteady_drop(unsteady, impedance, m, m - before[i], along)
            leaving_down = down[i] - (half * down[i] * abs(down[i]) + extra) / impedance
            leaving_up = up[i] - (half * up[i] * abs(up[i]) + extra) / impedance
            plus[i] = p[i] + impedance * leaving_down
            minus[i] = p[i] - impedance * leaving_up
            weight = 0.5 if i == 0 or i == last else 1.0
            taken += 0.5 * weight * (down[i] * down[i] - leaving_down * leaving_down)
            taken += 0.5 * weight * (up[i] * up[i] - leaving_up * leaving_up)
            before[i] = m
            if i == 0:
                done += p[i] * leaving_down
            elif i == last:
                done -= p[i] * leaving_up
        energy = 0.0
        moved = angle
        for i in range(last + 1):
            head = lift * i
            floor = vapour - head
            m = before[i]
            for _ in range(2):  # the loss at the new flow: once with that of the flow before, once corrected
                cell, way = locate(count, 0.0, per_step, abs(m))
                half = 0.5 * share * blend(loss[cell], loss[cell + 1], way)
                if i == 0:
                    m = node_flow(tank - minus[1], impedance + droop, half)
                elif i < last:
                    m = node_flow(0.5 * (plus[i - 1] - minus[i + 1]), impedance, half)
                elif mode == IMPOSED:
                    m = imposed[n]
                else:
                    after = fixed_loss + blend(behind[cell], behind[cell + 1], way)
                    if mode == HELD:
                        moved = held_angle(
                            plus[i - 1] + head, impedance, half, after, rho, choke_pressure, c, fl, back,
                            held[0], held[1], angle, held[3], held[4], held[5],
                        )  # fmt: skip
                        cell, way = locate(c.shape[0], held[0], held[1], moved)
                        valve_c, valve_fl = blend(c[cell], c[cell + 1], way), blend(fl[cell], fl[cell + 1], way)
                        valve_back = blend(back[cell], back[cell + 1], way)
                    else:
                        valve_c, valve_fl, valve_back = c[n], fl[n], back[n]
                    m = valve_end_flow(
                        plus[i - 1] + head,
                        impedance,
                        half,
                        valve_loss(valve_c, rho),
                        after,
                        valve_fl,
                        valve_back,
                        choke_pressure,
                    )
            if i == 0:
                here = tank - droop * m
            elif i < last:
                here = 0.5 * (plus[i - 1] + minus[i + 1])
            else:
                here = plus[i - 1] - impedance * m - half * m * abs(m)
            m_up, m_down = m, m
            if i > 0 and (volume[i] > 0.0 or here < floor):
                m_up = node_flow(plus[i - 1] - floor, impedance, half)
                if i < last:
                    m_down = node_flow(floor - minus[i + 1], impedance, half)
                elif mode == IMPOSED:
                    m_down = imposed[n]
                else:
                    m_down = valve_end_flow(
                        vapour, 0.0, 0.0, valve_loss(valve_c, rho), after, valve_fl, valve_back, choke_pressure
                    )
                grown = volume[i] + 0.5 * step * (m_down - m_up + down[i] - up[i]) / rho
                if grown > 0.0:
                    volume[i] = grown
                    largest = max(largest, grown)
                    here = floor
                else:
                    volume[i] = 0.0
                    m_up, m_down = m, m
            p[i] = here
            up[i], down[i] = m_up, m_down
            high[i] = max(high[i], here + head)
            low[i] = min(low[i], here + head)
            arrived_up = m_up + half * m_up * abs(m_up) / impedance
            arrived_down = m_down + half * m_down * abs(m_down) / impedance
            weight = 0.5 if i == 0 or i == last else 1.0
            taken += 0.5 * weight * (arrived_up * arrived_up - m_up * m_up)
            taken += 0.5 * weight * (arrived_down * arrived_down - m_down * m_down)
            energy += weight * (here * here + 0.5 * impedance * impedance * (m_up * m_up + m_down * m_down))
            if i == 0:
                done += here * arrived_down
            elif i == last:
                done -= here * arrived_up
        angle = moved
        work += 0.5 * step * done / rho
        lost += storing * impedance * impedance * taken
        rec[n, PRESSURE] = p[last] + lift * last
        rec[n, FLOW] = down[last]
        rec[n, INLET] = up[0]
        rec[n, ENERGY] = storing * energy
        rec[n, WORK] = work
        rec[n, FRICTION] = lost
        rec[n, ANGLE] = angle
    return largest


def _cache_folder() -> Path | None:
    from valvectl.plant.simulate import kernel_cache

    kernel = kernel_cache()
    if kernel is None:
        return None
    folder = kernel.with_name(kernel.name.replace("kernel-", "waves-"))
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        return None
    return folder


@functools.lru_cache(maxsize=1)
def compiled() -> Any:
    """The compiled ``march``; kept on disk under a digest of the laws. The first call on a machine takes some seconds."""
    import numba
    from numba.extending import register_jitable

    from valvectl.plant import kernel  # registers the laws that both use
    from valvectl.plant.compiled import kept

    for law in (node_flow, unsteady_drop, valve_end_flow, held_angle):
        register_jitable(fastmath=kernel.FAST, error_model="numpy")(law)
    folder = _cache_folder()
    if folder is None:
        return numba.njit(march, fastmath=kernel.FAST, error_model="numpy")
    return kept(march, folder, fastmath=kernel.FAST, error_model="numpy")
