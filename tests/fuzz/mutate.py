"""Mutations of a design file: of its text and of its parsed tree, each chosen by a name and a number alone.

A mutated design is a base (one of the examples) and one to three pairs (operator, seed): a failure can be told in one line
and happens again. ``write`` puts it into a folder with its part files.
"""

from __future__ import annotations

import copy
import math
import re
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from valvectl.design.keys import ROOT, Spec, find

DESIGNS = Path(__file__).parents[2] / "designs"
BASES = ("hover-rig", "sprint-stand")
_NUMBER = re.compile(r"^(\s*)([+-]?[0-9]+\.?[0-9]*(?:[eE][+-]?[0-9]+)?)(.*)$", re.DOTALL)
UNITS = (
    "mm", "m", "km", "um", "inch", "bar", "bar abs", "bar gauge", "Pa", "psi", "K", "degC", "s", "ms", "us", "h", "deg", "rad",
    "arcmin", "N", "kN", "N m", "mN m", "kg m^2", "g cm^2", "ohm", "mohm", "H", "mH", "V", "A", "W", "%", "rpm", "1/s", "Hz",
    "furlong", "m^2^2", "kg/s", "N m/rad", "", "abs", "°", "mm mm", "m**9", "light_year", "u",
)  # fmt: skip
ODD: tuple[Any, ...] = (
    True, False, 0, 1, -1, 5, 1.5, math.nan, math.inf, -math.inf, 10**40, 1e308, 1e-308, "", " ", "nan", "inf", "text", "\u202e",
    "x" * 5000, "\x1b[31m", [], {}, [[]], [1, 2, 3], [{}], ["1 mm", "2 mm"], {"value": 1}, {"value": {}}, {"tolerance": "1 %"},
    "none", "1e400 mm", "nan mm", "inf bar abs", "-0 mm", "0 mm", "1e-300 s", "1,5 mm", "1 mm 2", "٣ mm",
)  # fmt: skip
HOSTILE = (
    "<script>alert(1)</script>", "[red]x[/red]", "[/]", "a\x1b[2Jb", "\u202etxt.exe", "x" * 3000, "\u0000", "{{ 7*7 }}", "'; --",
    "=HYPERLINK(1)", "../../x", "\ud7ff\ufffd", "\r\n\r\n", "👩‍👩‍👧", "%s%n", "\\", '"', "a\u2028b", "C0\x7f\x9b31m",
)  # fmt: skip


@dataclass
class Design:
    """What is mutated: the tree of the design, its part files, and what is done to the text in the end."""

    tree: dict[str, Any]
    parts: dict[str, dict[str, Any]]
    text_ops: list[tuple[str, int]] = field(default_factory=list)
    raw_parts: dict[str, bytes] = field(default_factory=dict)


Mutation = tuple[str, int]


def base(name: str) -> Design:
    """An example design and the part files beside it."""
    parts = {
        f"parts/{p.name}": tomllib.loads(p.read_text(encoding="utf-8")) for p in sorted((DESIGNS / "parts").iterdir())
    }
    return Design(tomllib.loads((DESIGNS / f"{name}.toml").read_text(encoding="utf-8")), parts)


# -------------------------------------------------------------------------------------------------------------- writing


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + "".join(_escaped(c) for c in value) + '"'
    if isinstance(value, float):
        return "nan" if math.isnan(value) else ("inf" if value > 0 else "-inf") if math.isinf(value) else repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }"
    return str(value)


def _escaped(c: str) -> str:
    if c in '"\\':
        return "\\" + c
    return c if c.isprintable() else f"\\u{ord(c):04X}" if ord(c) < 0x10000 else f"\\U{ord(c):08X}"


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _value(key)


def toml(tree: dict[str, Any]) -> str:
    """TOML text of a tree, tables under headings down to the third level."""
    lines: list[str] = []

    def walk(table: dict[str, Any], at: tuple[str, ...]) -> None:
        plain = {k: v for k, v in table.items() if not (isinstance(v, dict) and len(at) < 3 and "value" not in v)}
        if at and (plain or not table):
            lines.append("[" + ".".join(_key(k) for k in at) + "]")
        lines.extend(f"{_key(k)} = {_value(v)}" for k, v in plain.items())
        for key, child in table.items():
            if key not in plain:
                walk(child, (*at, key))

    walk(tree, ())
    return "\n".join(lines) + "\n"


def write(name: str, mutations: list[Mutation], folder: Path) -> Path:
    """The mutated design with its part files in ``folder``; its path."""
    design = base(name)
    for operator, seed in mutations:
        if operator in TEXT:
            design.text_ops.append((operator, seed))
        else:
            TREE[operator](design, Random(seed))
    (folder / "parts").mkdir(parents=True, exist_ok=True)
    files = {n: toml(t).encode("utf-8", "replace") for n, t in design.parts.items()} | design.raw_parts
    files["design.toml"] = toml(design.tree).encode("utf-8", "replace")
    for operator, seed in design.text_ops:
        random = Random(seed)
        which = "design.toml" if random.random() < 0.8 else random.choice(sorted(files))
        files[which] = TEXT[operator](files[which], random)
    for which, data in files.items():
        (folder / which).write_bytes(data)
    return folder / "design.toml"


# ---------------------------------------------------------------------------------------------------- places in the tree


def _places(node: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, Any, tuple[Any, ...]]]:
    """Every (container, key, path) of a tree."""
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in list(items):
        yield node, key, (*at, key)
        yield from _places(value, (*at, key))


def _where(
    design: Design, random: Random, wanted: Callable[[Any], bool] = lambda v: True
) -> tuple[Any, Any, tuple[Any, ...]]:
    tree = design.tree
    if random.random() < 0.1:
        tree = random.choice(list(design.parts.values()))
    found = [p for p in _places(tree) if wanted(p[0][p[1]])]
    if not found:
        return tree, "x", ("x",)
    # by path depth first, so that the long tables of a valve do not take all the mutations
    return random.choice(found)


def _is_quantity(value: Any) -> bool:
    return (isinstance(value, str) and _NUMBER.match(value) is not None) or (
        isinstance(value, (int, float)) and not isinstance(value, bool)
    )


def _scaled(value: Any, factor: float) -> Any:
    if isinstance(value, str):
        found = _NUMBER.match(value)
        assert found is not None
        return f"{found.group(1)}{float(found.group(2)) * factor:.9g}{found.group(3)}"
    made = float(value) * factor
    return int(made) if isinstance(value, int) and math.isfinite(made) and made == int(made) else made


def _known(path: tuple[Any, ...]) -> Spec | None:
    return find(tuple(p for p in path if p not in ("value",)))


# ----------------------------------------------------------------------------------------------------------- operators


def _delete(design: Design, random: Random) -> None:
    holder, key, _ = _where(design, random)
    if isinstance(holder, dict):
        holder.pop(key, None)
    else:
        del holder[key]


def _retype(design: Design, random: Random) -> None:
    holder, key, _ = _where(design, random)
    holder[key] = copy.deepcopy(random.choice(ODD))


def _power(design: Design, random: Random) -> None:
    holder, key, _ = _where(design, random, _is_quantity)
    if key in holder if isinstance(holder, dict) else True:
        holder[key] = _scaled(holder[key], 10.0 ** random.choice((-12, -9, -6, -4, -3, -2, -1, 1, 2, 3, 4, 6, 9, 12)))


def _mild(design: Design, random: Random) -> None:
    holder, key, _ = _where(design, random, _is_quantity)
    if key in holder if isinstance(holder, dict) else True:
        holder[key] = _scaled(holder[key], math.exp(random.uniform(-1.2, 1.2)))


def _negate(design: Design, random: Random) -> None:
    holder, key, _ = _where(design, random, _is_quantity)
    if key in holder if isinstance(holder, dict) else True:
        holder[key] = _scaled(holder[key], random.choice((-1.0, 0.0, -0.0, math.nan, math.inf, 1e-30)))


def _unit(design: Design, random: Random) -> None:
    holder, key, _ = _where(design, random, lambda v: isinstance(v, str) and _NUMBER.match(v) is not None)
    if key in holder if isinstance(holder, dict) else True:
        found = _NUMBER.match(holder[key])
        assert found is not None
        holder[key] = f"{found.group(2)} {random.choice(UNITS)}"


def _bare(design: Design, random: Random) -> None:
    holder, key, _ = _where(design, random, _is_quantity)
    if key in holder if isinstance(holder, dict) else True:
        found = _NUMBER.match(str(holder[key]))
        holder[key] = float(found.group(2)) if found and isinstance(holder[key], str) else f"{holder[key]} mm"


def _list(design: Design, random: Random) -> None:
    holder, key, _ = _where(design, random, lambda v: isinstance(v, list) and len(v) > 0)
    value = holder.get(key) if isinstance(holder, dict) else holder[key]
    if not isinstance(value, list):
        return
    how = random.randrange(9)
    if how == 0:
        holder[key] = []
    elif how == 1:
        holder[key] = value[: random.randrange(len(value)) + 1]
    elif how == 2:
        holder[key] = value[::-1]
    elif how == 3:
        holder[key] = [*value, copy.deepcopy(value[-1])]
    elif how == 4:
        random.shuffle(value)
    elif how == 5:
        holder[key] = [copy.deepcopy(v) for _ in range(random.choice((50, 400, 3000))) for v in value]
    elif how == 6:
        value.insert(random.randrange(len(value)), copy.deepcopy(random.choice(ODD)))
    elif how == 7:
        holder[key] = [value]
    else:
        value[random.randrange(len(value))] = copy.deepcopy(random.choice(value))


def _finer(design: Design, random: Random) -> None:
    """A list that rises evenly, far too long, or a profile of very many corners or hours."""
    legs = design.tree.get("legs")
    ok = (
        isinstance(design.tree.get("throttle"), dict)
        and isinstance(legs, dict)
        and isinstance(legs.get("oxidizer"), dict)
    )
    if not ok or not isinstance(legs["oxidizer"].get("valve"), dict):
        return
    if random.random() < 0.5:
        count, last = random.choice(((2000, 10.0), (3, 1e4), (3, 1e7), (20000, 1.0), (300, 60.0)))
        low = random.choice((0.4, 0.5, 0.99))
        design.tree["throttle"]["profile"] = [
            {"time": f"{last * i / (count - 1):.9g} s", "throttle": 1.0 if i % 2 else low} for i in range(count)
        ]
        return
    valve = design.tree["legs"]["oxidizer"]["valve"]
    count = random.choice((3, 300, 5000))
    valve.pop("port", None)
    angle = [f"{90.0 * i / (count - 1):.6f} deg" for i in range(count)]
    kv = [round(6.4 * (i / (count - 1)) ** random.choice((1, 2, 5)), 9) for i in range(count)]
    valve["flow"] = {"angle": angle, "kv": kv}


def _insert(design: Design, random: Random) -> None:
    """A key of the schema that the example does not give, with its example, a number or a word."""
    tables = [(design.tree, ROOT)]
    found: list[tuple[dict[str, Any], Spec]] = []
    while tables:
        table, spec = tables.pop()
        if not isinstance(table, dict):
            continue
        for name, child in spec.children.items():
            there = table.get(name)
            if there is None:
                found.append((table, child))
            elif child.table is not None:
                for inner in there if isinstance(there, list) else [there]:
                    if isinstance(inner, dict):
                        tables.append((inner, child))
    if not found:
        return
    table, spec = random.choice(found)
    table[spec.name] = _made(spec, random)


def _made(spec: Spec, random: Random) -> Any:
    if spec.table is not None and not (spec.choices and random.random() < 0.4):
        rows = []
        for _ in range(random.choice((1, 1, 2)) if spec.depth else 1):
            rows.append(
                {
                    n: _made(c, random)
                    for n, c in spec.children.items()
                    if random.random() < (0.95 if c.required else 0.25)
                }
            )
        return rows if spec.depth else rows[0]
    if spec.choices:
        one: Any = random.choice(spec.choices)
    elif spec.kind is not None:
        text = spec.kind.example.split(" or ")[0].strip('"')
        limits = [v for n, v in spec.limits if n in ("gt", "ge", "lt", "le")]
        one = text if spec.kind.unit else float(text.rstrip(" %")) * (0.01 if "%" in text else 1.0)
        how = random.random()
        if how < 0.4:
            one = _scaled(one, math.exp(random.uniform(-3.0, 3.0)))
        elif how < 0.5:
            one = _scaled(one, 10.0 ** random.choice((-9, -6, -3, 3, 6, 9)))
        elif how < 0.6 and limits:
            unit = spec.kind.unit + (" abs" if spec.kind.absolute else "")
            one = f"{random.choice(limits):.12g} {unit}".strip() if spec.kind.unit else random.choice(limits)
    else:
        one = {"count": random.choice((1, 2, 7, 4096, 10**6, 10**12, 0, -1)), "switch": random.random() < 0.5}.get(
            spec.form, random.choice(HOSTILE)
        )
    for _ in range(spec.depth):
        one = [
            one if not _is_quantity(one) else _scaled(one, 1.0 + 0.3 * i) for i in range(random.choice((1, 2, 3, 5)))
        ]
    return one


def _word(design: Design, random: Random) -> None:
    words = []
    for holder, key, path in _places(design.tree):
        spec = _known(path)
        if spec is not None and spec.choices:
            words.append((holder, key, spec))
    if words:
        holder, key, spec = random.choice(words)
        holder[key] = random.choice((*spec.choices, spec.choices[0].upper(), spec.choices[0] + "s"))


def _name(design: Design, random: Random) -> None:
    texts = [
        (h, k) for h, k, p in _places(design.tree) if k in ("name", "note", "part", "same_as") and isinstance(h[k], str)
    ]
    holder, key = random.choice(texts) if texts else (design.tree, "name")
    holder[key] = random.choice(HOSTILE)


def _rename(design: Design, random: Random) -> None:
    holder, key, _ = _where(design, random)
    if isinstance(holder, dict) and key in holder:
        holder[random.choice((str(key)[:-1] + "x", "", str(key).upper(), random.choice(HOSTILE), "__class__"))] = (
            holder.pop(key)
        )


def _move(design: Design, random: Random) -> None:
    holder, key, _ = _where(design, random)
    other, name, _ = _where(design, random)
    if (not isinstance(holder, dict) or key in holder) and (not isinstance(other, dict) or name in other):
        other[name] = copy.deepcopy(holder[key])


def _nest(design: Design, random: Random) -> None:
    holder, key, _ = _where(design, random)
    if isinstance(holder, dict) and key not in holder:
        return
    value, how = holder[key], random.randrange(4)
    if how == 0:
        holder[key] = [value]
    elif how == 1:
        holder[key] = {"value": value}
    elif how == 2:
        holder[key] = {str(key): value}
    else:
        for _ in range(random.choice((5, 30, 200))):
            value = [value]
        holder[key] = value


def _extras(design: Design, random: Random) -> None:
    holder, key, _ = _where(design, random, lambda v: _is_quantity(v) or (isinstance(v, dict) and "value" in v))
    if isinstance(holder, dict) and key not in holder:
        return
    value = holder[key]["value"] if isinstance(holder[key], dict) else holder[key]
    table = holder[key] if isinstance(holder[key], dict) else {"value": value}
    name = random.choice(
        ("tolerance", "tolerance", "tolerance", "origin", "note", "distribution", "group", "correlation", "effect")
    )
    words = ("normal", "uniform", "triangular", "datasheet", "measured", "assumed", "")
    table[name] = (
        random.choice(
            ("1 %", "10 %", "60 %", "99 %", "150 %", "0 %", "-5 %", 0.1, "1 mm", "1 bar", "1e9 K", "nan %", "1e-12 %")
        )
        if name == "tolerance"
        else random.choice(words + HOSTILE)
        if random.random() < 0.7
        else random.choice(ODD)
    )
    holder[key] = table


def _part(design: Design, random: Random) -> None:
    tables = [(h, k) for h, k, p in _places(design.tree) if isinstance(h[k], dict) and len(p) > 1]
    if not tables:
        return
    holder, key = random.choice(tables)
    if random.random() < 0.5:
        targets = [".".join(str(s) for s in p) for h, k, p in _places(design.tree) if isinstance(h[k], dict)]
        holder[key] = {"same_as": random.choice([*targets, "", "legs", "nothing.here", "legs.fuel[0]", "x" * 300])}
        return
    names = [*design.parts, "parts/none.toml", "../x.toml", "/etc/passwd", "design.toml", "parts", "", "parts/circle.toml",
             "parts/huge.toml", "parts/" + "x" * 300, "a\0b", "parts/binary.toml"]  # fmt: skip
    design.raw_parts["parts/circle.toml"] = b'a = { part = "parts/circle.toml" }\n'
    design.raw_parts["parts/huge.toml"] = b"a = [" + b"1, " * 60000 + b"]\n"
    design.raw_parts["parts/binary.toml"] = bytes(range(256))
    made = {"part": random.choice(names)}
    holder[key] = {**holder[key], **made} if random.random() < 0.5 else made


TREE: dict[str, Callable[[Design, Random], None]] = {
    "delete": _delete, "retype": _retype, "power": _power, "mild": _mild, "negate": _negate, "unit": _unit, "bare": _bare,
    "list": _list, "finer": _finer, "insert": _insert, "word": _word, "name": _name, "rename": _rename, "move": _move,
    "nest": _nest, "extras": _extras, "part": _part,
}  # fmt: skip


# --------------------------------------------------------------------------------------------------------------- of text


def _lines(data: bytes, random: Random) -> bytes:
    lines = data.split(b"\n")
    i, j = random.randrange(len(lines)), random.randrange(len(lines))
    how = random.randrange(5)
    if how == 0:
        del lines[i]
    elif how == 1:
        lines.insert(j, lines[i])
    elif how == 2:
        lines[i], lines[j] = lines[j], lines[i]
    elif how == 3:
        lines[i] = lines[i][: random.randrange(len(lines[i]) + 1)]
    else:
        lines.insert(
            i,
            random.choice(
                (
                    b"[",
                    b"[[legs]]",
                    b"a.b.c = 1",
                    b"= 3",
                    b"[legs.fuel]",
                    b'x = """',
                    b"\xef\xbb\xbf",
                    b"a" + b".a" * 500 + b" = 1",
                )
            ),
        )
    return b"\n".join(lines)


def _bytes(data: bytes, random: Random) -> bytes:
    made = bytearray(data)
    for _ in range(random.choice((1, 1, 3, 30))):
        at = random.randrange(len(made)) if made else 0
        how = random.randrange(4)
        if how == 0 and made:
            del made[at]
        elif how == 1:
            made.insert(at, random.randrange(256))
        elif how == 2 and made:
            made[at] = random.randrange(32, 127)
        elif made:
            made[at] ^= 1 << random.randrange(8)
    return bytes(made)


def _coding(data: bytes, random: Random) -> bytes:
    how = random.randrange(7)
    if how == 0:
        return b"\xef\xbb\xbf" + data
    if how == 1:
        return data.replace(b"\n", b"\r\n")
    if how == 2:
        return data.replace(b"\n", b"\r")
    if how == 3:
        return data.decode("utf-8", "replace").encode("utf-16")
    if how == 4:
        return data[: random.randrange(len(data) + 1)]
    if how == 5:
        return data + b"\0"
    return data * random.choice((2, 80))


TEXT: dict[str, Callable[[bytes, Random], bytes]] = {"lines": _lines, "bytes": _bytes, "coding": _coding}
OPERATORS = (*TREE, *TEXT)
WEIGHTS = (2, 3, 6, 9, 2, 2, 1, 4, 1, 9, 3, 2, 2, 3, 2, 5, 2, 3, 2, 1)
"""How often each operator is taken; those that give designs which still read well most of all."""


GENTLE = ("mild", "insert", "word", "extras", "list")
"""Operators that often leave a design which reads well."""


def drawn(seed: int, gentle: bool = False) -> tuple[str, list[Mutation]]:
    """Base and mutations of a run's number; ``gentle``: such as often leave a valid design."""
    random = Random(seed)
    count = random.choice((1, 1, 2) if gentle else (1, 1, 2, 3))
    names = random.choices(GENTLE, k=count) if gentle else random.choices(OPERATORS, WEIGHTS, k=count)
    return random.choice(BASES), [(name, random.randrange(2**32)) for name in names]
