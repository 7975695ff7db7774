"""Chug stability against closed forms of delay systems, textbook tables and independent libraries.

The theory's papers (Summerfield 1951; Crocco and Cheng 1956; Wenzel and Szuch 1965) were not at hand: their forms are
from memory, and the numbers here are recomputed from those forms, not read from the papers.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from outside import Certainty, OutsideCheck, verify

from valvectl.parts import nozzle
from valvectl.plant.chug import SOFT, STIFF, ChugLoop, FeedLeg
from valvectl.plant.chug_margins import chug_margins, neutral_delay, rightmost_root, unstable_roots

SUMMERFIELD = (
    "Summerfield, A Theory of Unstable Combustion in Liquid Propellant Rocket Systems, J. Am. Rocket Soc. 21 (1951): one "
    "residence time, one delay, resistive feed; w theta = sqrt(K^2 - 1), tau/theta = (pi - atan(w theta))/(w theta)"
)
WENZEL = "Wenzel and Szuch, NASA TN D-3080 (1965), two dead times; form from memory"
HAYES = "Hayes, J. London Math. Soc. 25 (1950); Bellman and Cooke, Differential-Difference Equations (1963): x' = -a x - b x(t-T)"
LAMBERT = "Corless et al., On the Lambert W Function, Adv. Comput. Math. 5 (1996); scipy.special.lambertw"
TABLE = "Abramowitz and Stegun, Handbook of Mathematical Functions, table of roots of tan x = -x (x = 2.02876)"
ULTIMATE = "Ziegler and Nichols (1942), Astrom and Hagglund: integrator with dead time L and gain K/s, K = pi/(2 L), period 4 L"
LC = "any text on oscillations: a column and a compliance resonate at 1/sqrt(L C)"
CONTROL = "python-control, stability_margins on an FRD of the loop written down apart from this program"
BANDS = "Sutton and Biblarz, Rocket Propulsion Elements, table of instability frequencies: chugging 10 to 400 Hz"

THETA = 1.8e-3
"""[s]"""


def resistive(k: float, delay: float = THETA, weights: tuple[float, float] = (0.6, 0.4), **more: float) -> ChugLoop:
    """Two equal legs of gain ``k`` = pc / (2 dP) without storage; ``weights`` add up to 1."""
    share = more.pop("share", 0.5)
    exponent = more.pop("exponent", 0.0)
    numbers = {"injector": share / k, "line": (1.0 - share) / k, "inertia": 0.0, "storage": STIFF, **more}
    legs = [FeedLeg(weight=w, delay=delay, **numbers) for w in weights]
    return ChugLoop(legs={"oxidizer": legs[0], "fuel": legs[1]}, pressure_exponent=exponent, residence=THETA)


def border_ratio(k: float, **more: float) -> float:
    """Delay over residence time at the border."""
    return neutral_delay(resistive(k, **more))[0]  # type: ignore[arg-type]


def least_drop() -> float:
    """Least drop over chamber pressure that no delay (up to 200 residence times) makes unstable, by bisection."""
    low, high = 0.3, 0.7
    for _ in range(30):
        middle = 0.5 * (low + high)
        stable = math.isinf(neutral_delay(resistive(1.0 / (2.0 * middle)), 1.0, 200.0)[0])
        low, high = (low, middle) if stable else (middle, high)
    return high


def lambert_root(k: float, delay: float) -> complex:
    """Rightmost root of theta s + 1 + k exp(-delay s) = 0 [1/s]."""
    from scipy.special import lambertw

    argument = -k * delay / THETA * math.exp(delay / THETA)
    return complex(-1.0 / THETA + lambertw(argument, 0) / delay)


def two_delays(omega: float, spread: float) -> tuple[float, float]:
    """Gain and mean delay [s] at the border of two legs of equal weight whose delays differ by 2 ``spread`` [s].

    exp(-i w (T - d)) + exp(-i w (T + d)) = 2 cos(w d) exp(-i w T): magnitude and phase separate.
    """
    gain = math.sqrt(1.0 + (omega * THETA) ** 2) / math.cos(omega * spread)
    return gain, (math.pi - math.atan(omega * THETA)) / omega


def two_delay_border(omega: float, spread: float) -> tuple[float, float]:
    """Factor on the delays and frequency [rad/s] that the program finds for that loop; 1 and ``omega`` expected."""
    gain, mean = two_delays(omega, spread)
    numbers = {"injector": 1.0 / gain, "line": 0.0, "inertia": 0.0, "storage": STIFF}
    legs = {
        "oxidizer": FeedLeg(weight=0.5, delay=mean - spread, **numbers),
        "fuel": FeedLeg(weight=0.5, delay=mean + spread, **numbers),
    }
    return neutral_delay(ChugLoop(legs=legs, pressure_exponent=0.0, residence=THETA))  # type: ignore[arg-type]


def inertia_border() -> float:
    """Delay [s] at the border of a loop with line inertance; its lag equals the residence time and K is 2.

    (1 + x^2) = 2, x = w theta = 1; the phase is 2 atan 1 = pi/2, so that the delay is (pi/2) theta.
    """
    loop = resistive(2.0, share=0.5, inertia=THETA / 2.0)
    return neutral_delay(loop)[0] * THETA


def frd_margin(which: str) -> float:
    """Gain or delay margin of an uneven two-leg loop with gas in the manifolds, by python-control's own search."""
    import control

    omega = np.geomspace(200.0, 6e3, 4000)
    margin, phase, _, _, crossover, _ = control.stability_margins(control.frd(_by_hand(omega), omega))
    return float(margin) if which == "gain" else math.radians(phase) / crossover


UNEVEN = (
    (0.55, 1.1e-3, 0.45, 0.25, 0.6e-3, 3.0e-4),
    (0.43, 1.7e-3, 0.50, 0.30, 0.8e-3, 6.0e-4),
)
"""Weight, delay, injector and line slopes, inertia, storage of the two legs."""


def _by_hand(omega: np.ndarray) -> np.ndarray:
    """The loop from the pressures of each element, without the closed form of the admittance."""
    s = 1j * omega
    total = np.zeros(omega.size, dtype=complex)
    for weight, delay, r, line, inertia, storage in UNEVEN:
        # upstream branch and manifold in parallel, that in series with the injector
        upstream = 1.0 / (1.0 / (line + inertia * s) + storage * s)
        total += weight * np.exp(-delay * s) / (r + upstream)
    return total / (0.98 + THETA * s)


def uneven() -> ChugLoop:
    legs = [FeedLeg(w, d, r, line, inertia, storage) for w, d, r, line, inertia, storage in UNEVEN]
    return ChugLoop(legs={"oxidizer": legs[0], "fuel": legs[1]}, pressure_exponent=0.02, residence=THETA)


def resonance() -> float:
    """Frequency [rad/s] at which a leg without losses lets no flow change through."""
    leg = FeedLeg(weight=1.0, delay=0.0, injector=0.4, line=0.0, inertia=4e-3, storage=1e-3)
    omega = np.linspace(400.0, 600.0, 200_001)
    return float(omega[np.argmin(np.abs(leg.admittance(1j * omega)))])


def example_frequency() -> float:
    """Chug frequency [Hz] of an engine of the usual size: residence 1.8 ms, delay 2 ms, injector drop 15 %."""
    return chug_margins(resistive(1.0 / 0.3, delay=2e-3)).frequency / (2.0 * math.pi)


def separation() -> float:
    """Exit over ambient pressure [-] at which the separation flag turns."""
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if nozzle.summerfield_separation(10e5, middle * 101325.0 / 10e5, 101325.0):
            low = middle
        else:
            high = middle
    return high


GAIN, DELAY = 3.0, 1.5e-3
FOPDT_DELAY = (math.pi - math.atan(math.sqrt(3.0))) / math.sqrt(3.0)
"""Delay over residence time at the border for K = 2: 2 pi / (3 sqrt 3) = 1.2092."""

Row = tuple[OutsideCheck, Callable[[], float]]


def row(
    name: str, what: str, expected: float, unit: str, tolerance: float, source: str, certainty: Certainty,
    compute: Callable[[], float], absolute: bool = False,
) -> Row:  # fmt: skip
    return OutsideCheck(name, what, expected, unit, tolerance, source, certainty, absolute), compute


ROWS: list[Row] = [
    row("CH01", "neutral delay over residence time, K = sqrt 2", 2.3561945, "", 1e-6, SUMMERFIELD, "recomputed",
        lambda: border_ratio(math.sqrt(2.0))),
    row("CH02", "neutral delay over residence time, K = 2", 1.2091996, "", 1e-6, SUMMERFIELD, "recomputed",
        lambda: border_ratio(2.0)),
    row("CH03", "neutral delay over residence time, K = 3 (drop 16.7 % of pc)", 0.6755109, "", 1e-6, SUMMERFIELD,
        "recomputed", lambda: border_ratio(3.0)),
    row("CH04", "neutral delay over residence time, K = 10", 0.1679382, "", 1e-6, SUMMERFIELD, "recomputed",
        lambda: border_ratio(10.0)),
    row("CH05", "neutral delay over residence time, K = 1.05, near the unconditional border", 8.8448949, "", 1e-6,
        SUMMERFIELD, "recomputed", lambda: border_ratio(1.05)),
    row("CH06", "neutral frequency times residence time, K = 2", 1.7320508, "", 1e-6, SUMMERFIELD, "recomputed",
        lambda: neutral_delay(resistive(2.0))[1] * THETA),
    row("CH07", "least drop over pc that is stable for every delay", 0.5, "", 1e-3, SUMMERFIELD, "recomputed", least_drop),
    row("CH08", "same border with the drop split between line and injector and uneven weights", 1.2091996, "", 1e-6,
        WENZEL, "from memory", lambda: neutral_delay(resistive(2.0, weights=(0.8, 0.2), share=0.3))[0]),
    row("CH09", "two delays that differ by 1 ms, border at w = 900 rad/s: factor on the delays", 1.0, "", 1e-6, WENZEL,
        "from memory", lambda: two_delay_border(900.0, 0.5e-3)[0]),
    row("CH10", "the same: frequency", 900.0, "rad/s", 1e-6, WENZEL, "from memory",
        lambda: two_delay_border(900.0, 0.5e-3)[1]),
    row("CH11", "two delays that differ by 0.4 ms, border at w = 1700 rad/s", 1.0, "", 1e-6, WENZEL, "from memory",
        lambda: two_delay_border(1700.0, 0.2e-3)[0]),
    row("CH12", "x' = -x - 2 x(t - T): T at the border, arccos(-1/2)/sqrt 3", 1.2091996, "", 1e-6, HAYES, "recomputed",
        lambda: neutral_delay(resistive(2.0))[0]),
    row("CH13", "gain at the border of K exp(-s)/(s + 1)", 2.2618263, "", 2e-6, TABLE, "recomputed",
        lambda: chug_margins(resistive(1.0)).gain_margin),
    row("CH14", "its frequency", 2.028757838, "1/theta", 1e-8, TABLE, "recomputed",
        lambda: chug_margins(resistive(1.0)).frequency * THETA),
    row("CH15", "gain at the border of an integrator with dead time, K L = pi/2", math.pi / 2.0, "", 1e-3, ULTIMATE,
        "recomputed", lambda: chug_margins(resistive(1.0, exponent=1.0 - 1e-6)).gain_margin),
    row("CH16", "its period over the dead time", 4.0, "", 1e-3, ULTIMATE, "recomputed",
        lambda: 2.0 * math.pi / chug_margins(resistive(1.0, exponent=1.0 - 1e-6)).frequency / THETA),
    row("CH17", "growth rate, K = 3, delay 1.5 ms", lambert_root(GAIN, DELAY).real, "1/s", 1e-8, LAMBERT, "library",
        lambda: rightmost_root(resistive(GAIN, delay=DELAY)).real),
    row("CH18", "frequency of that root", abs(lambert_root(GAIN, DELAY).imag), "rad/s", 1e-8, LAMBERT, "library",
        lambda: rightmost_root(resistive(GAIN, delay=DELAY)).imag),
    row("CH19", "decay rate, K = 1.2, delay 2 ms", lambert_root(1.2, 2e-3).real, "1/s", 1e-8, LAMBERT, "library",
        lambda: rightmost_root(resistive(1.2, delay=2e-3)).real),
    row("CH20", "delay margin, K = 2, delay one residence time", (FOPDT_DELAY - 1.0) * THETA, "s", 1e-8, HAYES,
        "recomputed", lambda: chug_margins(resistive(2.0)).delay_margin),
    row("CH21", "neutral delay with a line lag equal to the residence time, K = 2: (pi/2) theta", math.pi / 2.0 * THETA,
        "s", 1e-8, "Crocco and Cheng, Theory of Combustion Instability (1956): feed line with inertance", "recomputed",
        inertia_border),
    row("CH22", "gain margin, uneven legs with gas in both manifolds", frd_margin("gain"), "", 1e-5, CONTROL, "library",
        lambda: chug_margins(uneven()).gain_margin),
    row("CH23", "delay margin of the same", frd_margin("delay"), "s", 1e-4, CONTROL, "library",
        lambda: chug_margins(uneven()).delay_margin),
    row("CH24", "leg without losses: flow change vanishes at 1/sqrt(L C)", 500.0, "rad/s", 1e-5, LC, "recomputed",
        resonance),
    row("CH25", "chug of a usual small engine lies in the band", 205.0, "Hz", 195.0, BANDS, "from memory",
        example_frequency, True),
    row("CH26", "nozzle separation flag turns at exit over ambient", 0.4, "", 1e-9,
        "Summerfield, Foster and Swan, Jet Propulsion 24 (1954): 0.35 to 0.4", "from memory", separation),
]  # fmt: skip


@pytest.mark.parametrize(("check", "compute"), ROWS, ids=[check.id for check, _ in ROWS])
def test_outside(check: OutsideCheck, compute: Callable[[], float]) -> None:
    verify(check, compute())


@pytest.mark.parametrize("k", np.geomspace(1.02, 40.0, 15))
def test_neutral_points_over_the_range_of_gains(k: float) -> None:
    """Within 0.1 % of the closed form; in fact to 1e-8."""
    x = math.sqrt(k * k - 1.0)
    scale, omega = neutral_delay(resistive(float(k)), 1e-3)
    assert scale == pytest.approx((math.pi - math.atan(x)) / x, rel=1e-8)
    assert omega * THETA == pytest.approx(x, rel=1e-8)


@pytest.mark.parametrize("k", [0.2, 0.7, 0.999, 1.0])
def test_a_gain_of_one_or_less_is_stable_whatever_the_delay(k: float) -> None:
    assert neutral_delay(resistive(k))[0] == math.inf
    assert all(unstable_roots(resistive(k, delay=d)) == 0 for d in (1e-5, 1e-3, 0.05))


@pytest.mark.parametrize("k", [1.5, 4.0, 25.0])
@pytest.mark.parametrize("delay", [0.2e-3, 1e-3, 4e-3, 20e-3])
def test_the_count_is_the_number_of_lambert_branches_to_the_right(k: float, delay: float) -> None:
    """Every root of the single-delay loop is a branch of Lambert's function; those to the right are counted."""
    from scipy.special import lambertw

    argument = -k * delay / THETA * math.exp(delay / THETA)
    right = sum((-1.0 / THETA + complex(lambertw(argument, branch)) / delay).real > 0.0 for branch in range(-60, 60))
    assert unstable_roots(resistive(k, delay=delay)) == right


@pytest.mark.parametrize("storage", [STIFF, 2e-5, SOFT])
def test_limits_of_the_manifold(storage: float) -> None:
    """At rest every manifold is stiff; a soft one leaves the injector alone at every other frequency."""
    leg = FeedLeg(weight=1.0, delay=1e-3, injector=0.4, line=1.1, inertia=3e-3, storage=storage)
    at = complex(leg.admittance(np.array([1e-9 + 0j]))[0])
    assert at == pytest.approx(1.0 / 0.4 if math.isinf(storage) else 1.0 / 1.5, rel=1e-6)
