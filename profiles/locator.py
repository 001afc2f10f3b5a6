"""Finds the line of each key of a TOML text, which the standard library's parser does not tell.

Works on text that `tomllib` has accepted, so it need not judge syntax; it only has to walk it.
Grammar: TOML 1.0.0, https://toml.io/en/v1.0.0.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right

KeyPath = tuple[str | int, ...]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = re.compile(r"[ \t]*")
_FILLER = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?:"{0,2})' r"|'''.*?'''(?:'{0,2})" r'|"(?:\\.|[^"\\\n])*"' r"|'[^'\n]*'",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^\n,\]}#]+")


def locate(text: str) -> dict[KeyPath, int]:
    """Line (from 1) of every table, key and array element of a valid TOML text, by its path; the root's is 1."""
    return _Walk(text.replace("\r\n", "\n")).lines


class _Walk:
    """One pass over a text; `at` is the offset of the next character."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.starts = [0, *(m.end() for m in re.finditer("\n", text))]
        self.lines: dict[KeyPath, int] = {(): 1}
        self.elements: dict[KeyPath, int] = {}
        table: KeyPath = ()
        self._skip(_FILLER)
        while self.at < len(text):
            if text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip(_FILLER)

    def _skip(self, what: re.Pattern[str]) -> str:
        match = what.match(self.text, self.at)
        if match is None:
            raise ValueError(f"not TOML at offset {self.at}")
        self.at = match.end()
        return match.group()

    def _found(self, path: KeyPath, offset: int) -> None:
        self.lines.setdefault(path, bisect_right(self.starts, offset))

    def _key(self) -> list[str]:
        parts: list[str] = []
        while True:
            self._skip(_BLANK)
            if self.text[self.at] in "\"'":
                token = self._skip(_STRING)
                parts.append(token[1:-1] if token[0] == "'" else tomllib.loads(f"key = {token}")["key"])
            else:
                parts.append(self._skip(_BARE_KEY))
            self._skip(_BLANK)
            if not self.text.startswith(".", self.at):
                return parts
            self.at += 1

    def _header(self) -> KeyPath:
        offset = self.at
        many = self.text.startswith("[[", self.at)
        self.at += 2 if many else 1
        *above, last = self._key()
        self.at += 2 if many else 1
        path: KeyPath = ()
        for part in above:
            path = self._enter((*path, part), offset)
        path = (*path, last)
        self._found(path, offset)
        if many:
            self.elements[path] = self.elements.get(path, -1) + 1
            path = (*path, self.elements[path])
            self._found(path, offset)
        return path

    def _enter(self, path: KeyPath, offset: int) -> KeyPath:
        """The table that a header names on its way; of an array of tables, its last element."""
        self._found(path, offset)
        return (*path, self.elements[path]) if path in self.elements else path

    def _pair(self, table: KeyPath) -> None:
        self._skip(_BLANK)
        offset = self.at
        path = table
        for part in self._key():
            path = (*path, part)
            self._found(path, offset)
        self.at += 1  # the equals sign
        self._skip(_BLANK)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        first = self.text[self.at]
        if first in "\"'":
            self._skip(_STRING)
        elif first == "[":
            self._array(path)
        elif first == "{":
            self._inline_table(path)
        else:
            self._skip(_SCALAR)

    def _array(self, path: KeyPath) -> None:
        self.at += 1
        index = 0
        self._skip(_FILLER)
        while self.text[self.at] != "]":
            self._found((*path, index), self.at)
            self._value((*path, index))
            index += 1
            self._comma()
        self.at += 1

    def _inline_table(self, path: KeyPath) -> None:
        self.at += 1
        self._skip(_FILLER)
        while self.text[self.at] != "}":
            self._pair(path)
            self._comma()
        self.at += 1

    def _comma(self) -> None:
        self._skip(_FILLER)
        if self.text[self.at] == ",":
            self.at += 1
            self._skip(_FILLER)
