"""Moments of a run by the plant's clock, and hours as people write them. Pure; the plant's clock has no zone here."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta

from profiles.problems import InputError, Problem, clean

_TIME = re.compile(r"(?:([0-9]{4}-[0-9]{2}-[0-9]{2})[T ])?([01]?[0-9]|2[0-3]):([0-5][0-9])")
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
FAR_YEARS = (2000, 2100)


@dataclass(frozen=True, slots=True)
class Moment:
    """A minute of the day, on a day or on none that was named."""

    minutes: int
    day: date | None = None

    def after(self, hours: float) -> str:
        """The clock so many hours later: `22:00`, `04:24 next day`, `Tue 04:24` where the day is known."""
        total = self.minutes + round(60.0 * hours)
        days, minute = divmod(total, 1440)
        clock = f"{minute // 60:02d}:{minute % 60:02d}"
        if self.day is not None:
            return f"{DAYS[(self.day + timedelta(days=days)).weekday()]} {clock}"
        return clock if days == 0 else f"{clock} next day" if days == 1 else f"{clock} day {days + 1}"


def moment_of(text: str, command: str) -> Moment:
    """Read `22:00` or `2026-03-16T22:00`; raises InputError."""
    found = _TIME.fullmatch(text)
    day = None
    if found is not None and found[1]:
        try:
            day = date.fromisoformat(found[1])
        except ValueError:
            found = None
        if day is not None and not FAR_YEARS[0] <= day.year < FAR_YEARS[1]:
            found = None
    if found is None:
        what = f"{clean(text, 40)!r} is no time, write hours:minutes such as 22:00, or 2026-03-16T22:00"
        raise InputError([Problem(command, None, "--start", what)])
    return Moment(60 * int(found[2]) + int(found[3]), day)


def h_mm(hours: float) -> str:
    """Hours as `7:08`; a minus before it where they lie before the start."""
    minutes = round(60.0 * abs(hours))
    return f"{'-' if hours < 0.0 and minutes else ''}{minutes // 60}:{minutes % 60:02d}"
