"""The stability study: cases, verdicts, inputs refused, tables, figures; the example within its time."""

from __future__ import annotations

import dataclasses
import json
import math
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from valvectl.design.schema import LEGS
from valvectl.errors import RangeError
from valvectl.plant.chug import SOFT, ChugLoop, FeedLeg, compliance_at
from valvectl.review import figures_stability
from valvectl.review.figure_style import svg_text
from valvectl.studies.stability import MOST_SETTINGS, UNCONDITIONAL, StabilityResult, stability

EXAMPLE = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@pytest.fixture(scope="module")
def design(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    import valvectl

    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("VALVECTL_CACHE", str(tmp_path_factory.mktemp("cache")))
        loaded = valvectl.load(EXAMPLE)
        assert loaded.analysis.schedule.points
        yield loaded


def manifolds(design: Any) -> dict[Any, Any]:
    return {name: design.leg(name).manifold for name in LEGS}


@pytest.fixture(scope="module")
def result(design: Any) -> StabilityResult:
    return stability(design.machine, design.analysis.schedule, manifolds(design), gas_volumes=(2e-6, 10e-6))


def test_cases_go_from_stiff_to_soft(result: StabilityResult) -> None:
    labels = [case.label for case in result.cases]
    assert labels == ["stiff limit", "liquid-full", "2 mL gas", "10 mL gas", "soft limit"]
    assert result.stiff.label == "stiff limit"
    assert result.as_stated.label == "liquid-full"
    assert result.soft.label == "soft limit"
    assert result.case("2 mL gas") is result.cases[2]
    with pytest.raises(KeyError, match="liquid-full"):
        result.case("3 mL gas")
    for name in LEGS:
        filling = np.array([case.storage[name] for case in result.cases])
        assert np.all(np.diff(filling[:-1], axis=0) > 0.0)
        assert np.all(np.isinf(filling[-1]))


def test_numbers_of_each_case_agree_with_each_other(result: StabilityResult) -> None:
    at = int(np.argmin(np.abs(result.delay_scale - 1.0)))
    assert result.delay_scale[at] == pytest.approx(1.0, rel=1e-12)
    n, k = result.throttle.size, result.delay_scale.size
    for case in result.cases:
        assert case.map_roots.shape == case.map_gain_margin.shape == (n, k)
        assert np.array_equal(case.map_roots[:, at], case.roots)
        assert np.array_equal(case.stable, case.gain_margin > 0.0)
        assert np.array_equal(case.stable, case.growth < 0.0)
        assert np.array_equal(case.stable, case.delay_margin > 0.0)
        assert np.array_equal(case.stable, case.neutral_scale > 1.0)
        near = case.gain_margin < 12.0
        assert case.map_gain_margin[near, at] == pytest.approx(case.gain_margin[near], abs=0.05)


def test_both_limits_and_the_verdicts_in_words(result: StabilityResult) -> None:
    """The example is stable liquid-full and unstable at low throttle once its manifolds hold vapour."""
    assert result.stiff.stable.all()
    assert "stable over the range" in result.verdict(result.as_stated)
    assert not result.soft.stable[0]
    assert result.soft.stable[-1]
    assert re.fullmatch(
        r"unstable at 40 to \d\d % throttle, worst -\d\.\d dB at 40 % \(chug near 1\d\d Hz\)",
        result.verdict(result.soft),
    )
    # softer manifolds, less margin
    order = np.array([case.gain_margin[0] for case in result.cases[1:]])
    assert np.all(np.diff(order) < 0.0)


def test_gas_share_border_separates_stable_from_unstable(design: Any, result: StabilityResult) -> None:
    filled = manifolds(design)
    share = result.gas_share_border
    assert np.all(np.diff(share[np.isfinite(share)]) > 0.0)  # more throttle, more gas is borne
    assert np.array_equal(np.isinf(share[-3:]), [True] * 3)
    swell = {n: result.points[0].legs[n].manifold / result.points[-1].legs[n].manifold for n in LEGS}
    assert result.throttle[-1] == 1.0
    for factor, stable in ((0.98, True), (1.02, False)):
        # stated at full thrust: the volume that has the wanted share at the lowest setting
        changed = {
            n: m.model_copy(update={"gas_volume": factor * share[0] * m.volume * swell[n]}) for n, m in filled.items()
        }
        got = stability(design.machine, design.analysis.schedule, changed)
        assert got.as_stated.label == "gas as stated"
        assert got.case("liquid-full").stable.all()
        assert bool(got.as_stated.stable[0]) is stable


def test_stiffness_and_the_unconditional_criterion(result: StabilityResult) -> None:
    """Where half the slope of all drops is above half of pc in both legs, no delay makes the stiff loop unstable."""
    safe = np.minimum(*(result.total_stiffness[n] for n in LEGS)) > UNCONDITIONAL * 1.02
    assert safe.any()
    assert np.all(np.isinf(result.stiff.delay_margin[safe]))
    for name in LEGS:
        assert np.all(result.total_stiffness[name] > result.injector_stiffness[name])
        expected = [p.injector_stiffness(name) for p in result.points]
        assert result.injector_stiffness[name] == pytest.approx(expected, rel=1e-9)


def test_delays_grow_as_throttle_falls_when_asked(design: Any, result: StabilityResult) -> None:
    grown = stability(design.machine, design.analysis.schedule, manifolds(design), delay_exponent=0.5)
    for name in LEGS:
        assert grown.delay[name] == pytest.approx(design.machine.legs[name].delay * grown.throttle**-0.5)
        assert result.delay[name] == pytest.approx(np.full(result.throttle.size, design.machine.legs[name].delay))
    assert grown.soft.gain_margin[0] < result.soft.gain_margin[0]
    assert grown.soft.gain_margin[-1] == pytest.approx(result.soft.gain_margin[-1])
    assert any("delay exponent 0" in note for note in result.notes)
    assert any("power -0.5" in note for note in grown.notes)


def test_trapped_gas_expands_as_the_chamber_pressure_falls(design: Any, result: StabilityResult) -> None:
    leg, manifold, full = design.machine.legs["fuel"], design.leg("fuel").manifold, design.machine.chamber_pressure
    liquid = compliance_at(leg, manifold, 0.0, full, full)
    assert liquid == pytest.approx(leg.compliance, rel=1e-12)
    gas = [compliance_at(leg, manifold, 1e-6, full, p) - liquid for p in (full, 0.5 * full)]
    assert gas[0] == pytest.approx(leg.liquid.density * 1e-6 / full, rel=1e-9)
    assert gas[1] == pytest.approx(4.0 * gas[0], rel=1e-9)
    assert any("would fill" in note for note in result.notes)


def test_separation_is_flagged(design: Any, result: StabilityResult) -> None:
    assert not result.separated.any()
    assert result.throat_choked.all()
    expanded = dataclasses.replace(design.machine, exit_ratio=0.5 * design.machine.exit_ratio)
    got = stability(expanded, design.analysis.schedule, manifolds(design))
    assert np.array_equal(got.separated, got.exit_pressure_ratio < 0.4)
    assert got.separated[0]
    assert not got.separated[-1]
    vacuum = dataclasses.replace(design.machine, ambient_pressure=0.0)
    got = stability(vacuum, design.analysis.schedule, manifolds(design))
    assert not got.separated.any()
    assert np.all(np.isinf(got.exit_pressure_ratio))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"delay_exponent": math.nan}, "delay_exponent"),
        ({"delay_exponent": 7.0}, "delay_exponent"),
        ({"gas_volumes": (0.0,)}, "gas_volumes"),
        ({"gas_volumes": (math.inf,)}, "gas_volumes"),
        ({"delay_scales": np.array([1.0])}, "delay_scales"),
        ({"delay_scales": np.array([1.0, 0.5])}, "delay_scales"),
        ({"delay_scales": np.array([1.0, math.nan])}, "delay_scales"),
    ],
)
def test_bad_arguments_are_refused(design: Any, changes: dict[str, Any], message: str) -> None:
    with pytest.raises(RangeError, match=message):
        stability(design.machine, design.analysis.schedule, manifolds(design), **changes)


@pytest.mark.parametrize(
    "change", [{"injector": 0.0}, {"delay": -1e-3}, {"line": math.nan}, {"weight": math.inf}, {"storage": -1.0}]
)
def test_a_loop_of_impossible_numbers_is_refused(change: dict[str, float]) -> None:
    leg = FeedLeg(
        **{"weight": 0.5, "delay": 1e-3, "injector": 0.4, "line": 0.6, "inertia": 1e-3, "storage": SOFT, **change}
    )
    with pytest.raises(RangeError, match="chug loop"):
        ChugLoop(legs={"oxidizer": leg, "fuel": leg}, pressure_exponent=0.0, residence=1e-3)


def test_table_and_dictionary(result: StabilityResult) -> None:
    frame = result.to_frame()
    assert len(frame) == result.throttle.size
    for column in (
        "soft limit: gain margin [dB]",
        "liquid-full: stable",
        "fuel delay [ms]",
        "nozzle flow may separate",
    ):
        assert column in frame.columns
    made = result.to_dict()
    assert "points" not in made
    assert json.loads(json.dumps(made, allow_nan=False))["cases"][0]["label"] == "stiff limit"


def test_long_schedules_are_thinned_and_the_example_takes_under_two_seconds(design: Any) -> None:
    from valvectl.plant.schedule import build_schedule

    schedule = build_schedule(design.machine, 2 * MOST_SETTINGS)
    stability(design.machine, schedule, manifolds(design))  # imports
    times = []
    for _ in range(3):
        begin = time.process_time()  # of this process: other jobs on the machine do not count
        got = stability(design.machine, schedule, manifolds(design))
        times.append(time.process_time() - begin)
    assert got.throttle.size == MOST_SETTINGS
    assert got.throttle[[0, -1]] == pytest.approx(schedule.throttle[[0, -1]])
    assert min(times) < 2.0


def test_figures_name_units_and_are_the_same_each_time(result: StabilityResult) -> None:
    def drawn() -> list[Any]:
        return [
            figures_stability.chug_margin_chart(result).figure,
            figures_stability.stability_map(result, result.soft).figure,
            figures_stability.stability_chart(result),
        ]

    for first, second in zip(drawn(), drawn(), strict=True):
        for ax in first.axes:
            assert re.search(r"\[[^\]]+\]", ax.get_ylabel())
        text = svg_text(first, "p", "chug")
        assert text == svg_text(second, "p", "chug")
        assert len(text) < 200_000
    with pytest.raises(ValueError, match="3 axes"):
        figures_stability.stability_chart(result, [None])


def test_a_passage_of_no_width_swings_with_no_delay(design: Any) -> None:
    """Its loop gain falls below one at a frequency that rounds to zero (found by fuzzing)."""
    found = design.with_values({"legs.fuel.jacket.flow_area": 9e-35}).stability()
    assert not np.isnan([case.delay_margin for case in found.cases]).any()
