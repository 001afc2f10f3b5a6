"""A moment as a person types it: since the start, or by the clock. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

_SINCE = re.compile(r"\+ ?(\d{1,4})(?::([0-5]?\d))?(?::([0-5]?\d))?(?: ?h)?")
_CLOCK = re.compile(r"(\d{1,2}):([0-5]\d)(?::([0-5]\d))?")
_DATED = re.compile(r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d(:\d\d(\.\d+)?)?(Z|[+-]\d\d:?\d\d)?", re.IGNORECASE)
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Since:
    """So long after the record's start."""

    elapsed_s: float


@dataclass(frozen=True, slots=True)
class Clock:
    """A time of any day, in the terminal's zone."""

    hour: int
    minute: int
    second: int


@dataclass(frozen=True, slots=True)
class Dated:
    """One moment; without its zone in the terminal's."""

    moment: datetime


When = Since | Clock | Dated


def parse_moment(text: str) -> When | None:
    """Return what was typed: `+3:20` (hours, minutes), `14:05`, `2026-03-16 14:05`; None: it is no moment."""
    said = text.strip()
    if found := _SINCE.fullmatch(said):
        hours, minutes, seconds = (int(part or 0) for part in found.groups())
        return Since(3600.0 * hours + 60.0 * minutes + seconds)
    if found := _CLOCK.fullmatch(said):
        hour, minute, second = (int(part or 0) for part in found.groups())
        return Clock(hour, minute, second) if hour < 24 else None
    if _DATED.fullmatch(said):
        try:
            return Dated(datetime.fromisoformat(said.upper()))
        except ValueError:
            return None
    return None


def moments(when: Clock | Dated, first: datetime, last: datetime, zone: tzinfo | None) -> list[datetime]:
    """Return the moments in UTC, between the first and the last of a record, at which a clock shows this."""
    if isinstance(when, Dated):
        known = when.moment if when.moment.tzinfo is not None else _in_zone(when.moment, zone)
        found: Iterable[datetime] = [known.astimezone(UTC)]
    else:
        begin = first.astimezone(zone).replace(tzinfo=None)
        day = begin.replace(hour=when.hour, minute=when.minute, second=when.second, microsecond=0)
        days = min(1000, (last - first).days + 2)
        found = [_in_zone(day + number * _DAY, zone).astimezone(UTC) for number in range(-1, days + 1)]
    # The clock shows whole seconds.
    return [each for each in found if first - timedelta(seconds=1) < each <= last]


def chosen(found: list[datetime], now: datetime) -> datetime | None:
    """Return the next of these moments, else the last one before now."""
    later = [each for each in found if each > now]
    return later[0] if later else found[-1] if found else None


def _in_zone(naive: datetime, zone: tzinfo | None) -> datetime:
    return naive.replace(tzinfo=zone) if zone is not None else naive.astimezone()
