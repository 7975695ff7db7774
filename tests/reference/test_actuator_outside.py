"""Actuator checks, catalogue reader and choice against textbook results and conversions worked out apart."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from actuator_case import DEMAND, numbers
from outside import OutsideCheck, verify

from valvectl.design.catalogue_file import CatalogueMotor, read_gears, read_motors
from valvectl.studies.actuator_checks import evaluate, shown
from valvectl.studies.actuator_demand import with_last_stage
from valvectl.studies.catalogue import pareto
from valvectl.studies.ratio_odds import lower_bound

PASCH = (
    "Pasch and Seering, ASME J. Mech. Transm. Autom. Des. 106 (1984) 102-108 (formula from memory, values worked out)"
)
SIZING = "servo-sizing guides: triangular move t = 2 sqrt(angle/a); trapezoid t = angle/w + w/a"
KRISHNAN = (
    "Krishnan, Permanent Magnet Synchronous and Brushless DC Motor Drives (2010), from memory; factors worked out"
)
HOBBY = "hobby-motor rule Kt = 9.549/KV (direct) and 8.27/KV (phase peak), KV in rpm per line-peak volt"
ACARNLEY = "Acarnley, Stepping Motors, 4th ed. (2002), two phases a quarter apart hold sqrt(2) times one (from memory)"
WILKS = "Wilks 1941: 59 runs without failure show 95 % at 95 % confidence; 22 show 90 % at 90 %"
ANGLES = "definition of the arc minute"
PARETO = "definition of Pareto dominance, five points by hand"
LEVER = "statics of a gear train: torque times ratio times efficiency"

HEAD = (
    "name,kind,speed_constant [rpm/V],volt_is,torque_constant [mN m/A],ampere_is,resistance [ohm],inductance [mH],"
    "peak_current [A],no_load_current [A],rotor_inertia [g cm2],max_speed [rpm],winding_limit [degC],"
    "thermal_resistance [K/W],mass [g],tolerance [%],teeth,holding_torque [N cm],detent_torque [mN m]"
)
REST = "0.4,0.3,10,0.5,100,5000,125,5,400,8"


def motor(tmp_path: Path, row: str) -> CatalogueMotor:
    path = tmp_path / "motors.csv"
    path.write_text(f"{HEAD}\n{row}\n", encoding="utf-8")
    return read_motors(path)[0]


READER = [
    ("KV-line-peak", "a,brushless,190,line peak,,direct", "torque_constant", 9.5493 / 190.0, 1e-5, HOBBY),
    (
        "KV-line-peak-field",
        "a,brushless,190,line peak,,phase peak",
        "peak_current",
        10.0 * math.sqrt(3.0) / 2.0,
        1e-12,
        HOBBY,
    ),
    ("KV-line-RMS", "a,brushless,100,line RMS,,direct", "torque_constant", 9.5493e-2 * math.sqrt(2.0), 1e-5, KRISHNAN),
    (
        "KV-phase-peak",
        "a,brushless,100,phase peak,,direct",
        "torque_constant",
        9.5493e-2 * math.sqrt(3.0),
        1e-5,
        KRISHNAN,
    ),
    (
        "KV-phase-RMS",
        "a,brushless,100,phase RMS,,direct",
        "torque_constant",
        9.5493e-2 * math.sqrt(6.0),
        1e-5,
        KRISHNAN,
    ),
    ("KT-phase-RMS", "a,brushless,,,550,phase RMS", "torque_constant", 0.55 * math.sqrt(2.0 / 3.0), 1e-12, KRISHNAN),
    ("IT-phase-RMS", "a,brushless,,,550,phase RMS", "peak_current", 10.0 * math.sqrt(1.5), 1e-12, KRISHNAN),
    ("KT-phase-peak", "a,brushless,,,30,phase peak", "torque_constant", 0.030 * 2.0 / math.sqrt(3.0), 1e-12, KRISHNAN),
    ("KT-block", "a,brushless,,,30,block", "torque_constant", 0.030, 1e-12, KRISHNAN),
    (
        "KV-brushed",
        "a,brushed,300,,,",
        "torque_constant",
        9.5493 / 300.0,
        1e-5,
        "K = 1/KV in SI, any text on DC motors",
    ),
    ("friction", "a,brushed,,,40,", "friction", 0.5 * 0.040, 1e-12, "no-load current times torque constant"),
]


@pytest.mark.parametrize("row", READER, ids=lambda row: row[0])
def test_conventions_of_the_reader(row, tmp_path):
    key, cells, field, expected, tolerance, source = row
    found = motor(tmp_path, f"{cells},{REST},,,")
    verify(OutsideCheck(f"AC-{key}", cells, expected, "SI", tolerance, source, "recomputed"), getattr(found, field))


def test_stepper_of_the_reader(tmp_path):
    """1.2 N m at 3 A: K of a phase 0.2828 N m/A."""
    found = motor(tmp_path, "a,stepper,,,,,0.75,2.8,3,,280,1500,130,3,700,10,50,120,40")
    verify(
        OutsideCheck(
            "AC-stepper", "holding 1.2 N m, 3 A", 1.2 / (3.0 * math.sqrt(2.0)), "N m/A", 1e-12, ACARNLEY, "from memory"
        ),
        found.torque_constant,
    )
    assert found.rotor_inertia == pytest.approx(2.8e-5)
    assert found.mass == pytest.approx(0.7)


def test_units_of_the_gear_reader(tmp_path):
    path = tmp_path / "gears.csv"
    path.write_text(
        "name,kind,ratio,efficiency [%],static_efficiency [%],lost_motion [arcmin],stiffness [N m/arcmin],inertia [kg cm2],"
        "peak_torque [N m],max_input_speed [rpm],mass [kg]\ng,planetary,16,88,75,60,1,0.1,12,6000,0.5\n",
        encoding="utf-8",
    )
    gear = read_gears(path)[0]
    verify(
        OutsideCheck("AC-arcmin", "60 arcmin", math.pi / 180.0, "rad", 1e-12, ANGLES, "recomputed"), gear.lost_motion
    )
    verify(OutsideCheck("AC-stiff", "1 N m/arcmin", 3437.7468, "N m/rad", 1e-7, ANGLES, "recomputed"), gear.stiffness)
    assert gear.inertia == pytest.approx(1e-5)
    assert math.isnan(gear.cost)


def swept(ratios, demand=DEMAND, **changes):
    one = with_last_stage(numbers(1.0, **changes), np.asarray(ratios))
    checks = {c.name: c.values for c in evaluate(demand, one, one)}
    return checks | {c.name: c.values for c in shown(demand, one, one)}


def test_ratio_of_greatest_acceleration():
    """Jm 1e-5, JL 4e-3, no load, no loss: N = 20, and there both inertias are alike."""
    ratios = np.linspace(10.0, 30.0, 20001)
    found = swept(ratios, efficiency=1.0, running=0.0)
    best = float(ratios[np.argmax(found["acceleration"])])
    verify(OutsideCheck("AC-optimum", "sqrt(JL/Jm)", 20.0, "", 1e-4, PASCH, "recomputed"), best)
    reflected = float(found["reflected inertia"][np.argmax(found["acceleration"])])
    verify(OutsideCheck("AC-match", "reflected inertia there", 4e-3, "kg m2", 2e-4, PASCH, "recomputed"), reflected)


def test_loaded_ratio_of_greatest_acceleration():
    """Tm 0.4, TL 3.2: 8 + sqrt(64 + 400)."""
    ratios = np.linspace(20.0, 40.0, 20001)
    found = swept(ratios, efficiency=1.0, running=3.2)
    best = float(ratios[np.argmax(found["acceleration"])])
    verify(OutsideCheck("AC-loaded", "under load", 8.0 + math.sqrt(464.0), "", 1e-4, PASCH, "recomputed"), best)


def test_stroke_worked_examples():
    """N = 20, no loss, no load: torque 8 N m on 8e-3 kg m2, 1000 rad/s2; 1 rad within 6 rad/s, then without a limit."""
    free = {"efficiency": 1.0, "running": 0.0, "bus_voltage": 1e6}
    limited = replace(DEMAND, stroke=1.0, speed_limit=6.0)
    verify(
        OutsideCheck(
            "AC-trapezoid", "1 rad, 1000 rad/s2, 6 rad/s", 1.0 / 6.0 + 6.0 / 1000.0, "s", 1e-9, SIZING, "recomputed"
        ),
        float(swept([20.0], limited, **free)["stroke time"][0]),
    )
    fast = replace(DEMAND, stroke=1.0, speed_limit=1e6)
    verify(
        OutsideCheck("AC-triangle", "1 rad, 1000 rad/s2", 2.0 * math.sqrt(1e-3), "s", 1e-9, SIZING, "recomputed"),
        float(swept([20.0], fast, **free)["stroke time"][0]),
    )


def test_static_margin_by_statics():
    """0.04 N m/A x 10 A x 20 x 0.7 over 2 N m: 5.6/2 - 1."""
    verify(
        OutsideCheck("AC-margin", "5.6 N m over 2 N m", 180.0, "%", 1e-12, LEVER, "recomputed"),
        float(swept([20.0])["static torque margin"][0]),
    )


def test_energy_at_the_stop():
    """0.008 kg m2 at 6 rad/s: 0.144 J."""
    verify(
        OutsideCheck(
            "AC-energy", "8e-3 kg m2 at 6 rad/s", 0.144, "J", 1e-12, "kinetic energy, mechanics", "recomputed"
        ),
        float(swept([20.0])["energy at the stop"][0]),
    )


@pytest.mark.parametrize(("runs", "share"), [(59, 0.95), (22, 0.90)])
def test_runs_without_failure(runs, share):
    bound = float(lower_bound(np.array([float(runs)]), runs, share)[0])
    verify(OutsideCheck(f"AC-runs-{runs}", f"{runs} of {runs}", share, "", 2e-3, WILKS, "recomputed"), bound)
    assert float(lower_bound(np.array([float(runs - 1)]), runs - 1, share)[0]) < share


def test_pareto_by_hand():
    points = np.array([[1.0, 5.0], [2.0, 3.0], [4.0, 1.0], [3.0, 4.0], [5.0, 5.0], [2.0, 3.0]])
    front = pareto(points)
    assert list(front) == [True, True, True, False, False, True]
    verify(OutsideCheck("AC-pareto", "members", 4.0, "", 1e-12, PARETO, "recomputed"), float(np.sum(front)))
