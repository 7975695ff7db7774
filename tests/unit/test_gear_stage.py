"""The study of a gear stage: what it finds, what it rules out and why, what it hands to the workshop, and its figure."""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
import time

import numpy as np
import pytest

from valvectl.design.schema_actuator import GearStage
from valvectl.errors import DesignError
from valvectl.parts import gear_backlash, gear_workshop
from valvectl.parts.gear_material import MATERIALS
from valvectl.review.figure_style import svg_text
from valvectl.review.figures_gear import gear_stage_chart
from valvectl.studies.gear_pair import ALPHA, evaluate
from valvectl.studies.gear_result import kind_of_reason
from valvectl.studies.gear_stage import gear_stage
from valvectl.studies.gear_wishes import SECOND_MODULES, SMALL_MODULES, GearWishes

WISHES = GearWishes(
    ratio=3.0, centre_least=0.03, centre_most=0.05, face_width=0.012, torque=8.0, peak_torque=25.0, speed=6.0
)


def wish(**changed):
    return dataclasses.replace(WISHES, **changed)


@pytest.fixture(scope="module")
def plain():
    return gear_stage(WISHES)


@pytest.fixture(scope="module")
def ring():
    return gear_stage(wish(internal=True, centre_least=0.015, centre_most=0.03))


def test_what_is_recommended_meets_everything(plain, ring):
    for result in (plain, ring):
        best = result.recommended
        assert best is not None
        assert best is result.pairs[0]
        assert best.reasons == ()
        assert all(got >= wanted for _, got, wanted in best.safeties)
        assert best.contact_ratio >= WISHES.contact_ratio_least
        assert best.backlash.least >= WISHES.backlash_least
        assert not best.backlash.binds
        assert abs(best.ratio / 3.0 - 1.0) <= WISHES.ratio_tolerance
        assert result.wishes.centre_least - 1e-12 <= best.centre <= result.wishes.centre_most + 1e-12
        assert list(result.scores) == sorted(result.scores, reverse=True)


def test_every_pair_that_is_ruled_out_says_why(plain):
    assert 0 < plain.met < len(plain.pairs)
    assert all(p.reasons for p in plain.pairs[plain.met :])
    assert not any(p.reasons for p in plain.pairs[: plain.met])
    assert sum(n for _, n in plain.out_of_reach) + len(plain.pairs) == plain.tried
    counted = dict(plain.rejected)
    assert counted["face width"] == sum(any(r.startswith("face width") for r in p.reasons) for p in plain.pairs)


def test_a_fixed_centre_distance_is_met_by_shifts():
    result = gear_stage(wish(centre_least=0.04, centre_most=0.04))
    assert result.recommended is not None
    for pair in result.pairs:
        assert pair.centre == pytest.approx(0.04, rel=1e-12)
        total = pair.pinion.shift + pair.wheel.shift
        assert -0.4 - 1e-9 <= total <= 1.0 + 1e-9
    assert any(abs(p.pinion.shift + p.wheel.shift) > 0.05 for p in result.pairs)


@pytest.mark.parametrize(
    ("weights", "key"),
    [
        ((1.0, 0.0, 0.0, 0.0), lambda p: -min(p.strength, 2.0)),
        ((0.0, 1.0, 0.0, 0.0), lambda p: p.lost_motion_most),
        ((0.0, 0.0, 1.0, 0.0), lambda p: p.size),
        ((0.0, 0.0, 0.0, 1.0), lambda p: p.inertia),
    ],
    ids=["strength", "lost motion", "size", "inertia"],
)
def test_a_weight_alone_ranks_by_its_own_measure(weights, key):
    result = gear_stage(wish(weights=weights))
    measures = [key(p) for p in result.pairs[: result.met]]
    assert len({round(m, 12) for m in measures}) > 3
    assert all(a <= b * (1.0 + 1e-9) if b > 0.0 else a <= b + 1e-9 for a, b in itertools.pairwise(measures))


def test_scores_are_the_sum_that_the_study_states(plain):
    good = plain.pairs[: plain.met]
    least = (
        min(p.lost_motion_most for p in good),
        min(p.size for p in good),
        min(p.inertia for p in good),
    )
    for pair, score in zip(good, plain.scores, strict=True):
        expected = min(pair.strength, 2.0) * least[0] / pair.lost_motion_most * least[1] / pair.size
        assert math.exp(score) == pytest.approx(expected * (least[2] / pair.inertia) ** 0.25, rel=1e-9)


def test_each_tolerance_and_material_goes_to_its_own_gear():
    wishes = wish(
        runout_pinion=1e-6, runout_wheel=2e-6, bearing_play=3e-6, thickness_tolerance=4e-6, centre_tolerance=5e-6,
        housing_expansion=6e-6, wheel_colder=7.0, wheel_warmer=8.0, assembly_temperature=290.0, low_temperature=250.0,
        high_temperature=330.0, wheel_material=MATERIALS["tin bronze, cast"],
    )  # fmt: skip
    assert dataclasses.asdict(wishes.tolerances(9e-6)) == {
        "thinning_1": 9e-6, "thinning_2": 9e-6, "thickness": 4e-6, "centre": 5e-6, "runout_1": 1e-6, "runout_2": 2e-6,
        "bearing_play": 3e-6, "housing_expansion": 6e-6, "expansion_1": 11.5e-6, "expansion_2": 18e-6, "assembly": 290.0,
        "low": 250.0, "high": 330.0, "wheel_colder": 7.0, "wheel_warmer": 8.0,
    }  # fmt: skip


def test_a_small_pinion_is_pressed_hardest_where_one_pair_begins_to_carry():
    pair = evaluate(WISHES, 1e-3, 14, 43, 0.0)
    own = 0.5 * math.sqrt(pair.pinion.tip**2 - pair.pinion.base**2) - math.pi * 1e-3 * math.cos(ALPHA)
    line = pair.centre * math.sin(pair.alpha_w)
    at_pitch = [0.5 * g.operating * math.sin(pair.alpha_w) for g in (pair.pinion, pair.wheel)]
    ratio = (1.0 / own + 1.0 / (line - own)) / (1.0 / at_pitch[0] + 1.0 / at_pitch[1])
    assert ratio > 1.0  # else the pitch point would decide
    assert pair.pressure / pair.pitch_pressure == pytest.approx(math.sqrt(ratio), rel=1e-9)


def test_a_bore_may_leave_the_rim_wanted_and_no_less():
    gear = evaluate(WISHES, 1e-3, 20, 60, 0.0).pinion
    largest = gear.root - WISHES.rim_heights * (gear.tip - gear.root)
    for bore, thin in ((largest - 1e-6, False), (largest + 1e-6, True)):
        pair = evaluate(wish(pinion_bore=bore), 1e-3, 20, 60, 0.0)
        assert any(r.startswith("rim of the pinion") for r in pair.reasons) == thin


def test_a_ring_close_to_its_pinion_goes_together_along_the_axis_only():
    inside = wish(internal=True)
    for ring, along in ((60, False), (32, True)):
        pair = evaluate(inside, 1e-3, 20, ring, 0.0)
        assert any(n.startswith("put together along the axis") for n in pair.notes) == along, ring


def test_small_pinions_are_shifted_out_of_undercut(plain):
    twelve = [p for p in plain.pairs if p.pinion.teeth == 12]
    assert twelve
    for pair in twelve:
        assert pair.pinion.shift >= 1.0 - 0.5 * 12 * math.sin(ALPHA) ** 2 - 1e-9 - 1e-4
        assert not any("undercut" in r for r in pair.reasons)


def test_bottom_clearance_of_the_rack_is_kept(plain, ring):
    for result in (plain, ring):
        for pair in result.pairs:
            assert pair.clearance >= 0.25 * pair.module * (1.0 - 1e-9)


def test_stronger_teeth_or_less_torque_raise_the_safeties():
    pair = evaluate(WISHES, 1e-3, 20, 60, 0.0)
    half = evaluate(wish(torque=4.0), 1e-3, 20, 60, 0.0)
    hard = evaluate(wish(pinion_material=MATERIALS["case-hardening steel, carburised"]), 1e-3, 20, 60, 0.0)
    safety, weaker, harder = ({w: g for w, g, _ in p.safeties} for p in (pair, half, hard))
    assert weaker["bending in running, pinion"] == pytest.approx(2.0 * safety["bending in running, pinion"], rel=1e-12)
    assert weaker["contact in running"] == pytest.approx(math.sqrt(2.0) * safety["contact in running"], rel=1e-12)
    assert weaker["yield at the peak, wheel"] == safety["yield at the peak, wheel"]
    assert harder["bending in running, pinion"] > safety["bending in running, pinion"]
    assert harder["contact in running"] * hard.pressure == pytest.approx(650e6, rel=1e-12)  # the softer wheel decides


def test_torque_limit_is_where_the_first_peak_safety_is_used_up():
    pair = evaluate(WISHES, 1e-3, 20, 60, 0.0)
    at_limit = evaluate(wish(peak_torque=pair.torque_limit), 1e-3, 20, 60, 0.0)
    peaks = [got / wanted for what, got, wanted in at_limit.safeties if "peak" in what]
    assert min(peaks) == pytest.approx(1.0, rel=1e-9)


def test_running_into_the_stop_counts_more_than_stalling():
    hit = wish(stop_speed=6.0, stop_inertia=0.025, stop_stiffness=2000.0)
    assert hit.blow == pytest.approx(25.0 + math.hypot(25.0, 6.0 * math.sqrt(50.0)), rel=1e-12)
    assert evaluate(hit, 1e-3, 20, 60, 0.0).strength < evaluate(WISHES, 1e-3, 20, 60, 0.0).strength


def test_none_meets_everything_and_the_nearest_says_what_it_misses():
    result = gear_stage(wish(peak_torque=200.0))
    assert result.recommended is None
    assert result.met == 0
    assert result.nearest is result.pairs[0]
    assert "None of" in result.reason
    assert all(reason in result.reason for reason in result.nearest.reasons)
    assert result.drawing


def test_nothing_fits_between_the_centre_distances():
    result = gear_stage(wish(centre_least=0.001, centre_most=0.0011))
    assert result.nearest is None
    assert result.pairs == ()
    assert "centre distance too large" in result.reason
    assert result.to_frame().empty
    assert result.stage() == {}
    assert all(len(v) == 0 for v in result.lost_motion_columns().values())
    with pytest.raises(ValueError, match="no pair to draw"):
        gear_stage_chart(result)


def test_thinning_that_is_too_little_binds_and_is_ruled_out():
    result = gear_stage(wish(thinning=0.0))
    assert result.recommended is None
    assert all(any(r.startswith("binds") for r in p.reasons) for p in result.pairs)
    assert all(p.backlash.least < 0.0 for p in result.pairs)


def test_limits_of_lost_motion_size_and_rim_are_held():
    for limit, word in (
        ({"lost_motion_most": math.radians(0.05)}, "lost motion"),
        ({"largest_size": 0.02}, "size"),
        ({"wheel_bore": 0.058, "pinion_bore": 0.016}, "rim"),
    ):
        result = gear_stage(wish(**limit))
        assert dict(result.rejected).get(word, 0) + sum(n for k, n in result.rejected if k.startswith(word)) > 0


def test_colder_wheel_opens_and_colder_housing_closes_the_mesh():
    base = evaluate(wish(wheel_colder=0.0, wheel_warmer=0.0), 1e-3, 20, 60, 0.0)
    colder = evaluate(wish(wheel_colder=60.0, wheel_warmer=0.0, thinning=base.thinning), 1e-3, 20, 60, 0.0)
    assert colder.backlash.most > base.backlash.most
    arctic = evaluate(wish(wheel_colder=0.0, wheel_warmer=0.0, low_temperature=200.0), 1e-3, 20, 60, 0.0)
    assert arctic.thinning > base.thinning  # more is taken off so that it does not bind


@pytest.mark.parametrize(
    "service",
    [
        {"low_temperature": 330.0, "high_temperature": 360.0},
        {"internal": True, "centre_least": 0.015, "low_temperature": 150.0, "high_temperature": 200.0},
    ],
    ids=["external, hot only", "ring, cold only"],
)
def test_a_pair_for_a_service_away_from_the_bench_can_be_put_together(service):
    """Expansion opens both meshes in use, so that it is the bench that decides how much must come off the teeth."""
    result = gear_stage(wish(**service))
    pair = result.recommended
    assert pair is not None
    tolerances = dataclasses.replace(
        result.wishes.tolerances(pair.thinning), low=293.15, high=293.15, wheel_colder=0.0, wheel_warmer=0.0
    )
    bench = gear_backlash.backlash(
        pair.module, pair.pinion.teeth, result.wishes.sense * pair.wheel.teeth, ALPHA, pair.pinion.thickness,
        pair.wheel.thickness, pair.centre, tolerances,
    )  # fmt: skip
    assert bench.least >= WISHES.backlash_least
    assert pair.backlash.least <= bench.least


# ------------------------------------------------------------------------------------------------------------ workshop


def test_drawing_gives_sizes_that_lead_back_to_the_tooth_thickness(plain, ring):
    for result, sense in ((plain, 1), (ring, -1)):
        pair = result.nearest
        rows = {row.what: row for row in result.drawing}
        for name, gear, z in (
            ("pinion", pair.pinion, pair.pinion.teeth),
            ("wheel", pair.wheel, sense * pair.wheel.teeth),
        ):
            most = getattr(rows["tooth thickness on the reference circle, most"], name)
            assert most == pytest.approx(gear.thickness - pair.thinning + WISHES.thickness_tolerance, abs=1e-12)
            pin = getattr(rows["pin diameter"], name)
            label = "most" if z > 0 else "least"  # thicker teeth of a ring leave less between the pins
            size = getattr(rows[f"over pins (of a ring between), {label}"], name)
            assert gear_workshop.pin_thickness(pair.module, z, ALPHA, size, pin) == pytest.approx(most, abs=1e-10)
            if z > 0:
                count, span = getattr(rows["teeth in the span"], name), getattr(rows["span, most"], name)
                assert gear_workshop.span_thickness(pair.module, z, count, ALPHA, span) == pytest.approx(
                    most, abs=1e-10
                )
            else:
                assert math.isnan(getattr(rows["span, most"], name))


def test_drawing_shows_units_and_dashes(ring):
    table = ring.drawing_columns()
    assert list(table) == ["dimension", "pinion", "ring"]
    assert "-" in table["ring"]
    shown = " ".join(table["pinion"])
    assert " mm" in shown
    assert " deg" in shown
    assert "nan" not in shown + " ".join(table["ring"])


# --------------------------------------------------------------------------------------------------- the design's keys


def test_stage_gives_the_keys_of_a_gear_stage_within_their_ranges(plain, ring):
    for result in (plain, ring):
        keys = result.stage()
        assert set(keys) <= set(GearStage.model_fields)
        assert 0.9 < keys["efficiency"] < 1.0
        assert keys["static_efficiency"] < keys["efficiency"]
        assert keys["backdrive_efficiency"] == pytest.approx(2.0 - 1.0 / keys["efficiency"], rel=1e-12)
        assert keys["lost_motion"] == result.nearest.lost_motion_most
        assert keys["inertia"] > 0.0
        assert keys["torque_limit"] >= WISHES.peak_torque * (1.0 - 1e-9)


def test_inertia_is_that_of_two_discs(plain):
    pair, keys = plain.nearest, plain.stage()
    by_hand = sum(
        0.5 * 7850.0 * math.pi * (0.5 * g.pitch) ** 2 * 0.012 * (0.5 * g.pitch) ** 2 / turn
        for g, turn in ((pair.pinion, 1.0), (pair.wheel, pair.ratio**2))
    )
    assert keys["inertia"] == pytest.approx(by_hand, rel=1e-12)


# ------------------------------------------------------------------------------------------------------ results, errors


def test_result_is_a_table_and_plain_json(plain):
    frame = plain.to_frame()
    assert len(frame) == len(plain.pairs)
    assert frame["ruled out"].iloc[0] == ""
    assert np.isfinite(frame.drop(columns=["weakest", "ruled out", "notes", "score"]).to_numpy(dtype=float)).all()
    text = json.dumps(plain.to_dict(), allow_nan=False)
    assert "recommended" in text
    assert "ISO 6336" in plain.to_dict()["method"]
    causes = plain.lost_motion_columns()
    assert "temperature" in causes["cause"]
    reach = (
        sum(causes["upper [deg]"]),
        plain.nearest.lost_motion(plain.nearest.backlash.most - plain.nearest.backlash.nominal),
    )
    assert reach[0] == pytest.approx(
        math.degrees(reach[1]), rel=0.05
    )  # parts add up to the worst case but for curvature


def test_all_faults_of_the_wishes_come_at_once():
    steel = dataclasses.replace(MATERIALS["tin bronze, cast"], yield_stress=-1.0, poisson=0.7)
    bad = wish(
        ratio=math.nan, centre_least=0.06, face_width=0.0, modules=(), pinion_teeth=(40, 12), stop_speed=1.0,
        static_friction=0.01, low_temperature=400.0, thinning=1.0, weights=(1.0, -1.0, 1.0, 1.0),
        wheel_material=steel, finish="cast",
    )  # fmt: skip
    with pytest.raises(DesignError) as caught:
        gear_stage(bad)
    keys = {fault.key for fault in caught.value.faults}
    assert keys == {
        "ratio", "centre_most", "face_width", "modules", "pinion_teeth", "stop_speed", "static_friction", "high_temperature",
        "thinning", "weights", "wheel_material.yield_stress", "wheel_material.poisson", "finish",
    }  # fmt: skip
    assert all(fault.got for fault in caught.value.faults)


def test_reasons_are_counted_without_their_numbers():
    assert kind_of_reason("contact at the peak: safety 0.70, wanted 1") == "contact at the peak"
    assert kind_of_reason("tips of the pinion 0.11 modules thick, wanted 0.25") == "tips of the pinion"


def test_the_whole_search_takes_less_than_a_second():
    gear_stage(WISHES)
    wide = wish(modules=(*SMALL_MODULES, *SECOND_MODULES), centre_least=0.02, centre_most=0.1)
    start = time.process_time()
    result = gear_stage(wide)
    assert len(result.pairs) > 1000
    assert time.process_time() - start < 1.0


def test_the_same_wishes_give_the_same_answer(plain):
    again = gear_stage(WISHES)
    assert json.dumps(again.to_dict()) == json.dumps(plain.to_dict())
    assert [p.module for p in again.pairs] == [p.module for p in plain.pairs]


# ------------------------------------------------------------------------------------------------------------- figure


def test_figure_is_true_to_scale_and_says_what_it_shows(plain, ring):
    for result in (plain, ring):
        figure = gear_stage_chart(result)
        whole, close, bars = figure.axes
        assert whole.get_aspect() == close.get_aspect() == 1.0
        assert "mm" in whole.get_xlabel()
        assert "mm" in close.get_xlabel()
        assert "[-]" in bars.get_xlabel()
        svg = svg_text(figure, "gear", "gear pair")
        assert svg == svg_text(gear_stage_chart(result), "gear", "gear pair")
        assert f"centre distance {1e3 * result.nearest.centre:.3f} mm" in svg
        mesh = result.mesh
        spread = np.ptp(mesh.pinion[:, 0])
        assert spread == pytest.approx(result.nearest.pinion.tip, rel=0.02)


def test_figure_of_a_pair_that_misses_something_says_so():
    result = gear_stage(wish(peak_torque=200.0))
    figure = gear_stage_chart(result)
    assert "not all met" in figure.axes[0].get_title(loc="left")


def test_undercut_pairs_are_not_drawn():
    """Six to eight teeth: the shift that the pinion needs undercuts the wheel, or leaves its own tips too thin."""
    result = gear_stage(wish(pinion_teeth=(6, 8), centre_least=0.012, centre_most=0.02))
    assert result.recommended is None
    assert all(any(r.startswith(("wheel undercut", "tips of the pinion")) for r in p.reasons) for p in result.pairs)
    assert any(r.startswith("wheel undercut") for r in result.nearest.reasons)
    assert result.mesh is None
