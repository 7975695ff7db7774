"""Study of single faults: verdicts, thresholds, what the other valve must do, what is said, and the command line."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import valvectl
from valvectl.api import load
from valvectl.cli import app
from valvectl.design.schema import LEGS
from valvectl.errors import RangeError
from valvectl.parts import alarm
from valvectl.plant.balance import balance
from valvectl.plant.fault_run import KINDS
from valvectl.review.figures import faults_chart
from valvectl.studies.fault_limits import first_passed, limits_of
from valvectl.studies.fault_other import other_valve
from valvectl.studies.fault_result import FaultsResult, Threshold
from valvectl.studies.fault_watch import SURE, alarms
from valvectl.studies.faults import _judged, faults, times_of

DESIGN = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
QUICK = ["faults.watched=400 ms", "faults.watch.engines=2"]


@pytest.fixture(scope="module")
def design() -> Any:
    return load(DESIGN, QUICK)


@pytest.fixture(scope="module")
def some(design: Any) -> FaultsResult:
    """Every fault in the middle of the fast change."""
    return design.single_faults(at_time=1.15)  # type: ignore[no-any-return]


def study(changes: list[str], **more: Any) -> FaultsResult:
    return load(DESIGN, [*QUICK, *changes]).single_faults(**more)


def row(result: FaultsResult, fault: str, leg: str | None) -> Any:
    return next(r for r in result.rows if (r.fault, r.leg) == (fault, leg))


# ------------------------------------------------------------------------------------------------- small parts


def test_times_of_a_profile() -> None:
    profile = [(0.0, 0.4), (1.0, 0.4), (1.3, 1.0), (2.3, 1.0)]
    assert times_of(profile) == pytest.approx((0.5, 1.0, 1.15, 1.8))
    long = [(float(t), 0.4 + 0.1 * (t % 2)) for t in range(500)]
    found = times_of(long)
    assert len(found) <= 60
    assert found[0] == 0.0


def test_when_a_limit_has_been_passed_for_too_long() -> None:
    time = np.arange(11) * 0.1
    beyond = np.array([0, 1, 1, 0, 1, 1, 1, 1, 0, 1, 0], dtype=bool)
    assert first_passed(time, beyond, 0.25) == (pytest.approx(0.65), pytest.approx(0.3))
    assert first_passed(time, beyond, 0.0) == (pytest.approx(0.1), pytest.approx(0.3))
    assert first_passed(time, beyond, 1.0)[0] == math.inf
    assert first_passed(time, np.zeros(11, dtype=bool), 0.0) == (math.inf, 0.0)
    # what is beyond as the time watched ends counts, but only there
    assert first_passed(time, beyond, 1.0, lasts=True)[0] == math.inf
    beyond[10] = True
    assert first_passed(time, beyond, 1.0)[0] == math.inf
    assert first_passed(time, beyond, 1.0, lasts=True) == (pytest.approx(1.9), pytest.approx(0.3))


@pytest.mark.parametrize(
    ("limit_after", "seen", "shut", "verdict"),
    [
        (math.inf, math.inf, math.inf, "within limits without action"),
        (math.inf, 0.1, 0.2, "within limits without action"),
        (0.3, math.inf, math.inf, "not detected"),
        (0.3, 0.1, 0.25, "detected in time"),
        (0.3, 0.1, 0.35, "too late"),
        (0.3, 0.1, math.inf, "too late"),
    ],
)
def test_verdicts(limit_after: float, seen: float, shut: float, verdict: str) -> None:
    found = {"limit": "O/F high", "limit_after": limit_after}
    assert _judged(found, seen, shut, "throttle valves")[0] == verdict


def test_limits_follow_from_the_design_or_are_stated(design: Any) -> None:
    limits = limits_of(design)
    assert limits.high == pytest.approx(1.2 * 1.10)
    assert limits.pressure == pytest.approx(1.2 * 15e5)
    assert math.isnan(limits.low)
    stated = limits_of(
        load(DESIGN, ["faults.mixture_ratio_high=1.5", "faults.mixture_ratio_low=0.9",
                      "faults.chamber_pressure_limit=17 bar abs"])
    )  # fmt: skip
    assert (stated.high, stated.low, stated.pressure) == (1.5, 0.9, pytest.approx(17e5))


def test_the_other_valve_restores_the_ratio(design: Any) -> None:
    """The angle found, put into the balance, gives the wanted O/F."""
    machine = design.machine
    point = design.analysis.schedule.points[0]
    failed, stands = point.legs["fuel"].angle + 0.15, point.legs["oxidizer"].angle
    found = other_valve(machine, "fuel", failed, stands, 0.5, {})
    assert found.leg == "oxidizer"
    assert balance(machine, found.angle, failed).mixture_ratio == pytest.approx(machine.mixture_ratio, rel=1e-5)
    assert found.change == pytest.approx(found.angle - stands)
    assert found.time == pytest.approx(found.change / machine.legs["oxidizer"].servo.speed_limit)
    assert found.helps
    assert not dataclasses.replace(found, allowed=1e-3).helps
    wide = other_valve(machine, "fuel", machine.legs["fuel"].open_stop, stands, 0.5, {"oxidizer": 14e5})
    assert math.isnan(wide.angle)
    assert "not within its travel" in wide.words
    assert not wide.helps


# ------------------------------------------------------------------------------------------------- the study


def test_every_fault_has_a_row_and_a_verdict(some: FaultsResult) -> None:
    assert {r.fault for r in some.rows} == set(KINDS)
    assert len(some.rows) == 2 * len(KINDS) - 2
    assert all(r.worst.verdict != "not assessed" for r in some.rows)
    assert len(some.cases) == len(some.rows)
    stuck = row(some, "stuck-valve", "fuel")
    assert stuck.worst.verdict == "too late"
    assert "can not shut" in stuck.worst.why
    assert stuck.highest_ratio > 0.3
    assert row(some, "noisy-encoder", "fuel").worst.verdict == "within limits without action"
    assert any("no hazard analysis" in text for text in some.cautions)
    for case in some.cases:
        assert case.sure_after >= case.seen_after  # it has farther to go


def test_a_shut_engine_is_simulated(some: FaultsResult) -> None:
    """Flows are gone by the time that the verdict counts on, servo's lag against the flow's end at a small opening."""
    shut = [r for r in some.rows if r.abort is not None and math.isfinite(r.abort.gone_after)]
    assert len(shut) > 10
    for r in shut:
        assert r.abort is not None
        assert r.abort.told_after == pytest.approx(r.worst.sure_after + 0.02)
        assert r.abort.gone_after <= r.worst.shut_after + 0.03
    assert row(some, "stuck-valve", "fuel").abort is None


def test_fault_free_engines_do_not_trip(some: FaultsResult) -> None:
    for t in some.thresholds:
        assert t.proposed >= 1.2 * t.fault_free
        assert t.threshold == t.proposed
        assert not t.trips
    assert some.false_alarms <= 1e-4


def test_stated_thresholds_and_their_false_alarms() -> None:
    result = study(
        ["faults.watch.chamber=0.05 bar", "faults.watch.position=3 deg"],
        kinds=["encoder-high"],
        legs=("oxidizer",),
        at_time=0.5,
    )
    by_name = {t.channel: t for t in result.thresholds}
    chamber = by_name["chamber pressure"]
    assert chamber.stated
    assert chamber.trips
    tail = alarm.exceedance(0.05e5, chamber.noise, chamber.fault_free)
    assert chamber.false_alarms == pytest.approx(alarm.run_probability(tail, 3, 2001), rel=1e-9)
    assert chamber.false_alarms > 0.9
    assert chamber.mean_time < 10.0  # about the length of the firing or less
    assert any("trips" in text for text in result.cautions)
    # 2 deg of offset stay below 3 deg: the position reading does not see it
    assert "oxidizer position" not in result.rows[0].worst.alarms


def test_alarms_wait_for_the_looks_they_ask_for() -> None:
    """A jump of the reading is seen at the last of the looks in a row, counted from the first look after the fault."""
    for looks in (1, 4):
        result = study(
            [f"faults.watch.persistence={looks}"], kinds=["encoder-high"], legs=("fuel",), at_time=0.5
        )  # fmt: skip
        assert result.rows[0].worst.alarms["fuel position"] == pytest.approx(looks * 0.005, abs=1e-4)


def test_shut_off_valves_messages_and_tanks() -> None:
    changes = [
        "faults.shut_off_time=10 ms", "faults.reaction_time=5 ms", "faults.watch.message_timeout=15 ms",
        "faults.watch.tank_noise=0.02 bar", "faults.wall_time=80 ms",
    ]  # fmt: skip
    result = study(changes, kinds=["lost-command", "stuck-valve", "regulator-low", "regulator-high"], at_time=1.2)
    lost = row(result, "lost-command", "fuel").worst
    assert lost.alarms["messages"] == pytest.approx(0.015)
    assert lost.verdict == "detected in time"
    assert lost.shut_after == pytest.approx(lost.sure_after + 0.015)
    assert row(result, "stuck-valve", "fuel").worst.verdict == "detected in time"
    for leg in LEGS:
        assert f"{leg} tank pressure" in row(result, "regulator-high", leg).worst.alarms
        assert f"{leg} tank pressure" in row(result, "regulator-low", leg).worst.alarms
    assert not any("no shut-off valves stated" in text for text in result.assumptions)


def test_a_relief_valve_holds_the_tank(design: Any) -> None:
    free = row(design.single_faults(kinds=["regulator-high"], at_time=0.5), "regulator-high", "oxidizer")
    held = row(
        study(["legs.oxidizer.tank.relief_pressure=22 bar abs"], kinds=["regulator-high"], at_time=0.5),
        "regulator-high",
        "oxidizer",
    )
    assert 0.0 < held.highest_ratio < free.highest_ratio


def test_a_boiling_jacket_is_a_limit() -> None:
    """Heat in the jacket and hardly any fuel: the liquid behind it boils."""
    result = study(
        ["legs.fuel.jacket.temperature_rise=90 K", "faults.mixture_ratio_high=50"],
        kinds=["frozen-encoder"],
        legs=("fuel",),
        at_time=2.7,
    )
    worst = result.rows[0].worst
    assert worst.boiling < 1.0
    assert worst.verdict == "too late"


def test_within_limits_by_less_than_the_tolerances_is_said() -> None:
    """O/F +6.6 % in the design as stated, the limit +10 %: engines within tolerance stand off by more than what is left."""
    result = study([], kinds=["encoder-low"], legs=("oxidizer",), at_time=2.6)
    worst = result.rows[0].worst
    assert worst.verdict == "within limits without action"
    assert 0.06 < worst.highest_ratio < 0.10
    assert worst.near
    assert "within tolerance" in worst.why
    assert any("by less than tolerances: encoder-low" in text for text in result.cautions)
    far = study([], kinds=["encoder-high"], legs=("oxidizer",), at_time=2.6)
    assert not far.rows[0].worst.near
    assert not any("by less than tolerances" in text for text in far.cautions)


def test_a_limit_passed_on_the_way_to_shut_is_said() -> None:
    result = study([], kinds=["encoder-low"], legs=("oxidizer",), at_time=6.9)
    assert result.rows[0].worst.verdict == "detected in time"
    assert result.rows[0].abort.beyond > result.wall_time  # type: ignore[union-attr]
    assert any("on the way to shut" in text and "encoder-low" in text for text in result.cautions)


def test_a_sure_alarm_is_sure_against_noise() -> None:
    """A reading as far off as a sure alarm asks, in an engine off to the other side: three looks in a row in 99 % of firings."""
    draw = np.random.default_rng(5)
    threshold = Threshold("x", 1.0, 2.0, 9.0, 9.0, False, 0.0, 0.0, "", 1.0)
    times = np.arange(3.0)
    for off, wanted in ((11.0, False), (11.0 + alarm.clearance(SURE, 3) + 1e-9, True)):
        assert bool(alarms({"x": np.full(3, off)}, (threshold,), times, 3, sure=True)) is wanted
        assert alarms({"x": np.full(3, off)}, (threshold,), times, 3, sure=False)
    beyond = off - 2.0 + draw.standard_normal((100_000, 3)) > 9.0
    assert beyond.all(axis=1).mean() == pytest.approx(0.99, abs=0.002)


def test_without_engines_within_tolerance_that_is_said() -> None:
    result = load(DESIGN, ["faults.watched=100 ms", "faults.watch.engines=0"]).single_faults(
        kinds=["stuck-valve"], at_time=0.5
    )
    assert result.engines == 0
    assert any("would trip in a real engine" in text for text in result.cautions)


def test_faults_that_are_not_there(design: Any) -> None:
    a = design.analysis
    with pytest.raises(RangeError, match="no fault is called"):
        design.single_faults(kinds=["sticky"])
    with pytest.raises(RangeError, match="within the profile"):
        design.single_faults(at_time=11.0)
    with pytest.raises(RangeError, match="none of the faults"):
        faults(design, a.machine, a.gains, a.schedule, a.profile, kinds=["brown-out"], legs=("fuel",))


def test_a_run_that_is_not_finite_is_not_assessed(design: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from valvectl.plant import fault_run

    def burst(branch: Any, k: int) -> None:
        branch.run.st[k, 0] = math.nan

    monkeypatch.setitem(fault_run.KINDS, "stuck-valve", burst)
    result = design.single_faults(kinds=["stuck-valve"], at_time=0.5)
    assert [r.worst.verdict for r in result.rows] == ["not assessed"] * 2
    assert any("no pass" in text for text in result.cautions)
    faults_chart(result)
    json.dumps(result.to_dict())


# ------------------------------------------------------------------------------------------------- shown


def test_the_figure_draws_every_kind_once(some: FaultsResult) -> None:
    figure = faults_chart(some)
    titled = [ax.get_title(loc="left") for ax in figure.axes if ax.get_visible()]
    assert len(titled) == len(KINDS)
    assert all(any(kind in text for text in titled) for kind in KINDS)


def test_command_line(tmp_path: Path) -> None:
    run = CliRunner()
    sets = [text for change in QUICK for text in ("--set", change)]
    base = ["faults", str(DESIGN), *sets, "--fault", "stuck-valve", "--at-time", "1.2"]
    shown = run.invoke(app, [*base, "--csv", str(tmp_path / "f.csv"), "--figure", str(tmp_path / "f.svg")])
    assert shown.exit_code == 0, shown.output
    assert "fuel stuck-valve" in shown.stdout
    assert max(len(line) for line in shown.stdout.splitlines()) <= 80
    assert (tmp_path / "f.csv").read_text().startswith("fault,leg,time [s]")
    assert (tmp_path / "f.svg").stat().st_size > 1000
    found = json.loads(run.invoke(app, [*base, "--json", "--leg", "fuel"]).stdout)
    assert [r["leg"] for r in found["rows"]] == ["fuel"]
    assert found["rows"][0]["worst"]["verdict"] == "too late"
    wrong = run.invoke(app, ["faults", str(DESIGN), "--fault", "sticky"])
    assert wrong.exit_code == 2
    assert "no fault is called sticky" in wrong.stderr


def test_from_a_notebook() -> None:
    result = valvectl.load(DESIGN).single_faults(kinds=["late-command"], legs=("fuel",), at_time=1.15)
    frame = result.to_frame()
    assert list(frame["fault"]) == ["late-command"]
