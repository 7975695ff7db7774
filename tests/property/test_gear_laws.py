"""What must hold of the gear laws whatever the numbers: inverses, continuity, monotony; and that they compile."""

from __future__ import annotations

import importlib
import inspect
import itertools
import math
import zlib
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from valvectl.parts import gear_backlash, gear_internal, gear_mesh_loss, gear_strength, gear_teeth, gear_workshop

FEW = settings(max_examples=80, deadline=None)
A = gear_teeth.PRESSURE_ANGLE


def between(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


TEETH = st.integers(12, 150).map(float)
SHIFT = between(-0.4, 0.6)
MODULE = between(0.3e-3, 6e-3)

# -------------------------------------------------------------------------------------------------- involute function


@FEW
@given(between(-1.5, 1.5))
def test_inverse_involute_undoes_the_involute(angle):
    assert gear_teeth.inverse_involute(gear_teeth.involute(angle)) == pytest.approx(angle, abs=1e-12)


@FEW
@given(between(-12.0, 6.0))
def test_involute_undoes_its_inverse(exponent):
    value = 10.0**exponent
    angle = gear_teeth.inverse_involute(value)
    assert 0.0 < angle < 0.5 * math.pi
    # Near 90 deg the tangent turns the last digit of the angle into many of the value.
    assert gear_teeth.involute(angle) == pytest.approx(value, rel=1e-12, abs=1e-16 + 2e-16 * value**2)
    assert gear_teeth.inverse_involute(-value) == -angle


@FEW
@given(TEETH, TEETH, SHIFT, SHIFT)
def test_operating_angle_and_shift_sum_are_inverses(z1, z2, x1, x2):
    for total in (z1 + z2, -z2):
        alpha_w = gear_teeth.operating_angle(A, total, x1 + x2)
        if math.isnan(alpha_w):
            assert gear_teeth.involute(A) + 2.0 * math.tan(A) * (x1 + x2) / total < 0.0
            continue
        assert gear_teeth.involute(alpha_w) == pytest.approx(
            gear_teeth.involute(A) + 2.0 * math.tan(A) * (x1 + x2) / total, abs=1e-12
        )
        assert gear_teeth.shift_sum(A, total, alpha_w) == pytest.approx(x1 + x2, abs=1e-9)
        distance = gear_teeth.centre_distance(1e-3, total, A, alpha_w)
        # Where the base circles nearly touch, the cosine no longer tells angles apart.
        assert gear_teeth.angle_at_centre_distance(1e-3, total, A, distance) == pytest.approx(alpha_w, abs=1e-7)


# ---------------------------------------------------------------------------------------------------------- the pair


@FEW
@given(TEETH, TEETH, between(-0.3, 0.3), between(-0.3, 0.3))
def test_shifted_gears_mesh_without_backlash_at_their_centre_distance(z1, z2, x1, x2):
    for mate in (z2, -(z1 + z2)):
        alpha_w = gear_teeth.operating_angle(A, z1 + mate, x1 + x2)
        assume(alpha_w > 0.05)
        distance = gear_teeth.centre_distance(1.0, z1 + mate, A, alpha_w)
        first, second = (gear_teeth.thickness_at_pitch(1.0, x, A) for x in (x1, x2))
        gap = gear_backlash.circumferential_backlash(1.0, z1, mate, A, first, second, distance)
        assert gap == pytest.approx(0.0, abs=1e-9)


def _contact_ratio(z1: float, z2: float, x1: float, x2: float) -> float:
    alpha_w = gear_teeth.operating_angle(A, z1 + z2, x1 + x2)
    k = gear_teeth.tip_truncation(z1 + z2, x1 + x2, A, alpha_w)
    total = 0.0
    for z, x in ((z1, x1), (z2, x2)):
        tip = gear_teeth.tip_diameter(1.0, z, x, 1.0, k)
        total += gear_teeth.addendum_contact_ratio(
            z, gear_teeth.angle_at(tip, gear_teeth.base_diameter(1.0, z, A)), alpha_w
        )
    return total


@FEW
@given(TEETH, TEETH, between(0.0, 0.5), between(0.0, 0.5))
def test_contact_ratio_is_continuous_in_the_shifts(z1, z2, x1, x2):
    here = _contact_ratio(z1, z2, x1, x2)
    assert 0.9 < here < 2.0
    for more in (1e-7, -1e-7):
        assert _contact_ratio(z1, z2, x1 + more, x2) == pytest.approx(here, abs=1e-5)


@FEW
@given(TEETH, TEETH)
def test_contact_ratio_rises_with_teeth(z1, z2):
    assert _contact_ratio(z1 + 1.0, z2, 0.0, 0.0) > _contact_ratio(z1, z2, 0.0, 0.0)
    assert _contact_ratio(z1, z2 + 1.0, 0.0, 0.0) > _contact_ratio(z1, z2, 0.0, 0.0)


@FEW
@given(TEETH, SHIFT)
def test_undercut_limits_are_inverses(z, x):
    assert gear_teeth.least_teeth(A, 1.0, gear_teeth.least_shift(z, A, 1.0)) == pytest.approx(z, rel=1e-12)
    # The form circle meets the base circle just there.
    assert gear_teeth.form_tangent(z, gear_teeth.least_shift(z, A, 1.0), A, 1.0) == pytest.approx(0.0, abs=1e-12)
    assert (gear_teeth.form_tangent(z, x, A, 1.0) < 0.0) == (x < gear_teeth.least_shift(z, A, 1.0))


@FEW
@given(TEETH, TEETH, between(0.1, 0.6), between(0.0, 0.5))
def test_mate_tip_limit_undoes_active_tangent(z1, z2, alpha_w, tangent):
    for mate in (z2, -(z1 + z2)):
        angle = gear_teeth.mate_tip_limit(z1, mate, alpha_w, tangent)
        if math.isfinite(angle):
            assert gear_teeth.active_tangent(z1, mate, alpha_w, angle) == pytest.approx(tangent, abs=1e-9)


@FEW
@given(st.integers(12, 60).map(float), st.integers(10, 90).map(float), between(0.1, 0.6), between(0.0, 0.6))
def test_involute_interference_is_contact_below_the_base_circle(pinion, more, alpha_w, ring_tip):
    ring = pinion + more
    margin = gear_internal.involute_margin(pinion, ring, ring_tip, alpha_w)
    tangent = gear_teeth.active_tangent(pinion, -ring, alpha_w, ring_tip)
    assert tangent == pytest.approx(margin * ring / pinion * math.tan(alpha_w), abs=1e-12)


@FEW
@given(TEETH, SHIFT, MODULE)
def test_teeth_thin_towards_the_tip(z, x, module):
    thickness = gear_teeth.thickness_at_pitch(module, x, A)
    circles = np.linspace(z * math.cos(A) * 1.001, z + 2.0 + 2.0 * x, 12)
    arcs = [gear_teeth.thickness_at(module * float(d), module, z, A, thickness) / d for d in circles]
    assert all(b < a for a, b in itertools.pairwise(arcs))
    assert gear_teeth.thickness_at(module * z, module, z, A, thickness) == pytest.approx(thickness, rel=1e-9)
    inside = gear_teeth.thickness_at(0.9 * module * z * math.cos(A), module, z, A, thickness)
    assert math.isnan(inside)


# ------------------------------------------------------------------------------------------------------- measurements


@FEW
@given(TEETH, SHIFT, MODULE, between(0.0, 0.1))
def test_span_gives_the_thickness_back(z, x, module, thinner):
    thickness = gear_teeth.thickness_at_pitch(module, x, A) - thinner * module
    count = gear_workshop.teeth_spanned(z, x, A)
    measured = gear_workshop.span(module, z, count, A, thickness)
    assert gear_workshop.span_thickness(module, z, count, A, measured) == pytest.approx(thickness, rel=1e-9)
    more = gear_workshop.span(module, z, count + 1, A, thickness) - measured
    assert more == pytest.approx(math.pi * module * math.cos(A), rel=1e-9)


@FEW
@given(st.integers(17, 120), between(-0.3, 0.5), MODULE, between(0.95, 1.1), st.booleans())
def test_pins_give_the_thickness_back(z, x, module, size, ring):
    signed = float(-z - 20 if ring else z)
    thickness = gear_teeth.thickness_at_pitch(module, x, A)
    ideal = gear_workshop.ideal_pin(module, signed, x, A, thickness)
    pin = size * ideal
    measured = gear_workshop.over_pins(module, signed, A, thickness, pin)
    assume(math.isfinite(measured))
    assert gear_workshop.pin_thickness(module, signed, A, measured, pin) == pytest.approx(thickness, rel=1e-6)
    touch = gear_workshop.pin_contact_diameter(module, signed, A, thickness, ideal)
    wanted = max(module * abs(signed + 2.0 * x), gear_teeth.base_diameter(module, signed, A))
    assert touch == pytest.approx(wanted, rel=1e-9)


# ------------------------------------------------------------------------------------------- strength, loss, backlash


def _lewis(z: float, x: float) -> float:
    angle = gear_teeth.angle_at(z + 2.0 + 2.0 * x, z * math.cos(A))
    return gear_strength.lewis_factor(z, x, A, gear_teeth.DEDENDUM, gear_teeth.FILLET, angle)


@FEW
@given(st.integers(17, 200).map(float), between(0.0, 0.5))
def test_form_factor_rises_with_teeth_and_with_shift(z, x):
    here = _lewis(z, 0.0)
    assert 0.2 < here < _lewis(z + 1.0, 0.0) < _lewis(gear_strength.RACK_TEETH, 0.0)
    if z < 60.0:
        assert _lewis(z, x) >= here * (1.0 - 1e-12)


@FEW
@given(between(12.0, 2000.0))
def test_the_printed_table_rises_and_is_continuous(z):
    here = gear_strength.lewis_table(z)
    assert gear_strength.lewis_table(1.001 * z) >= here
    assert gear_strength.lewis_table(z * (1.0 + 1e-9)) == pytest.approx(here, abs=1e-8)
    assert here < gear_strength.LEWIS_RACK


@FEW
@given(between(0.0, 100.0), between(0.1, 10.0), between(0.0, 1.0), between(1.0, 1e4))
def test_a_blow_is_never_below_the_sudden_torque_and_grows(drive, speed, inertia, stiffness):
    blow = gear_strength.stop_torque(drive, speed, inertia, stiffness)
    assert blow >= 2.0 * drive
    assert gear_strength.stop_torque(drive, 1.1 * speed, inertia, stiffness) >= blow
    # Work of the drive and kinetic energy are in the spring.
    energy = 0.5 * inertia * speed**2 + drive * blow / stiffness
    assert 0.5 * blow**2 / stiffness == pytest.approx(energy, rel=1e-9, abs=1e-12)


@FEW
@given(TEETH, TEETH, between(0.3, 0.95), between(0.3, 0.95))
def test_loss_factors_agree_at_a_contact_ratio_of_one_and_order_beyond(z1, z2, one, two):
    at_one = gear_mesh_loss.loss_factor(z1, z2, one, 1.0 - one)
    assert at_one == pytest.approx(gear_mesh_loss.loss_factor_even(z1, z2, one, 1.0 - one), rel=1e-9)
    if one + two > 1.0:
        assert gear_mesh_loss.loss_factor(z1, z2, one, two) <= gear_mesh_loss.loss_factor_even(z1, z2, one, two) * (
            1.0 + 1e-12
        )
    ring = gear_mesh_loss.loss_factor(z1, -(z1 + z2), one, two)
    assert 0.0 <= ring <= gear_mesh_loss.loss_factor(z1, z1 + z2, one, two)


def _tolerances(**changed: float) -> gear_backlash.MeshTolerances:
    plain = dict.fromkeys(
        (
            "thinning_1",
            "thinning_2",
            "thickness",
            "centre",
            "runout_1",
            "runout_2",
            "bearing_play",
            "wheel_colder",
            "wheel_warmer",
        ),
        0.0,
    )
    plain |= {"housing_expansion": 23.5e-6, "expansion_1": 11.5e-6, "expansion_2": 11.5e-6}
    plain |= {"assembly": 293.0, "low": 293.0, "high": 293.0}
    return gear_backlash.MeshTolerances(**(plain | changed))


def _backlash(z2: float, tolerances: gear_backlash.MeshTolerances) -> gear_backlash.Backlash:
    half = 0.5 * math.pi * 1e-3
    return gear_backlash.backlash(1e-3, 20.0, z2, A, half, half, 0.5e-3 * abs(20.0 + z2), tolerances)


LIMITS = {
    "thickness": 50e-6, "centre": 50e-6, "runout_1": 50e-6, "runout_2": 50e-6, "bearing_play": 50e-6,
    "wheel_colder": 50.0, "wheel_warmer": 50.0,
}  # fmt: skip


@FEW
@given(
    st.sampled_from([60.0, -60.0]),
    st.fixed_dictionaries({k: between(0.0, v) for k, v in LIMITS.items()}),
    between(0.0, 100.0),
    st.sampled_from(sorted(LIMITS)),
)
def test_worst_case_holds_root_sum_square_and_nominal_and_widens(z2, values, cold, which):
    found = _backlash(z2, _tolerances(thinning_1=1e-4, thinning_2=1e-4, low=293.0 - cold, high=293.0, **values))
    slack = 1e-15
    assert found.least <= found.least_rss + slack
    assert found.least_rss <= found.nominal + slack
    assert found.nominal <= found.most_rss + slack
    assert found.most_rss <= found.most + slack
    wider = dict(values) | {which: values[which] + 0.1 * LIMITS[which]}
    more = _backlash(z2, _tolerances(thinning_1=1e-4, thinning_2=1e-4, low=293.0 - cold, high=293.0, **wider))
    assert more.least <= found.least + 1e-15
    assert more.most >= found.most - 1e-15
    assert found.binds == (found.least <= 0.0)


@FEW
@given(st.sampled_from([60.0, -60.0]), between(0.0, 50e-6), between(0.0, 50e-6))
def test_thinning_found_leaves_the_backlash_wanted(z2, centre, wanted):
    bare = _backlash(z2, _tolerances(centre=centre))
    distance = 0.5e-3 * abs(20.0 + z2)
    more = gear_backlash.thinning_for(bare.least, 20.0 + z2, 1e-3, distance, wanted)
    found = _backlash(z2, _tolerances(centre=centre, thinning_1=more, thinning_2=more))
    assert found.least == pytest.approx(wanted, abs=1e-6)


def test_an_aluminium_housing_closes_an_external_pair_in_the_cold_and_opens_a_ring():
    external, ring = (_backlash(z2, _tolerances(low=233.0, high=233.0)) for z2 in (60.0, -60.0))
    assert external.least < external.nominal == external.most
    assert ring.most > ring.nominal == ring.least


@FEW
@given(st.sampled_from([60.0, -60.0]), between(100.0, 400.0), between(0.0, 100.0), between(0.0, 50e-6))
def test_worst_case_holds_on_the_bench_too(z2, low, span, centre):
    """Whatever the service range, also one that leaves out the temperature at which the pair is put together."""
    found = _backlash(z2, _tolerances(low=low, high=low + span, centre=centre, wheel_colder=20.0, wheel_warmer=5.0))
    bench = _backlash(z2, _tolerances(centre=centre))
    assert found.least <= bench.least + 1e-15
    assert found.most >= bench.most - 1e-15
    if low <= 293.0 <= low + span:  # inside the range the corners in use hold it already
        corners = [_backlash(z2, _tolerances(low=t, high=t, centre=centre, wheel_colder=20.0, wheel_warmer=5.0))
                   for t in (low, low + span)]  # fmt: skip
        assert found.least == pytest.approx(min(c.least for c in corners), abs=1e-15)
        assert found.most == pytest.approx(max(c.most for c in corners), abs=1e-15)


# ------------------------------------------------------------------------------------------------------------ compiled

MODULES = (
    "gear_teeth",
    "gear_internal",
    "gear_workshop",
    "gear_outline",
    "gear_strength",
    "gear_mesh_loss",
    "gear_backlash",
)
RANGES = {
    "teeth": (12.0, 90.0), "teeth_1": (12.0, 40.0), "teeth_2": (41.0, 90.0), "mate": (41.0, 90.0), "pinion": (12.0, 40.0),
    "ring": (60.0, 90.0), "teeth_sum": (30.0, 160.0), "shift": (-0.4, 0.6), "shift_sum": (-0.4, 1.0), "alpha": (0.25, 0.45),
    "alpha_w": (0.25, 0.5), "theta": (0.3, 1.5), "dedendum": (1.2, 1.3), "fillet": (0.2, 0.38), "angle": (0.1, 0.6),
    "load_angle": (0.4, 0.7), "tip_angle_1": (0.4, 0.7), "count": (2.0, 9.0), "value": (-2.0, 2.0), "thickness": (1.0, 2.0),
    "distance": (60.0, 200.0), "ring_tip_angle": (0.25, 0.35), "pinion_tip_angle": (0.4, 0.5),
    "poisson_1": (0.2, 0.4), "poisson_2": (0.2, 0.4),
}  # fmt: skip


def _laws() -> dict[str, Callable[..., Any]]:
    found: dict[str, Callable[..., Any]] = {}
    for name in MODULES:
        module = importlib.import_module(f"valvectl.parts.{name}")
        for label, law in vars(module).items():
            if inspect.isfunction(law) and law.__module__ == module.__name__:
                signature = inspect.signature(law)
                kinds = {p.annotation for p in signature.parameters.values()}
                if kinds == {"float"} and signature.return_annotation in ("float", "int", "tuple[float, float]"):
                    found[f"{name}.{label}"] = law
    return found


LAWS = _laws()


@pytest.fixture(scope="module")
def compiled() -> dict[str, Callable[..., Any]]:
    import numba
    from numba.extending import register_jitable

    for law in LAWS.values():
        register_jitable(law)
    return {name: numba.njit(law) for name, law in LAWS.items()}


@pytest.mark.parametrize("name", LAWS)
def test_numba_gives_what_python_gives(name, compiled):
    assert len(LAWS) >= 45
    law = LAWS[name]
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    for _ in range(30):
        arguments = [float(rng.uniform(*RANGES.get(p, (0.1, 2.0)))) for p in inspect.signature(law).parameters]
        expected, got = np.atleast_1d(law(*arguments)), np.atleast_1d(compiled[name](*arguments))
        np.testing.assert_allclose(
            got, expected, rtol=1e-11, atol=1e-13, equal_nan=True, err_msg=f"{name}{tuple(arguments)}"
        )
