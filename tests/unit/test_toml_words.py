"""What is said about a file that is no TOML: place, line and a hint, whatever slip of the pen it is."""

from __future__ import annotations

from pathlib import Path

import pytest

from valvectl.design.load import read_design
from valvectl.errors import DesignError

HEAD = 'schema = "valvectl-design-1"\n[engine]\n'


def said(folder: Path, text: str) -> tuple[int | None, str]:
    path = folder / "design.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DesignError) as caught:
        read_design(path)
    (fault,) = caught.value.faults
    assert fault.message.startswith("is not valid TOML")
    return fault.line, fault.message


@pytest.mark.parametrize(
    ("text", "line", "hint", "quoted"),
    [
        ('thrust = "1.5 kN\nbore = 1\n', 3, "must end with the same quote", 'thrust = "1.5 kN'),
        ("thrust = 1.5 kN\n", 3, "a quantity with its unit stands in quotes", "thrust = 1.5 kN"),
        ("thrust = big\n", 3, "texts and quantities stand in quotes", "thrust = big"),
        ("thrust = True\n", 3, "true or false in small letters", "thrust = True"),
        ("thrust = “2 kN”\n", 3, "texts and quantities stand in quotes", "thrust = “2 kN”"),
        ('thrust: "2 kN"\n', 3, 'a key of one word, "="', 'thrust: "2 kN"'),
        ("a = 1\nb = 2\na = 3\n", 5, "this key is given twice; keep one of them (it is in line 3 too)", "a = 3"),
        ("a = 1\n[engine]\n", 4, "this table is there already; write its keys together under one header "
         "(it is in line 2 too)", "[engine]"),
        ("a = [\n  1,\n  2\nb = 3\n", 6, "ends with ] (this one begins in line 3)", "b = 3"),
        ("a = { x = 1, y = 2\nb = 1\n", 3, "ends with } in the same line", "a = { x = 1, y = 2"),
        ("a = 1\nb = 'x\nc = 2\n", 4, "must end with the same quote", "b = 'x"),
        ('a = 1\nb = """x\nc = 2\n', 4, 'must end with """', 'b = """x'),
        ('a = "C:\\qq"\n', 3, "write a backslash as / or twice", 'a = "C:\\qq"'),
        ("[start\na = 1\n", 3, "stands between [ and ]", "[start"),
        ("Schub = 1\nä = 2\n", 4, "keys are plain letters", "ä = 2"),
        ("a = [1 2]\n", 3, "needs commas between its entries and ends with ]", "a = [1 2]"),
    ],
)  # fmt: skip
def test_each_slip_is_said_with_place_line_and_hint(
    tmp_path: Path, text: str, line: int, hint: str, quoted: str
) -> None:
    at, message = said(tmp_path, HEAD + text)
    assert at == line
    assert f"(line {line}" in message
    assert hint in message
    assert message.endswith(f"; the line reads: {quoted}")


def test_a_long_line_is_cut_and_a_control_character_escaped(tmp_path: Path) -> None:
    _, message = said(tmp_path, HEAD + 'a = "' + "x" * 500 + "\n")
    assert message.endswith("...")
    assert len(message) < 300
    _, message = said(tmp_path, HEAD + 'a = "\x1b[31m"\n')
    assert "\x1b" not in message
    assert "a character that can not be seen" in message
