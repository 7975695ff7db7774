"""Tables of the studies of heat and electric power."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from valvectl.cli_print import said, table
from valvectl.design.schema import LEGS
from valvectl.review.wording import number, signed

if TYPE_CHECKING:
    from valvectl.studies.mission_heat_result import MissionHeat
    from valvectl.studies.power_result import PowerResult


def power(result: PowerResult, out: Console) -> None:
    """Print a result of ``power``."""
    rows = [
        [
            c.what,
            *(f"{c.lowest[n]:.2f}" for n in LEGS),
            f"{c.sag_battery:.2f}",
            f"{c.sag_harness:.2f}",
            number(c.peak_current, 3),
            number(c.rms_current, 3),
            number(c.charge / 3.6, 3),
            number(c.returned, 2),
        ]
        for c in result.cases
    ]
    head = (
        "run", "oxidizer\nleast [V]", "fuel\nleast [V]", "sag in\nbattery", "in har-\nness [V]", "peak\n[A]", "RMS\n[A]",
        "charge\n[mA h]", "back\n[J]",
    )  # fmt: skip
    out.print(table(head, rows, title=f"Both drives and other loads at {result.cases[0].battery:.3g} V open circuit"))
    kept = "kept" if result.margin >= 0.0 else "NOT kept"
    out.print(
        Text(
            f"Lock-out {result.lockout:.3g} V: {kept}, {signed(result.margin)} V. Greatest power beside the other loads: "
            f"{number(result.greatest_power, 3, 'no limit')} W."
        )
    )
    out.print()
    names = [w for w in result.cases[0].spent if any(abs(c.spent[w]) > 5e-4 * c.drawn for c in result.cases)]
    rows = [[w, *(_joules(c.spent[w]) for c in result.cases)] for w in names]
    rows.append(["drawn in all", *(number(c.drawn, 4) for c in result.cases)])
    rows.append(["not accounted for [%]", *(f"{100.0 * c.imbalance:+.4f}" for c in result.cases)])
    rows.append(["of one drive's own [%]", *(f"{100.0 * c.leg_imbalance:+.4f}" for c in result.cases)])
    heads = ("where it goes [J]", *(c.what for c in result.cases))
    out.print(table(heads, rows, title="The battery's joules, both drives together"))
    out.print(
        Text(
            f"With half the time step ({1e6 * result.step:.3g} us): lowest drive voltage {1e3 * result.halved_voltage:+.1f} mV, "
            f"energy of a stroke {100.0 * result.halved_energy:+.3f} %."
        )
    )
    out.print()
    back = result.regenerated
    rows = [
        ["most on the bus at a time [J]", number(back.energy, 3)],
        ["largest braking power [W]", number(back.power, 3)],
        ["largest current into the battery, other loads off [A]", number(back.charge_current, 3)],
        ["bus voltage if the battery is blocked [V]", number(back.voltage, 4, "no bus_capacitance")],
        ["overvoltage limit [V]", number(back.limit, 4, "not stated")],
        ["capacitance that keeps it [mF]", number(1e3 * back.capacitance, 3, "-")],
        ["greatest brake resistor that keeps it [ohm]", number(back.resistor, 3, "-")],
    ]
    held = {True: "kept", False: "NOT kept", None: "not assessed"}[back.holds]
    title = f"Braking at the full battery, {back.way}: {held}"
    out.print(table(("", ""), rows, title=title))
    out.print()
    fuse = result.fuse
    if fuse is not None:
        rows = [
            ["lasting current [A]", number(fuse.rms_current, 3), number(fuse.allowed, 3), _percent(fuse.rms_margin)],
            [
                "worst pulse [A^2 s]",
                number(fuse.pulse_i2t, 3),
                number(fuse.pulse_allowed, 3),
                _percent(fuse.pulse_margin),
            ],
        ]
        if not math.isnan(fuse.curve_margin):
            rows.append(["melting curve, any window", "-", "-", _percent(fuse.curve_margin)])
        title = f"Fuse of {fuse.rating:.3g} A: {'holds' if fuse.holds else 'may open'}"
        out.print(table(("", "found", "allowed", "margin [%]"), rows, title=title))
        out.print()
    share = f", {100.0 * result.mission_charge / result.capacity:.2g} % of the battery" if result.capacity > 0.0 else ""
    out.print(
        Text(
            f"Charge: {number(result.run_charge / 3.6, 3)} mA h a run, {number(result.mission_charge / 3.6, 3)} mA h the "
            f"mission{share}."
        )
    )
    said(result, out)


def _joules(value: float) -> str:
    return f"{value:.3f}" if abs(value) < 0.1 else number(value, 3)


def _percent(value: float) -> str:
    return f"{100.0 * value:+.0f}" if math.isfinite(value) else "no pulse"


def heat(result: MissionHeat, out: Console) -> None:
    """Print a result of ``heat``."""
    mission = f"{result.runs} run{'s' if result.runs > 1 else ''} of the profile"
    if result.runs > 1:
        mission += f", {result.pause:.4g} s between" if result.pause > 0.0 else " without pause"
    rows = [
        ["winding, peak of the mission", _celsius(result.peak), _celsius(result.limit)],
        ["case, peak of the mission", _celsius(result.case_peak), "-"],
        ["winding, mission repeated for ever", _celsius(result.lasting), _celsius(result.limit)],
        ["winding, profile without pause (motor_heating)", _celsius(result.steady), _celsius(result.limit)],
    ]
    title = f"{result.leg} motor, {result.nodes} node{'s' if result.nodes > 1 else ''}; {mission}"
    out.print(table(("at the hot day's surroundings", "[degC]", "limit"), rows, title=title))
    out.print(
        Text(
            f"Surroundings {_celsius(result.surroundings)} degC; {result.rms_current:.3g} A RMS in a run, "
            f"{result.hold_current:.3g} A in a pause."
        )
    )
    out.print()
    rows = [
        [
            e.what,
            number(e.current, 3),
            _seconds(e.from_cold),
            _seconds(e.from_peak),
            _celsius(e.steady),
            f"{e.runaway:.2f}",
        ]
        for e in result.endurance
    ]
    rows.append(["profile without pause", number(result.rms_current, 3), _seconds(result.repeated), "-", "-", "-"])
    head = ("", "current\n[A]", "to limit,\ncold [s]", "to limit,\nwarm [s]", "lasting\n[degC]", "runaway\ngain")
    out.print(table(head, rows, title="Time to the limit; warm: from the mission's peak. Gain of 1 or more runs away"))
    out.print(
        Text(
            f"Holding: {1e3 * result.holding_torque:.3g} mN m at the shaft against stream and spring at full tank "
            f"pressure; {1e3 * result.holding_limit:.3g} mN m can be held for ever."
        )
    )
    out.print(
        Text(
            f"Hot, the torque constant is {100.0 * result.torque_kept:.1f} % of that at 25 degC. Torque margin "
            f"{100.0 * result.margin_hot:+.0f} % as at the mission's peak, {100.0 * result.margin_stated:+.0f} % at the "
            f"{_celsius(result.assumed_winding)} degC that the design assumes."
        )
    )
    duty = result.duty
    if duty is not None:
        out.print()
        verdict = "kept" if duty.met else "NOT kept"
        out.print(
            Text(
                f"{duty.type}, {duty.words}: crest {_celsius(duty.crest)} degC at {duty.load:.3g} A, limit {verdict}; up to "
                f"{duty.allowed:.3g} A allowed."
            )
        )
    out.print()
    said(result, out)


def _celsius(value: float) -> str:
    return f"{value - 273.15:.1f}" if math.isfinite(value) else "runs away"


def _seconds(value: float) -> str:
    return number(value, 3) if math.isfinite(value) else "never"
