"""The rows of a chart: which value each stands for, and where the limits lie. Pure.

The full scale hangs on the quantity and its limits alone, so that two pictures compare; only where a value lies
outside does it widen, in fixed steps. A limit has a row whose lower edge is the limit itself: what touches it is at or
past it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

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
    """The full scale of a quantity. `anchor`: a value that is a row's edge, always.

    `limits`: the first is the one that the scale is made for; the others are shown where they fit. `middle`: a row
    stands for the values around its label, not for those from its label on; only for quantities without limits.
    """

    low: float
    high: float
    anchor: float
    limits: tuple[Limit, ...] = ()
    middle: bool = False
    least_step: float = 0.1


@dataclass(frozen=True, slots=True)
class Level:
    """One row: it is touched from `edge` on; `name` where it is a limit's."""

    edge: float
    label: float
    name: str = ""


def levels(span: Span, count: int, least: float | None, greatest: float | None) -> list[Level]:
    """Return `count` rows from the lowest up that hold the full scale and all values; None: there are no values."""
    bottom, step = _fixed(span, count, span.low, span.high)
    if not _holds(span, bottom, step, count, least, greatest):
        low = span.low if least is None else min(span.low, least)
        high = span.high if greatest is None else max(span.high, greatest)
        bottom, step = _fixed(span, count, low, high)
    half = step / 2.0 if span.middle else 0.0
    plain = (span.anchor + (bottom + index) * step for index in range(count))
    rows = [Level(label - half, label) for label in plain]
    return _with_limits(rows, span, step)


def row_of(rows: Sequence[Level], value: float) -> int:
    """Return the index of the row that a value touches; one outside touches the outermost."""
    found = 0
    for index, level in enumerate(rows):
        if value >= level.edge - (0.0 if level.name else _NEAR):
            found = index
    return found


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
    return math.floor((value - span.anchor) / step + (0.5 if span.middle else 0.0) + _NEAR)


def _holds(span: Span, bottom: int, step: float, count: int, least: float | None, greatest: float | None) -> bool:
    inside = least is None or _number(span, least, step) >= bottom
    return inside and (greatest is None or _number(span, greatest, step) <= bottom + count - 1)


def _with_limits(rows: list[Level], span: Span, step: float) -> list[Level]:
    """Return the rows with the limits among them: a row that holds one begins at it."""
    for number, limit in enumerate(span.limits):
        if not rows[0].edge - _NEAR <= limit.at < rows[-1].edge + step - _NEAR:
            continue
        index = row_of(rows, limit.at + _NEAR)
        exact = abs(rows[index].edge - limit.at) < _NEAR * max(1.0, step)
        first = span.limits[0].at
        if not rows[index].name and (exact or number == 0 or limit.at > first):
            rows[index] = replace(rows[index], edge=limit.at, label=limit.at, name=limit.name)
    return rows
