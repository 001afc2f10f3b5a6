"""Readings that came after a run, held against what can be read at all and where. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from controller.core.listchecks import KINDS, TAKEN_MINUTES
from controller.records.batchlist import MAX_POSITION
from controller.records.outside import number_of
from controller.records.readings import MS_PER_MINUTE, moment_of, reading_of
from controller.verify.telling import few

Row = Mapping[str, str]


def wrong_after(rows: Sequence[Row], places: int | None, *, ours: bool) -> list[str]:
    """What no service can have written into after.csv. `places` of the string (None: not known).

    `ours`: the record's version believes and names what this one does.
    """
    told = ((row, _odd(cells, places, ours=ours)) for row, cells in enumerate(rows, 1))
    return few((f"after.csv:{row + 1}: row {row}: {said}" for row, said in told if said), "after.csv", "rows")


def _odd(cells: Row, places: int | None, *, ours: bool) -> str:
    position, value = number_of(cells.get("position", "")), number_of(cells.get("value", ""))
    if position is None or not 1 <= position <= (places or MAX_POSITION):
        return f"position is {cells.get('position', '')!r}, the string has {places or MAX_POSITION} places"
    if late := _odd_time(cells, ours=ours):
        return late
    kind = KINDS.get(cells.get("what", ""))
    if kind is None:
        return f"what is {cells.get('what', '')!r}, right would be one of {', '.join(KINDS)}" if ours else ""
    if cells.get("unit") != kind.unit:
        return f"unit is {cells.get('unit', '')!r}, {cells['what']} is read in {kind.unit}"
    least, most = kind.believed
    if value is None or (ours and not least <= value <= most):
        return f"value is {cells.get('value', '')!r}, {cells['what']} lies between {least:g} and {most:g} {kind.unit}"
    if ours and kind.needs_C and number_of(cells.get("temperature_C", "")) is None:
        return f"temperature_C is missing, {cells['what']} says nothing without it"
    return ""


def _odd_time(cells: Row, *, ours: bool) -> str:
    typed_ms, taken_ms = moment_of(cells.get("time_utc", "")), moment_of(cells.get("taken_utc", ""))
    if typed_ms is None or taken_ms is None or taken_ms > typed_ms:
        return "was taken after it was typed, or at no time"
    if ours and typed_ms - taken_ms > TAKEN_MINUTES * MS_PER_MINUTE + 1:
        return f"was taken more than {TAKEN_MINUTES} min before it was typed, which is refused"
    return ""


def wrong_reading_rows(name: str, rows: Iterable[Row]) -> list[str]:
    """Rows of events in which a reading's words tell of another value or unit than its cells do.

    Words of another form, of another version, are let through.
    """
    told = ((row, _odd_words(cells)) for row, cells in enumerate(rows, 1))
    return few((f"{name}:{row + 1}: row {row}: {said}" for row, said in told if said), name, "rows")


def _odd_words(cells: Row) -> str:
    reading = reading_of(cells)
    if reading is None:
        return ""
    told = f"{reading.what} of battery {reading.position} "
    words = cells.get("text", "").partition(told)[2].split(" ", 2)
    value = number_of(words[0])
    if value is not None and abs(value - reading.value) > 1e-6 * abs(reading.value):
        return f"value is {cells.get('value', '')}, its words say {words[0]}"
    if cells.get("unit") not in ("", reading.unit):
        return f"unit is {cells.get('unit')!r}, its words say {reading.unit!r}"
    return ""
