"""What energy costs by the hour of the day: the tariff file, and the price of a course that begins at a moment.

    from,price_per_kWh
    06:00,0.24
    22:00,0.18

Each price holds from its moment of the day until the next; the last one goes on past midnight to the first. The
currency is the file's own: nothing here converts.
"""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from profiles.problems import InputError, Problem, clean
from simulator.bench.digits import number_of
from simulator.bench.plainfile import is_no_plain_file
from simulator.parameters import Array

HEADER = ("from", "price_per_kWh")
RIGHT = "22:00,0.18"
LARGEST_BYTES = 100_000
MOST_PRICE = 1e6
DAY_MINUTES = 1440
LONGEST_NAME = 80
_TIME = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])")


@dataclass(frozen=True, slots=True)
class Tariff:
    """Prices a kWh by the minute of the day from which each holds, rising."""

    begins_minutes: tuple[int, ...]
    prices: tuple[float, ...]

    @property
    def one_price(self) -> bool:
        """Whether the hour of the day does not matter."""
        return len(set(self.prices)) == 1

    def price(self, minute: float) -> float:
        """Price at a minute since midnight of the first day; any number."""
        of_day = minute % DAY_MINUTES
        found = self.prices[-1]
        for begin, price in zip(self.begins_minutes, self.prices, strict=True):
            if begin <= of_day:
                found = price
        return found

    def cost(self, start_minute: float, hours: Array, energy_kWh: Array) -> float:
        """Cost of energy counted up over hours since the start, which lies at a minute of the day."""
        if hours.size == 0:
            return 0.0
        begin, end = float(hours[0]), float(hours[-1])
        edges = [begin, *self._changes_h(start_minute, begin, end), end]
        counted = np.interp(edges, hours, energy_kWh)
        middles = [0.5 * (one + other) for one, other in pairwise(edges)]
        prices = [self.price(start_minute + 60.0 * middle) for middle in middles]
        return float(counted[0] * self.price(start_minute + 60.0 * begin) + np.dot(np.diff(counted), prices))

    def _changes_h(self, start_minute: float, begin_h: float, end_h: float) -> list[float]:
        """Hours since the start, between begin and end, at which the price changes."""
        first = math.floor((start_minute + 60.0 * begin_h) / DAY_MINUTES)
        last = math.floor((start_minute + 60.0 * end_h) / DAY_MINUTES)
        minutes = (day * DAY_MINUTES + at for day in range(first, last + 1) for at in self.begins_minutes)
        moments = ((minute - start_minute) / 60.0 for minute in minutes)
        return [moment for moment in moments if begin_h < moment < end_h]


def read_tariff(path: Path | str) -> Tariff:
    """Read a tariff file; raises InputError with every wrong line."""
    name = clean(str(path), LONGEST_NAME)
    try:
        if is_no_plain_file(Path(path)) and not Path(path).is_dir():
            raise _alone(name, None, "is no plain file, name a CSV file")
        with Path(path).open("rb") as stream:
            raw = stream.read(LARGEST_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its name cannot be used"
        raise _alone(name, None, f"cannot be read: {reason}; name a CSV file") from None
    if len(raw) > LARGEST_BYTES:
        raise _alone(name, None, f"is larger than {LARGEST_BYTES // 1000} kB, no tariff is")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise _alone(name, line, "is not UTF-8 text, write a CSV file in UTF-8") from None
    return tariff_of(text, name)


def tariff_of(text: str, name: str) -> Tariff:
    """The same from text at hand."""
    lines = [(at, line) for at, line in enumerate(text.splitlines(), start=1) if line.strip()]
    if not lines:
        raise _alone(name, None, f"is empty, the first line is {','.join(HEADER)}")
    if tuple(_fields(lines[0][1])) != HEADER:
        raise _alone(name, lines[0][0], f"{clean(lines[0][1], 40)!r} is no header, write {','.join(HEADER)}")
    found: list[tuple[int, float]] = []
    problems: list[Problem] = []
    for at, line in lines[1:]:
        what = _row(line, found)
        if what:
            problems.append(Problem(name, at, "", what))
    if not problems and not found:
        problems.append(Problem(name, lines[0][0], "", f"has no price, write lines such as {RIGHT}"))
    if problems:
        raise InputError(problems)
    return Tariff(tuple(minute for minute, _ in found), tuple(price for _, price in found))


def _row(line: str, found: list[tuple[int, float]]) -> str:
    """Take one line's price, or say what is wrong with it."""
    fields = _fields(line)
    if len(fields) != 2:
        return f"{clean(line, 40)!r} is not two fields, write a line such as {RIGHT}"
    when = _TIME.fullmatch(fields[0])
    if when is None:
        return f"{clean(fields[0], 20)!r} is no time of the day, write hours:minutes such as 22:00"
    minute = 60 * int(when[1]) + int(when[2])
    price = number_of(fields[1])
    if price is None or abs(price) > MOST_PRICE:
        return f"{clean(fields[1], 20)!r} is no price, write a number such as 0.18"
    if found and minute <= found[-1][0]:
        return f"{fields[0]} is not after the line before, write the times of the day in order"
    found.append((minute, price))
    return ""


def _fields(line: str) -> list[str]:
    try:
        return [field.strip() for field in next(csv.reader([line], strict=True))]
    except (csv.Error, StopIteration):
        return []


def _alone(name: str, line: int | None, what: str) -> InputError:
    return InputError([Problem(name, line, "", what)])
