"""The simulator in lanes: the same numbers as the single run, whatever the lanes and threads; what it refuses."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from scipy.signal import periodogram

from valvectl.design.schema import LEGS
from valvectl.errors import RangeError, SimulationError
from valvectl.plant import lane_columns
from valvectl.plant.lane_layout import LANES
from valvectl.plant.lane_result import Reductions
from valvectl.plant.lane_support import NOT_IN_LANES, unsupported
from valvectl.plant.lanes import CONTACT_SHARE, simulate_lanes
from valvectl.plant.schedule import commands
from valvectl.plant.simulate import simulate
from valvectl.plant.time_grid import feed_every

PROFILE = ((0.0, 1.0), (0.01, 1.0), (0.1, 0.8), (0.12, 0.8))
DURATION = PROFILE[-1][0]
RECORD = 0.5e-3


@pytest.fixture(scope="module")
def engine(design: Any) -> Any:
    """Machine, gains, command and start of a short ramp of the example with everything on."""
    a = design.analysis
    machine = a.machine
    return machine, a.gains, commands(machine, a.schedule, PROFILE, DURATION), a.schedule.points[-1]


def lanes(engine: Any, columns: Any, **more: Any) -> Any:
    machine, gains, command, start = engine
    asked = more.pop("asked", Reductions(record=RECORD))
    more.setdefault("parts", 1)
    more.setdefault("feed_every", 1)
    return simulate_lanes(machine, gains, columns, command, start, more.pop("duration", DURATION), asked, **more)


def single(engine: Any, machine: Any = None, gains: Any = None, command: Any = None, **more: Any) -> Any:
    own, own_gains, own_command, start = engine
    return simulate(
        machine or own,
        gains or own_gains,
        command or own_command,
        start,
        DURATION,
        record=RECORD,
        step=own.legs["fuel"].servo.current_period,
        contact_share=CONTACT_SHARE,
        half_way=True,
        **more,
    )


def nominal(machine: Any, gains: Any, name: str) -> float:
    leg, known = lane_columns.column(name)
    if known.home == "lane":
        return 1.0 if name.endswith("_scale") else 0.0
    if leg is None:
        return float(getattr(machine, known.field))
    part = machine.legs[leg]
    home: Any = {
        "leg": part,
        "liquid": part.liquid,
        "servo": part.servo,
        "train": part.servo.train,
        "gains": gains[leg],
    }
    return float(getattr(home[known.home], known.field))


OTHER = {
    "tank_droop": 2e5,
    "down_inertance": 900.0,
    "hydrodynamic": 0.02,
    "speed_filter": 1.2e-3,
    "return_preload": 0.3,
    "return_rate": 0.2,
    "half_slot": 3e-4,
    "idle_power": 5.0,
    "feedforward": 0.7,
    "hold_band": 4e-4,
    "pressure_slope": 2e-7,
    "closed_stop": 0.4,
    "open_stop": 1.1,
    "stem_offset": 1e-3,
    "command_offset": -1e-3,
    "ball_offset": 2e-3,
    "head": 3e4,
    "other_loads": 2.0,
    "battery_resistance": 0.05,
    "harness": 0.05,
}
"""Values for columns that may be zero in the example, or must change by more or less than a few percent."""


def changed(machine: Any, gains: Any, name: str) -> float:
    return OTHER.get(name.rpartition(".")[2], 1.03 * nominal(machine, gains, name))


@pytest.mark.parametrize("feed_every", [1, 2])
def test_every_column_is_what_the_single_run_does_with_that_number(engine: Any, feed_every: int) -> None:
    """One lane a column, against ``simulate`` with the number replaced in the machine."""
    machine, gains, command, _ = engine
    names = lane_columns.column_names()
    columns = {}
    for i, name in enumerate(names):
        values = np.full(len(names), nominal(machine, gains, name))
        values[i] = changed(machine, gains, name)
        columns[name] = values
    asked = Reductions(record=RECORD, shown=range(len(names)))
    found = lanes(engine, columns, asked=asked, feed_every=feed_every)
    plain = single(engine, feed_every=feed_every)
    differs = 0
    for i, name in enumerate(names):
        leg, known = lane_columns.column(name)
        value = changed(machine, gains, name)
        other, other_gains, order = machine, gains, command
        if known.home != "lane":
            other, other_gains, _ = lane_columns.applied(machine, gains, {name: value})  # type: ignore[dict-item]
        elif leg is None:
            other = dataclasses.replace(machine, c_star_efficiency=machine.c_star_efficiency * value)
        else:
            other, order = by_hand(machine, command, leg, known.field, value)
        if other is None:
            continue
        run = single(engine, other, other_gains, order, feed_every=feed_every)
        error = run.mixture_ratio / machine.mixture_ratio - 1.0
        shown = found.histories[i]
        assert np.max(np.abs(shown.ratio_error - error)) < 1e-9, name
        assert np.max(np.abs(shown.chamber_pressure / run.chamber_pressure - 1.0)) < 1e-9, name
        window = found.windows[0]
        assert window.peak[i] == pytest.approx(np.max(np.abs(error)), abs=1e-9), name
        for n in LEGS:
            assert np.max(np.abs(shown.stem[n] - run.legs[n].stem)) < 1e-8, name
            assert found.legs[n].rms_current[i] == pytest.approx(run.legs[n].rms_current, rel=1e-6), name
            assert found.legs[n].peak_spring[i] == pytest.approx(run.legs[n].peak_spring, rel=1e-6), name
            assert found.legs[n].lowest_voltage[i] == pytest.approx(run.legs[n].lowest_voltage, rel=1e-6), name
        differs += bool(
            np.any(run.chamber_pressure != plain.chamber_pressure)
            or any(np.any(run.legs[n].current != plain.legs[n].current) for n in LEGS)
        )
    assert differs > 0.7 * len(names)  # the columns do something


def by_hand(machine: Any, command: Any, leg: Any, field: str, value: float) -> Any:
    """Machine and command of a column that lives in the lanes alone; None for the encoder's offset (tested by itself)."""
    part = machine.legs[leg]
    curve = part.characteristic
    if field == "c_scale":
        return machine.with_leg(leg, characteristic=dataclasses.replace(curve, c=curve.c * value)), command
    if field == "fl_scale":
        return machine.with_leg(leg, characteristic=dataclasses.replace(curve, fl=curve.fl * value)), command
    if field == "up_loss_scale":
        return machine.with_leg(leg, up_loss=part.up_loss * value), command
    if field == "down_loss_scale":
        return machine.with_leg(leg, down_loss=part.down_loss * value), command
    if field == "running_scale":
        return machine.with_leg(leg, running=part.running * value), command
    if field == "breakaway_scale":
        return machine.with_leg(leg, breakaway=part.breakaway * value), command
    if field == "command_offset":
        return machine, {**command, leg: command[leg] + value}
    return None, command


def test_an_offset_of_the_encoder_is_a_command_moved_the_other_way(engine: Any) -> None:
    machine, gains, command, start = engine
    for name in LEGS:
        machine = machine.with_servo(name, position_count=0.0)
    smooth = (machine, gains, command, start)
    a = lanes(smooth, {"fuel.stem_offset": np.array([2e-3])}, asked=Reductions(record=RECORD, shown=[0]))
    b = lanes(smooth, {"fuel.command_offset": np.array([-2e-3])}, asked=Reductions(record=RECORD, shown=[0]))
    assert np.max(np.abs(a.histories[0].stem["fuel"] - b.histories[0].stem["fuel"])) < 1e-7


def test_an_offset_of_the_ball_moves_the_valve_curve(engine: Any) -> None:
    """At the first step, before the flows have moved: the line's flow goes towards that of a valve further open."""
    more = lanes(engine, {"fuel.ball_offset": np.array([0.0, 0.02])}, duration=5e-3)
    assert more.legs["fuel"].flow[1] > more.legs["fuel"].flow[0]
    assert more.legs["fuel"].stem[1] == pytest.approx(more.legs["fuel"].stem[0], abs=1e-4)


def spread(engine: Any, n: int) -> dict[str, Any]:
    machine = engine[0]
    rng = np.random.default_rng(3)
    return {
        "oxidizer.cda": machine.legs["oxidizer"].cda * rng.uniform(0.97, 1.03, n),
        "fuel.servo.current_delay": rng.uniform(0.5, 1.5, n) * machine.legs["fuel"].servo.current_delay,
        "fuel.delay": rng.uniform(0.7, 1.3, n) * machine.legs["fuel"].delay,
        "oxidizer.servo.half_gap": rng.uniform(0.5, 1.5, n) * machine.legs["oxidizer"].servo.half_gap,
    }


def numbers(result: Any) -> list[Any]:
    out = [result.done, result.chamber_pressure]
    for window in result.windows:
        out += [getattr(window, f.name) for f in dataclasses.fields(window)]
    for leg in result.legs.values():
        out += [getattr(leg, f.name) for f in dataclasses.fields(leg)]
    return out


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_same_bits_whatever_the_threads(engine: Any, threads: int) -> None:
    columns = spread(engine, 150)
    one, other = (lanes(engine, columns, threads=many, feed_every=None) for many in (1, threads))
    for a, b in zip(numbers(one), numbers(other), strict=True):
        assert np.array_equal(a, b)


def test_same_bits_whatever_the_lanes_and_their_order(engine: Any) -> None:
    columns = spread(engine, 150)
    order = np.random.default_rng(1).permutation(150)
    whole = lanes(engine, columns, feed_every=None)
    mixed = lanes(engine, {name: values[order] for name, values in columns.items()}, feed_every=None)
    part = lanes(engine, {name: values[70:81] for name, values in columns.items()}, feed_every=None)
    for a, b, c in zip(numbers(whole), numbers(mixed), numbers(part), strict=True):
        if np.ndim(a):
            assert np.array_equal(np.asarray(a)[order], b)
            assert np.array_equal(np.asarray(a)[70:81], c)


def test_a_lane_that_diverges_reports_itself_and_harms_no_other(engine: Any) -> None:
    """A chamber of a length of 1e-200 m has no finite pressure; the lanes beside it are those of a run without it."""
    length = engine[0].characteristic_length
    columns = {
        "characteristic_length": np.array([length, 1e-320, length]),
        "c_star_scale": np.array([1.0, 1e300, 1.01]),
    }
    asked = Reductions(record=RECORD, windows=[(0.0, 0.05), (0.05, 0.1)])
    found = lanes(engine, columns, asked=asked)
    clean = lanes(engine, {"c_star_scale": np.array([1.0, 1.01])}, asked=asked)
    assert found.finite.tolist() == [True, False, True]
    assert found.done[1] < 0.01 * found.steps
    assert np.isnan(found.windows[1].peak[1])
    assert np.isnan(found.legs["fuel"].rms_current[1])
    for k in range(2):
        assert np.array_equal(found.windows[k].rms[[0, 2]], clean.windows[k].rms)


def test_windows_are_what_the_history_says(engine: Any) -> None:
    asked = Reductions(record=RECORD, windows=[(0.0, 0.03), (0.02, 0.1), (0.0, DURATION)], band=0.002, shown=[1])
    found = lanes(engine, {"fuel.cda": engine[0].legs["fuel"].cda * np.array([1.0, 1.01])}, asked=asked)
    error, time, pressure = found.histories[1].ratio_error, found.time, found.histories[1].chamber_pressure
    for window in found.windows:
        here = (time >= window.start - 1e-9) & (time <= window.end + 1e-9)
        assert window.highest[1] == error[here].max()
        assert window.lowest[1] == error[here].min()
        assert window.mean[1] == pytest.approx(error[here].mean(), rel=1e-12)
        assert window.rms[1] == pytest.approx(np.sqrt(np.mean(error[here] ** 2)), rel=1e-12)
        assert window.pressure_lowest[1] == pressure[here].min()
        assert window.pressure_mean[1] == pytest.approx(pressure[here].mean(), rel=1e-12)
        out = np.abs(error[here]) > 0.002
        assert window.time_out[1] == pytest.approx(np.count_nonzero(out) * RECORD, rel=1e-9)
        if out[-1]:
            assert window.settling[1] == np.inf
        else:
            last = np.nonzero(out)[0]
            assert window.settling[1] == pytest.approx((last[-1] + 1) * RECORD if last.size else 0.0, rel=1e-9)


def test_a_run_is_a_whole_number_of_the_steps_of_feed_and_chamber(engine: Any) -> None:
    machine, gains, command, start = engine
    assert feed_every(machine, 50e-6, 2400, 10) == 2
    assert feed_every(machine, 50e-6, 2401, 10) == feed_every(machine, 50e-6, 2400, 5) == 1
    assert feed_every(machine, 25e-6, 4800, 20) == 4
    assert feed_every(machine, 110e-6, 1200, 10) == 1
    quick = machine.with_leg("fuel", delay=0.9e-3)
    assert feed_every(quick, 50e-6, 2400, 10) == 1  # less than ten steps of 100 us
    with pytest.raises(RangeError, match="2400 steps, looked at each 10, is no whole number of 4"):
        lanes(engine, {}, lanes=1, feed_every=4)
    with pytest.raises(SimulationError, match="2400 steps, recorded each 10, is no whole number of 4"):
        single(engine, feed_every=4)


def test_what_is_kept_in_brief_is_part_of_the_whole(engine: Any) -> None:
    columns = spread(engine, 20)
    whole, brief = (
        lanes(engine, columns, asked=Reductions(record=RECORD, shown=[17, 3], brief=short)) for short in (False, True)
    )
    assert list(brief.histories) == list(whole.histories) == [3, 17]
    for lane, history in whole.histories.items():
        assert np.array_equal(brief.histories[lane].ratio_error, history.ratio_error)
        assert all(np.array_equal(brief.histories[lane].ball[n], history.ball[n]) for n in LEGS)
        assert brief.histories[lane].chamber_pressure.size == brief.histories[lane].stem["fuel"].size == 0


def test_spectra_are_those_of_the_histories(engine: Any) -> None:
    """Against SciPy's periodogram, at its frequencies, for windows that overlap."""
    windows = [(0.0, 0.0495), (0.02, 0.0995)]
    for index, (start, end) in enumerate(windows):
        looks = round((end - start) / RECORD) + 1
        frequencies = np.arange(1, 40) / (looks * RECORD)
        asked = Reductions(record=RECORD, windows=windows, frequencies=frequencies, shown=[0, 18])
        found = lanes(engine, {"fuel.cda": engine[0].legs["fuel"].cda * np.linspace(0.98, 1.02, 19)}, asked=asked)
        window = found.windows[index]
        assert window.spectrum.shape == window.pressure_spectrum.shape == (19, frequencies.size)
        here = (found.time >= start - 1e-9) & (found.time <= end + 1e-9)
        for lane in (0, 18):
            history = found.histories[lane]
            for course, amplitudes in (
                (history.ratio_error, window.spectrum[lane]),
                (history.chamber_pressure, window.pressure_spectrum[lane]),
            ):
                at, power = periodogram(
                    course[here], 1.0 / RECORD, window="hann", detrend="constant", scaling="spectrum"
                )
                assert at[1:40] == pytest.approx(frequencies)
                assert amplitudes == pytest.approx(
                    np.sqrt(2.0 * power[1:40]), rel=1e-6, abs=1e-9 * np.ptp(course[here])
                )


def test_a_sine_has_its_amplitude_and_a_frequency_that_can_not_be_told_is_refused(engine: Any) -> None:
    """A command that swings by 0.4 deg at 50 Hz: the chamber pressure swings with it, and hardly at 140 Hz."""
    machine, gains, command, start = engine
    time = machine.legs["fuel"].servo.position_period * np.arange(200)
    swings = {**command, "fuel": command["fuel"][0] + math.radians(0.4) * np.sin(2.0 * math.pi * 50.0 * time)}
    still = {**command, "oxidizer": command["oxidizer"][:1]}
    moved = (machine, gains, {**still, "fuel": swings["fuel"]}, start)
    asked = Reductions(record=RECORD, windows=[(0.04, 0.3195)], frequencies=(50.0, 140.0), shown=[0])
    window = lanes(moved, {}, asked=asked, lanes=1, duration=0.36).windows[0]
    size = 0.5 * float(window.pressure_highest[0] - window.pressure_lowest[0])
    assert window.pressure_spectrum[0, 0] == pytest.approx(size, rel=0.1)
    assert window.pressure_spectrum[0, 1] < 0.05 * size
    for frequency in (0.0, -5.0, 1001.0, math.nan):
        with pytest.raises(RangeError, match="at most 1000 Hz, half the rate of the looks"):
            lanes(engine, {}, lanes=1, asked=Reductions(record=RECORD, frequencies=(50.0, frequency)))


def test_a_delay_shorter_than_the_step_of_feed_and_chamber_is_refused(engine: Any) -> None:
    quick = engine[0].with_leg("fuel", delay=80e-6)
    with pytest.raises(SimulationError, match=r"delay of 8e-05 s is shorter than the step of 0\.0001 s"):
        single(engine, quick, feed_every=2)
    with pytest.raises(RangeError, match=r"delay of 8e-05 s is shorter than the step of 0\.0001 s"):
        lanes((quick, *engine[1:]), {}, lanes=1, feed_every=2)


def test_outer_loops_listen_at_each_step(engine: Any) -> None:
    with pytest.raises(SimulationError, match="feed_every must be 1"):
        single(engine, feed_every=2, outer=object())


def test_unknown_column_names_the_nearest(engine: Any) -> None:
    with pytest.raises(RangeError, match=r"'fuel\.cdA' is not a number that may differ.*nearest: 'fuel\.cda'"):
        lanes(engine, {"fuel.cdA": np.ones(2)})


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"fuel.cda": np.array([1e-5, -1.0])}, "in lane 1; it must be finite and positive"),
        ({"fuel.head": np.array([np.nan])}, "in lane 0; it must be finite"),
        ({"fuel.cold_factor": np.array([-1.0])}, "not negative"),
        ({"fuel.cda": np.ones(2), "fuel.head": np.ones(3)}, "has 2 values for 3 lanes"),
        ({"fuel.cda": np.ones((2, 2))}, "has 2 dimensions"),
        ({"fuel.delay": np.array([1e-6])}, "shorter than the step"),
        ({"fuel.servo.speed_delay": np.array([1.0])}, "longer than 30 of its periods"),
    ],
)
def test_columns_out_of_range(engine: Any, columns: Any, words: str) -> None:
    with pytest.raises(RangeError, match=words):
        lanes(engine, columns)


def test_a_window_without_a_look_and_a_lane_that_is_not_there(engine: Any) -> None:
    with pytest.raises(RangeError, match="no look at the engines"):
        lanes(engine, {}, asked=Reductions(windows=[(5.0, 6.0)]))
    with pytest.raises(RangeError, match="must be 0 to 0"):
        lanes(engine, {}, asked=Reductions(shown=[1]))


def test_what_lanes_do_not_simulate_is_refused(engine: Any) -> None:
    """Each entry of the list, by a machine that has it and nothing else of it."""
    machine, gains, command, start = engine
    assert unsupported(machine, gains) == []
    servo = machine.legs["fuel"].servo
    more = servo.more
    cases: dict[str, Any] = {
        "controller.structure": {"more": dataclasses.replace(more, structure=1.0)},
        "controller.anti_windup": {"more": dataclasses.replace(more, anti_windup=1.0)},
        "controller.integral_dead_zone": {"more": dataclasses.replace(more, dead_zone=0.1)},
        "controller.feedforward_acceleration or feedforward_friction": {
            "more": dataclasses.replace(more, feedforward_acceleration=0.5)
        },
        "controller.notch_frequency": {"more": dataclasses.replace(more, notch_frequency=100.0)},
        "controller.speed_from": {"observer_bandwidth": 50.0},
        "controller.stem_trim": {"trim_gain": 1.0},
        "controller.position_jitter, speed_jitter or current_jitter": {"speed_jitter": 1e-4},
        "actuator encoders' lag or controller.current_sensor_lag": {"position_sensor_lag": 1e-3},
    }
    for key, fields in cases.items():
        other = machine.with_servo("fuel", **fields)
        assert unsupported(other, gains) == [f"legs.fuel.{key}: {NOT_IN_LANES[key]}"]
        with pytest.raises(RangeError, match=r"legs\.fuel"):
            simulate_lanes(other, gains, {}, command, start, 0.01)
    other = machine.with_leg("fuel", bristles=(1e4, 1.0))
    assert unsupported(other, gains) == [
        f"legs.fuel.valve.torque.friction_model: {NOT_IN_LANES['valve.torque.friction_model']}"
    ]
    assert set(cases) | {"valve.torque.friction_model"} == set(NOT_IN_LANES)


def test_progress_counts_blocks(engine: Any) -> None:
    seen: list[tuple[int, int]] = []
    lanes(engine, {}, lanes=2 * LANES + 1, duration=0.005, progress=lambda done, of: seen.append((done, of)))
    assert seen == [(1, 3), (2, 3), (3, 3)]
