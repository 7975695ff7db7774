"""A small review made by hand: every study, awkward numbers, a hostile name. Nothing is computed for it."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from valvectl.design.design_file import DefaultUsed
from valvectl.parts.controller import CascadeGains
from valvectl.plant.simulate import LegTrace, Trace
from valvectl.review.verdict import Remedy, Review, row
from valvectl.servo.margins import Margins
from valvectl.servo.sampled import Discrete
from valvectl.studies.ball_offset import OFFSETS
from valvectl.studies.heat import HeatResult
from valvectl.studies.ladder import LadderResult, LegLadder
from valvectl.studies.loop import LoopResult, StepMetrics, StepResponse
from valvectl.studies.ratio import ActuatorCheck, RatioResult
from valvectl.studies.resolution import CAUSES, BothLegs, LegResolution, ResolutionResult
from valvectl.studies.spread import Contribution, SpreadResult
from valvectl.studies.stroke import StrokeResult
from valvectl.studies.throttle import Change, Hold, ThrottleResult
from valvectl.studies.torque import TorqueResult
from valvectl.studies.turbulence import Turbulence

LEGS: tuple[Any, Any] = ("oxidizer", "fuel")
HOSTILE = "<script>alert(1)</script> & «Prüfstand» 推力 \u202e[bold]x[/bold]"


def made_loop(leg: Any) -> LoopResult:
    omega = np.geomspace(3.0, 3141.0, 200)
    gain = 150.0 / (1j * omega) / (1.0 + 1j * omega / 600.0) ** 2
    time = np.linspace(0.0, 0.6, 601)
    fine = Margins(11.0, math.inf, 600.0, 1.2, 150.0, 0.008, 1.5, 400.0, 1.1)
    bare = Margins(math.inf, math.inf, math.nan, math.inf, math.nan, math.inf, 1.0, 3.0, 1.0)
    stays = StepMetrics(0.8, 0.087, 0.006, 0.017, 0.021, 0.013, 0.026, 0.001)
    never = StepMetrics(0.8, -0.087, 0.006, 0.017, math.inf, 0.07, math.inf, -0.02)

    def response(m: StepMetrics) -> StepResponse:
        angle = m.start + m.size * (1.0 - np.exp(-time / 0.012))
        return StepResponse(time, np.full(time.size, m.start + m.size), angle, angle - 1e-4, np.sin(40.0 * time), m)

    eye = np.eye(1)
    return LoopResult(
        leg=leg,
        gains=CascadeGains(152.5, 7.8, 111.3, 6.58, 941.0),
        tuned=True,
        margins={"position": fine, "speed": fine, "current": bare},
        stable={"position": True, "speed": True, "current": False},
        frequency=omega,
        loop_gain=gain,
        complementary=gain / (1.0 + gain),
        bandwidth=390.0,
        steps={"opening": response(stays), "closing": response(never)},
        loops={
            at: Discrete(0.5 * eye, eye, eye, 0.0 * eye, period, ("u",), ("y",))
            for at, period in (("position", 1e-3), ("speed", 5e-4), ("current", 5e-5))
        },
    )


def made_throttle() -> ThrottleResult:
    time = np.linspace(0.0, 4.0, 8001)
    setting = np.interp(time, [0.0, 1.0, 1.5, 4.0], [1.0, 1.0, 0.4, 0.4])
    error = 0.02 * np.exp(-((time - 1.2) ** 2) / 0.01)
    error[5000] = -0.0765  # a spike of one point, which a thinned trace has to keep

    def leg() -> LegTrace:
        angle = np.radians(30.0 + 30.0 * setting)
        one = np.ones(time.size)
        return LegTrace(
            angle, angle, angle, angle, one, one, 0.4 * setting, 9e5 * one, 6e5 * one, 0.0 * one, 0.0 * one,
            1.0, 9.0, 300.0, 23.0, 4.0,
        )  # fmt: skip

    hold = Hold(1.5, 4.0, 0.4, -1e-9, math.inf, {"oxidizer": 0.008, "fuel": 0.0}, {"oxidizer": 0.03, "fuel": 0.0})
    change = Change(1.0, 1.5, 1.0, 0.4, -0.0765, 2.5, {"oxidizer": 0.002, "fuel": math.nan}, 0.5)
    return ThrottleResult(
        band=0.05,
        wanted_ratio=1.2,
        time=time,
        throttle=setting,
        thrust=setting,
        ratio_error=error,
        holds=(hold,),
        changes=(change,),
        lowest_bus=23.0,
        rms_current={"oxidizer": 1.0, "fuel": 1.0},
        peak_current={"oxidizer": 9.0, "fuel": 9.0},
        choked={"oxidizer": 0.0, "fuel": 0.0},
        trace=Trace(time, 15e5 * setting, 25.0 - 0.5 * error, {name: leg() for name in LEGS}, 2e-5),
    )


def made_studies() -> dict[str, Any]:
    x = np.linspace(0.4, 1.0, 7)
    one = np.ones(7)
    ratios = np.geomspace(12.0, 300.0, 50)
    angle = np.radians(np.linspace(0.0, 90.0, 19))

    def ratio(leg: Any, window: tuple[float, float] | None) -> RatioResult:
        checks = (
            ActuatorCheck("static torque margin", 2.0 * ratios - 20.0, 100.0, True, "%"),
            ActuatorCheck("stroke time", 0.2 + ratios / 500.0, 0.5, False, "s"),
        )
        best = None if window is None else 95.0
        return RatioResult(leg, ratios, 60.0, checks, 0.1 * ratios, window, "", "", best, "In words.", 2.1)

    def ladder() -> LegLadder:
        regime = Turbulence(1e5 * x, one)
        return LegLadder(
            x, 0.5 * x, 21e5 * one, 20e5 * one, 17e5 * x, 16e5 * x, 0.7 * one, 0.3 * one, 0.2 * one, regime
        )

    def resolution(leg: Any) -> LegResolution:
        steps = {cause: 1e-4 * (j + 1) * one for j, cause in enumerate(CAUSES)}
        flow = 4.0 * 5e-4 * one / x
        offsets = dict.fromkeys(OFFSETS, 0.0001 * one)
        return LegResolution(
            leg, x, 4.0 * one / x, 4.0 * one, steps, 5e-4 * one, (CAUSES[4],) * 7, flow, flow, flow,
            8e-4 * one, 1e-3 * one, 2.0 * flow, 2.0 * flow, offsets, 5e-4 * one, 3e-4 * one, flow, flow,
        )  # fmt: skip

    both = BothLegs(0.004 / x, 0.003 / x, 0.001 / x)

    return {
        "throttle": made_throttle(),
        "loop": {leg: made_loop(leg) for leg in LEGS},
        "ratio": {"oxidizer": ratio("oxidizer", (60.0, 150.0)), "fuel": ratio("fuel", None)},
        "resolution": ResolutionResult(x, 0.005, {leg: resolution(leg) for leg in LEGS}, both, both, both),
        "ladder": LadderResult(x, 15e5 * x, {leg: ladder() for leg in LEGS}, np.full(7, np.nan), ()),
        "torque": {
            leg: TorqueResult(leg, angle, 2.0 + 0.0 * angle, 4.0 + np.cos(angle), 13.0, 10.0, 21.5, 1.6, 0.0, 2e6)
            for leg in LEGS
        },
        "stroke": StrokeResult({"oxidizer": 0.3, "fuel": math.inf}, {"oxidizer": 0.3, "fuel": 0.31}, 21.0,
                               {"oxidizer": 10.0, "fuel": 10.0}, {}),
        "heat": {leg: HeatResult(leg, 1.0, 293.0, math.inf, 398.0) for leg in LEGS},
        "spread": SpreadResult(
            np.array([0.4, 1.0]),
            (Contribution("legs.fuel.valve.flow.kv", 0.015, np.array([0.014, 0.004])),
             Contribution("engine.ambient_pressure", 2e3, np.array([0.0, 0.0]))),
            np.array([0.016, 0.005]),
            np.array([0.014, 0.004]),
            (),
        ),
        "gains": {leg: CascadeGains(152.5, 7.8, 111.3, 6.58, 941.0) for leg in LEGS},
    }  # fmt: skip


def made_review(**changes: Any) -> Review:
    rows = (
        row("torque_margin", "oxidizer", "static torque margin", 140.0, ">=", 100.0, "%", "shut, cold", "balance", True),
        row("step_settling", "fuel", "settling of a step to 2 %", math.inf, "<=", 0.15, "s", "closing", "simulated", False),
        row("flow_resolution", "fuel", "flow step", 0.50000004, "<=", 0.5, "%", "at 40 % throttle", "gain", False),
        row("mixture_ratio_transient", None, "O/F error while throttling", None, "<=", 10.0, "%", "no change", "run", True),
        row("cavitation", "fuel", "valve drop over choking drop", math.nan, "<=", 0.8, "", "", "balance", True),
        row("gain_margin", "fuel", "gain margin", math.inf, ">=", 6.0, "dB", "current loop", "exact", True),
        row("peak_sensitivity", "fuel", "peak sensitivity", 1.5, "<=", 2.0, "", "speed loop", "exact", True),
    )  # fmt: skip
    values: dict[str, Any] = {
        "design": HOSTILE,
        "note": "<img src=x onerror=alert(2)> 'quoted' \"twice\"",
        "file": "a [red]folder[/red]/<b>.toml",
        "rows": rows,
        "remedies": (
            Remedy(
                "step_settling",
                "fuel",
                "legs.fuel.controller.hold_band",
                "0 deg",
                "0.1 deg",
                0.5,
                "Widen <it>.",
                ("a",),
            ),
            Remedy("flow_resolution", "fuel", "", "", "", None, "No single change does.", ()),
        ),
        "studies": made_studies(),
        "defaults_used": (DefaultUsed("simulation.step", 20e-6, "0.02 ms", "longest step"),),
        "assumed": ("engine.thrust",),
        "warnings": ("lines are rigid columns",),
        "input_hash": "ab" * 32,
        "versions": {"python": "3.11.7", "numpy": "2"},
        "date": "2026-01-02T03:04:05+00:00",
    }
    return Review(**{**values, **changes})


@pytest.fixture(scope="session")
def review() -> Review:
    """A review with misses, a row that could not be assessed and numbers that do not exist."""
    return made_review()


@pytest.fixture(scope="session")
def review_with() -> Callable[..., Review]:
    """Makes the same review with some fields changed."""
    return made_review
