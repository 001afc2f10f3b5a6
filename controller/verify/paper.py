"""A chain value that somebody typed from a printed page, looked for in a record. Pure.

A page shows the last value of the moment when it was printed; whether it still stands in the record, and how many rows
came after it, says more than any hash that the record could have kept itself.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from controller.records.chain import DIGITS

SHORT = {
    "log": "log.csv",
    "events": "events.csv",
    "batteries": "batteries.csv",
    "after": "after.csv",
    "proofs": "proofs.csv",
}
WANTED = f"{DIGITS} hex digits in any grouping, such as `3f2a 91bc 0d11 7e5a`, or `events=` and these"
_SAID = {name: said for said, name in SHORT.items()}
_MONTH = re.compile(r"-\d{6}(\.csv)")
"""A bath's own events stand in a file for each month."""
_BETWEEN = re.compile(r"[\s.:_-]+")


class PaperError(ValueError):
    """A text that cannot be a chain value; it says what would be right."""


@dataclass(frozen=True, slots=True)
class Typed:
    """A value as it was meant; `table`: the only one that it may stand in (None: any)."""

    value: str
    table: str | None = None


@dataclass(frozen=True, slots=True)
class OnPaper:
    """Where a typed value stands: row, from 1, of `table` and how many come after it. `table` None: nowhere.

    `asked`: the only table that it may stand in (None: any); `elsewhere`, `elsewhere_row`: where else it stands.
    """

    value: str
    table: str | None = None
    row: int | None = None
    rows_after: int | None = None
    asked: str | None = None
    elsewhere: str | None = None
    elsewhere_row: int | None = None


def typed_value(text: str) -> Typed:
    """What somebody typed; PaperError when it is no chain value."""
    name, sign, rest = text.rpartition("=")
    table = None
    if sign:
        table = SHORT.get(name.strip().lower().removesuffix(".csv"))
        if table is None:
            raise PaperError(f"no table is called {name.strip()!r}: {', '.join(SHORT)}")
    value = _BETWEEN.sub("", rest).lower()
    if re.fullmatch(f"[0-9a-f]{{{DIGITS}}}", value) is None:
        raise PaperError(f"{rest.strip()[:60]!r} is no chain value: {WANTED}")
    return Typed(value, table)


def on_paper(typed: Typed, tables: Mapping[str, Sequence[bytes]]) -> OnPaper:
    """Look for a typed value in the rows of these tables (without line ends)."""
    ending = b"," + typed.value.encode()
    elsewhere: tuple[str, int] | tuple[None, None] = (None, None)
    for name, lines in tables.items():
        row = next((row for row in range(len(lines), 0, -1) if lines[row - 1].endswith(ending)), None)
        if row is not None and typed.table in (None, _MONTH.sub(r"\1", name)):
            return OnPaper(typed.value, name, row, len(lines) - row, typed.table)
        elsewhere = elsewhere if row is None else (name, row)
    return OnPaper(typed.value, None, None, None, typed.table, *elsewhere)


def told(found: OnPaper) -> str:
    """One line for a person."""
    groups = " ".join(found.value[at : at + 4] for at in range(0, DIGITS, 4))
    if found.asked is not None:
        groups = f"{_SAID[found.asked]}={groups}"
    if found.table is None and found.elsewhere is not None:
        return f"{groups}: not in {found.asked} (it stands in {found.elsewhere}, row {found.elsewhere_row})"
    if found.table is None:
        return f"{groups}: NOT in what was looked at"
    if not found.rows_after:
        return f"{groups}: as on paper: last row of {found.table}"
    came = f"{found.rows_after} row{'s' if found.rows_after > 1 else ''}"
    return f"{groups}: stands at row {found.row} of {found.table}: {came} came after it was printed"
