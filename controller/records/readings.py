"""Readings by hand as data: out of rows of events.csv, where position, temperature and age stand in the words alone.

`after_cells` and `from_after` do the same for after.csv. Whatever is no reading, or was damaged, is None. Pure.
"""

from __future__ import annotations

import csv
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Any

from controller.core.types import Scalar
from controller.records.rows import AFTER_COLUMNS, EVENT_COLUMNS, parse_time, time_utc

REFERENCE_C = 25.0
"""What densities are brought to where the bath file does not say (common practice, no published source)."""

MS_PER_MINUTE = 60_000.0
MOST_MINUTES = 1e6
EARLIEST_MS = -60_000_000_000_000
"""The year 68: what is older, or was taken years before it was typed, is damage, and no calendar holds it."""

_NUMBER = r"-?\d+(?:\.\d+)?(?:e[-+]?\d+)?"
# As `words.EVENTS["reading"]` says it, behind the name of who read; a test holds both together.
_TOLD = re.compile(
    rf"(?P<what>[A-Za-z_]+) of battery (?P<position>\d{{1,4}}) \S+ (?P<unit>\S*) at (?P<C>[^,]{{0,60}}?) ?C, "
    rf"(?P<minutes>{_NUMBER}) min before, instrument ?(?P<instrument>.*)",
    re.ASCII | re.DOTALL,
)


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading by hand: `utc_ms` when it was typed, `taken_ms` when it was taken, both in ms since 1970.

    `position` counts from the plus end lead; `value` is in `unit`, as it was read (a density at `temperature_C`).
    """

    utc_ms: int
    taken_ms: int
    position: int
    what: str
    value: float
    unit: str
    temperature_C: float | None = None
    instrument: str = ""
    who: str = ""


def reading_of(row: Mapping[str, str]) -> Reading | None:
    """The reading that a row of events.csv tells of (column name to text), or None."""
    if row.get("code") != "reading" or row.get("kind") != "order":
        return None
    told = _TOLD.fullmatch(_behind_name(row.get("text", ""), row.get("who", "")))
    value, utc_ms = _amount(row.get("value", "")), moment_of(row.get("time_utc", ""))
    if told is None or value is None or utc_ms is None:
        return None
    minutes = _amount(told["minutes"])
    if minutes is None or not 0.0 <= minutes <= MOST_MINUTES or utc_ms < EARLIEST_MS:
        return None
    instrument = told["instrument"].strip()
    return Reading(
        utc_ms, utc_ms - round(minutes * MS_PER_MINUTE), int(told["position"]), told["what"], value, told["unit"],
        _amount(told["C"]), "" if instrument == "--" else instrument, row.get("who", ""),
    )  # fmt: skip


def _behind_name(text: str, who: str) -> str:
    """The words behind "reading by NAME: "; a name that looked like a formula has an apostrophe in its cell only."""
    for name in (who, who.removeprefix("'")):
        if text.startswith(f"reading by {name}: "):
            return text.removeprefix(f"reading by {name}: ")
    return text.partition(": ")[2]


def after_cells(reading: Reading) -> tuple[Scalar, ...]:
    """The cells of its row in after.csv, all but the chain."""
    return (
        time_utc(reading.utc_ms), time_utc(reading.taken_ms), reading.position, reading.what, reading.value,
        reading.unit, reading.temperature_C, reading.instrument, reading.who,
    )  # fmt: skip


def from_after(row: Mapping[str, str]) -> Reading | None:
    """The reading that a row of after.csv holds (column name to text), or None."""
    utc_ms, taken_ms = moment_of(row.get("time_utc", "")), moment_of(row.get("taken_utc", ""))
    position, value = row.get("position", ""), _amount(row.get("value", ""))
    if utc_ms is None or taken_ms is None or value is None or re.fullmatch(r"[0-9]{1,4}", position) is None:
        return None
    return Reading(
        utc_ms, taken_ms, int(position), row.get("what", ""), value, row.get("unit", ""),
        _amount(row.get("temperature_C", "")), row.get("instrument", ""), row.get("who", ""),
    )  # fmt: skip


def readings_of(events: Iterable[Mapping[str, str]], after: Iterable[Mapping[str, str]] = ()) -> list[Reading]:
    """All readings of these rows in their order; one that stands in several tables counts once."""
    return once(each for each in (*map(reading_of, events), *map(from_after, after)) if each is not None)


def once(readings: Iterable[Reading]) -> list[Reading]:
    """The readings in their order, each of them once: by when it was typed, where, what and how much."""
    found: dict[tuple[int, int, str, float], Reading] = {}
    for each in readings:
        found.setdefault((each.utc_ms, each.position, each.what, each.value), each)
    return list(found.values())


def event_rows(lines: Iterable[str], columns: tuple[str, ...] = EVENT_COLUMNS) -> Iterator[dict[str, str]]:
    """Rows of a table, by their columns, from lines without line ends; the chain may be missing."""
    csv.field_size_limit(1_000_000)
    for line in lines:
        for cells in csv.reader((line.replace("\r", " ").replace("\0", " "),)):
            yield dict(zip(columns, cells, strict=False))


def after_rows(lines: Iterable[str]) -> Iterator[dict[str, str]]:
    """The same of after.csv."""
    return event_rows(lines, AFTER_COLUMNS)


def reference_C(run_json: Mapping[str, Any]) -> float:
    """The temperature that densities are brought to, from the bath file as the run keeps it."""
    part = run_json.get("bath_file")
    text = part.get("text") if isinstance(part, Mapping) else None
    try:
        value = tomllib.loads(text).get("density_reference_C", REFERENCE_C) if isinstance(text, str) else REFERENCE_C
    except (tomllib.TOMLDecodeError, RecursionError):
        return REFERENCE_C
    fits = isinstance(value, int | float) and not isinstance(value, bool) and 15.0 <= value <= 30.0
    return float(value) if fits else REFERENCE_C


def _amount(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if isfinite(number) else None


def moment_of(text: str) -> int | None:
    """Milliseconds since 1970 of a time as it stands in a row; None for anything else."""
    try:
        return parse_time(text)
    except (ValueError, OverflowError):
        return None
