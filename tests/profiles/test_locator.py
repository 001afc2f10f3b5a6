"""The locator against the standard library's TOML parser, on documents written in every style TOML has."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from profiles.locator import locate

ROOT = Path(__file__).parents[2]
LETTERS = st.characters(blacklist_categories=("Cs",), blacklist_characters="\x7f\r")
WORDS = st.one_of(
    st.text("ab_1-", min_size=1, max_size=3), st.text(LETTERS, max_size=4), st.sampled_from(["a.b", "#", "]]"])
)
SCALARS = st.one_of(st.integers(-9, 10**9), st.booleans(), st.floats(allow_nan=False, allow_infinity=False), WORDS)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(WORDS, inner, max_size=3)),
    max_leaves=8,
)


class Sheet:
    """A TOML text under construction that remembers on which line each path was written."""

    def __init__(self, draw: Any) -> None:
        self.draw = draw
        self.text = ""
        self.lines: dict[tuple[str | int, ...], int] = {(): 1}

    def chance(self) -> bool:
        return bool(self.draw(st.booleans()))

    def mark(self, path: tuple[str | int, ...]) -> None:
        self.lines.setdefault(path, self.text.count("\n") + 1)

    def string(self, value: str) -> str:
        forms = [json.dumps(value, ensure_ascii=False)]
        if not re.search(r"['\x00-\x08\x0a-\x1f]", value):
            forms.append(f"'{value}'")
        return str(self.draw(st.sampled_from(forms)))

    def long_string(self, value: str) -> str:
        if re.search(r"[\x00-\x08\x0b-\x1f]", value):
            return self.string(value)
        forms = ['"""\n' + value.replace("\\", "\\\\").replace('"""', '""\\"') + '"""']
        if "'''" not in value:
            forms.append("'''" + value + "'''")
        form = str(self.draw(st.sampled_from(forms)))
        return form if tomllib_reads(form) else self.string(value)

    def key(self, name: str) -> str:
        return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) and self.chance() else self.string(name)

    def filler(self) -> None:
        self.text += self.draw(st.sampled_from(["", " ", "\n", "  # note ] } = '\n", "\n\n\t"]))

    def value(self, path: tuple[str | int, ...], value: Any) -> None:
        if isinstance(value, dict):
            self.text += "{ "
            for index, (name, inner) in enumerate(value.items()):
                self.text += ", " if index else ""
                self.mark((*path, name))
                self.text += self.key(name) + " = "
                self.value((*path, name), inner)
            self.text += " }"
        elif isinstance(value, list):
            self.text += "["
            for index, inner in enumerate(value):
                self.filler()
                self.mark((*path, index))
                self.value((*path, index), inner)
                self.filler()
                self.text += "," if index < len(value) - 1 or self.chance() else ""
            self.filler()
            self.text += "]"
        elif isinstance(value, str):
            self.text += self.long_string(value) if self.chance() else self.string(value)
        else:
            self.text += str(value).lower() if isinstance(value, bool) else repr(value)

    def pair(self, path: tuple[str | int, ...], name: str, value: Any) -> None:
        self.mark((*path, name))
        self.text += self.key(name)
        if isinstance(value, dict) and len(value) == 1 and self.chance():
            ((inner, value),) = value.items()
            path, name = (*path, name), inner
            self.mark((*path, name))
            self.text += " . " + self.key(name)
        self.text += " ="
        self.text += " "
        self.value((*path, name), value)
        self.text += self.draw(st.sampled_from(["\n", "   # why\n", "\n\n"]))

    def table(self, path: tuple[str | int, ...], header: str, table: dict[str, Any]) -> None:
        below: list[tuple[str, Any]] = []
        for name, value in table.items():
            split = isinstance(value, dict) or (
                isinstance(value, list) and value and all(isinstance(x, dict) for x in value)
            )
            if split and self.chance():
                below.append((name, value))
            else:
                self.pair(path, name, value)
        for name, value in below:
            inner_header = (header + "." if header else "") + self.key(name)
            for index, one in enumerate(value if isinstance(value, list) else [value]):
                many = isinstance(value, list)
                here = (*path, name, index) if many else (*path, name)
                self.mark((*path, name))
                self.mark(here)
                self.text += f"[[ {inner_header} ]]\n" if many else f"[{inner_header}]  # table\n"
                self.table(here, inner_header, one)


def tomllib_reads(value: str) -> bool:
    try:
        tomllib.loads(f"key = {value}")
    except tomllib.TOMLDecodeError:
        return False
    return True


def paths(data: Any, above: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    yield above
    parts = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for part, inner in parts:
        yield from paths(inner, (*above, part))


@given(st.data(), st.dictionaries(WORDS, VALUES, max_size=5))
@settings(max_examples=200, deadline=None)
def test_every_path_of_tomllib_is_located_on_the_line_where_it_was_written(data, table):
    """Paths are exactly those of the standard parser's result; lines are those where the writer put them."""
    sheet = Sheet(data.draw)
    sheet.table((), "", table)
    parsed = tomllib.loads(sheet.text)
    located = locate(sheet.text)
    assert set(located) == set(paths(parsed))
    assert located == sheet.lines


@pytest.mark.parametrize("file", sorted(ROOT.glob("profiles/library/*.toml")), ids=lambda file: file.name)
def test_files_of_the_library_are_located_whole(file):
    """On the files people start from, paths agree with the parser and each key stands in the line given."""
    text = file.read_text(encoding="utf-8")
    rows = text.split("\n")
    located = locate(text)
    assert set(located) == set(paths(tomllib.loads(text)))
    for path, line in located.items():
        if path and isinstance(path[-1], str):
            assert path[-1] in rows[line - 1]


def test_windows_line_ends_count_once():
    """A carriage return before the line feed adds no line."""
    assert locate("a = 1\r\nb = '''x\r\ny'''\r\nc = 2\r\n") == {(): 1, ("a",): 1, ("b",): 2, ("c",): 4}


def test_quotes_at_the_end_of_a_long_string_belong_to_it():
    """Four or five closing quotes are one or two of text and three of the end."""
    text = 'a = """x"""""\nb = \'\'\'y\'\'\'\'\nc = 1\n'
    assert tomllib.loads(text) == {"a": 'x""', "b": "y'", "c": 1}
    assert locate(text) == {(): 1, ("a",): 1, ("b",): 2, ("c",): 3}


def test_nested_lists_of_tables_belong_to_the_last_element_above():
    """The second [[step.step]] after a second [[step]] is counted from the start again."""
    text = "[[step]]\n[[step.step]]\n[[step]]\n[[step.step]]\nx = 1\n[[step.step]]\n"
    assert locate(text)[("step", 1, "step", 0, "x")] == 5
    assert locate(text)[("step", 1, "step", 1)] == 6


def test_a_large_text_takes_linear_work():
    """Every key of forty thousand lines is found; a quadratic walk would not come to its end here."""
    text = "".join(f"key_{index} = [1, 2]  # note\n" for index in range(40_000))
    assert locate(text)[("key_39999", 1)] == 40_000
