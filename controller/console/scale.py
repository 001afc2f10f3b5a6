"""The rows of a chart: which value each stands for, and where the limits lie. Pure.

A value stands in the row whose label, as it is printed, is the nearest to it (between two, in the upper one). The full
scale hangs on the quantity and its limits alone, so that two pictures compare; only where a value lies outside does it
widen, in fixed steps. A limit, and a value that the scale is made for, has a row labelled with just that value.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

_STEPS = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0)
_NEAR = 1e-6
LARGEST = 1e9
"""Numbers beyond it are drawn as this one: no reading of a bath is larger."""


@dataclass(frozen=True, slots=True)
class Limit:
    """A level of the same quantity, with the word that stands at its line."""

    at: float
    name: str


@dataclass(frozen=True, slots=True)
class Span:
    """The full scale of a quantity. `anchor`: a value that is a row's label, always.

    `limits`: the first is the one that the scale is made for; the others are shown where they fit. `marks`: further
    values that label the rows they lie in, without a line.
    """

    low: float
    high: float
    anchor: float
    limits: tuple[Limit, ...] = ()
    marks: tuple[float, ...] = ()
    least_step: float = 0.1


@dataclass(frozen=True, slots=True)
class Level:
    """One row: `label` is the value it stands for, `text` how that is printed; `name` where it is a limit's."""

    label: float
    name: str = ""

    @property
    def text(self) -> str:
        """The label in at most five characters."""
        number = self.label
        fitting = ((format(number, spec), most) for spec, most in ((".2f", 4), (".1f", 5), (".0f", 5)))
        text = next((each for each, most in fitting if len(each) <= most), f"{number:.0e}")
        text = text.rstrip("0").rstrip(".") if "." in text else text
        return "0" if text in {"-0", ""} else text


def levels(span: Span, count: int, least: float | None, greatest: float | None) -> list[Level]:
    """Return `count` rows from the lowest up that hold the full scale and all values; None: there are no values."""
    bottom, step = _fixed(span, count, span.low, span.high)
    if not _holds(span, bottom, step, count, least, greatest):
        low = span.low if least is None else min(span.low, least)
        high = span.high if greatest is None else max(span.high, greatest)
        bottom, step = _fixed(span, count, low, high)
    rows = [Level(span.anchor + (bottom + index) * step) for index in range(count)]
    return _with_limits(rows, span, step)


def edges(rows: Sequence[Level]) -> list[float]:
    """Return from which value on each row but the lowest is touched: the middle between its label and that below.

    What is printed counts, so that nobody reads a value in another row than it stands in; only labels too large to be
    told apart in print count as they are.
    """
    printed = [float(each.text) for each in rows]
    rising = all(one < other for one, other in pairwise(printed))
    labels = printed if rising else [each.label for each in rows]
    return [(one + other) / 2.0 for one, other in pairwise(labels)]


def row_of(found: Sequence[float], value: float) -> int:
    """Return the index of the row that a value touches, by the rows' `edges`; one outside touches the outermost."""
    return bisect_right(found, value + 1e-9 * max(1.0, abs(value)))


def _fixed(span: Span, count: int, low: float, high: float) -> tuple[int, float]:
    """Return the number of the lowest row, counted from the anchor, and the step: the smallest fixed one that fits."""
    low, high = max(-LARGEST, min(LARGEST, low)), max(-LARGEST, min(LARGEST, high))
    bottom = 0
    step = span.least_step
    for step in _steps(span.least_step):
        bottom, top = _number(span, low, step), _number(span, high, step)
        spare = count - (top - bottom + 1)
        if spare >= 0:
            # A scale that ends at its limit grows downwards, one that begins at its anchor upwards.
            return (bottom - spare, step) if span.anchor >= span.high else (bottom, step)
    return bottom, step


def _steps(least: float) -> Iterator[float]:
    power = math.floor(math.log10(least) + _NEAR)
    while power <= 12:
        yield from (one * 10.0**power for one in _STEPS if one * 10.0**power >= least * (1.0 - _NEAR))
        power += 1


def _number(span: Span, value: float, step: float) -> int:
    return math.floor((value - span.anchor) / step + 0.5 + _NEAR)


def _holds(span: Span, bottom: int, step: float, count: int, least: float | None, greatest: float | None) -> bool:
    inside = least is None or _number(span, least, step) >= bottom
    return inside and (greatest is None or _number(span, greatest, step) <= bottom + count - 1)


def _with_limits(rows: list[Level], span: Span, step: float) -> list[Level]:
    """Return the rows with limits and marks among them: the row that one lies in is labelled with it."""
    taken: set[int] = set()
    lowest = rows[0].label
    for number, limit in enumerate((*span.limits, *(Limit(at, "") for at in span.marks))):
        index = math.floor((limit.at - lowest) / step + 0.5 + _NEAR)
        if not 0 <= index < len(rows) or index in taken:
            continue
        exact = abs(rows[index].label - limit.at) < _NEAR * max(1.0, step)
        own = Level(limit.at, limit.name)
        alike = own.text in {each.text for each in (*rows[max(0, index - 1) : index], *rows[index + 1 : index + 2])}
        if exact or number == 0 or (not alike and (not limit.name or limit.at > span.limits[0].at)):
            taken.add(index)
            rows[index] = own
    return rows
