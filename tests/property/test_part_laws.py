"""What must hold of the part laws whatever the numbers. That they compile: ``test_part_laws_compiled.py``."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from valvectl.parts import controller, encoder, friction, gearing, injector, lookup, motor, valve

FEW = settings(max_examples=60, deadline=None)


def between(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


def spread(low: float, high: float) -> st.SearchStrategy[float]:
    """Positive numbers, evenly in the logarithm."""
    return between(math.log10(low), math.log10(high)).map(lambda x: 10.0**x)


COEFFICIENT = spread(1e-9, 1e-3)
RECOVERY = between(0.3, 1.0)
DENSITY = between(300.0, 1500.0)
PRESSURE = between(1e4, 1e7)
FF = between(0.7, 0.96)
ANGLE = between(-10.0, 10.0)

# ------------------------------------------------------------------------------------------------------------ valve


@FEW
@given(COEFFICIENT, RECOVERY, DENSITY, PRESSURE, PRESSURE, FF, between(10.0, 1e5), between(0.0, 1e6), between(1.0, 3.0))
def test_valve_flow_rises_with_inlet_pressure_opening_and_suction(c, fl, rho, p1, p2, ff, pv, more, wider):
    flow = valve.valve_flow(c, fl, rho, p1, p2, ff, pv)
    assert flow >= 0.0
    assert valve.valve_flow(c, fl, rho, p1 + more, p2, ff, pv) >= flow
    assert valve.valve_flow(c, fl, rho, p1, max(p2 - more, 0.0), ff, pv) >= flow
    assert valve.valve_flow(c * wider, fl, rho, p1, p2, ff, pv) == pytest.approx(wider * flow, rel=1e-12)
    if p2 >= p1:
        assert flow == 0.0


@FEW
@given(COEFFICIENT, RECOVERY, DENSITY, PRESSURE, FF, between(10.0, 5e3))
def test_valve_flow_is_continuous_where_it_chokes(c, fl, rho, p1, ff, pv):
    limit = valve.choked_pressure_drop(fl, p1, ff, pv)
    assume(limit > 1.0)
    width = 1e-9 * p1
    free = valve.valve_flow(c, fl, rho, p1, p1 - limit + width, ff, pv)
    choked = valve.valve_flow(c, fl, rho, p1, p1 - limit - width, ff, pv)
    assert choked == pytest.approx(c * math.sqrt(rho * limit), rel=1e-12)
    assert free <= choked
    assert free >= choked * math.sqrt(max(1.0 - 2.0 * width / limit, 0.0)) * (1.0 - 1e-12)
    assert valve.valve_flow(c, fl, rho, p1, 0.0, ff, pv) == pytest.approx(choked, rel=1e-12)


@FEW
@given(COEFFICIENT, RECOVERY, DENSITY, between(1e5, 1e7), between(0.0, 0.999), FF, between(10.0, 5e4))
def test_inlet_pressure_undoes_valve_flow_on_both_branches(c, fl, rho, p1, outlet_share, ff, pv):
    p2 = outlet_share * p1
    flow = valve.valve_flow(c, fl, rho, p1, p2, ff, pv)
    assume(flow > 0.0)
    assert valve.inlet_pressure(c, fl, rho, flow, p2, ff, pv) == pytest.approx(p1, rel=1e-10)
    assert valve.valve_flow(
        c, fl, rho, valve.inlet_pressure(c, fl, rho, flow, p2, ff, pv), p2, ff, pv
    ) == pytest.approx(flow, rel=1e-9)


@FEW
@given(COEFFICIENT, RECOVERY, DENSITY, between(1e5, 1e7), between(0.0, 0.99), FF, between(10.0, 5e4))
def test_outlet_pressure_is_undetermined_on_the_plateau_only(c, fl, rho, p1, outlet_share, ff, pv):
    p2 = outlet_share * p1
    limit = valve.choked_pressure_drop(fl, p1, ff, pv)
    assume(abs(p1 - p2 - limit) > 1e-6 * p1 and limit > 0.0)
    flow = valve.valve_flow(c, fl, rho, p1, p2, ff, pv)
    got = valve.outlet_pressure(c, fl, rho, flow, p1, ff, pv)
    if p1 - p2 > limit:
        # The flow is the plateau's; rounding of its square decides on which side of the border it falls.
        assert math.isnan(got) or got == pytest.approx(p1 - limit, rel=1e-9, abs=1e-9 * p1)
        assert math.isnan(valve.outlet_pressure(c, fl, rho, flow * (1.0 + 1e-12), p1, ff, pv))
    else:
        assert got == pytest.approx(p2, rel=1e-9, abs=1e-9 * p1)


@FEW
@given(between(0.1, 50.0), RECOVERY, between(0.3, 1.0), between(0.3, 1.0))
def test_fittings_keep_the_products_of_the_standard(kv, fl, inlet, outlet):
    """c FL with fittings is Kv FLP; FP and FLP never exceed what they start from with reducers of equal pipes."""
    d = 0.02
    sum_k, inlet_k = valve.reducer_losses(d, d / inlet, d / inlet)
    fp = valve.piping_factor(kv, d, sum_k)
    flp = valve.combined_recovery_factor(kv, fl, d, inlet_k)
    assert 0.0 < fp <= 1.0
    assert 0.0 < flp <= fl
    grid = valve.flow_characteristic(
        np.array([0.0, 0.5, 1.0, 1.5]),
        np.array([0.0, 0.2, 0.6, 1.0]) * kv,
        np.array([0.0, 1.5]),
        np.array([fl, fl]),
        0.0,
        1.5,
        bore=d,
        pipe_before=d / inlet,
        pipe_behind=d / max(inlet, outlet),
        reducers=True,
        points=4,
    )
    for k, share in ((1, 0.2), (2, 0.6), (3, 1.0)):
        expected = share * kv * valve.KV_TO_C * valve.combined_recovery_factor(share * kv, fl, d, inlet_k)
        assert grid.c[k] * grid.fl[k] == pytest.approx(expected, rel=1e-12)


@st.composite
def flow_tables(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    """Rising angles [rad] from zero and rising Kv, shut at the first one or two entries."""
    steps = draw(st.lists(between(0.05, 0.4), min_size=4, max_size=9))
    gains = draw(st.lists(between(1.05, 4.0), min_size=len(steps), max_size=len(steps)))
    zeros = draw(st.integers(1, 2))
    angle = np.concatenate([[0.0], np.cumsum(steps)])
    kv = np.concatenate([[0.0], 0.01 * np.cumprod(gains)])
    kv[:zeros] = 0.0
    return angle, kv


@FEW
@given(flow_tables())
def test_flow_characteristic_rises_passes_its_points_and_shuts(table):
    angle, kv = table
    curve = valve.flow_characteristic(
        angle, kv, angle[[0, -1]], np.array([0.95, 0.6]), 0.0, float(angle[-1]), points=3601
    )
    assert np.all(np.diff(curve.c) >= -1e-15 * curve.c[:-1])
    assert np.all(np.isfinite(curve.c))
    assert np.all(curve.c >= valve.C_FLOOR)
    assert np.all((curve.fl >= 0.6 - 1e-12) & (curve.fl <= 0.95 + 1e-12))
    for a, k in zip(angle, kv, strict=True):
        got = lookup.lookup(curve.c, curve.start, curve.per_step, float(a))
        if k > 0.0:
            # Where the run to zero meets the first stated point the curve may have a kink, at most from a straight line
            # of slope Kv/(first - shut); a grid that misses it cuts the corner by a quarter of a spacing of that.
            corner = 0.25 / curve.per_step / (curve.first - curve.shut) if a == curve.first else 0.0
            assert got == pytest.approx(k * valve.KV_TO_C, rel=1e-3 + corner)
    grid = curve.angles
    assert np.all(curve.c[grid <= curve.shut] == valve.C_FLOOR)
    assert curve.shut == angle[int(np.argmax(kv > 0.0)) - 1]
    assert curve.first == angle[int(np.argmax(kv > 0.0))]
    assert lookup.lookup(curve.c, curve.start, curve.per_step, -1.0) == valve.C_FLOOR


@FEW
@given(st.lists(between(-1e3, 1e3), min_size=2, max_size=40), between(-5.0, 5.0), spread(1e-2, 1e3), between(-1.5, 2.5))
def test_lookup_stays_between_neighbours_and_clamps(values, start, per_step, share):
    table = np.array(values)
    x = start + share * (table.size - 1) / per_step
    got = lookup.lookup(table, start, per_step, x)
    grid = start + np.arange(table.size) / per_step
    assert got == pytest.approx(float(np.interp(x, grid, table)), rel=1e-6, abs=1e-6)
    assert table.min() - 1e-9 <= got <= table.max() + 1e-9


# --------------------------------------------------------------------------------------------- injector and manifold

CDA = spread(1e-7, 1e-3)


@FEW
@given(CDA, DENSITY, between(-1e7, 1e7))
def test_injector_round_trip(cda, rho, drop):
    flow = injector.injector_flow(cda, rho, drop)
    assert injector.injector_drop(cda, rho, flow) == pytest.approx(drop, rel=1e-12, abs=1e-280)
    assert injector.injector_flow(cda, rho, -drop) == -flow


@FEW
@given(CDA, DENSITY, between(-1e7, 1e7), between(-2.0, 2.0), spread(1e2, 1e12))
def test_manifold_midpoint_satisfies_its_equation(cda, rho, start, inflow, stiffness):
    """y = y0 + (h/2C)(inflow - flow(y)), reverse flow included; residual against the largest term of it."""
    y, flow = injector.manifold_midpoint(start, inflow, cda, rho, stiffness)
    assert flow == pytest.approx(injector.injector_flow(cda, rho, y), rel=1e-12, abs=1e-30)
    terms = (y, start, stiffness * inflow, stiffness * flow)
    assert abs(y - start - stiffness * (inflow - flow)) <= 1e-9 * max(abs(t) for t in terms) + 1e-30


@FEW
@given(CDA, DENSITY, between(1e4, 1e7), st.sampled_from([-1.0, 1.0]), between(-2.0, 2.0))
def test_manifold_midpoint_tends_to_the_explicit_step(cda, rho, size, sign, inflow):
    start = sign * size
    slope = inflow - injector.injector_flow(cda, rho, start)
    errors = []
    for stiffness in (1.0, 0.5):
        y, _ = injector.manifold_midpoint(start, inflow, cda, rho, stiffness)
        errors.append(abs(y - start - stiffness * slope))
    # Second order: the error is (h/2C)^2 times slope times d flow/dy, here bounded from above with room for rounding.
    bound = abs(slope) * cda * math.sqrt(2.0 * rho / size)
    assert errors[0] <= 1.0 * bound + 1e-9 * size
    assert errors[1] <= 0.25 * bound + 1e-9 * size


# ------------------------------------------------------------------------------------------------------------ gearing


@FEW
@given(between(-0.1, 0.1), between(-50.0, 50.0), spread(1.0, 1e5), between(0.0, 100.0), between(1e-6, 0.05))
def test_spring_never_pulls_in_contact(twist, rate, stiffness, damping, half_gap):
    torque = gearing.spring_torque(twist, rate, stiffness, damping, half_gap)
    if abs(twist) <= half_gap:
        assert torque == 0.0
    else:
        assert torque * twist >= 0.0
    assert gearing.spring_torque(-twist, -rate, stiffness, damping, half_gap) == pytest.approx(-torque, abs=0.0)


@FEW
@given(st.lists(ANGLE, min_size=1, max_size=50), between(0.0, 0.5))
def test_play_keeps_within_the_clearance_and_never_moves_by_itself(stems, half):
    ball = 0.0
    for stem in stems:
        before = ball
        ball = gearing.play(ball, stem, half)
        assert abs(stem - ball) <= half + 1e-12
        if abs(stem - before) <= half:
            assert ball == before
        # The ball is only ever pushed the way the stem went past it.
        assert (ball - before) * (stem - before) >= 0.0
        assert gearing.play(ball, stem, half) == pytest.approx(ball, abs=1e-12)


def _stages(count: int) -> st.SearchStrategy[list[gearing.StageNumbers]]:
    stage = st.builds(
        gearing.StageNumbers,
        between(1.0, 100.0),
        between(0.3, 1.0),
        between(0.3, 1.0),
        between(0.0, 1.0),
        spread(1e-9, 1e-4),
        spread(1e-6, 1e-1),
        between(0.0, 0.05),
    )
    return st.lists(stage, min_size=count, max_size=count)


@FEW
@given(_stages(2), spread(1e-6, 1e-2))
def test_two_stages_by_hand(stages, coupling):
    a, b = stages
    train = gearing.combine(stages, coupling)
    assert train.ratio == pytest.approx(a.ratio * b.ratio)
    assert train.efficiency == pytest.approx(a.efficiency * b.efficiency)
    assert train.static_efficiency == pytest.approx(a.static_efficiency * b.static_efficiency)
    assert train.backdrive_efficiency == pytest.approx(a.backdrive_efficiency * b.backdrive_efficiency)
    assert train.lost_motion == pytest.approx(a.lost_motion / b.ratio + b.lost_motion)
    assert 1.0 / train.stiffness == pytest.approx(a.compliance / b.ratio**2 + b.compliance + coupling)
    assert train.motor_inertia == pytest.approx(a.inertia + b.inertia / a.ratio**2)


@FEW
@given(_stages(3), spread(1e-6, 1e-2))
def test_three_stages_by_hand(stages, coupling):
    a, b, c = stages
    train = gearing.combine(stages, coupling)
    assert train.ratio == pytest.approx(a.ratio * b.ratio * c.ratio)
    behind = b.ratio * c.ratio
    assert train.lost_motion == pytest.approx(a.lost_motion / behind + b.lost_motion / c.ratio + c.lost_motion)
    compliance = a.compliance / behind**2 + b.compliance / c.ratio**2 + c.compliance + coupling
    assert 1.0 / train.stiffness == pytest.approx(compliance)
    inertia = a.inertia + b.inertia / a.ratio**2 + c.inertia / (a.ratio * b.ratio) ** 2
    assert train.motor_inertia == pytest.approx(inertia)


@FEW
@given(between(-20.0, 20.0), between(1.0, 300.0), between(0.3, 1.0), between(0.0, 1.0), st.sampled_from([-1.0, 1.0]))
def test_gears_never_give_power(stem_torque, ratio, drive, share, way):
    """Steady motion of the motor one way or the other: what comes out is never more than what goes in."""
    back = share / drive if share / drive <= 1.0 else 1.0
    mean = gearing.mean_mesh_torque(stem_torque, ratio, drive, back)
    level = gearing.mesh_friction(stem_torque, ratio, drive, back)
    assert level >= 0.0
    motor_power = (mean + way * level) * way  # torque that keeps a speed of one, friction against the motion
    stem_power = stem_torque / ratio * way
    assert motor_power >= stem_power - 1e-12 * abs(stem_power) - 1e-290
    if stem_power > 0.0:
        assert stem_power == pytest.approx(drive * motor_power, rel=1e-9, abs=1e-290)
    elif stem_power < 0.0:
        assert motor_power == pytest.approx(back * stem_power, rel=1e-9, abs=1e-12 * abs(stem_power) + 1e-290)


@FEW
@given(between(0.05, 1.0))
def test_backdrive_default_is_an_efficiency(efficiency):
    back = gearing.backdrive_default(efficiency)
    assert 0.0 <= back <= efficiency + 1e-15


# ------------------------------------------------------------------------------------------------------------ friction


@FEW
@given(between(-100.0, 100.0), between(0.0, 50.0), spread(1e-6, 10.0))
def test_friction_stops_but_never_reverses(free, level, step_over_inertia):
    speed = friction.stick_or_slip(free, level, step_over_inertia)
    impulse = level * step_over_inertia
    assert speed * free >= 0.0
    assert abs(speed) <= abs(free)
    if abs(free) <= impulse:
        assert speed == 0.0
    else:
        assert abs(free - speed) == pytest.approx(impulse, rel=1e-9, abs=1e-12)
    assert friction.stick_or_slip(-free, level, step_over_inertia) == -speed


@FEW
@given(between(-100.0, 100.0), between(0.0, 10.0), between(0.0, 10.0), spread(1e-4, 1.0))
def test_stribeck_lies_between_its_levels(speed, running, rise, stribeck_speed):
    breakaway = running + rise
    level = friction.stribeck(speed, breakaway, running, stribeck_speed)
    assert running <= level <= breakaway + 1e-12
    assert level == friction.stribeck(-speed, breakaway, running, stribeck_speed)
    assert friction.stribeck(2.0 * speed, breakaway, running, stribeck_speed) <= level
    assert friction.stribeck(0.0, breakaway, running, stribeck_speed) == pytest.approx(breakaway)


@FEW
@given(between(0.0, 5.0), between(0.1, 5.0), between(0.0, 1e-6), between(-1e6, 5e6), between(1.0, 5.0))
def test_stem_friction_at_the_peak_adds_the_stated_slope(table, peak, slope, drop, factor):
    got = friction.stem_friction(peak, peak, slope, drop, factor)
    assert got == pytest.approx(factor * (peak + slope * max(drop, 0.0)))
    assert friction.stem_friction(table, peak, slope, drop, factor) >= factor * table


# ------------------------------------------------------------------------------------------- encoder and controller


@FEW
@given(ANGLE, spread(1e-6, 0.1))
def test_quantise_is_within_half_a_count(angle, count):
    told = encoder.quantise(angle, count)
    assert abs(told - angle) <= 0.5 * count * (1.0 + 1e-9) + 1e-14
    assert encoder.quantise(told, count) == pytest.approx(told, abs=1e-12)
    assert encoder.quantise(angle, 0.0) == angle


@FEW
@given(ANGLE, ANGLE, between(0.0, 3.0))
def test_rate_limit(target, before, largest):
    now = controller.rate_limited(target, before, largest)
    assert abs(now - before) <= largest + 1e-12
    assert abs(target - now) <= abs(target - before) + 1e-12
    if abs(target - before) <= largest:
        assert now == pytest.approx(target, abs=1e-12)


@FEW
@given(between(-5.0, 5.0), between(-20.0, 20.0), spread(1e-3, 100.0), between(0.0, 1.0), between(0.1, 10.0))
def test_integral_never_winds_up(error, integral, kp, ki_period, limit):
    output = controller.pi_output(error, integral, kp)
    after = controller.pi_integral(error, integral, kp, ki_period, output, limit)
    if output > limit:
        assert after <= integral
    if output < -limit:
        assert after >= integral
    if abs(output) <= limit:
        assert after == pytest.approx(integral + kp * ki_period * error)
    assert controller.pi_integral(-error, -integral, kp, ki_period, -output, limit) == -after


@FEW
@given(st.lists(between(-5.0, 5.0), min_size=1, max_size=60), between(0.1, 10.0), between(0.01, 0.5), between(0.5, 5.0))
def test_integral_stays_bounded_over_any_run(errors, kp, ki_period, limit):
    """From zero, the integral leaves plus or minus (limit + one step) never, since a limited output freezes it."""
    integral = 0.0
    for error in errors:
        output = controller.pi_output(error, integral, kp)
        integral = controller.pi_integral(error, integral, kp, ki_period, output, limit)
        assert abs(integral) <= limit + kp * (1.0 + ki_period) * 5.0


@FEW
@given(ANGLE, ANGLE, between(0.1, 100.0), between(0.0, 1.0), between(1e-4, 1e-2), between(0.0, 0.01))
def test_hold_band_counts_at_rest_only(command, angle, kp, share, period, band):
    held = controller.position_law(command, command, angle, kp, share, period, band)
    assert held == (0.0 if abs(command - angle) <= band else kp * (command - angle))
    moving = controller.position_law(command, command - 0.5, angle, kp, share, period, band)
    assert moving == pytest.approx(kp * (command - angle) + share * 0.5 / period, rel=1e-9, abs=1e-9)


@FEW
@given(between(1e-9, 10.0), st.one_of(st.just(0.0), between(1e-9, 10.0)))
def test_filter_share_is_a_share_and_composes(period, tau):
    share = controller.filter_share(period, tau)
    assert 0.0 <= share <= 1.0
    halves = controller.filter_share(0.5 * period, tau)
    if tau == 0.0:
        assert share == 1.0
    else:
        assert 1.0 - (1.0 - halves) ** 2 == pytest.approx(share, abs=1e-12)


# -------------------------------------------------------------------------------------------------------------- motor


@FEW
@given(between(230.0, 330.0), between(0.0, 12.0), between(0.05, 3.0), between(0.0, 0.005), between(0.1, 20.0))
def test_winding_temperature_satisfies_its_equation(surroundings, current, r25, coefficient, thermal):
    temperature = motor.winding_temperature(surroundings, current, r25, coefficient, thermal)
    share = thermal * current * current * r25 * coefficient
    if share >= 1.0:
        assert temperature == math.inf
        return
    heat = motor.copper_loss(current, motor.winding_resistance(r25, coefficient, temperature))
    assert temperature - surroundings == pytest.approx(thermal * heat, rel=1e-9, abs=1e-9 * temperature)


@FEW
@given(between(-30.0, 30.0), between(-20.0, 20.0), between(-500.0, 500.0), between(0.1, 5.0), spread(1e-5, 1e-2))
def test_motor_turns_no_more_power_than_it_takes(voltage, current, speed, resistance, inductance):
    """v i = R i^2 + K i w + L i di/dt: the law keeps the balance of electrical power."""
    k = 0.038
    rate = motor.current_rate(voltage, current, speed, resistance, inductance, k)
    balance = voltage * current - resistance * current**2 - k * current * speed - inductance * current * rate
    assert balance == pytest.approx(0.0, abs=1e-9 * (1.0 + abs(voltage * current) + resistance * current**2))
