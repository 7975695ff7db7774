"""Names written from right to left keep to their own place on a terminal: isolated once, widths of tables unchanged."""

from __future__ import annotations

import io
import unicodedata

import pytest
from typer.testing import CliRunner

from valvectl.cli import app
from valvectl.cli_print import PatientConsole, table
from valvectl.errors import Fault, plain_lines

HEBREW, ARABIC = "מנוע 3 ניסוי", "محرك"


@pytest.mark.parametrize("name", [HEBREW, ARABIC, "יב-2ג", "ab " + HEBREW])
def test_a_name_is_isolated_and_once_only(name: str) -> None:
    shown = plain_lines(f"design {name}: 12 of 40")
    assert shown.replace("\u2068", "").replace("\u2069", "") == f"design {name}: 12 of 40"
    assert shown.count("\u2068") == shown.count("\u2069") == 1
    inside = shown.split("\u2068")[1].split("\u2069")[0]
    outside = shown.replace(inside, "")
    strong = {"R", "AL", "AN"}
    assert not strong & {unicodedata.bidirectional(c) for c in outside}
    assert unicodedata.bidirectional(inside[0]) in strong
    assert plain_lines(shown) == shown


def test_two_names_beside_each_other_stay_in_their_order() -> None:
    shown = plain_lines(f"{HEBREW}: {ARABIC}     {HEBREW}\n{ARABIC}")
    assert shown.count("\u2068") == 4
    assert "\u2069: \u2068" in shown


def test_marks_of_direction_of_a_users_own_are_still_escaped() -> None:
    assert plain_lines("a\u202eb\u2068c") == "a\\u202eb\\u2068c"
    assert plain_lines("a\u2069b\u2068") == "a\\u2069b\\u2068"
    assert "\u202e" not in plain_lines("\u2068\u202ex\u2069")
    assert plain_lines("LOX, 2 kN, 推力 é") == "LOX, 2 kN, 推力 é"


def test_a_table_keeps_its_columns() -> None:
    def lines(name: str) -> list[str]:
        out = PatientConsole(markup=False, highlight=False, file=io.StringIO(), width=40)
        out.print(table(["name", "found"], [[name, "12"], ["plain", "13"]], left=1))
        assert isinstance(out.file, io.StringIO)
        return out.file.getvalue().splitlines()

    seen = [line.replace("\u2068", "").replace("\u2069", "") for line in lines(HEBREW)]
    assert any("\u2068" + HEBREW + "\u2069" in line for line in lines(HEBREW))
    assert seen == [line.replace("x" * len(HEBREW), HEBREW) for line in lines("x" * len(HEBREW))]


def test_faults_and_messages_are_isolated() -> None:
    assert f"\u2068{HEBREW}\u2069" in str(Fault("is wrong", key="name", got=HEBREW))
    result = CliRunner().invoke(app, ["loop", f"{HEBREW}.toml"])
    assert result.exit_code == 2
    assert f"\u2068{HEBREW}\u2069.toml: no such file" in result.stderr
