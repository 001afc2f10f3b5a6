"""Reads TOML files that people write and checks them against a pydantic model: faults get lines and plain words."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from profiles.locator import KeyPath, locate
from profiles.plainwords import faults, kind_of
from profiles.problems import InputError, Problem

LARGEST_BYTES = 1_000_000
MOST_FAULTS = 20
LIBRARY = Path(__file__).parent / "library"
"""Where the profiles lie that come with the program."""
M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True)
class Document:
    """One file's text and data. `name` is how messages call it; `sha256` is of the text as UTF-8, in hex."""

    path: Path
    name: str
    text: str
    data: dict[str, Any]
    sha256: str
    lines: Mapping[KeyPath, int] = field(repr=False, default_factory=dict)

    def line_of(self, key_path: Sequence[str | int]) -> int | None:
        """Line of a key, or of the nearest table above it that the file has; indexes count from 0."""
        path = tuple(key_path)
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path)

    def problem(
        self, key_path: Sequence[str | int], what: str, *, warning: bool = False, note: bool = False
    ) -> Problem:
        """A problem at that key of this file."""
        return Problem(self.name, self.line_of(key_path), path_text(key_path), what, warning, note)


def path_text(key_path: Sequence[str | int]) -> str:
    """`step[2].end.hours` for ("step", 1, "end", "hours"): people count from 1."""
    text = ""
    for part in key_path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def found_profile(text: str) -> Path | None:
    """The profile file that is meant: a file as its path stands, else one of the library by its name; None: neither.

    A library's name is `starter-60` or `starter-60.toml`.
    """
    try:
        if Path(text).is_file():
            return Path(text).absolute()
        own = LIBRARY / f"{text.removesuffix('.toml')}.toml"
        return own if own.parent == LIBRARY and own.is_file() else None
    except (OSError, ValueError):
        return None


def read_document(path: Path | str, largest_bytes: int = LARGEST_BYTES) -> Document:
    """Read one TOML file; raises InputError when it is missing, a folder, too large, not text, empty or not TOML."""
    place = Path(path)
    name = str(path)
    try:
        if place.is_dir():
            raise _alone(name, None, "is a folder, name a file in it")
        if not place.is_file():
            raise _alone(name, None, "is not there, or is no plain file; name a TOML file")
        with place.open("rb") as stream:
            raw = stream.read(largest_bytes + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its name cannot be used"
        raise _alone(name, None, f"cannot be read: {reason}") from None
    if len(raw) > largest_bytes:
        raise _alone(name, None, f"is larger than {_size(largest_bytes)}, no file of this kind is")
    if raw.startswith(b"\xef\xbb\xbf"):
        raise _alone(name, 1, "begins with a byte order mark, save it as UTF-8 without one")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise _alone(name, line, "is not UTF-8 text, write a TOML file in UTF-8") from None
    document = parse_document(text, name)
    return Document(place, name, text, document.data, document.sha256, document.lines)


def _size(bytes_: int) -> str:
    return f"{bytes_ // 1_000_000} MB" if bytes_ >= 1_000_000 else f"{bytes_ // 1_000} kB"


def parse_document(text: str, name: str) -> Document:
    """The same from text at hand; raises InputError for text that is empty, binary or not TOML (that fault alone)."""
    if "\0" in text:
        raise _alone(name, text.count("\n", 0, text.index("\0")) + 1, "is binary, write a TOML file in UTF-8")
    if not text.strip():
        raise _alone(name, None, 'is empty, the first line says the kind of file, such as kind = "profile"')
    try:
        data = tomllib.loads(text)
        lines = locate(text)
    except RecursionError:
        raise _alone(name, None, "is nested too deeply, no file of this kind needs more than a few levels") from None
    except ValueError as error:
        raise _alone(name, *_syntax(str(error), text)) from None
    sha256 = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
    return Document(Path(name), name, text, data, sha256, lines)


def load_model(document: Document, model: type[M]) -> M:
    """The file's data as that model; raises InputError with the file's faults, in the order of their lines.

    Of more than MOST_FAULTS the first ones, and how many more there are: words for each take time.

    A wrong `kind` is reported alone: the other keys belong to another sort of file.
    """
    expected = kind_of(model)
    if expected is not None and document.data.get("kind") != expected:
        raise InputError([document.problem(("kind",), _wrong_kind(document.data.get("kind"), expected))])
    try:
        return model.model_validate(document.data)
    except ValidationError as error:
        found = {document.problem(path, what): None for path, what in islice(faults(error, model), MOST_FAULTS)}
        problems = sorted(found, key=lambda problem: problem.line or 0)
        left = error.error_count() - MOST_FAULTS
        if left > 0:
            what = f"and {left} more {'fault' if left == 1 else 'faults'}, mend these first"
            problems.append(Problem(document.name, None, "", what))
        raise InputError(problems) from None


def _wrong_kind(kind: object, expected: str) -> str:
    if kind is None:
        return f'missing, write kind = "{expected}" as the first line'
    return f'{kind!r} is another kind of file, kind = "{expected}" is wanted here'


def _alone(name: str, line: int | None, what: str) -> InputError:
    return InputError([Problem(name, line, "", what)])


_WORDS = (
    ("Invalid value", 'this is no value, write a number, true, false, [a list], {a table} or text in "quotes"'),
    ("Invalid statement", "this is no line of TOML, write key = value or a [table] name"),
    ("Expected '=' after", "no = after the key, write key = value"),
    ("Expected newline or end", "something follows the value, write one key = value a line"),
    ("Cannot overwrite a value", "this key is given twice, keep one"),
    ("Cannot declare", "this table is given twice, keep one, or write [[name]] for a list of tables"),
    ("Cannot mutate immutable", "this adds to a table that was closed, write all its keys in one place"),
    ("Duplicate inline table key", "this key is given twice, keep one"),
    ("Unclosed array", "a [ is never closed, write the missing ]"),
    ("Unclosed inline table", "a { is never closed, write the missing } on the same line"),
    ("Unterminated string", "a text in quotes is never closed, write the missing quote"),
    ("Unescaped '\\'", "a lone \\ in text, write \\\\ or use 'single quotes'"),
    ("Illegal character '\\n'", "a text in quotes is not closed on its line, write the missing quote"),
    ("Illegal character", "an invisible control character stands here, delete it"),
    ("Expected ']' at the end of a table", "a table name is not closed, write the missing ]"),
    ("Expected ']]' at the end of an array", "a list's table name is not closed, write the missing ]]"),
    ("Invalid initial character for a key", "this is no key, write letters, digits, _ or -"),
    ("Invalid date or datetime", "this date or time does not exist, write it as 2026-03-16T06:00:00Z"),
    ("Exceeds the limit", "this number has too many digits"),
)


def _syntax(message: str, text: str) -> tuple[int, str]:
    at = re.search(r"\(at line (\d+), column (\d+)\)", message)
    line = int(at.group(1)) if at else text.rstrip().count("\n") + 1
    for start, words in _WORDS:
        if message.startswith(start):
            return line, words
    return line, f"this is not TOML: {re.sub(r' *[(]at .*', '', message)}"
