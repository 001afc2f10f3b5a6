"""Axes: which range, and which few round numbers stand at it.

Steps are 1, 2 or 5 times a power of ten; of an axis in hours they are those of a clock, written as whole hours, as h:mm
or as h:mm:ss, whichever says them exactly.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

CLOCK_STEPS_S = (
    1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 14400, 21600, 43200, 86400, 172800, 432000,
)  # fmt: skip
LEAST_CLOCK_RANGE_H = 4 / 3600
MOST_CLOCK_RANGE_H = 2400.0
PADDING = 0.05
"""Share of the range that stays free above and below the data."""


@dataclass(frozen=True, slots=True)
class Axis:
    """A range with its ticks; `unit` is what the ticks are in, with the form of the clock where it is one."""

    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]
    unit: str

    def share(self, value: float) -> float:
        """Return where a value lies, 0 at the low end to 1 at the high one."""
        return (value - self.low) / (self.high - self.low)


def plain(value: float) -> str:
    """Return a number as a person writes it, six digits at most."""
    return _tidy(f"{value:.6g}")


def _tidy(text: str) -> str:
    """Return a number without a sign at zero and without the filling of an exponent."""
    digits, e, exponent = text.partition("e")
    if e:
        return f"{digits}e{int(exponent)}"
    return digits.removeprefix("-") if not digits.strip("-0.") else digits


def exact_range(values: Iterable[float]) -> tuple[float, float]:
    """Return least and greatest, opened a little where they are one; 0 to 1 where there is none."""
    every = list(values)
    if not every:
        return 0.0, 1.0
    low, high = min(every), max(every)
    if high - low > 1e-9 * max(abs(low), abs(high)):
        return low, high
    opened = 0.05 * abs(low) or 1.0
    return low - opened, high + opened


def padded_range(values: Iterable[float]) -> tuple[float, float]:
    """Return the range with a little room; data that never cross zero do not get an axis that does."""
    every = list(values)
    low, high = exact_range(every)
    room = PADDING * (high - low)
    padded_low = 0.0 if low >= 0.0 > low - room else low - room
    padded_high = 0.0 if high <= 0.0 < high + room else high + room
    return padded_low, padded_high


def make_axis(ends: tuple[float, float], unit: str, length: float, room: Callable[[str], float]) -> Axis:
    """Return the axis with the finest ticks that fit: a tick with this text takes `room(text)` of `length`."""
    low, high = ends
    if unit == "h" and LEAST_CLOCK_RANGE_H <= high - low <= MOST_CLOCK_RANGE_H and max(-low, high) < 1e5:
        found = _first_fitting(low, high, length, room, ((step / 3600.0, _clock(step)) for step in CLOCK_STEPS_S))
        if found:
            form = max((text.count(":") for _, text in found), default=0)
            return Axis(low, high, found, ("h", "h:mm", "h:mm:ss")[form])
    return Axis(low, high, _first_fitting(low, high, length, room, _decimal_steps(low, high)), unit)


def _first_fitting(
    low: float,
    high: float,
    length: float,
    room: Callable[[str], float],
    steps: Iterable[tuple[float, Callable[[float], str]]],
) -> tuple[tuple[float, str], ...]:
    for step, text_of in steps:
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        pitch = length * step / (high - low)
        if last - first > 1000 or pitch < 1.0:
            continue
        ticks = tuple((min(max(k * step, low), high), text_of(k * step)) for k in range(first, last + 1))
        if all(room(text) <= pitch for _, text in ticks) or (len(ticks) == 1 and room(ticks[0][1]) <= length):
            return ticks
    return ()


def _decimal_steps(low: float, high: float) -> Iterator[tuple[float, Callable[[float], str]]]:
    top = math.floor(math.log10(high - low))
    for exponent in range(top - 2, top + 2):
        for digit in (1, 2, 5):
            yield digit * 10.0**exponent, _decimal(exponent, max(abs(low), abs(high)))


def _decimal(exponent: int, largest: float) -> Callable[[float], str]:
    if exponent < -6 or largest >= 1e7:
        digits = max(0, math.floor(math.log10(largest)) - exponent)
        return lambda value: "0" if value == 0 else _tidy(f"{value:.{digits}e}")
    return lambda value: _tidy(f"{value:.{max(0, -exponent)}f}")


def _clock(step_s: int) -> Callable[[float], str]:
    def text(hours: float) -> str:
        seconds = round(hours * 3600.0)
        sign, seconds = ("-", -seconds) if seconds < 0 else ("", seconds)
        if step_s % 3600 == 0:
            return f"{sign}{seconds // 3600}"
        if step_s % 60 == 0:
            return f"{sign}{seconds // 3600}:{seconds // 60 % 60:02d}"
        return f"{sign}{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"

    return text
