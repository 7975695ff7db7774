"""Steps that move the ball: never below the largest cause, monotone in each cause, continuous where the jump takes over."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import valvectl
from valvectl.parts import positioning
from valvectl.parts.encoder import quantise
from valvectl.plant.schedule import rounded
from valvectl.studies.ball_offset import OFFSETS, ball_offset, combined
from valvectl.studies.resolution import CAUSES, step_causes, sure_steps

RIG = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
angle = st.floats(0.0, 0.01)
NUMBERS = ("command_step", "position_count", "hold_band", "half_slot", "half_gap", "position_accuracy")
"""Numbers of a servo that make a step coarse or an offset large; its stiffness works the other way."""


@cache
def rig() -> valvectl.Design:
    return valvectl.load(RIG)


def steps(command_step, band, count, jump, lost, wind_up, sees) -> tuple[float, float]:
    return (
        positioning.onward_step(command_step, band, count, jump, sees),
        positioning.reversal_step(command_step, band, count, jump, lost, wind_up, sees),
    )


@given(angle, angle, angle, angle, angle, angle, st.sampled_from([0.0, 1.0]))
def test_never_below_a_cause_nor_above_all(command_step, band, count, jump, lost, extra, sees):
    """A jump is a part of the wind-up: 2 (Fs - Fc)/k of 2 Fs/k."""
    wind_up = jump + extra
    onward, reversal = steps(command_step, band, count, jump, lost, wind_up, sees)
    assert reversal >= max(command_step, 2.0 * band, count, lost) * (1.0 - 1e-12)
    assert reversal >= onward * (1.0 - 1e-12)
    assert onward >= max(command_step, 2.0 * band, count, jump) * (1.0 - 1e-12)
    assert reversal <= (command_step + 2.0 * band + count + 2.0 * jump + lost + wind_up) * (1.0 + 1e-12)


@given(
    st.tuples(angle, angle, angle, angle, angle), st.integers(0, 3), st.floats(0.0, 0.005), st.sampled_from([0.0, 1.0])
)
def test_monotone_in_command_step_jump_lost_motion(numbers, which, more, sees):
    """More of the command step, the jump, the lost motion or the wind-up never makes a step smaller."""
    command_step, band, count, jump, lost = numbers
    before = [command_step, band, count, jump, lost, jump + 0.001]
    after = list(before)
    after[(0, 3, 4, 5)[which]] += more
    if which == 1:
        after[5] += more
    for a, b in zip(steps(*before, sees), steps(*after, sees), strict=True):
        assert b >= a - 1e-15


@given(st.tuples(angle, angle), st.integers(0, 1), st.floats(0.0, 0.005), st.floats(0.0, 1.0))
def test_monotone_in_hold_band_and_count_while_the_jump_fits(numbers, which, more, share):
    band, count = numbers
    jump = share * (2.0 * band + count)
    after = [band, count]
    after[which] += more
    assert positioning.rest_zone(*after, jump) >= positioning.rest_zone(band, count, jump)


@given(angle, angle)
def test_zone_is_least_and_continuous_where_the_jump_just_fits(band, count):
    """A hold band matched to the jump is the best there is: a smaller one hunts, a larger one lets more error stand."""
    let_stand = 2.0 * band + count
    assert positioning.rest_zone(band, count, let_stand) == pytest.approx(let_stand)
    jump = let_stand + 1e-6
    assert positioning.rest_zone(band, count, jump) == pytest.approx(let_stand + 2e-6, abs=1e-12)
    for other in (0.25 * band, 0.5 * band, 2.0 * band):
        assert positioning.rest_zone(other, count, let_stand) >= let_stand * (1.0 - 1e-12)


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(NUMBERS),
    st.floats(1.0, 5.0),
    st.booleans(),
    st.floats(0.0, 0.002),
    st.sampled_from(["oxidizer", "fuel"]),
)
def test_of_a_machine_monotone_in_each_cause(number, factor, on_motor, command_step, name):
    """Every cause, both steps and the offset of the rig with one number of its servo made larger."""
    point = rig().analysis.schedule.points[5]
    machine = rig().machine.with_servo(name, position_on_motor=on_motor, command_step=command_step)
    value = getattr(machine.legs[name].servo, number)
    coarser = machine.with_servo(name, **{number: factor * value})
    before, after = (step_causes(m, name, point) for m in (machine, coarser))
    assert tuple(before) == CAUSES
    assert all(after[cause] >= before[cause] for cause in CAUSES)
    assert all(
        b >= a - 1e-15 for a, b in zip(sure_steps(machine, name, point), sure_steps(coarser, name, point), strict=True)
    )
    offsets = [ball_offset(m, name, point) for m in (machine, coarser)]
    assert all(offsets[1][cause] >= offsets[0][cause] for cause in OFFSETS)
    assert all(b >= a for a, b in zip(combined(offsets[0]), combined(offsets[1]), strict=True))


@settings(max_examples=30, deadline=None)
@given(st.floats(1.0, 5.0), st.booleans())
def test_a_stiffer_train_never_makes_it_coarser(factor, on_motor):
    point = rig().analysis.schedule.points[5]
    machine = rig().machine.with_servo("fuel", position_on_motor=on_motor)
    stiffer = machine.with_servo("fuel", spring=factor * machine.legs["fuel"].servo.spring)
    for of in (step_causes, ball_offset):
        before, after = of(machine, "fuel", point), of(stiffer, "fuel", point)
        assert all(after[cause] <= before[cause] for cause in before)
    assert all(
        b <= a for a, b in zip(sure_steps(machine, "fuel", point), sure_steps(stiffer, "fuel", point), strict=True)
    )


@given(st.fixed_dictionaries(dict.fromkeys(OFFSETS, angle)))
def test_squares_lie_between_the_largest_and_the_sum(offsets):
    total, squares = combined(offsets)
    assert max(offsets.values()) * (1.0 - 1e-12) <= squares <= total * (1.0 + 1e-12)


@given(st.lists(st.floats(0.0, 1.6), min_size=1, max_size=30), st.floats(1e-5, 0.05))
def test_rounded_command(angles, step):
    """Never off by more than half a step, on a multiple of it, in the same order; untouched by a step of zero."""
    wanted = np.array(angles)
    sent = rounded(wanted, step)
    assert np.all(np.abs(sent - wanted) <= 0.5 * step * (1.0 + 1e-9))
    np.testing.assert_allclose(sent / step, np.round(sent / step), atol=1e-6)
    assert np.all(np.diff(rounded(np.sort(wanted), step)) >= 0.0)
    assert rounded(wanted, 0.0) is wanted
    assert sent[0] == quantise(angles[0], step)
