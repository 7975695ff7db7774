"""The exact sampled loops of many variants of one servo at once.

Variants may differ in the plant (inertia, torque constant, resistance, stiffness, friction) and in delays; periods, sensors and
structure are common. Variants with the same delays share the list of instants and the controller's matrices, and only the
plant's free motion between two instants differs: that is a stack of matrices. The matrices are those of ``servo.sampled``, so
that nothing is said twice; what is gained is that one call of numpy does all variants.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from valvectl.parts.controller import CascadeGains
from valvectl.parts.lookup import FloatArray
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.sampled import BreakPoint, Place, _Schedule, moved

GRID = 90
"""Frequencies of a loop's response."""


@dataclass(frozen=True)
class BatchMargins:
    """Margins of one loop for every variant, each of shape (m,); infinite where there is no crossing."""

    stable: FloatArray
    gain_margin_db: FloatArray
    phase_margin: FloatArray
    """[rad]"""
    delay_margin: FloatArray
    """[s]"""
    peak_sensitivity: FloatArray
    disk: FloatArray


class Batch:
    """Variants of one servo, grouped by their delays."""

    def __init__(self, servos: Sequence[Servo]) -> None:
        self.servos = tuple(servos)
        groups: dict[tuple[float, ...], list[int]] = {}
        for j, s in enumerate(servos):
            key = (s.position_delay, s.speed_delay, s.current_delay)
            groups.setdefault(key, []).append(j)
        self._groups = tuple(tuple(members) for members in groups.values())
        self._moves: dict[tuple[int, str, float], FloatArray] = {}

    def picked(self, indices: Sequence[int]) -> Batch:
        """Some of the variants."""
        return Batch([self.servos[j] for j in indices])

    def maps(self, gains: CascadeGains, broken: Place | None) -> list[tuple[tuple[int, ...], _Schedule, FloatArray]]:
        """For each group: its variants, a schedule, and the stack of period maps, shape (members, width, width)."""
        out = []
        for number, members in enumerate(self._groups):
            schedule = _Schedule(self.servos[members[0]], gains, broken)
            length, _ = schedule.timing("position" if broken in (None, "outer") else broken)
            total: FloatArray = schedule.identity()
            now = 0.0
            for time, _, effect, loop in schedule.instants(length):
                if time - now > 1e-9:
                    total = self._move(number, members, gains, broken, time - now) @ total
                    now = time
                total = (schedule.take_effect(loop) if effect else schedule.sample(loop)) @ total
            if length - now > 1e-9:
                total = self._move(number, members, gains, broken, length - now) @ total
            if total.ndim == 2:
                total = np.broadcast_to(total, (len(members), *total.shape))
            out.append((members, schedule, total))
        return out

    def _move(
        self, number: int, members: Sequence[int], gains: CascadeGains, broken: Place | None, duration: float
    ) -> FloatArray:
        from scipy.linalg import expm

        key = (number, str(broken), round(duration, 12))
        if key not in self._moves:
            plants = np.array([_Schedule(self.servos[j], gains, broken).plant for j in members])
            self._moves[key] = moved(expm, plants * duration)
        return self._moves[key]

    def margins(self, gains: CascadeGains, at: BreakPoint) -> BatchMargins:
        """Margins of every variant at a break point, crossings interpolated on a logarithmic grid."""
        size = len(self.servos)
        columns = {name: np.empty(size) for name in BatchMargins.__dataclass_fields__}
        for members, schedule, total in self.maps(gains, at):
            n = schedule.size
            injected = n + schedule.inputs.index("injected")
            a, b = total[:, :n, :n], total[:, :n, injected]
            c = -schedule.measurement_at_sample(at)[:n]
            period, _ = schedule.timing(at)
            radius = np.max(np.abs(np.linalg.eigvals(a - b[:, :, None] * c[None, None, :])), axis=1)
            omega = np.concatenate(
                [np.geomspace(2e-3, 0.5, GRID * 2 // 3, endpoint=False), np.linspace(0.5, 1.0, GRID - GRID * 2 // 3)]
            ) * (math.pi / period)
            gain = _response(a, b, c, np.exp(1j * omega * period))
            found = _of_response(omega, gain)
            border = 1.0 if at == "position" else 1.0 + 1e-7
            rows = list(members)
            columns["stable"][rows] = radius < border
            for name, values in found.items():
                columns[name][rows] = values
        return BatchMargins(**columns)

    def ramp(
        self, gains: CascadeGains, speed: float, loads: FloatArray, duration: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Closed loops that start a ramp of the command [rad/s] from rest against a load [N m] that comes on with it.

        ``loads`` of shape (m,). Returns the mean of |command - stem| [rad], peak current [A] and voltage [V], each (m,).
        """
        size = len(self.servos)
        mean, voltage, current = (np.empty(size) for _ in range(3))
        for members, schedule, total in self.maps(gains, None):
            n, rows = schedule.size, list(members)
            period = self.servos[members[0]].position_period
            steps = max(8, round(duration / period))
            a = total[:, :n, :n]
            by_command = total[:, :n, n + schedule.inputs.index("command")]
            by_load = total[:, :n, n + schedule.inputs.index("load")] * loads[rows][:, None]
            stem, amps, volts = schedule.at["as"], schedule.at["i"], schedule.at["v"]
            x = np.zeros((len(rows), n))
            total_error, worst, most = np.zeros(len(rows)), np.zeros(len(rows)), np.zeros(len(rows))
            for k in range(steps):
                command = speed * period * k
                error = np.abs(command - x[:, stem])
                total_error += error
                worst, most = np.maximum(worst, np.abs(x[:, volts])), np.maximum(most, np.abs(x[:, amps]))
                x = np.einsum("mij,mj->mi", a, x) + by_command * command + by_load
            mean[rows], voltage[rows], current[rows] = total_error / steps, worst, most
        return mean, current, voltage


def _response(a: FloatArray, b: FloatArray, c: FloatArray, z: FloatArray) -> FloatArray:
    """Loop gains c (z - a)^-1 b, shape (m, len(z))."""
    eye = np.eye(a.shape[-1])
    inner = np.linalg.solve(
        z[None, :, None, None] * eye - a[:, None],
        np.broadcast_to(b[:, None, :, None], (a.shape[0], z.size, a.shape[-1], 1)),
    )
    return np.asarray(inner[..., 0] @ c)


def _of_response(omega: FloatArray, gain: FloatArray) -> dict[str, FloatArray]:
    """Margins of loop gains of shape (m, n) on a common grid."""
    size = np.abs(gain)
    logarithm = np.log(omega)
    m = gain.shape[0]
    up = np.full(m, math.inf)
    phase = np.full(m, math.inf)
    late = np.full(m, math.inf)
    # phase crossings: the imaginary part changes sign on the negative side
    imaginary, real = gain.imag.copy(), gain.real
    imaginary[:, -1] = np.where(np.abs(imaginary[:, -1]) < 1e-9 * np.abs(real[:, -1]), 0.0, imaginary[:, -1])
    crossing = (imaginary[:, :-1] * imaginary[:, 1:] <= 0.0) & (real[:, 1:] < 0.0) & (real[:, :-1] < 0.0)
    for row, j in zip(*np.nonzero(crossing), strict=True):
        y0, y1 = imaginary[row, j], imaginary[row, j + 1]
        share = y0 / (y0 - y1) if y0 != y1 else 1.0
        value = -(real[row, j] + share * (real[row, j + 1] - real[row, j]))
        if 0.0 < value < 1.0:
            up[row] = min(up[row], -20.0 * math.log10(value))
    above = size > 1.0
    for row, j in zip(*np.nonzero(above[:, :-1] != above[:, 1:]), strict=True):
        l0, l1 = math.log(size[row, j]), math.log(size[row, j + 1])
        share = l0 / (l0 - l1)
        w = math.exp(logarithm[j] + share * (logarithm[j + 1] - logarithm[j]))
        turn = np.angle(gain[row, j + 1] / gain[row, j])
        angle = float(np.angle(gain[row, j])) + share * float(turn)
        found = (angle + math.pi) % (2.0 * math.pi)
        found = found - 2.0 * math.pi if found > math.pi else found
        phase[row] = min(phase[row], found)
        late[row] = min(late[row], (found % (2.0 * math.pi)) / w)
    sensitivity = 1.0 / (1.0 + gain)
    return {
        "gain_margin_db": up,
        "phase_margin": phase,
        "delay_margin": late,
        "peak_sensitivity": np.max(np.abs(sensitivity), axis=1),
        "disk": 1.0 / np.max(np.abs(sensitivity - 0.5), axis=1),
    }
