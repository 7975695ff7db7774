"""Tolerances of lists: one relative, or one for each entry; what the adverse bounds and the spread make of them."""

from __future__ import annotations

import shutil
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import valvectl
from valvectl.design.load import read_design
from valvectl.design.tolerances import bounds_of
from valvectl.errors import DesignError
from valvectl.studies.adverse import FLOW, adverse, moved_value
from valvectl.studies.port_facts import coefficient_bounds
from valvectl.studies.spread import spread

DESIGNS = Path(__file__).parents[2] / "designs"
KV = "legs.oxidizer.valve.flow.kv"
FL = "legs.oxidizer.valve.flow.fl"
N = 18


@cache
def text() -> str:
    return (DESIGNS / "hover-rig.toml").read_text(encoding="utf-8")


def rig(folder: Path, kv: str = '"1.5 %"', fl: str = '"5 %"', read=valvectl.load):
    """The hover rig with other tolerances of Kv and FL, from a file."""
    old_kv, old_fl = '], tolerance = "1.5 %", origin = "measured"', '], tolerance = "5 %", origin = "assumed" }'
    assert text().count(old_kv) == 1
    assert text().count(old_fl) == 1
    path = folder / "rig.toml"
    changed = text().replace(old_kv, old_kv.replace('"1.5 %"', kv)).replace(old_fl, old_fl.replace('"5 %"', fl))
    shutil.copytree(DESIGNS / "parts", folder / "parts", dirs_exist_ok=True)
    path.write_text(changed, encoding="utf-8")
    return read(path)


def listed(values) -> str:
    return "[" + ", ".join(f'"{v}"' if isinstance(v, str) else str(v) for v in values) + "]"


def test_a_list_of_equal_shares_is_the_one_share(tmp_path: Path) -> None:
    one, each = read_design(DESIGNS / "hover-rig.toml"), rig(tmp_path, kv=listed(["1.5 %"] * N), read=read_design)
    assert one.inputs[KV].tolerance == pytest.approx(0.015)
    assert each.inputs[KV].tolerance == pytest.approx((0.015,) * N)
    assert each.inputs[KV].relative
    for sign in (-1, 1):
        assert moved_value(each.inputs[KV], sign) == moved_value(one.inputs[KV], sign)
    assert each.inputs[KV].half_widths() == pytest.approx(one.inputs[KV].half_widths())
    assert each.input_hash != one.input_hash


def test_widths_move_each_entry_by_its_own(tmp_path: Path) -> None:
    widths = [0.0005 * i for i in range(N)]
    item = rig(tmp_path, kv=listed(widths), read=read_design).inputs[KV]
    assert not item.relative
    np.testing.assert_allclose(np.array(moved_value(item, 1)) - np.array(item.value), widths, atol=1e-15)
    np.testing.assert_allclose(np.array(item.value) - np.array(moved_value(item, -1)), widths, atol=1e-15)


def test_shares_and_widths_may_be_mixed(tmp_path: Path) -> None:
    item = rig(tmp_path, kv=listed([0.0, 0.001, *["2 %"] * (N - 2)]), read=read_design).inputs[KV]
    assert not item.relative
    assert item.half_widths()[1:3] == pytest.approx((0.001, 0.02 * item.value[2]))


def test_bounds_stay_physical() -> None:
    assert bounds_of("fl", (0.98, 0.5), (0.05, 0.1), True, 1) == pytest.approx((1.0, 0.55))
    assert bounds_of("kv", (0.0, 0.5), (0.02, 0.1), False, -1) == pytest.approx((0.0, 0.4))
    assert bounds_of("angle", (0.0, 0.5), (0.02, 0.1), False, -1) == pytest.approx((-0.02, 0.4))


@pytest.mark.parametrize(
    ("kv", "message"),
    [
        (listed(["1 %"] * (N - 1)), "needs one entry for each of the 18 values (now 17)"),
        (listed(["1 %"] * (N - 1) + ["1 bar"]), "a pure number has no unit"),
        (listed(["0 %"] * N), "at least one entry must be above zero"),
        (listed(["-1 %"] * N), "must be zero or above"),
        (listed(["120 %"] * N), "at most 100 %"),
        ("[]", "at least one entry must be above zero"),
        (listed([0.0] * (N - 1) + [0.9]), "with every entry at its lower bound the list would not do: kv must rise"),
        ("0.01", "one tolerance for a whole list is relative"),
    ],
)
def test_errors_are_clear(tmp_path: Path, kv: str, message: str) -> None:
    with pytest.raises(DesignError) as caught:
        rig(tmp_path, kv=kv, read=read_design)
    mine = [f for f in caught.value.faults if f.key.startswith(f"{KV}.tolerance")]
    assert message in mine[0].message
    assert mine[0].line is not None


def test_a_single_value_has_no_list_of_tolerances(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(text().replace('tolerance = "2 K"', 'tolerance = ["2 K", "3 K"]'), encoding="utf-8")
    with pytest.raises(DesignError, match="one value has one tolerance, no list"):
        read_design(path)


def test_adverse_bounds_take_each_entry(tmp_path: Path) -> None:
    """FL known worse where the valve is little open: only there does the adverse machine differ."""
    shares = ["10 %"] * 9 + ["0 %"] * 9
    design = rig(tmp_path, fl=listed(shares), read=read_design)
    nominal = read_design(DESIGNS / "hover-rig.toml").inputs[FL].value
    moved, keys = adverse(design, FLOW)
    assert FL in keys
    grid = moved.legs["oxidizer"].valve_alone
    at = np.interp(np.radians([10.0, 30.0, 60.0, 85.0]), grid.angles, grid.fl)
    table = dict(zip((0, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 75, 80, 85, 90), nominal, strict=True))
    np.testing.assert_allclose(at, [0.9 * table[10], 0.9 * table[30], table[60], table[85]], rtol=1e-9)


def test_spread_takes_each_entry(tmp_path: Path) -> None:
    """Kv known badly about the opening of 40 % throttle alone: it shows there and not at full thrust."""
    shares = ["0 %"] * 4 + ["3 %"] * 5 + ["0 %"] * 9
    design = rig(tmp_path, kv=listed(shares))
    analysis = design.analysis
    found = spread(design, analysis.machine, analysis.schedule, (0.4, 1.0))
    part = next(c for c in found.contributions if c.key == KV)
    assert part.bound == pytest.approx(0.03)
    assert part.ratio_change[0] > 0.005
    assert part.ratio_change[1] < 1e-6
    assert not found.left_out


def test_a_changed_list_keeps_its_tolerances_entry_by_entry(tmp_path: Path) -> None:
    design = rig(tmp_path, kv=listed(["2 %"] * N), read=read_design)
    larger = design.with_values({KV: [2.0 * v for v in design.inputs[KV].value]})
    assert larger.inputs[KV].tolerance == design.inputs[KV].tolerance
    assert larger.inputs[KV].half_widths()[5] == pytest.approx(2.0 * design.inputs[KV].half_widths()[5])
    one = design.with_values({f"{KV}[17]": 6.5})
    assert one.inputs[KV].tolerance == design.inputs[KV].tolerance
    shorter = {key: design.inputs[key].value[:-1] for key in (KV, FL, "legs.oxidizer.valve.flow.angle")}
    with pytest.raises(DesignError, match="has one entry for each of 18 values"):
        design.with_values(shorter)


def test_coefficient_bounds_follow_the_opening(tmp_path: Path) -> None:
    shares = [f"{8 - 0.4 * i:g} %" for i in range(N)]
    design = rig(tmp_path, kv=listed(shares), read=read_design)
    angle = np.radians([10.0, 32.5, 90.0])
    found = coefficient_bounds(design, "oxidizer", angle, np.array([0.5, 0.5, 1.2]))
    # 32.5 degrees lies midway between the entries 5 and 6.
    np.testing.assert_allclose(found.kv, [0.076, 0.058, 0.012], rtol=1e-9)
    np.testing.assert_allclose(found.fl, 0.05, rtol=1e-9)
    np.testing.assert_allclose(found.flow, [0.076, 0.058, np.hypot(0.012, 0.05)], rtol=1e-9)
    plain = coefficient_bounds(read_design(DESIGNS / "sprint-stand.toml"), "oxidizer", angle, np.zeros(3))
    assert not plain.kv.any()
