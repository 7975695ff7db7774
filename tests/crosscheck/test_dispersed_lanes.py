"""Drawn engines side by side against the same engines one by one, and the compiled balance against the plain one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from valvectl import load
from valvectl.design.schema import LEGS
from valvectl.errors import NoBalanceError, SimulationError
from valvectl.plant.balance import balance
from valvectl.plant.balance_many import balances
from valvectl.studies.campaign import bare
from valvectl.studies.drawn_run import QUANTITIES, Plan, Workshop, judged
from valvectl.studies.profile_reading import Change, Hold
from valvectl.studies.side_by_side import Read
from valvectl.studies.throttle import throttle

DESIGNS = Path(__file__).resolve().parents[2] / "designs"


@pytest.fixture(scope="module", params=["hover-rig", "sprint-stand"])
def shop(request: Any) -> Workshop:
    return Workshop(Plan(bare(load(DESIGNS / f"{request.param}.toml")), "random", 3, 200, True))


def test_side_by_side_agrees_with_one_by_one(shop: Workshop) -> None:
    """To rounding, but for a valve that sticks: there rounding may decide at which of two counts it stops, and then the peak is
    another one of some percent more or less."""
    unit, names = shop.unit(0, 8), shop.columns()
    rows = shop.rows(0, unit)
    assert not shop.side_by_side.why_not
    same = dict.fromkeys(("mixture_ratio_transient", "mixture_ratio_steady", "bus_voltage", "peak_current"), 0)
    for k in range(8):
        drawn = shop.engine(unit[k])
        assert shop.side_by_side.takes(drawn)
        alone = shop._judged(shop.run(drawn, k))
        for name in same:
            same[name] += rows[k, names.index(name)] == pytest.approx(alone[name], rel=1e-6)
        assert rows[k, names.index("mixture_ratio_transient")] == pytest.approx(
            alone["mixture_ratio_transient"], rel=0.04
        )
        assert rows[k, names.index("tracking_mismatch")] == pytest.approx(alone["tracking_mismatch"], abs=1e-3)
    assert min(same.values()) >= 5, same


def test_side_by_side_agrees_with_a_fine_step(shop: Workshop) -> None:
    """Mean of the largest O/F errors against runs by themselves at 5 us: means, since single peaks jump where valves stick."""
    unit, at = shop.unit(0, 8), shop.columns().index("mixture_ratio_transient")
    rows, a = shop.rows(0, unit), shop.analysis
    fine = []
    for k in range(8):
        drawn = shop.engine(unit[k])
        run = throttle(drawn.machine, a.gains, a.schedule, a.profile, a.band, step=5e-6, offset=drawn.offset)
        fine.append(max(abs(c.peak_error) for c in run.changes))
    assert np.mean(rows[:, at]) == pytest.approx(np.mean(fine), rel=0.01)


def test_a_row_hangs_on_its_number_alone(shop: Workshop) -> None:
    """Not on the runs beside it, their count or their order: that is what lets a campaign be stopped and gone on with."""
    unit = shop.unit(0, 40)
    rows = shop.rows(0, unit)
    assert np.array_equal(shop.rows(7, unit[7:9]), rows[7:9], equal_nan=True)
    assert np.array_equal(shop.rows(33, unit[33:40]), rows[33:40], equal_nan=True)


def test_engines_that_the_lanes_do_not_have_fly_one_by_one() -> None:
    design = load(DESIGNS / "hover-rig.toml").with_values({"legs.fuel.controller.notch_frequency": "60 Hz"})
    shop = Workshop(Plan(bare(design), "random", 1, 10, True))
    assert any("notch" in why for why in shop.side_by_side.why_not)
    row = shop.rows(2, shop.unit(2, 1))[0]
    alone = shop._judged(shop.run(shop.engine(shop.unit(2)[0]), 2))
    assert row[shop.columns().index("mixture_ratio_transient")] == alone["mixture_ratio_transient"]


def test_an_engine_whose_commands_differ_flies_by_itself() -> None:
    design = load(DESIGNS / "hover-rig.toml")
    shop = Workshop(Plan(bare(design), "random", 1, 10, True))
    drawn = shop.engine(shop.unit(0)[0])
    assert shop.side_by_side.takes(drawn)
    slower = drawn.machine.with_servo("fuel", speed_limit=0.9 * drawn.machine.legs["fuel"].servo.speed_limit)
    assert not shop.side_by_side.takes(type(drawn)(slower, drawn.offset))
    stiff = drawn.machine.with_servo("fuel", spring=100.0 * drawn.machine.legs["fuel"].servo.spring)
    assert not shop.side_by_side.takes(type(drawn)(stiff, drawn.offset))


def test_feed_and_chamber_take_two_steps_at_once_but_for_an_engine_too_quick_for_that() -> None:
    shop = Workshop(Plan(bare(load(DESIGNS / "hover-rig.toml")), "random", 1, 10, True))
    lanes, drawn = shop.side_by_side, shop.engine(shop.unit(0)[0])
    assert lanes.grid.feed_every == 2
    assert lanes.grid.words() == "50 us, feed legs and chamber 100 us"
    for field, value in (("delay", 0.7e-3), ("compliance", 0.1 * drawn.machine.legs["fuel"].compliance)):
        quick = type(drawn)(drawn.machine.with_leg("fuel", **{field: value}), drawn.offset)
        assert lanes.takes(drawn)
        assert not lanes.takes(quick)
        assert shop.run(quick).trace.step < lanes.grid.step


def test_compiled_balance_agrees_with_the_plain_one(shop: Workshop) -> None:
    for k, unit in enumerate(shop.unit(0, 20)):
        drawn = shop.engine(unit)
        pairs = [tuple(a + drawn.offset[n] for a, n in zip(pair, LEGS, strict=True)) for pair in shop.angles]
        for pair, fast in zip(pairs, balances(drawn.machine, pairs), strict=True):
            slow = balance(drawn.machine, *pair)
            assert fast.chamber_pressure == pytest.approx(slow.chamber_pressure, rel=1e-11), k
            for name in LEGS:
                assert fast.legs[name].flow == pytest.approx(slow.legs[name].flow, rel=1e-10)
                assert fast.legs[name].valve_drop == pytest.approx(slow.legs[name].valve_drop, rel=1e-9)


def test_compiled_balance_refuses_what_the_plain_one_refuses(shop: Workshop) -> None:
    machine = shop.machine
    wide, shut = machine.legs["oxidizer"].open_stop, machine.legs["fuel"].closed_stop
    with pytest.raises(NoBalanceError, match="fuel valve is shut"):
        balances(machine, [(0.6 * wide, 0.6 * wide), (wide, shut)])
    low = machine.with_leg("fuel", tank_pressure=2e5)
    with pytest.raises(NoBalanceError) as plain:
        balance(low, 0.6 * wide, 0.6 * wide)
    with pytest.raises(NoBalanceError) as fast:
        balances(low, [(0.6 * wide, 0.6 * wide)])
    assert str(fast.value) == str(plain.value)


@pytest.mark.parametrize("side_by_side", [True, False])
def test_a_run_that_stops_being_finite_meets_nothing(
    shop: Workshop, side_by_side: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its steady points are found before it flies; they must not count as met."""

    def stops(*_: Any) -> None:
        raise SimulationError("the run stopped being finite")

    if side_by_side:
        monkeypatch.setattr(shop.side_by_side, "run", lambda flights: [None] * len(flights))
    else:
        monkeypatch.setattr(shop.side_by_side, "takes", lambda drawn: False)
        monkeypatch.setattr(shop, "run", stops)
    rows = shop.rows(0, shop.unit(0, 2))
    assert rows[:, 1].tolist() == [0.0, 0.0]
    assert np.isnan(rows[:, 2 : 2 + len(QUANTITIES)]).all()


def test_a_nan_in_any_hold_or_change_is_not_passed_over(shop: Workshop) -> None:
    holds = tuple(
        Hold(0.0, 1.0, 0.5, e, 0.0, {"oxidizer": 0.0, "fuel": 0.0}, {"oxidizer": e, "fuel": 0.0})
        for e in (0.01, np.nan)
    )
    changes = tuple(Change(0.0, 1.0, 0.4, 1.0, e, 0.0, {"oxidizer": 0.0, "fuel": 0.0}, 0.5) for e in (0.01, np.nan))
    for turn in (1, -1):
        found = judged(shop.machine, Read(holds[::turn], changes[::turn], 20.0, 5.0))
        for name in ("mixture_ratio_steady", "mixture_ratio_transient", "limit_cycle"):
            assert np.isnan(found[name]), (name, turn)
