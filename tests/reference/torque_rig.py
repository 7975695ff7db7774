"""The invented example engine with its oxidizer valve's torque put to plain numbers, no tolerance anywhere."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import valvectl
from valvectl.studies.adverse import TORQUE, adverse
from valvectl.studies.torque import by_rule, torque
from valvectl.studies.torque_moves import Command
from valvectl.studies.torque_result import TorqueResult

EXAMPLE = Path(__file__).parents[2] / "designs" / "hover-rig.toml"
MEASURED = '{{ value = {}, origin = "measured" }}'


def table(torque_: float, measured: bool) -> str:
    """A valve that needs one torque [N m] warm everywhere, 1.5 times that cold, whatever the pressure."""
    mark = MEASURED if measured else "{}"
    column = mark.format(f'["{torque_} N m", "{torque_} N m"]')
    return "\n".join(
        [
            'angle = ["0 deg", "90 deg"]',
            f"running = {column}",
            f"breakaway = {column}",
            "pressure_slope = " + mark.format('"0 N m/bar"'),
            "cold_factor = " + mark.format("1.5"),
            "dwell_factor = " + mark.format("1.0"),
            "hydrodynamic_coefficient = 0.0",
        ]
    )


def design(torque_table: str = "", requirements: str = "", *changes: tuple[str, str]) -> Any:
    """The example without tolerances, the oxidizer's torque table and the requirements as given, text replaced."""
    text = re.sub(r', tolerance = (?:"[^"]*"|[0-9.]+)', "", EXAMPLE.read_text(encoding="utf-8"))
    if torque_table:
        head, rest = text.split("[legs.oxidizer.valve.torque]\n", 1)
        tail = rest[rest.index("\n[") :]
        text = f"{head}[legs.oxidizer.valve.torque]\n{torque_table}\n{tail}"
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    if requirements:
        text = text.replace("[throttle]\n", f"[requirements]\n{requirements}\n\n[throttle]\n")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "design.toml"
        path.write_text(text, encoding="utf-8")
        return valvectl.load(path)


def judged(made: Any, orders: Sequence[Command] = ()) -> TorqueResult:
    """The torque study of the oxidizer leg with commanded moves as given; none: no inertia in any rule."""
    corner, moved = adverse(made, TORQUE)
    static = torque(corner, "oxidizer", made.machine, moved)
    return by_rule(static, made, corner, made.machine, orders)
