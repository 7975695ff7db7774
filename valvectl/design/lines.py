"""Where each key of a TOML text stands: a scanner for positions only.

The text must have passed ``tomllib`` before: the scanner trusts that it is valid TOML and only follows tables, keys,
inline tables and lists. It runs once over the text.
"""

from __future__ import annotations

from valvectl.design.keys import Path

_SPACE = " \t\n"
_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\", "e": "\x1b"}


def key_lines(text: str) -> dict[Path, int]:
    """Line, counted from 1, of each key, table header and list item of a valid TOML text.

    A table that has no header of its own gets the line of its first mention.
    """
    return _Scanner(text).run()


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text.replace("\r\n", "\n") + "\n"
        self.at = 0
        self.line = 1
        self.found: dict[Path, int] = {}
        self.counts: dict[Path, int] = {}  # items seen so far of each [[list of tables]]

    def run(self) -> dict[Path, int]:
        table: Path = ()
        while self._skip_blank():
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
        return self.found

    def _note(self, path: Path) -> None:
        for i in range(1, len(path) + 1):
            self.found.setdefault(path[:i], self.line)

    def _move(self, to: int) -> None:
        self.line += self.text.count("\n", self.at, to)
        self.at = to

    def _skip_blank(self) -> bool:
        """Go to the next sign that is no space and no comment; False at the end."""
        text, end = self.text, len(self.text)
        while self.at < end:
            sign = text[self.at]
            if sign == "#":
                self._move(text.index("\n", self.at))
            elif sign in _SPACE:
                self._move(self.at + 1)
            else:
                return True
        return False

    def _header(self) -> Path:
        many = self.text.startswith("[[", self.at)
        self.at += 2 if many else 1
        names = self._key()
        path: Path = ()
        for i, name in enumerate(names):
            path = (*path, name)
            last = i == len(names) - 1
            if many and last:
                self._note(path)
                self.counts[path] = self.counts.get(path, 0) + 1
            if path in self.counts:
                path = (*path, self.counts[path] - 1)
        self._note(path)
        self.found[path] = self.line if not many else self.found[path]
        self.at = self.text.index("]", self.at) + (2 if many else 1)
        return path

    def _key(self) -> tuple[str, ...]:
        """Names of a dotted key; stops before the sign that follows it."""
        names: list[str] = []
        text = self.text
        while True:
            while text[self.at] in " \t":
                self.at += 1
            if text[self.at] in "\"'":
                names.append(self._quoted())
            else:
                start = self.at
                while text[self.at] not in " \t.=]":
                    self.at += 1
                names.append(text[start : self.at])
            while text[self.at] in " \t":
                self.at += 1
            if text[self.at] != ".":
                return tuple(names)
            self.at += 1

    def _quoted(self) -> str:
        """A one-line string, as a key may be."""
        mark = self.text[self.at]
        self.at += 1
        out: list[str] = []
        while (sign := self.text[self.at]) != mark:
            if sign == "\\" and mark == '"':
                code = self.text[self.at + 1]
                if code in "uUx":
                    length = {"u": 4, "U": 8, "x": 2}[code]
                    out.append(chr(int(self.text[self.at + 2 : self.at + 2 + length], 16)))
                    self.at += 2 + length
                else:
                    out.append(_ESCAPES.get(code, code))
                    self.at += 2
                continue
            out.append(sign)
            self.at += 1
        self.at += 1
        return "".join(out)

    def _pair(self, table: Path) -> None:
        path = (*table, *self._key())
        self._note(path)
        self.at = self.text.index("=", self.at) + 1
        self._value(path)

    def _value(self, path: Path) -> None:
        self._skip_blank()
        text = self.text
        sign = text[self.at]
        if sign == "{":
            self.at += 1
            while self._skip_blank() and text[self.at] != "}":
                if text[self.at] == ",":
                    self.at += 1
                else:
                    self._pair(path)
            self.at += 1
        elif sign == "[":
            self.at += 1
            item = 0
            while self._skip_blank() and text[self.at] != "]":
                if text[self.at] == ",":
                    self.at += 1
                    continue
                self._note((*path, item))
                self._value((*path, item))
                item += 1
            self.at += 1
        elif sign in "\"'":
            self._string()
        else:
            while text[self.at] not in ",]}#\n":
                self.at += 1

    def _string(self) -> None:
        text = self.text
        mark = text[self.at]
        if not text.startswith(mark * 3, self.at):
            self._quoted()
            return
        at = self.at + 3
        while not text.startswith(mark * 3, at):
            at += 2 if mark == '"' and text[at] == "\\" else 1
        at += 3
        while text[at] == mark and at < len(text) - 1:  # up to two more marks belong to the text
            at += 1
        self._move(at)
