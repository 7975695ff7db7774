"""Surge study: consistent with the steady balance, with its own limits, with the closed forms; faults; figures."""

from __future__ import annotations

import dataclasses
import math
import time
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.errors import DesignError
from valvectl.parts import line, wave
from valvectl.parts.wave import PipeWall
from valvectl.review.figure_style import svg_text
from valvectl.review.figures_surge import closing_chart, surge_chart
from valvectl.studies.surge import SurgeResult, surge

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


def study(**given) -> SurgeResult:
    return surge(rig().machine, rig(), rig().analysis.schedule, "oxidizer", **given)


@cache
def plain() -> SurgeResult:
    return study()


def test_starts_and_ends_on_the_steady_balance():
    points = rig().analysis.schedule.points
    high, low = points[-1].legs["oxidizer"], points[0].legs["oxidizer"]
    for name, first, last in (("throttle down", high, low), ("throttle up", low, high)):
        move = plain().movement(name)
        assert move.flow[0] == pytest.approx(first.flow, rel=1e-6)
        assert move.pressure[0] == pytest.approx(first.valve_inlet, rel=1e-6)
        assert move.flow[-1] == pytest.approx(last.flow, rel=1e-3)
        assert move.pressure[-1] == pytest.approx(last.valve_inlet, rel=2e-3)
    shut = plain().movement("shut from full thrust")
    assert abs(shut.flow[-1]) < 1e-6
    assert shut.pressure[-1] == pytest.approx(plain().static_pressure, rel=2e-3)
    assert shut.angle[-1] == rig().machine.legs["oxidizer"].closed_stop


def test_numbers_of_the_line():
    leg, pipe = rig().machine.legs["oxidizer"], rig().leg("oxidizer").line
    result = plain()
    assert result.wave_speed < leg.liquid.sound_speed
    assert result.reflection == pytest.approx(2.0 * pipe.length / result.wave_speed)
    flow = rig().analysis.schedule.points[-1].legs["oxidizer"].flow
    assert result.velocity == pytest.approx(flow / (leg.liquid.density * line.area(pipe.inner_diameter)), rel=1e-6)
    assert result.joukowsky == pytest.approx(leg.liquid.density * result.wave_speed * result.velocity, rel=1e-12)
    for move in result.movements:
        assert 0.0 <= move.rise < result.joukowsky
        assert move.grid_error < 0.01 * move.peak
        assert result.vapour_pressure <= move.trough <= move.peak


def test_safe_speed_is_the_border():
    limit = plain().static_pressure + 2e5
    result = study(pressure_limit=limit)
    safe = result.safe_speed
    assert 0.0 < safe < math.inf

    def peak(speed: float) -> float:
        servo = dataclasses.replace(rig().machine.legs["oxidizer"].servo, speed_limit=speed)
        machine = rig().machine.with_leg("oxidizer", servo=servo)
        return surge(machine, rig(), rig().analysis.schedule, "oxidizer", pressure_limit=limit).movements[0].peak

    assert peak(safe) <= limit * (1.0 + 1e-9)
    assert peak(1.03 * safe) > limit


def test_safe_speed_at_its_ends():
    assert study(pressure_limit=plain().static_pressure + 1.5 * plain().joukowsky).safe_speed > plain().speed_limit
    assert study(pressure_limit=plain().static_pressure + 1.0).safe_speed == 0.0


def test_closing_law():
    law = plain().law
    assert law is not None
    assert plain().law_note == ""
    assert law.fastest <= plain().speed_limit * (1.0 + 1e-6)
    assert np.all(np.diff(law.angle) <= 0.0)
    assert law.angle[0] == pytest.approx(plain().movements[0].start_angle)
    assert law.angle[-1] == 0.0
    rest = plain().static_pressure
    # Most of what constant speed adds to the pressure at rest is gone, and the table keeps what the law holds.
    assert law.peak - rest < 0.5 * (law.constant_speed_peak - rest)
    assert law.peak - law.held_pressure < 0.25 * (law.constant_speed_peak - rest)
    assert law.held_pressure >= rest


def test_no_law_faster_than_the_stroke():
    result = study(closing_time=0.9 * plain().movements[0].duration)
    assert result.law is None
    assert "no closing law" in result.law_note
    assert closing_chart(result).axes[0].get_title() != "" or result.law_note


def test_short_stroke_reaches_joukowsky():
    """A valve that slams comes within the bound and near it."""
    fast = dataclasses.replace(rig().machine.legs["oxidizer"].servo, speed_limit=2e4)
    machine = rig().machine.with_leg("oxidizer", servo=fast)
    result = surge(machine, rig(), rig().analysis.schedule, "oxidizer")
    move = result.movements[0]
    assert move.duration < 0.1 * result.reflection
    first = move.pressure[move.time < result.reflection]
    assert float(np.max(first)) - float(move.pressure[0]) == pytest.approx(result.joukowsky, rel=0.03)
    # The column parts; its rejoining goes above the first rise.
    assert move.peak > float(np.max(first))
    assert move.cavity > 0.0
    assert any("column parts" in text for text in result.cautions)
    assert any("above the limit" in text for text in result.cautions)


def test_wall_changes_the_wave_speed_the_right_way():
    soft = study(wall=PipeWall(thickness=1e-3, elasticity=2e9, poisson=0.4, anchoring="none"))
    assert soft.wave_speed < 0.6 * plain().wave_speed
    assert not any("wall assumed" in text for text in soft.assumptions)
    assert any("wall assumed" in text for text in plain().assumptions)
    rigid = wave.pipe_wave_speed(900.0, 1140.0, 0.012, PipeWall(thickness=0.012, elasticity=1e12))
    assert rigid == pytest.approx(900.0, rel=2e-3)


def test_unsteady_friction_is_a_choice():
    assert study(unsteady=False).unsteady_coefficient == 0.0
    assert 0.0 < plain().unsteady_coefficient < wave.brunone_coefficient(wave.LAMINAR_DECAY)


def test_all_faults_at_once():
    with pytest.raises(DesignError) as caught:
        study(
            wall=PipeWall(thickness=-1e-3, elasticity=1.0, poisson=0.7, anchoring="sideways"),  # type: ignore[arg-type]
            pressure_limit=1e5,
            closing_time=-1.0,
            reaches=1,
        )
    text = str(caught.value)
    assert len(caught.value.faults) == 7
    for words in ("wall_thickness", "elasticity", "poisson_ratio", "anchoring", "pressure_limit", "closing", "reaches"):
        assert words in text
    for given in ({"pressure_limit": math.nan}, {"closing_time": math.nan}):
        with pytest.raises(DesignError):
            study(**given)


def test_table_and_dictionary():
    frame = plain().to_frame()
    assert list(frame["movement"]) == ["shut from full thrust", "throttle down", "throttle up"]
    assert all("[" in name for name in frame.columns if name != "movement")
    out = plain().to_dict()
    assert "time" not in out["movements"][0]
    assert "run" not in out["law"]


def test_figures_have_units_and_draw_the_same_twice():
    for draw in (surge_chart, closing_chart):
        figure = draw(plain())
        for ax in figure.axes:
            assert "[" in ax.get_ylabel()
        assert "[ms]" in figure.axes[-1].get_xlabel()
        assert svg_text(draw(plain()), "s") == svg_text(draw(plain()), "s")


def test_within_its_time():
    plain()  # compiled by now
    before = time.process_time()
    study()
    assert time.process_time() - before < 5.0
