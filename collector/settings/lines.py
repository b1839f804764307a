"""In which line of a TOML text each key is: `tomllib` gives the values alone.

A scanner of text that `tomllib` has read already, so of valid TOML 1.0: it follows tables, arrays of tables,
dotted and quoted keys, and inline tables and arrays over several lines, and looks into no value.
"""

from __future__ import annotations

import re
import tomllib

__all__ = ["Path", "key_lines", "line_at"]

Path = tuple[str | int, ...]
"""Where a value is: keys, and places in a list counted from 1, as ("links", 2, "port")."""

_DEEPEST = 16  # steps of a path that are kept apart; no key of the settings has more than seven

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY = re.compile(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'|[A-Za-z0-9_-]+')
_DOT = re.compile(r"[ \t]*\.[ \t]*")
_TEXT = re.compile(
    r'"""(?:[^\\]|\\.)*?"""(?:"{0,2}(?!"))'  # up to two quotes may be the text's last characters
    r"|'''.*?'''(?:'{0,2}(?!'))"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_PLAIN = re.compile(r"[^,\]}#\r\n]*")


def key_lines(text: str) -> dict[Path, int]:
    """Line (from 1) of each key, table and list entry; a table named several times has its first line.

    Raises
    ------
    tomllib.TOMLDecodeError
        Some texts that `tomllib` does not read; others give what can't be relied on.
    """
    return _Scanner(text).run()


def line_at(lines: dict[Path, int], path: Path) -> int | None:
    """Line of what is at `path`, of the nearest table around it where it is not there itself."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


class _Scanner:
    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line, self._counted = 1, 0  # the line, and up to where line feeds are counted
        self._lines: dict[Path, int] = {}
        self._entries: dict[Path, int] = {}  # arrays of tables: how many there are so far

    def run(self) -> dict[Path, int]:
        table: Path = ()
        while self._skip(_BLANK) < len(self._text):
            line = self._line_now()
            if self._take("[["):
                table = self._entry(self._keys(), line)
                self._take("]]")
            elif self._take("["):
                table = self._named((), self._keys(), line)
                self._take("]")
            else:
                self._pair(table)
        return self._lines

    def _entry(self, keys: list[str], line: int) -> Path:
        """A new entry of an array of tables."""
        array = self._named((), keys, line)
        self._entries[array] = self._entries.get(array, 0) + 1
        entry = (*array, self._entries[array])
        self._lines[entry] = line
        return entry

    def _named(self, table: Path, keys: list[str], line: int) -> Path:
        """Note `keys` beneath `table`; on the way through an array of tables its last entry is meant."""
        for number, key in enumerate(keys, 1):
            if len(table) == _DEEPEST:
                return table
            table = (*table, key)
            self._lines.setdefault(table, line)
            if number < len(keys) and table in self._entries:
                table = (*table, self._entries[table])
        return table

    def _pair(self, table: Path) -> None:
        line = self._line_now()
        path = self._named(table, self._keys(), line)
        self._skip(_BLANK)
        self._take("=")
        self._value(path)

    def _value(self, path: Path) -> None:
        self._skip(_BLANK)
        if self._take("["):
            number = 0
            while not self._ends("]"):
                number += 1
                entry = (*path, number) if len(path) < _DEEPEST else path
                self._lines.setdefault(entry, self._line_now())
                self._value(entry)
        elif self._take("{"):
            while not self._ends("}"):
                self._pair(path)
        elif not self._match(_TEXT) and not self._match(_PLAIN):
            self._past()

    def _ends(self, bracket: str) -> bool:
        """Pass by a comma; whether the list or inline table is over."""
        self._skip(_BLANK)
        if self._take(","):
            self._skip(_BLANK)
        return self._take(bracket) or self._at >= len(self._text)

    def _keys(self) -> list[str]:
        keys = []
        self._skip(_BLANK)
        while word := self._match(_KEY):
            # only a basic string has escapes, which tomllib knows
            keys.append(tomllib.loads(f"x = {word}")["x"] if word[0] in "\"'" else word)
            if not self._match(_DOT):
                break
        self._skip(_BLANK)
        return keys or [self._past()]

    def _past(self) -> str:
        """One character further, so that no text, however wrong, holds the scanner up."""
        self._at += 1
        return ""

    def _skip(self, pattern: re.Pattern[str]) -> int:
        self._match(pattern)
        return self._at

    def _match(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self._text, self._at)
        if found is None:
            return ""
        self._at = found.end()
        return found[0]

    def _take(self, word: str) -> bool:
        if not self._text.startswith(word, self._at):
            return False
        self._at += len(word)
        return True

    def _line_now(self) -> int:
        self._line += self._text.count("\n", self._counted, self._at)
        self._counted = self._at
        return self._line
