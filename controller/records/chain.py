"""The chain through a table: each row ends in a check value over the row and all rows before it.

chain_n = first 16 hex digits of SHA-256(chain_(n-1) + row text before its last comma); the chain begins with the same
of the run's run.json (nothing outside run folders) + the header line without its line end. A change, a missing or a
moved row breaks it from there on; a cut tail shows only against a kept copy of the last value. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from hashlib import sha256

DIGITS = 16


def start(header: str, run_json: bytes = b"") -> str:
    """The value before the first row; `header` without its line end."""
    return sha256(run_json + header.encode()).hexdigest()[:DIGITS]


def link(previous: str, row: str) -> str:
    """The value of a row whose text before the last comma is `row`."""
    return sha256((previous + row).encode()).hexdigest()[:DIGITS]


@dataclass(frozen=True, slots=True)
class Walk:
    """Result of walking the lines below a header: rows that hold, the last right value, the first wrong row.

    `wrong_row` counts data rows from 1 (None: all hold).
    """

    rows: int
    last: str
    wrong_row: int | None


def walk(lines: Iterable[bytes], begin: str) -> Walk:
    """Check data lines (without line ends, header left out) against a chain that begins with `begin`."""
    value = begin.encode()
    rows = 0
    for line in lines:
        text, _, claimed = line.rpartition(b",")
        value_now = sha256(value + text).hexdigest()[:DIGITS].encode()
        if value_now != claimed:
            return Walk(rows, value.decode(), rows + 1)
        value = value_now
        rows += 1
    return Walk(rows, value.decode(), None)
