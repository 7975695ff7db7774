"""Shortest moves, ratios, stops and back-driving against textbook results."""

from __future__ import annotations

import math

import pytest
from outside import OutsideCheck, verify

from valvectl.parts import bang_bang as bb

PASCH = (
    "Pasch and Seering, ASME J. Mech. Transm. Autom. Des. 106 (1984) 102-108 (formulas from memory, values worked out)"
)
THIRDS = "servo-sizing guides, trapezoid in equal thirds: top speed 1.5 angle/t, acceleration 4.5 angle/t^2"
SIZING = "servo-sizing guides, triangular move: t = 2 sqrt(angle/a), top speed 2 angle/t"
IMPACT = "impact on a spring by energy, suddenly applied load doubled; any machine-design text"
CHARGE = (
    "inertia run up by a constant voltage: the copper takes as much energy as the motion in the end; machines texts"
)
WORM = "public worm-gear page: efficiencies tan(l)/tan(l+f) forwards, tan(l-f)/tan(l) backwards"
BANDS = "gear maker's public FAQ: locks below 0.45, does not above 0.55, uncertain between"

ROWS = [
    (
        OutsideCheck("BB-ratio", "Jm 1e-5, JL 4e-3, no load", 20.0, "", 1e-12, PASCH, "recomputed"),
        lambda: bb.ratio_of_greatest_acceleration(0.3, 1e-5, 0.0, 4e-3, 1.0),
    ),
    (
        OutsideCheck("BB-rate", "its acceleration, Tm 0.3", 750.0, "rad/s2", 1e-12, PASCH, "recomputed"),
        lambda: bb.stem_acceleration(20.0, 0.3, 1e-5, 0.0, 4e-3, 1.0),
    ),
    (
        OutsideCheck("BB-loaded", "TL 2.4", 8.0 + math.sqrt(464.0), "", 1e-12, PASCH, "recomputed"),
        lambda: bb.ratio_of_greatest_acceleration(0.3, 1e-5, 2.4, 4e-3, 1.0),
    ),
    (
        OutsideCheck("BB-shortest", "shortest move without load", 20.0, "", 1e-12, PASCH, "recomputed"),
        lambda: bb.ratio_of_shortest_move(0.3, 1e-5, 0.0, 4e-3, 1.0),
    ),
    (
        OutsideCheck("BB-triangle", "90 deg at 1000 deg/s2", 0.6, "s", 1e-12, SIZING, "recomputed"),
        lambda: bb.triangular_time(math.radians(90.0), math.radians(1000.0), math.radians(1000.0)),
    ),
    (
        OutsideCheck("BB-triangle-top", "its top speed", 300.0, "deg/s", 1e-12, SIZING, "recomputed"),
        lambda: math.degrees(bb.triangular_speed(math.radians(90.0), math.radians(1000.0), math.radians(1000.0))),
    ),
    (
        OutsideCheck("BB-thirds", "90 deg in 0.3 s by thirds", 0.3, "s", 1e-12, THIRDS, "common practice, no source"),
        lambda: bb.trapezoidal_time(90.0, 4.5 * 90.0 / 0.09, 4.5 * 90.0 / 0.09, 1.5 * 90.0 / 0.3),
    ),
    (
        OutsideCheck("BB-stop", "sqrt(J k) w", 0.5 * math.sqrt(0.025 * 4e4), "N m", 1e-12, IMPACT, "recomputed"),
        lambda: bb.stop_torque(0.025, 4e4, 0.5, 0.0),
    ),
    (
        OutsideCheck("BB-sudden", "suddenly applied 7 N m", 14.0, "N m", 1e-12, IMPACT, "recomputed"),
        lambda: bb.stop_torque(0.025, 4e4, 0.0, 7.0),
    ),
    (
        OutsideCheck("BB-energy", "0.025 kg m2 at 360 deg/s", 0.4935, "J", 1e-4, "J w^2/2 by hand", "recomputed"),
        lambda: bb.kinetic_energy(0.025, 2.0 * math.pi),
    ),
    (
        OutsideCheck(
            "BB-tau", "63.2 % of the no-load speed, in J R/K^2", 1.0, "", 1e-9, "first-order run-up", "recomputed"
        ),
        lambda: bb.run_up(100.0 * (1.0 - math.exp(-1.0)), 0.2, 0.2, 0.5, 1e3, 20.0, 0.0, 0.08)[0],
    ),
    (
        OutsideCheck("BB-charge", "copper over motion, nearly at full speed", 1.0, "", 1e-5, CHARGE, "recomputed"),
        lambda: bb.run_up_energy(100.0 * (1 - 1e-9), 0.2, 0.2, 0.5, 40.0, 20.0, 0.0, 0.08)[1] / (0.5 * 0.08 * 1e4),
    ),
]


@pytest.mark.parametrize(("check", "got"), ROWS, ids=[row[0].id for row in ROWS])
def test_textbook(check, got):
    verify(check, got())


@pytest.mark.parametrize(("lead", "friction"), [(20.0, 3.0), (15.0, 4.0), (30.0, 5.0)])
def test_backdrive_against_the_worm(lead, friction):
    """Torque to turn back: the rule 2 - 1/eta against the thread's own formula; within 5 % for threads that do not lock."""
    forwards = math.tan(math.radians(lead)) / math.tan(math.radians(lead + friction))
    backwards = math.tan(math.radians(lead - friction)) / math.tan(math.radians(lead))
    check = OutsideCheck(
        f"BB-worm-{lead:g}-{friction:g}",
        f"lead {lead:g}, friction {friction:g} deg, ratio 40, 0.02 N m",
        40.0 * 0.02 / backwards,
        "N m",
        0.05,
        WORM,
        "recomputed",
    )
    verify(check, bb.backdrive_torque(40.0, forwards, 0.02))


@pytest.mark.parametrize(("efficiency", "state"), [(0.44, 1.0), (0.46, 0.0), (0.54, 0.0), (0.56, -1.0)])
def test_self_locking_bands(efficiency, state):
    got = float(bb.locks(efficiency)) - float(bb.slips(efficiency))
    verify(
        OutsideCheck(
            f"BB-band-{efficiency}", "1 locks, 0 uncertain, -1 not", state, "", 1e-9, BANDS, "published", True
        ),
        got,
    )


def test_half_is_the_edge():
    """A lead equal to the friction angle is the edge; the rule 2 - 1/eta then gives no way back."""
    edge = math.tan(math.radians(5.0)) / math.tan(math.radians(10.0))
    assert edge < 0.5
    assert bb.backdrive_torque(40.0, edge, 0.02) == math.inf
