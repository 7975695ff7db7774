"""Inherent characteristics against their formulas, Weisbach's measured cock, and areas integrated apart."""

from __future__ import annotations

import math

import numpy as np
import pytest
from outside import OutsideCheck, verify
from scipy.integrate import quad

from valvectl.errors import RangeError
from valvectl.parts import characteristic, valve

EQUAL = "IEC 60534-2-4, inherent equal percentage Phi = R^(h-1), R = 50; values worked out from the formula"
LINEAR = "IEC 60534-2-4, inherent linear Phi = Phi0 + m h with Phi0 = 1/50; values worked out from the formula"
LIMIT = "IEC 60534-2-4: deviation of at most 10 (1/Phi)^0.2 percent (formula from memory, value worked out)"
SPHERE = "overlap of two circles on a sphere, seen along the pipe, integrated by SciPy apart from the program"
WEDGE = "area of a wedge in a circle: through the centre phi/2pi, apex on the rim (phi + sin phi)/pi; school geometry"
COCK = (
    "Weisbach's losses of a plug cock in a round pipe as repeated in handbooks, e.g. Perry's Chemical Engineers' "
    "Handbook, table of additional friction loss for turbulent flow (read in a public copy of such a table)"
)
BALL_OVER_BORE = 1.524
"""Ball over bore at which the geometry shuts at 82 degrees from open, as Weisbach's cock does."""


@pytest.mark.parametrize(("travel", "phi"), [(0.1, 0.029575), (0.25, 0.053183), (0.5, 0.141421), (0.75, 0.376060)])
def test_equal_percentage(travel, phi):
    check = OutsideCheck(f"CH-eq-{travel}", f"Phi at h {travel}", phi, "", 1e-5, EQUAL, "recomputed")
    verify(check, characteristic.equal_percentage(travel, 50.0))


@pytest.mark.parametrize(("travel", "phi"), [(0.0, 0.02), (0.25, 0.265), (0.5, 0.51)])
def test_linear(travel, phi):
    check = OutsideCheck(f"CH-lin-{travel}", f"Phi at h {travel}", phi, "", 1e-12, LINEAR, "recomputed")
    verify(check, characteristic.linear(travel, 50.0))


@pytest.mark.parametrize(("travel", "phi"), [(0.25, 0.5), (0.81, 0.9)])
def test_quick_opening_is_the_square_root(travel, phi):
    source = "f = sqrt(h), Seborg, Edgar, Mellichamp, Process Dynamics and Control, chapter on control valves"
    check = OutsideCheck(f"CH-quick-{travel}", f"Phi at h {travel}, R 1000", phi, "", 1e-5, source, "from memory")
    verify(check, characteristic.quick_opening(travel, 1000.0))


def test_quick_opening_lies_below_the_handbook_curve():
    """The curve digitised in fluids is of flat discs; the docstring says how far the square root lies below it."""
    from fluids.control_valve import Cv_char_quick_opening

    ratio = {h: float(Cv_char_quick_opening(h)) / characteristic.quick_opening(h, 1e3) for h in (0.1, 0.25, 0.5, 0.75)}
    assert 1.5 < ratio[0.25] < 1.6
    assert all(1.0 < value < 1.6 for value in ratio.values())


@pytest.mark.parametrize(("phi", "limit"), [(1.0, 0.1), (0.5, 0.1149), (0.1, 0.1585), (0.05, 0.1821), (0.02, 0.2187)])
def test_deviation_limit(phi, limit):
    check = OutsideCheck(f"CH-limit-{phi}", f"allowed deviation at Phi {phi}", limit, "", 4e-4, LIMIT, "from memory")
    verify(check, characteristic.deviation_limit(phi))


# ------------------------------------------------------------------------------------------------------- geometry


def test_shut_angle_is_that_of_weisbachs_cock():
    source = "Weisbach, Lehrbuch der Ingenieur- und Maschinen-Mechanik: shuts at about 82 deg for his cock"
    check = OutsideCheck("CH-shut", "opening at which it shuts", 8.0, "deg", 0.5, source, "from memory", absolute=True)
    verify(check, math.degrees(characteristic.ball_shut_opening(1.0, BALL_OVER_BORE)))


def _window_by_integration(opening: float, ratio: float) -> float:
    """Share of the bore that is open: points of the seat's cap that lie in the mouth's cap too, strip by strip."""
    ball, r = 0.5 * ratio, 0.5
    a, alpha = math.sqrt(ball**2 - r**2), 0.5 * math.pi - opening

    def strip(y: float) -> float:
        seat = r * r - y * y
        depth = (a - y * math.sin(alpha)) / math.cos(alpha)
        mouth = math.inf if depth <= 0.0 else ball**2 - y * y - depth * depth
        return 2.0 * math.sqrt(max(min(seat, mouth), 0.0))

    meet = a * math.tan(0.5 * alpha)
    tip = max(a * math.sin(alpha) - r * math.cos(alpha), -r)
    return (quad(strip, tip, meet, epsabs=1e-13)[0] + quad(strip, meet, r, epsabs=1e-13)[0]) / (math.pi * r * r)


@pytest.mark.parametrize(
    ("opening", "ratio"), [(15, 1.524), (30, 1.524), (60, 1.524), (85, 1.524), (40, 2.0), (40, 1.45)]
)
def test_ball_window(opening, ratio):
    angle = math.radians(opening)
    expected = _window_by_integration(angle, ratio)
    what = f"open share at {opening} deg, ball/bore {ratio}"
    check = OutsideCheck(f"CH-window-{opening}-{ratio}", what, expected, "", 1e-8, SPHERE, "recomputed")
    verify(check, characteristic.ball_window(angle, 1.0, ratio))


@pytest.mark.parametrize("closed_deg", [5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65])
def test_ball_loss_against_weisbach(closed_deg):
    """The loss law is low throughout, by 12 to 32 % in K; the tolerance states it, the second assertion the sense."""
    k = dict(zip(valve.WEISBACH_OPENING_DEG, valve.WEISBACH_K, strict=True))[90.0 - closed_deg]
    share = characteristic.ball_window(math.radians(90.0 - closed_deg), 1.0, BALL_OVER_BORE)
    got = characteristic.window_loss(share, 2, 0.0)
    what = f"K of a cock {closed_deg} deg from open, loss law of two windows, open loss left out"
    verify(OutsideCheck(f"CH-cock-{closed_deg}", what, k, "", 0.33, COCK, "published"), got)
    assert 0.68 < got / k < 0.89


@pytest.mark.parametrize("included", [30.0, 60.0, 90.0])
def test_v_notch_through_the_centre_of_the_seat(included):
    """Exact on the sphere too: the cap is round about its centre."""
    half = math.asin(1.0 / 1.6)
    check = OutsideCheck(
        f"CH-V-centre-{included:.0f}",
        f"open share, V of {included:.0f} deg",
        included / 360.0,
        "",
        1e-12,
        WEDGE,
        "recomputed",
    )
    verify(check, characteristic.v_window(half, math.radians(included), half))


@pytest.mark.parametrize("included", [30.0, 60.0, 90.0])
def test_v_notch_across_the_whole_seat(included):
    """A small seat on a large ball is flat: a wedge with its apex on the far rim."""
    half, phi = 1e-3, math.radians(included)
    expected = (phi + math.sin(phi)) / math.pi
    check = OutsideCheck(
        f"CH-V-rim-{included:.0f}", f"open share, V of {included:.0f} deg", expected, "", 1e-5, WEDGE, "recomputed"
    )
    verify(check, characteristic.v_window(2.0 * half, phi, half))


def test_jet_contraction_of_weisbach():
    source = "Weisbach: contraction 0.63 + 0.37 (A2/A1)^3, e.g. Streeter & Wylie, Fluid Mechanics, sudden contraction"
    for share, cc in ((0.1, 0.63), (0.5, 0.676), (0.8, 0.819)):
        check = OutsideCheck(f"CH-Cc-{share}", f"Cc at area ratio {share}", cc, "", 1.5e-2, source, "from memory")
        verify(check, characteristic.contraction(share))


# --------------------------------------------------------------------------------------------------------- curves


def test_curves_go_through_the_programs_grid():
    """Every builder gives a table that ``flow_characteristic`` takes: shut where the port shuts, rising."""
    fl = np.array([0.9, 0.9])
    for curve in (
        characteristic.ball_curve(0.008, 0.0125, 0.1),
        characteristic.v_port_curve(0.008, 0.0125, math.radians(60.0), math.radians(8.0), math.radians(85.0), 0.3),
        characteristic.equal_percentage_curve(2.0, 50.0, 0.0, 1.5),
        characteristic.linear_curve(2.0, 50.0, 0.0, 1.5),
        characteristic.quick_opening_curve(2.0, 50.0, 0.0, 1.5),
        characteristic.measured_curve([0.1, 0.5, 1.0, 1.5], [0.0, 0.2, 0.9, 2.0], "invented for this test"),
    ):
        grid = valve.flow_characteristic(
            curve.angle_array(), curve.kv_array(), np.array([0.0, 1.5]), fl, 0.0, 0.5 * math.pi
        )
        assert np.all(np.diff(grid.c) >= 0.0)
        assert grid.c[-1] == pytest.approx(curve.rated_kv * valve.KV_TO_C, rel=1e-9)
        if curve.kv[0] == 0.0:
            assert grid.shut == pytest.approx(curve.angle[0], abs=1e-12)


def test_the_grid_holds_the_formula_between_its_points():
    """Geometry on 121 points, read in ln Kv between them, against the geometry itself."""
    bore, ball = 0.008, 0.0125
    curve = characteristic.ball_curve(bore, ball, 0.1)
    grid = valve.flow_characteristic(
        curve.angle_array(), curve.kv_array(), np.array([0.0, 1.5]), np.array([0.9, 0.9]), 0.0, 0.5 * math.pi
    )
    for opening in np.radians([15.0, 33.0, 52.0, 71.0, 88.0]):
        k = characteristic.window_loss(characteristic.ball_window(float(opening), bore, ball), 2, 0.1)
        expected = math.pi / 4.0 * bore**2 * math.sqrt(2.0 / k)
        assert np.interp(opening, grid.angles, grid.c) == pytest.approx(expected, rel=3e-3)


def test_deviation_rows_and_rangeability():
    angle = np.linspace(0.0, 1.0, 11)
    stated = [10.0 * characteristic.equal_percentage(float(h), 50.0) for h in angle]
    rows = characteristic.deviation_rows(angle, stated, stated)
    assert all(row.within and row.deviation == 0.0 for row in rows)
    assert characteristic.inherent_rangeability(rows) == pytest.approx(50.0, rel=1e-12)
    off = [k * (1.25 if i == 3 else 1.0) for i, k in enumerate(stated)]
    rows = characteristic.deviation_rows(angle, off, stated)
    assert not rows[3].within
    assert rows[3].deviation == pytest.approx(0.25, rel=1e-12)
    # The row above the fault has a slope below half the stated one, so that the range ends one row higher still.
    assert rows[4].slope_ratio is not None
    assert rows[4].slope_ratio < 0.5
    assert characteristic.inherent_rangeability(rows) == pytest.approx(50.0**0.5, rel=1e-9)
    assert characteristic.inherent_rangeability(characteristic.deviation_rows([0, 1], [1.0, 5.0], [1.0, 10.0])) is None


def test_limits_are_told():
    with pytest.raises(RangeError, match="never shuts"):
        characteristic.ball_curve(0.008, 0.0090, 0.1)
    with pytest.raises(RangeError, match="above the bore"):
        characteristic.ball_curve(0.008, 0.008, 0.1)
    with pytest.raises(RangeError, match="far rim"):
        characteristic.v_port_curve(0.008, 0.02, math.radians(60.0), 0.1, 1.5, 0.3)
    with pytest.raises(RangeError, match="rangeability"):
        characteristic.linear_curve(1.0, 0.5, 0.0, 1.0)
    with pytest.raises(RangeError, match="must not fall"):
        characteristic.measured_curve([0.1, 0.2, 0.3], [1.0, 0.5, 2.0], "test")
    with pytest.raises(RangeError, match="same length"):
        characteristic.deviation_rows([0.0, 1.0], [1.0], [1.0, 2.0])
