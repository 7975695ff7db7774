"""How the command line starts and ends: what is loaded, what is left undone."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.parts import power_bus
from valvectl.plant.balance import balance

DESIGNS = Path(__file__).parents[2] / "designs"


def run(code: str, *args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", code, *args], capture_output=True, text=True, timeout=300, check=False)


def test_explain_loads_no_numerical_library() -> None:
    code = (
        "import sys, atexit; sys.argv = ['valvectl', 'explain', 'legs.fuel.tank.pressure']\n"
        "heavy = ('numpy', 'scipy', 'pint', 'numba', 'matplotlib', 'pandas')\n"
        "atexit.register(lambda: print('LOADED', [m for m in heavy if m in sys.modules], flush=True))\n"
        "from valvectl.__main__ import start; start()"
    )
    done = run(code)
    assert done.returncode == 0, done.stderr
    assert done.stdout.endswith("LOADED []\n")  # what is promised for the end is done, after all that was printed
    assert "acts in" in done.stdout


@pytest.mark.parametrize(("argument", "code"), [("explain", 0), ("no-such-verb", 2), ("", 2)])
def test_exit_codes_stay(argument: str, code: int) -> None:
    done = run(
        f"import sys; sys.argv = ['valvectl', *{argument!r}.split()]; from valvectl.__main__ import start; start()"
    )
    assert done.returncode == code
    assert done.stdout or done.stderr


def test_a_full_disk_is_still_told() -> None:
    if not os.path.exists("/dev/full"):
        pytest.skip("no /dev/full here")
    code = "import sys; sys.argv = ['valvectl', 'explain', 'battery']; from valvectl.__main__ import start; start()"
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-c", code], stdout=full, stderr=subprocess.PIPE, text=True, timeout=300, check=False
        )
    assert done.returncode == 2
    assert "No space left" in done.stderr


def test_a_start_nearby_changes_no_balance() -> None:
    machine = valvectl.load(DESIGNS / "hover-rig.toml").analysis.machine
    plain = balance(machine, 0.9, 0.85)
    for share in (1.0, 1.00003, 0.98, 1.5):  # within, at the border, far off
        found = balance(machine, 0.9, 0.85, share * plain.chamber_pressure)
        assert found.chamber_pressure == pytest.approx(plain.chamber_pressure, rel=1e-11)
        assert found.mixture_ratio == pytest.approx(plain.mixture_ratio, rel=1e-11)


def test_many_at_once_are_as_one_by_one() -> None:
    volts = np.array([25.2, 22.0, 12.0, 3.0, 0.0, -1.0, 5.0])
    power = np.array([40.0, -60.0, 700.0, 900.0, 0.0, -5.0, 0.0])
    one_by_one = [power_bus.bus_voltage(float(v), 0.03, float(p), 0.0) for v, p in zip(volts, power, strict=True)]
    assert power_bus.bus_voltages(volts, 0.03, power).tolist() == one_by_one
    machine = valvectl.load(DESIGNS / "hover-rig.toml").analysis.machine
    pressures = np.linspace(2e5, 18e5, 57)
    assert machine.thrusts_at(pressures).tolist() == [machine.thrust_at(float(p)) for p in pressures]
