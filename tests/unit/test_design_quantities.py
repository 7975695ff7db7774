"""Text with a unit in, SI out: what is read, what is refused."""

from __future__ import annotations

import math
import time

import pytest
from pydantic_core import PydanticCustomError

from valvectl.design import quantities as q


# Expected values follow from the definitions of the units: 1 in = 25.4 mm and 1 lbf = 4.4482216152605 N exactly (NIST
# SP 811, appendix B), 1 atm = 101325 Pa (ISO 2533), 1 arcmin = pi/10800 rad.
@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("12 arcmin", q.ANGLE, 12 * math.pi / 10800),
        ("300 deg/s", q.ANGULAR_SPEED, 300 * math.pi / 180),
        ("3000 rpm", q.ANGULAR_SPEED, 100 * math.pi),
        ("24 g cm^2", q.INERTIA, 2.4e-6),
        ("0.42 mN m", q.TORQUE, 4.2e-4),
        ("0.5 in", q.LENGTH, 0.0127),
        ("38 bar abs", q.ABSOLUTE_PRESSURE, 3.8e6),
        ("38 bara", q.ABSOLUTE_PRESSURE, 3.8e6),
        ("38 bar gauge", q.ABSOLUTE_PRESSURE, 3.8e6 + 101325.0),
        ("14.5 psig", q.ABSOLUTE_PRESSURE, 14.5 * 4.4482216152605 / 0.0254**2 + 101325.0),
        ("-20 degC", q.TEMPERATURE, 253.15),
        ("0.39 %/K", q.PER_KELVIN, 0.0039),
        ("40 %", q.FRACTION, 0.4),
        ("0.05 N m/bar", q.TORQUE_PER_PRESSURE, 5e-7),
        ("5 N m/deg", q.STIFFNESS, 900 / math.pi),
        (0.4, q.FRACTION, 0.4),
        ("1.2", q.NUMBER, 1.2),
        ("0.6 Ω", q.RESISTANCE, 0.6),
        ("5 µm", q.LENGTH, 5e-6),
    ],
)
def test_reads(text: object, kind: q.Kind, value: float) -> None:
    assert q.parse(text, kind) == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "kind", "says"),
    [
        ("3 %", q.ANGLE, "not a unit of angle"),
        ("5 deg", q.FRACTION, "not a unit of fraction"),
        ("1 1/s", q.ANGULAR_SPEED, "not a unit of angular speed"),
        ("5 Hz", q.ANGULAR_SPEED, "not a unit of angular speed"),
        ("5 Hz", q.RATE, "turns or radians"),
        ("5 N m", q.STIFFNESS, "not a unit of torsional stiffness"),
        ("5 mm", q.NUMBER, "pure number"),
        ("5", q.LENGTH, "bare number"),
        (5, q.LENGTH, "bare number"),
        (True, q.NUMBER, "is no pure number"),
        (math.nan, q.NUMBER, "finite"),
        ("1e999 mm", q.LENGTH, "finite"),
        (10**400, q.NUMBER, "finite"),
        ("٣ mm", q.LENGTH, "can not be read"),
        ("1,5 mm", q.LENGTH, "is not known"),
        ("5 bar abs", q.PRESSURE_DIFFERENCE, "leave out absolute or gauge"),
        ("-5 K", q.TEMPERATURE, "absolute zero"),
        ("5 mm\x1b[31m", q.LENGTH, r"mm\x1b"),
        ("5 " + "(" * 100, q.LENGTH, "is not known"),
    ],
)
def test_refuses(text: object, kind: q.Kind, says: str) -> None:
    with pytest.raises(PydanticCustomError) as caught:
        q.parse(text, kind)
    message = caught.value.message()
    assert says in message
    assert message.isprintable()


@pytest.mark.parametrize("unit", ["9**9**9**9**9", "mm^9^9^9^9", "mm**99999999", "2^2^2^2^2^2^2^2", "1/9**9**9**9"])
def test_a_unit_can_not_keep_the_program_busy(unit: str) -> None:
    start = time.perf_counter()
    with pytest.raises(PydanticCustomError):
        q.parse(f"5 {unit}", q.LENGTH)
    assert time.perf_counter() - start < 1.0


def test_widths() -> None:
    assert q.parse_width("3 %", q.LENGTH) == pytest.approx((0.03, True))
    assert q.parse_width("0.4 bar", q.ABSOLUTE_PRESSURE) == pytest.approx((4e4, False))
    assert q.parse_width("2 degC", q.TEMPERATURE) == pytest.approx((2.0, False))
    assert q.parse_width(0.01, q.NUMBER) == (0.01, False)
    for bad in ("0 mm", "-1 mm", "3", 3, "3 s", "150 %", [1], None):
        with pytest.raises(PydanticCustomError):
            q.parse_width(bad, q.LENGTH)
    with pytest.raises(PydanticCustomError):
        q.parse_width("0.4 bar abs", q.ABSOLUTE_PRESSURE)


def test_show_and_parse_agree() -> None:
    for kind in (v for v in vars(q).values() if isinstance(v, q.Kind)):
        assert q.parse(q.show(0.25, kind, 12) if kind.shown else 0.25, kind) == pytest.approx(0.25, rel=1e-9)


def test_the_examples_of_all_kinds_can_be_read() -> None:
    for kind in (v for v in vars(q).values() if isinstance(v, q.Kind)):
        for example in kind.example.split(" or "):
            q.parse(example.strip('"') if example.startswith('"') else float(example), kind)
