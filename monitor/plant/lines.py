"""Where things stand in a TOML text: a path of keys and indexes in, a line number out.

The scanner walks text that `tomllib` accepts, so it only has to know where keys and values begin and end. A key's line
is the line of the key itself, an element's the line where its value begins, a table's the line of its header.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field

Path = tuple[str | int, ...]

_SPACE = re.compile(r"[ \t]*")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY_PART = re.compile(r"[A-Za-z0-9_-]+|\"(?:[^\"\\\n]|\\.)*\"|'[^'\n]*'")
_STRINGS = (
    re.compile(r'"""(?:[^\\]|\\.)*?"{3,5}', re.DOTALL),
    re.compile(r"'''.*?'{3,5}", re.DOTALL),
    re.compile(r'"(?:[^"\\\n]|\\.)*"'),
    re.compile(r"'[^'\n]*'"),
)
_PLAIN = re.compile(r"[^,\]}\n#]*")


class Unclosed(Exception):  # noqa: N818 - it ends a scan, it is not an error people see
    """The text ends inside a value; `line` is where that value begins."""

    def __init__(self, line: int) -> None:
        super().__init__(f"unclosed value at line {line}")
        self.line = line


@dataclass(slots=True)
class Lines:
    """The lines of all keys, elements and tables of one text."""

    known: dict[Path, int] = field(default_factory=dict)

    def of(self, path: Path) -> int:
        """Return the line of a path, or of the nearest table around it that is written down."""
        while path and path not in self.known:
            path = path[:-1]
        return self.known.get(path, 1)


def find_lines(text: str) -> Lines:
    """Scan a TOML text. Raises Unclosed if it ends inside a value."""
    return _Scanner(text).scan()


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines = Lines()
        self.counts: dict[Path, int] = {}
        self._counted_to = 0
        self._line = 1

    def scan(self) -> Lines:
        table: Path = ()
        self._skip(_BLANK)
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip(_BLANK)
        return self.lines

    def _header(self) -> Path:
        line, many = self._line_here(), self.text.startswith("[[", self.at)
        self.at += 2 if many else 1
        path: Path = ()
        parts = self._key()
        for part in parts[:-1]:
            path = self._last((*path, part))
            self.lines.known.setdefault(path, line)
        path = (*path, parts[-1])
        if many:
            self.counts[path] = self.counts.get(path, 0) + 1
            self.lines.known.setdefault(path, line)
            path = self._last(path)
        self.lines.known[path] = line
        self.at = self._end_of_line()
        return path

    def _last(self, path: Path) -> Path:
        """Point to the newest element if the path is an array of tables."""
        return (*path, self.counts[path] - 1) if path in self.counts else path

    def _pair(self, table: Path) -> None:
        start, line, path = self.at, self._line_here(), table
        for part in self._key():
            path = (*path, part)
            self.lines.known.setdefault(path, line)
        self._expect("=")
        self._skip(_SPACE)
        self._value(path)
        if self.at == start:  # nothing here is TOML: leave the line, so that no text can hold the scan
            self.at = self._end_of_line()

    def _key(self) -> list[str]:
        parts: list[str] = []
        while True:
            self._skip(_SPACE)
            found = _KEY_PART.match(self.text, self.at)
            if not found:
                return parts or [""]
            parts.append(_plain_key(found[0]))
            self.at = found.end()
            self._skip(_SPACE)
            if not self.text.startswith(".", self.at):
                return parts
            self.at += 1

    def _value(self, path: Path) -> None:
        opening = self.text[self.at : self.at + 1]
        if opening == "[":
            self._array(path)
        elif opening == "{":
            self._inline(path)
        elif opening and opening in "\"'":
            self._string()
        else:
            self._skip(_PLAIN)

    def _string(self) -> None:
        line = self._line_here()
        found = next((match for kind in _STRINGS if (match := kind.match(self.text, self.at))), None)
        triple = self.text[self.at : self.at + 3] in {'"""', "'''"}
        if found is None or (triple and len(found[0]) < 6):
            raise Unclosed(line)
        self.at = found.end()

    def _array(self, path: Path) -> None:
        begun, index = self._line_here(), 0
        self.at += 1
        while not self._closes("]", begun):
            self.lines.known[(*path, index)] = self._line_here()
            self._value((*path, index))
            index += 1
            self._separator("]", begun)

    def _inline(self, path: Path) -> None:
        begun = self._line_here()
        self.at += 1
        while not self._closes("}", begun):
            self._pair(path)
            self._separator("}", begun)

    def _closes(self, sign: str, begun: int) -> bool:
        self._skip(_BLANK)
        if self.at >= len(self.text):
            raise Unclosed(begun)
        if self.text[self.at] != sign:
            return False
        self.at += 1
        return True

    def _separator(self, closing: str, begun: int) -> None:
        """Pass a comma; anything that is neither comma nor closing sign means the value was never closed."""
        self._skip(_BLANK)
        sign = self.text[self.at : self.at + 1]
        if sign == ",":
            self.at += 1
        elif sign != closing:
            raise Unclosed(begun)

    def _expect(self, sign: str) -> None:
        self._skip(_SPACE)
        if self.text.startswith(sign, self.at):
            self.at += len(sign)

    def _skip(self, what: re.Pattern[str]) -> None:
        found = what.match(self.text, self.at)
        self.at = found.end() if found else self.at

    def _end_of_line(self) -> int:
        end = self.text.find("\n", self.at)
        return len(self.text) if end < 0 else end + 1

    def _line_here(self) -> int:
        self._line += self.text.count("\n", self._counted_to, self.at)
        self._counted_to = self.at
        return self._line


def _plain_key(written: str) -> str:
    """Read a key part as TOML means it."""
    if written[0] == '"':
        try:
            return str(next(iter(tomllib.loads(f"{written} = 1"))))
        except tomllib.TOMLDecodeError:
            return written[1:-1]
    return written.strip("'")
