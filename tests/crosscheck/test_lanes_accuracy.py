"""The simulator in lanes at its own, longer step against the slow solution, and what that step costs with everything on."""

from __future__ import annotations

import dataclasses
import itertools
from pathlib import Path
from typing import Any

import cases
import numpy as np
import pytest
from slow_engine import slow_run
from test_simulator import smooth_submodel

from valvectl.design.schema import LEGS
from valvectl.plant.lane_result import Reductions
from valvectl.plant.lanes import simulate_lanes
from valvectl.plant.schedule import commands
from valvectl.plant.time_grid import FEED_SHARE, FEED_STEP, STEPS_PER_LAG, longest_feed_step
from valvectl.studies.throttle import schedule_point

PEAK_SHARE = 0.002
"""The project's measure: largest O/F error within 0.2 % of itself."""
CAMPAIGN = {"parts": 1, "feed_every": 2}
"""As campaigns fly the examples (``studies/side_by_side.py``)."""
DESIGNS = Path(__file__).parents[2] / "designs"


def lane(case: cases.Case, **more: Any) -> Any:
    asked = Reductions(record=case.machine.record, shown=[0])
    return simulate_lanes(case.machine, case.gains, {}, case.command, case.start, case.duration, asked, lanes=1, **more)


def slow(case: cases.Case, method: str) -> Any:
    return slow_run(
        case.machine,
        case.gains,
        case.command,
        case.start,
        case.duration,
        record=case.machine.record,
        smoothing=case.smoothing,
        battery=case.battery,
        method=method,
    )


@pytest.mark.parametrize(
    ("make", "method"),
    [
        (cases.example, "DOP853"),
        (lambda design: cases.choking(design, "fuel"), "DOP853"),
        (cases.sticky, "LSODA"),
    ],
    ids=["easy", "choking", "sticky with lost motion"],
)
def test_peak_error_at_the_usual_step(design: Any, make: Any, method: str) -> None:
    case = make(design)
    reference = slow(case, method)
    error = reference.mixture_ratio / case.machine.mixture_ratio - 1.0
    expected = float(np.max(np.abs(error)))
    assert expected > 0.004
    for scheme in ({}, {"feed_every": 1}, CAMPAIGN):
        fast = lane(case, **scheme)
        assert fast.step == pytest.approx(case.machine.legs["fuel"].servo.current_period)
        assert abs(fast.windows[0].peak[0] - expected) <= PEAK_SHARE * expected
        assert np.max(np.abs(fast.histories[0].chamber_pressure / reference.chamber_pressure - 1.0)) <= 0.001


@pytest.mark.parametrize(("parts", "feed_every"), [(1, 1), (2, 1), (1, 2), (2, 2)])
def test_second_order_on_a_smooth_submodel(design: Any, parts: int, feed_every: int) -> None:
    """Stems and chamber pressure, between steps that are halved."""
    case = smooth_submodel(design)
    reference = slow(case, "DOP853")
    errors: list[list[float]] = []
    for division in (2, 4, 8):
        found = lane(case, step=50e-6 / division, parts=parts, feed_every=feed_every).histories[0]
        stems = max(float(np.max(np.abs(found.stem[n] - reference.legs[n]["stem"]))) for n in LEGS)
        errors.append([stems, float(np.max(np.abs(found.chamber_pressure - reference.chamber_pressure)))])
    for a, b in itertools.pairwise(errors):
        for coarse, fine in zip(a, b, strict=True):
            assert 1.8 <= np.log2(coarse / fine) <= 2.2, errors


@pytest.mark.parametrize("name", ["hover-rig", "sprint-stand"])
def test_what_the_usual_step_costs_with_everything_on(cache_folder: Path, name: str) -> None:
    """Mean of the largest O/F error over engines whose commands differ by nanoradians, against steps of a quarter and less.

    Nanoradians tip counts and moments of sticking, which scatters a single peak; the mean tells what the step does.
    """
    import valvectl

    a = valvectl.load(DESIGNS / f"{name}.toml").analysis
    duration = a.profile[-1][0]
    command = commands(a.machine, a.schedule, a.profile, duration)
    start = schedule_point(a.machine, a.schedule, a.profile[0][1])
    columns = {f"{leg}.command_offset": 1e-9 * np.arange(64.0) for leg in LEGS}
    schemes: list[dict[str, Any]] = [{"step": 6.25e-6, "parts": 1}, {"step": 50e-6}, {"step": 50e-6, **CAMPAIGN}]
    finest, *peaks = [
        float(np.mean(simulate_lanes(a.machine, a.gains, columns, command, start, duration, **scheme).windows[0].peak))
        for scheme in schemes
    ]
    assert all(abs(peak - finest) <= PEAK_SHARE * finest for peak in peaks), (finest, peaks)


def test_two_steps_of_feed_at_once_at_the_border_of_what_is_allowed(cache_folder: Path) -> None:
    """Manifolds so stiff, delays and a chamber so short that ``longest_feed_step`` just allows the campaign's."""
    import valvectl

    a = valvectl.load(DESIGNS / "hover-rig.toml").analysis
    machine, duration = a.machine, a.profile[-1][0]
    quickest = FEED_STEP / FEED_SHARE
    for leg in LEGS:
        part = machine.legs[leg]
        compliance = quickest**2 / (part.up_inertance + part.down_inertance)
        machine = machine.with_leg(leg, compliance=compliance, delay=STEPS_PER_LAG * FEED_STEP)
    assert longest_feed_step(machine) == pytest.approx(FEED_STEP)
    machine = dataclasses.replace(machine, characteristic_length=0.58 * machine.characteristic_length)
    assert longest_feed_step(machine) == pytest.approx(FEED_STEP, rel=0.02)
    command = commands(machine, a.schedule, a.profile, duration)
    start = schedule_point(machine, a.schedule, a.profile[0][1])
    columns = {f"{leg}.command_offset": 1e-9 * np.arange(32.0) for leg in LEGS}

    def peak(**scheme: Any) -> float:
        found = simulate_lanes(machine, a.gains, columns, command, start, duration, parts=1, **scheme)
        return float(np.mean(found.windows[0].peak))

    at_each, two_at_once, fine = peak(feed_every=1), peak(feed_every=2), peak(step=6.25e-6)
    assert two_at_once == pytest.approx(at_each, rel=5e-4)
    assert two_at_once == pytest.approx(fine, rel=PEAK_SHARE)
