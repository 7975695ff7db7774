"""The sampled servo as one exact discrete linear model: every loop at its own period, every delay as what it is.

Over one period of the slowest loop the machine runs through a fixed list of instants (a loop samples, an output takes
effect). Between two of them the plant moves freely under a held voltage (matrix exponential, exact); at each of them
the state changes by a matrix. Their product is the exact map from one slow sample to the next (lifting). Delays of any
length, fractional or several periods, are outputs waiting in line.

Order at one instant: position samples, its outputs due take effect, then speed, then current; the same order as in the
simulator. Loops may start at offsets from the position loop; sensors ahead of the samplers may lag (first order, part of
the plant); speed comes from differences or from a tracking observer; a trim from the stem's own encoder may stand outside
a position loop that is closed on the motor.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from valvectl.errors import RangeError
from valvectl.parts.controller import CascadeGains, filter_share
from valvectl.parts.controller_more import CASCADE
from valvectl.parts.lookup import FloatArray
from valvectl.parts.speed_estimate import observer_gains
from valvectl.plant.linear import servo_matrices
from valvectl.plant.servo_numbers import Servo
from valvectl.servo.structures import extra_names, forward_row, loops_of, notch_row, outer_row

BreakPoint = Literal["position", "speed", "current"]
Place = Literal["outer", "position", "speed", "current"]
"""Where a loop can be cut: one of the three loops, or the trim from the stem's encoder outside of them."""
LOOP_ORDER: tuple[BreakPoint, BreakPoint, BreakPoint] = ("position", "speed", "current")
_EPS = 1e-9


@dataclass(frozen=True)
class Discrete:
    """x[k+1] = A x[k] + B u[k], y[k] = C x[k] + D u[k] at a sample period."""

    a: FloatArray
    b: FloatArray
    c: FloatArray
    d: FloatArray
    period: float
    """Sample period [s]."""
    inputs: tuple[str, ...]
    outputs: tuple[str, ...]

    def response(self, omega: FloatArray) -> FloatArray:
        """Frequency response at ``omega`` [rad/s], shape (n,) -> (n, outputs, inputs), complex."""
        from scipy.linalg import schur

        z = np.exp(1j * np.asarray(omega, dtype=float) * self.period)
        if z.size < 8:
            eye = np.eye(self.a.shape[0])
            inner = np.linalg.solve(z[:, None, None] * eye - self.a, np.broadcast_to(self.b, (z.size, *self.b.shape)))
            return np.asarray(self.c @ inner + self.d)
        # On the Schur form the resolvent is a back substitution, done for all frequencies at once; unlike an
        # eigenvector basis it does not mind the many equal eigenvalues that delays bring.
        t, q = schur(self.a.astype(complex), output="complex")
        right = q.conj().T @ self.b
        x = np.zeros((self.a.shape[0], right.shape[1], z.size), dtype=complex)
        for i in range(self.a.shape[0] - 1, -1, -1):
            above = np.tensordot(t[i, i + 1 :], x[i + 1 :], axes=1)
            x[i] = (right[i][:, None] + above) / (z - t[i, i])
        out = np.tensordot(self.c @ q, x, axes=1) + self.d[:, :, None]
        return np.asarray(np.moveaxis(out, 2, 0))

    def simulate(self, u: FloatArray, start: FloatArray | None = None) -> FloatArray:
        """Outputs for inputs ``u`` of shape (n, inputs) -> (n, outputs)."""
        x = np.zeros(self.a.shape[0]) if start is None else np.array(start, dtype=float)
        y = np.empty((u.shape[0], self.c.shape[0]))
        for k in range(u.shape[0]):
            y[k] = self.c @ x + self.d @ u[k]
            x = self.a @ x + self.b @ u[k]
        return y

    def to_control(self) -> Any:
        """The same as a ``control.StateSpace`` with its sample period."""
        import control

        return control.ss(
            self.a, self.b, self.c, self.d, self.period, inputs=list(self.inputs), outputs=list(self.outputs)
        )

    @property
    def spectral_radius(self) -> float:
        """Largest magnitude of the eigenvalues; below one: stable."""
        return float(np.max(np.abs(np.linalg.eigvals(self.a))))


def moved(expm: Callable[[FloatArray], Any], exponent: FloatArray) -> FloatArray:
    """Matrix exponential of a plant over a time. Raises ``RangeError`` where it is beyond all numbers: a plant that runs away
    within a sample, or numbers of the design that are absurd side by side."""
    with np.errstate(over="ignore", invalid="ignore"):
        out = np.asarray(expm(exponent))
    if not np.isfinite(out).all():
        raise RangeError(
            "the servo's motion within one sample is beyond all numbers: look at resistance, inductance, inertias"
        )
    return out


class _Schedule:
    """State slots, and the instants of one period as matrices."""

    def __init__(self, servo: Servo, gains: CascadeGains, broken: Place | None) -> None:
        self.servo, self.gains, self.broken = servo, gains, broken
        # Loops outside the broken one are open: the inner loop is judged by itself.
        self.cascade = servo.more.structure == CASCADE
        order = loops_of(servo)
        first = 0 if broken is None or broken == "outer" else order.index(broken)
        self.trimmed = servo.trim_gain > 0.0 and (broken is None or broken == "outer")
        self.loops = order[first:]
        self.names = ["i", "wm", "am", "ws", "as", "v", "i_set", "w_set", "a_before", "w", "x", "y", "cmd_before"]
        if not self.cascade:  # a state that nothing moves would look like one that never dies away
            self.names = [name for name in self.names if name not in ("w_set", "a_before", "w")]
        self.names += extra_names(servo, gains)
        lags = {
            "position_seen": servo.position_sensor_lag,
            "speed_seen": servo.speed_sensor_lag if self.cascade else 0.0,
            "current_seen": servo.current_sensor_lag,
            "trim_seen": servo.trim_sensor_lag if self.trimmed else 0.0,
        }
        self.lags = {name: lag for name, lag in lags.items() if lag > _EPS}  # a lag of a nanosecond is none
        self.names += list(self.lags)
        self.names += ["w_observed"] if servo.observer_bandwidth > 0.0 and self.cascade else []
        self.names += ["trim"] if self.trimmed else []
        self.waiting: dict[str, int] = {}
        for loop in self.loops:
            period, delay = self.timing(loop)
            # under way when the period begins: outputs of samples before it that take effect in it or later
            under_way = math.floor((self.offset(loop) + delay) / period + _EPS)
            self.names += [f"{loop}_q{j}" for j in range(under_way + 2)]
            self.waiting[loop] = under_way
            if loop == "position" and self.forward_travels:
                self.names += [f"forward_q{j}" for j in range(under_way + 2)]
        self.at = {name: j for j, name in enumerate(self.names)}
        self.size = len(self.names)
        # columns: state, then inputs (command, measurement put in at the break, load torque)
        self.inputs = ("command", "injected", "load")
        self.width = self.size + len(self.inputs)
        a, b = servo_matrices(servo)
        self.plant = np.zeros((self.width, self.width))
        self.plant[:5, :5] = a
        self.plant[:5, self.at["v"]] = b[:, 0]
        self.plant[:5, self.size + 2] = b[:, 1]
        for name, lag in self.lags.items():
            self.plant[self.at[name]] = (self.true(name) - self.row(name)) / lag
        self._moves: dict[float, FloatArray] = {}

    @property
    def forward_travels(self) -> bool:
        """True when a current fed forward travels with the position loop's output (cascade)."""
        return self.cascade and self.servo.more.feedforward_acceleration > 0.0

    def timing(self, loop: str) -> tuple[float, float]:
        s = self.servo
        return {
            "position": (s.position_period, s.position_delay),
            "speed": (s.speed_period, s.speed_delay),
            "current": (s.current_period, s.current_delay),
        }[loop]

    def offset(self, loop: str) -> float:
        """First sample of a loop in the period [s]; the period begins with a sample of the outermost loop there."""
        s = self.servo
        first = {"position": 0.0, "speed": s.speed_offset, "current": s.current_offset}
        period, _ = self.timing(loop)
        rest = math.fmod(first[loop] - first[self.loops[0]], period)
        rest = rest + period if rest < -_EPS else max(rest, 0.0)
        return 0.0 if rest > period - _EPS else rest

    def identity(self) -> FloatArray:
        return np.eye(self.width)

    def move(self, duration: float) -> FloatArray:
        from scipy.linalg import expm

        key = round(duration, 15)
        if key not in self._moves:
            self._moves[key] = moved(expm, self.plant * duration)
        return self._moves[key]

    def row(self, name: str) -> FloatArray:
        out = np.zeros(self.width)
        out[self.at[name]] = 1.0
        return out

    def source(self, name: str) -> FloatArray:
        out = np.zeros(self.width)
        out[self.size + self.inputs.index(name)] = 1.0
        return out

    def true(self, name: str) -> FloatArray:
        """What a sensor sees, as a row."""
        s = self.servo
        if name == "current_seen":
            return self.row("i")
        on_motor = {"position_seen": s.position_on_motor, "speed_seen": s.speed_on_motor, "trim_seen": False}[name]
        return self.row("am" if on_motor else "as")

    def measured(self, loop: Place) -> FloatArray:
        """A loop's reading as a row: what its sensor gives, with the sensor's lag."""
        name = "trim_seen" if loop == "outer" else f"{loop}_seen"
        return self.row(name) if name in self.lags else self.true(name)

    def speed_estimate(self) -> tuple[FloatArray, FloatArray]:
        """Speed from the new reading, and what is kept as the angle before, as rows."""
        s = self.servo
        if s.observer_bandwidth <= 0.0:
            return (self.measured("speed") - self.row("a_before")) / s.speed_period, self.measured("speed")
        gain, rate_gain = observer_gains(s.speed_period, s.observer_bandwidth, s.observer_damping)
        predicted = self.row("a_before") + s.speed_period * self.row("w_observed")
        error = self.measured("speed") - predicted
        return self.row("w_observed") + rate_gain / s.speed_period * error, predicted + gain * error

    def sample(self, loop: BreakPoint) -> FloatArray:
        """Matrix of one sample of a loop: controller states move on, the output joins the line."""
        s, g = self.servo, self.gains
        m = self.identity()
        if loop == "position":
            angle = self.source("injected") if self.broken == "position" else self.measured("position")
            if self.trimmed:
                stem = self.source("injected") if self.broken == "outer" else self.measured("outer")
                m[self.at["trim"]] = self.row("trim") + s.trim_gain * s.position_period * (
                    self.source("command") - stem
                )
                angle = angle - self.row("trim")
            if not self.cascade:
                m[self.at[f"position_q{self.waiting[loop]}"]] = outer_row(self, m, angle)
                self.waiting[loop] += 1
                return m
            command, before = self.source("command"), self.row("cmd_before")
            if self.forward_travels:
                m[self.at[f"forward_q{self.waiting[loop]}"]] = forward_row(self, m)
            output = g.position * (command - angle) + s.feedforward / s.position_period * (command - before)
            m[self.at["cmd_before"]] = command
        elif loop == "speed":
            raw, kept = self.speed_estimate()
            share = filter_share(s.speed_period, s.speed_filter)
            filtered = self.row("w") + share * (raw - self.row("w"))
            m[self.at["a_before"]] = kept
            if s.observer_bandwidth > 0.0:
                m[self.at["w_observed"]] = raw
            m[self.at["w"]] = filtered
            used = self.source("injected") if self.broken == "speed" else filtered
            error = self.row("w_set") - used
            output = g.speed * error + self.row("x")
            if "i_forward" in self.at:
                output = output + self.row("i_forward")
            if s.more.notch_frequency > 0.0:
                output = notch_row(self, m, output, s.speed_period)
            m[self.at["x"]] = self.row("x") + g.speed * g.speed_integral * s.speed_period * error
        else:
            used = self.source("injected") if self.broken == "current" else self.measured("current")
            error = self.row("i_set") - used
            output = g.current * error + self.row("y")
            m[self.at["y"]] = self.row("y") + g.current * g.current_integral * s.current_period * error
        m[self.at[f"{loop}_q{self.waiting[loop]}"]] = output
        self.waiting[loop] += 1
        return m

    def take_effect(self, loop: BreakPoint) -> FloatArray:
        """Matrix of the oldest waiting output taking effect."""
        m = self.identity()
        held = {"position": "w_set" if self.cascade else "i_set", "speed": "i_set", "current": "v"}[loop]
        lines: list[tuple[str, str]] = [(loop, held)]
        if loop == "position" and self.forward_travels:
            lines.append(("forward", "i_forward"))
        self.waiting[loop] -= 1
        for line, name in lines:
            m[self.at[name]] = self.row(f"{line}_q0")
            slots = sum(name.startswith(f"{line}_q") for name in self.names)
            for j in range(slots):  # the line moves up; places left empty forget what they held
                m[self.at[f"{line}_q{j}"]] = (
                    self.row(f"{line}_q{j + 1}") if j < self.waiting[loop] else np.zeros(self.width)
                )
        return m

    def instants(self, length: float) -> list[tuple[float, int, int, BreakPoint]]:
        """(time, loop order, 0 sample | 1 take effect, loop) over one period, in the order they happen."""
        events: list[tuple[float, int, int, BreakPoint]] = []
        for order, loop in enumerate(LOOP_ORDER):
            if loop not in self.loops:
                continue
            period, delay = self.timing(loop)
            count = round(length / period)
            first = self.offset(loop)
            for k in range(count):
                events.append((first + k * period, order, 0, loop))
            late = math.floor((first + delay) / period + _EPS)
            rest = first + delay - late * period
            rest = 0.0 if abs(rest) < _EPS * period else rest
            for k in range(count):
                events.append((k * period + rest, order, 1, loop))
        return sorted(events, key=lambda e: (round(e[0] / _EPS) * _EPS, e[1], e[2]))

    def period_map(self, length: float) -> FloatArray:
        total = self.identity()
        now = 0.0
        for time, _, effect, loop in self.instants(length):
            if time - now > _EPS:
                total = self.move(time - now) @ total
                now = time
            total = (self.take_effect(loop) if effect else self.sample(loop)) @ total
        if length - now > _EPS:
            total = self.move(length - now) @ total
        return total

    def measurement_at_sample(self, loop: Place) -> FloatArray:
        """What the loop measures at the start of the period, as a row over the state before the samples."""
        if loop == "speed":
            s = self.servo
            share = filter_share(s.speed_period, s.speed_filter)
            raw, _ = self.speed_estimate()
            return self.row("w") + share * (raw - self.row("w"))
        return self.measured(loop)


def open_loop(servo: Servo, gains: CascadeGains, at: Place) -> Discrete:
    """Loop gain L(z) at a break point, negative feedback taken out (the characteristic equation is 1 + L = 0).

    The loop is cut at its measurement; loops inside stay closed, loops outside are open. Sample period is the loop's.
    ``outer`` is the trim from the stem's encoder; without one its gain is zero (see ``transfers.loop_gain``).
    """
    schedule = _Schedule(servo, gains, at)
    period, _ = schedule.timing("position" if at == "outer" else at)
    total = schedule.period_map(period)
    n = schedule.size
    injected = n + schedule.inputs.index("injected")
    return Discrete(
        a=total[:n, :n],
        b=total[:n, injected : injected + 1],
        c=-schedule.measurement_at_sample(at)[None, :n],
        d=np.zeros((1, 1)),
        period=period,
        inputs=(f"{at}_measured",),
        outputs=(f"{at}_returned",),
    )


def closed_loop(servo: Servo, gains: CascadeGains) -> Discrete:
    """Command [rad] and load torque [N m] to measured angle, stem angle, motor angle [rad] and current [A].

    Sampled at the position loop's period, just before its sample.
    """
    schedule = _Schedule(servo, gains, None)
    total = schedule.period_map(servo.position_period)
    n = schedule.size
    rows = [schedule.measured("position"), schedule.row("as"), schedule.row("am"), schedule.row("i")]
    c = np.array([row[:n] for row in rows])
    return Discrete(
        a=total[:n, :n],
        b=total[:n, [n, n + 2]],
        c=c,
        d=np.zeros((4, 2)),
        period=servo.position_period,
        inputs=("command", "load"),
        outputs=("measured_angle", "stem_angle", "motor_angle", "current"),
    )
