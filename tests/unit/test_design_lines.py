"""Lines of keys in a TOML text: against lines counted by eye, and against the keys that tomllib finds."""

from __future__ import annotations

import tomllib
from typing import Any

from valvectl.design.lines import key_lines
from valvectl.design.starter import starter_text

TEXT = '''a = 1
[x.y]
b.c = """q = 1
[no] # "
e\\""""
l = [ 1, # f ]
  2, [3,
 {z = 1, "k = [\\u0001" = 's#'}]]
[[g]]
r = 'a'
[[g]]
r = 2
[g.sub]
"quoted.key" = 1979-05-27 07:32:00
[[g.h]]
i = 3
'''


def test_lines_counted_by_eye() -> None:
    lines = key_lines(TEXT)
    assert lines["a",] == 1
    assert lines["x",] == 2
    assert lines["x", "y", "b", "c"] == 3
    assert lines["x", "y", "l"] == 6
    assert lines["x", "y", "l", 1] == 7
    assert lines["x", "y", "l", 2, 1, "k = [\x01"] == 8
    assert lines["g", 0, "r"] == 10
    assert lines["g", 1] == 11
    assert lines["g", 1, "r"] == 12
    assert lines["g", 1, "sub", "quoted.key"] == 14
    assert lines["g", 1, "h", 0, "i"] == 16


def test_windows_line_ends_do_not_shift_lines() -> None:
    assert key_lines(TEXT.replace("\n", "\r\n")) == key_lines(TEXT)


def paths(value: Any, at: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return {at}.union(*(paths(v, (*at, k)) for k, v in inner))


def test_every_key_that_tomllib_finds_has_a_line() -> None:
    for text in (TEXT, starter_text()):
        assert set(key_lines(text)) == paths(tomllib.loads(text)) - {()}


def test_a_line_holds_its_key() -> None:
    text = starter_text()
    rows = text.split("\n")
    for path, line in key_lines(text).items():
        if isinstance(path[-1], str):
            assert path[-1] in rows[line - 1], path
