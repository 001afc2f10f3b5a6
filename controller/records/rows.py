"""The cells and columns of every table a record holds: RFC 4180 with LF ends, and never a line end inside a field.

Text from outside is cleaned here, once, for all files: no control or direction characters (each becomes a space), no
formula that a spreadsheet would run (a leading apostrophe), no endless cell. Missing is empty, never 0. Pure.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import isfinite

from controller.core.types import Quality, Scalar, Value
from controller.records import tables

LOG_COLUMNS = tables.LOG_COLUMNS
EVENT_COLUMNS = tables.EVENT_COLUMNS
BATTERY_COLUMNS = tables.BATTERY_COLUMNS
AFTER_COLUMNS = tables.AFTER_COLUMNS
PROOF_COLUMNS = tables.PROOF_COLUMNS
LOG_HEADER = tables.LOG_HEADER
EVENT_HEADER = tables.EVENT_HEADER
BATTERY_HEADER = tables.BATTERY_HEADER
AFTER_HEADER = tables.AFTER_HEADER
PROOF_HEADER = tables.PROOF_HEADER

CELL_LIMIT = 2_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
# The years 1 to 9999: a clock that is far off must not end a cycle.
_FIRST_MS, _LAST_MS = -62_135_596_800_000, 253_402_300_799_999
# Controls, separators, direction and invisible characters, lone surrogates (not UTF-8), tags.
_UNWANTED = re.compile(
    "[\\x00-\\x1f\\x7f-\\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\ud800-\udfff"
    "\U000e0000-\U000e007f]"
)
_FORMULA = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_USABLE = (Quality.GOOD, Quality.SUSPECT)


def clean(text: str, limit: int = CELL_LIMIT) -> str:
    """Text that no terminal, spreadsheet or parser acts upon; at most `limit` characters, cut ones end in '...'."""
    if len(text) > limit:
        text = text[: limit - 4] + "..."
    if not (text.isascii() and text.isprintable()):
        text = _UNWANTED.sub(" ", text)
    text = text.strip()
    return "'" + text if text.startswith(_FORMULA) else text


def cell(text: str) -> str:
    """One cleaned text cell, quoted where RFC 4180 asks for it."""
    text = clean(text)
    return '"' + text.replace('"', '""') + '"' if "," in text or '"' in text else text


def fixed(number: float | None, decimals: int) -> str:
    """A number with fixed decimals; empty for none and for what is no number; never a negative zero."""
    if number is None or not isfinite(number):
        return ""
    text = f"{number:.{decimals}f}"
    return text[1:] if text[0] == "-" and not text.strip("-0.") else text


def scalar(value: Scalar) -> str:
    """A value of an event as a cell: numbers to 9 digits as numbers, text cleaned."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value + 0.0:.9g}" if isfinite(value) else ""
    return str(value) if isinstance(value, int) else cell(value)


def time_utc(utc_ms: int) -> str:
    """Milliseconds since 1970 as ISO 8601 UTC with milliseconds; what no date can say becomes the nearest one."""
    utc_ms = min(max(utc_ms, _FIRST_MS), _LAST_MS)
    return (_EPOCH + timedelta(milliseconds=utc_ms)).isoformat(timespec="milliseconds")[:-6] + "Z"


def parse_time(text: str) -> int:
    """Milliseconds since 1970 of a time written by `time_utc`; ValueError for anything else."""
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} has no time zone")
    return (moment - _EPOCH) // timedelta(milliseconds=1)


@dataclass(frozen=True, slots=True)
class LogRow:
    """One row of log.csv; `now_ms` is core time (elapsed time is counted from the run's start).

    `bath_C` and `probe_C` are the values the laws used. A number whose quality is neither good nor suspect is left
    out of its cell; the quality column says why.
    """

    utc_ms: int
    now_ms: int
    step: int | None
    state: str
    set_current_A: float
    current_A: Value
    voltage_V: Value
    bath_C: Value
    probe_C: Value
    charge_Ah: float
    discharge_Ah: float
    energy_Wh: float
    allowed_percent: float = 100.0


@dataclass(frozen=True, slots=True)
class EventRow:
    """One row of events.csv; `now_ms` None: no moment of the run (events that belong to no run)."""

    utc_ms: int
    now_ms: int | None
    id: str
    kind: str
    code: str
    target: str
    who: str = ""
    role: str = ""
    priority: int | None = None
    value: Scalar = None
    limit: Scalar = None
    unit: str = ""
    text: str = ""


def log_text(row: LogRow, start_ms: int) -> str:
    """A log row before its chain value, without the last comma."""
    named = (
        ("current_A", row.current_A), ("voltage_V", row.voltage_V), ("bath_C", row.bath_C), ("probe_C", row.probe_C),
    )  # fmt: skip
    current, voltage, bath, probe = (v.number if v.quality in _USABLE else None for _, v in named)
    bad = [f"{name}={v.quality.replace(' ', '_')}" for name, v in named if v.quality is not Quality.GOOD]
    step = "" if row.step is None else row.step
    return (
        f"{time_utc(row.utc_ms)},{elapsed(row.now_ms, start_ms)},{step},{row.state},{fixed(row.set_current_A, 3)},"
        f"{fixed(current, 3)},{fixed(voltage, 3)},{fixed(bath, 2)},{fixed(probe, 2)},{fixed(row.charge_Ah, 4)},"
        f"{fixed(row.discharge_Ah, 4)},{fixed(row.energy_Wh, 2)},{fixed(row.allowed_percent, 1)},{' '.join(bad)}"
    )


def event_text(row: EventRow, start_ms: int) -> str:
    """An event row before its chain value, without the last comma."""
    return ",".join(
        (
            time_utc(row.utc_ms), "" if row.now_ms is None else elapsed(row.now_ms, start_ms), cell(row.id),
            cell(row.kind), cell(row.code), cell(row.target), cell(row.who), cell(row.role), scalar(row.priority),
            scalar(row.value), scalar(row.limit), cell(row.unit), cell(row.text),
        )
    )  # fmt: skip


def cells_text(cells: Iterable[Scalar], columns: tuple[str, ...]) -> str:
    """A row of any other table before its chain value; one value for each column but the chain."""
    texts = [scalar(value) for value in cells]
    if len(texts) != len(columns) - 1:
        raise ValueError(f"{len(texts)} values for the columns {', '.join(columns[:-1])}")
    return ",".join(texts)


def elapsed(now_ms: int, start_ms: int) -> str:
    """Seconds since the start of the run with three decimals, exact."""
    ms = now_ms - start_ms
    whole, rest = divmod(abs(ms), 1000)
    return f"{'-' if ms < 0 else ''}{whole}.{rest:03d}"
