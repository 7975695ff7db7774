"""What is wrong with a text that is no TOML, in the words of someone who writes design files: place, line and a plain hint."""

from __future__ import annotations

import re

from valvectl.design.quantities import visible
from valvectl.errors import Fault

LONGEST_QUOTE = 90
"""Characters of a line that are quoted."""

_QUOTE = "a text that begins with a quote must end with the same quote in the same line"
_VALUE = (
    'texts and quantities stand in quotes ("2 kN"), numbers do not (1.2), switches are true or false in small letters'
)
_HINTS: tuple[tuple[str, str], ...] = (
    (r"Illegal character '\\n'|Illegal character '\\r'", _QUOTE),
    (r"Illegal character", "a character that can not be seen stands here; type the line anew"),
    (r"Unterminated string", 'a text that begins with """ must end with """'),
    (r'Expected "\'"', _QUOTE),
    (r"Expected newline", 'one "key = value" a line, and a quantity with its unit stands in quotes: thrust = "2 kN"'),
    (r"Expected '='", 'a line is a key of one word, "=" and a value, such as thrust = "2 kN"'),
    (r"Expected '\]'", "the name of a table stands between [ and ], such as [legs.fuel.tank]"),
    (r"Expected '\]\]'", "the name of a table that may be repeated stands between [[ and ]]"),
    (r"Cannot declare", "this table is there already; write its keys together under one header"),
    (r"Cannot overwrite|Duplicate inline table key", "this key is given twice; keep one of them"),
    (
        r"Cannot (mutate|redefine)",
        "this table is closed already, between { and } or under its own header; add the key there",
    ),
    (r"Unclosed array", "a list that begins with [ needs commas between its entries and ends with ]"),
    (
        r"Unclosed inline table",
        "a table that begins with { needs commas between its keys and ends with } in the same line",
    ),
    (r"Invalid initial character for a key part", "a key is missing here; there is no comma before }"),
    (
        r"Unescaped|Invalid hex value|Escaped character",
        "write a backslash as / or twice, or take 'single quotes'",
    ),
    (r"Invalid date", "a text stands in quotes; this looks like a date"),
    (r"Invalid value", _VALUE),
    (
        r"Invalid statement",
        'a line is a comment (#), a table such as [engine], or a "key = value"; keys are plain letters and _',
    ),
)


def toml_fault(message: str, text: str, name: str) -> Fault:
    """The fault of a text that can not be read as TOML.

    Parameters
    ----------
    message : what the reading library said, with its place at the end
    text : the whole file
    name : the file as messages name it
    """
    rows = text.replace("\r\n", "\n").removesuffix("\n").split("\n")
    place = re.search(r" \(at (?:line ([0-9]+), column ([0-9]+)|end of document)\)$", message)
    line, column = None, None
    if place is not None:
        message = message[: place.start()]
        if place.group(1):
            line, column = int(place.group(1)), int(place.group(2))
        else:
            line = _opening(message, rows) or len(rows)
    hint = next((hint for pattern, hint in _HINTS if re.match(pattern, message)), visible(message, 120))
    if line is None or line > len(rows):
        return Fault(f"is not valid TOML: {hint}", file=name, line=line)
    hint += _also(message, rows, line)
    at = f", column {column}" if column is not None else ""
    quoted = visible(re.sub(" {2,}", " ", rows[line - 1].strip()), LONGEST_QUOTE)
    shown = f"; the line reads: {quoted}" if quoted else ""
    return Fault(f"is not valid TOML (line {line}{at}): {hint}{shown}", file=name, line=line)


def _opening(message: str, rows: list[str]) -> int | None:
    """Line in which begins what the end of the file cut off."""
    if message.startswith("Unterminated"):
        at = [i for i, row in enumerate(rows, 1) if '"""' in row]
        return at[-1] if at else None
    if message.startswith("Expected"):
        return next((i for i, row in enumerate(rows, 1) if re.search(r"=\s*'[^']*$", row)), None)
    return None


def _also(message: str, rows: list[str], line: int) -> str:
    """The other line that belongs to the fault, where there is one."""
    before = rows[: line - 1]
    if message.startswith("Unclosed array"):
        begun = [i for i, row in enumerate(rows[:line], 1) if re.match(r"\s*[\w.\"-]+\s*=\s*\[", row)]
        return f" (this one begins in line {begun[-1]})" if begun and begun[-1] != line else ""
    own = rows[line - 1].strip()
    if message.startswith("Cannot declare"):
        same = [i for i, row in enumerate(before, 1) if row.split("#")[0].strip() == own.split("#")[0].strip()]
        return f" (it is in line {same[-1]} too)" if same else ""
    if message.startswith("Cannot overwrite"):
        key = own.split("=")[0].strip()
        for i in range(len(before), 0, -1):
            if before[i - 1].lstrip().startswith("["):
                break
            if before[i - 1].split("=")[0].strip() == key:
                return f" (it is in line {i} too)"
    return ""
