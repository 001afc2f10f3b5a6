"""Rows of a table before they leave the house: each cell is what its column holds, or the run's export ends before it.

A chain proves that a row stands as somebody wrote it, not that a number is one. Whatever the file is to be, Parquet or
CSV, it takes the same rows. A number without end (nan, inf, 1e999) is left empty, and told. Pure.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from math import isfinite

from controller.records.chain import DIGITS
from controller.records.rows import cell, time_utc
from controller.records.stream import Piece, cells_of
from controller.records.typedcolumns import Odd, ms_of, number_of
from profiles.problems import clean

UNITS: Mapping[str, str] = {
    "elapsed_s": "s", "set_current_A": "A", "current_A": "A", "voltage_V": "V", "bath_C": "Cel", "probe_C": "Cel",
    "charge_Ah": "A.h", "discharge_Ah": "A.h", "energy_Wh": "W.h", "allowed_percent": "%", "ocv_V": "V",
    "ocv_age_h": "h", "density": "kg/L", "density_C": "Cel", "temperature_C": "Cel",
}  # fmt: skip
"""UCUM code of each column that has one unit; `value` has that of the row's own column `unit`."""
WHOLE = ("step", "priority", "position", "revision")
TIMES = ("time_utc", "taken_utc")
_MOST_WHOLE = 2.0**31
# What nearly every cell looks like; all others are looked at one by one.
_NUMBER = rb"(?:-?[0-9]{1,20}(?:\.[0-9]{1,20})?(?:e[+-]?[0-9]{1,2})?)?"
_COUNT = rb"(?:[0-9]{1,9})?"
_DAY = rb"(?:(?:0[1-9]|1[0-2])-(?:0[1-9]|1[0-9]|2[0-8])|(?:0[13-9]|1[0-2])-(?:29|30)|(?:0[13578]|1[02])-31)"
_TIME = rb"(?:(?:19|20|21)[0-9]{2}-" + _DAY + rb"T(?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]\.[0-9]{3}Z)?"
_TEXT = rb'(?:[^,"]*|"(?:[^"]|"")*")'


@dataclass(frozen=True, slots=True)
class Fit:
    """Rows that may go out, the chain value of the last as it stands in the record ("": none), why no more do ("")."""

    lines: Sequence[bytes]
    chain: str
    wrong: str = ""


def fit(name: str, columns: tuple[str, ...], piece: Piece, odd: Odd) -> Fit:
    """As many of a piece's rows as hold in each column what belongs there; `odd` hears of cells that are left empty."""
    usual = _usual(columns).fullmatch
    lines: list[bytes] = []
    wrong = ""
    for number, line in enumerate(piece.lines):
        if usual(line) is not None:
            lines.append(line)
            continue
        row = piece.first + number
        found = _looked_at(columns, line, row, odd)
        if isinstance(found, str):
            wrong = f"{name}:{row + 1}: row {row} {found}"
            break
        lines.append(found)
    chain = piece.lines[len(lines) - 1][-DIGITS:].decode("ascii", "replace") if lines else ""
    return Fit(lines, chain, wrong)


@cache
def _usual(columns: tuple[str, ...]) -> re.Pattern[bytes]:
    return re.compile(b",".join(map(_pattern, columns)))


def _pattern(column: str) -> bytes:
    if column in UNITS:
        return _NUMBER
    return _COUNT if column in WHOLE else _TIME if column in TIMES else _TEXT


def _looked_at(columns: Sequence[str], line: bytes, row: int, odd: Odd) -> bytes | str:
    """A row as it may go out, or what is wrong with it."""
    cells = cells_of(line)
    if len(cells) != len(columns):
        return f"has {len(cells)} cells, not {len(columns)}"
    kept = []
    changed = False
    for column, text in zip(columns, cells, strict=True):
        found = _right(column, text)
        if found is None and not _endless(text):
            kind = "time" if column in TIMES else "whole number" if column in WHOLE else "number"
            return f"has in {column} {clean(text, 40)!r}, which is no {kind}"
        if found is None:
            odd.tell(row, f"has in {column} {clean(text, 40)!r}, which is no number: left empty")
        changed = changed or found != text
        kept.append(found or "")
    # Only what was changed is written anew: all else goes out as it stands.
    return ",".join(map(_quoted, kept)).encode("utf-8", "replace") if changed else line


def _right(column: str, text: str) -> str | None:
    """A cell as its column takes it; None: it is none."""
    if not text:
        return text
    if column in TIMES:
        moment_ms = ms_of(text)
        return None if moment_ms is None else time_utc(moment_ms)
    if column not in UNITS and column not in WHOLE:
        return text
    number = number_of(text)
    if number is None or (column in WHOLE and not (0.0 <= number < _MOST_WHOLE and number == int(number))):
        return None
    if re.fullmatch(_COUNT if column in WHOLE else _NUMBER, text.encode()) is not None:
        return text
    return str(int(number)) if column in WHOLE else repr(number)


def _endless(text: str) -> bool:
    """Whether a number was meant that has no end, or is none on purpose."""
    try:
        return not isfinite(float(text))
    except ValueError:
        return False


def _quoted(text: str) -> str:
    """A cell for a row; a number keeps its sign."""
    return text if number_of(text) is not None else cell(text)
