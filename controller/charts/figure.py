"""What a figure holds before it is drawn: lines in panels over one shared axis, or one dot a named row.

Plain numbers and words with their units. None, NaN and infinite numbers are missing: a break in the line, an empty
field in the table, never a zero.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

Number = float | None
Style = Literal["read", "course", "band", "limit", "mark"]

LARGEST = 1e100
"""No quantity is larger; what is, counts as missing, so that no axis overflows."""


def numbers(values: Iterable[Number]) -> tuple[Number, ...]:
    """Return the values as plain floats, with None where there is no usable number."""
    return tuple(_number(value) for value in values)


def _number(value: Number) -> Number:
    if value is None:
        return None
    plain = float(value)
    return plain if abs(plain) <= LARGEST else None  # NaN compares false


def present(values: Iterable[Number]) -> list[float]:
    """Return the numbers that are there."""
    return [value for value in values if value is not None]


@dataclass(frozen=True, slots=True)
class Line:
    """One named thing in a panel.

    `read`: what was measured or computed, solid. `course`: what was expected, dashed. `band`: from `y` (low edge) to
    `high`, filled. `limit`: dotted, over the whole width if `x` is empty (`y` then holds one value), else along its
    points. `mark`: points with `name` as the word at the first of them; where `y` is missing, a vertical tick at `x`.
    `stepped`: each value holds until the next point. Raises ValueError if the lengths do not fit.
    """

    name: str
    x: Sequence[Number]
    y: Sequence[Number]
    style: Style = "read"
    high: Sequence[Number] = ()
    stepped: bool = False

    def __post_init__(self) -> None:
        """Keep what came as tuples of plain floats, and refuse what cannot be drawn."""
        for field in ("x", "y", "high"):
            object.__setattr__(self, field, numbers(getattr(self, field)))
        if self.style not in get_args(Style):
            raise ValueError(f"line {self.name!r}: style {self.style!r} is none of {', '.join(get_args(Style))}")
        if self.everywhere:
            if len(self.y) != 1:
                raise ValueError(f"line {self.name!r}: a limit without x has one value, not {len(self.y)}")
        elif len(self.x) != len(self.y):
            raise ValueError(f"line {self.name!r}: {len(self.x)} x but {len(self.y)} y")
        if len(self.high) != (len(self.x) if self.style == "band" else 0):
            raise ValueError(f"line {self.name!r}: `high` has {len(self.high)} values; one a point, in a band only")

    @property
    def everywhere(self) -> bool:
        """Whether it is a limit over the whole width."""
        return self.style == "limit" and not self.x


def limit(name: str, value: Number) -> Line:
    """Return a limit over the whole width; its value and unit are written behind its name."""
    return Line(name, (), (value,), "limit")


def band(name: str, x: Sequence[Number], low: Sequence[Number], high: Sequence[Number]) -> Line:
    """Return the filled area between two edges."""
    return Line(name, x, low, "band", high)


def mark(word: str, x: float, y: Number = None) -> Line:
    """Return one point with a word; without `y` a vertical tick at `x`."""
    return Line(word, (x,), (y,), "mark")


def shares(name: str, values: Iterable[Number], style: Style = "read") -> Line:
    """Return the cumulative share in % of all values that are at most x, as a step line.

    A missing value (a run that never came there) counts among all but is nowhere on the line: it then ends below 100.
    """
    every = numbers(values)
    there = sorted(present(every))
    x, y = there[:1], [0.0] * len(there[:1])
    for rank, value in enumerate(there, 1):
        if rank == len(there) or there[rank] != value:
            x.append(value)
            y.append(100.0 * rank / len(every))
    return Line(name, x, y, style, stepped=True)


@dataclass(frozen=True, slots=True)
class Panel:
    """Lines over one y axis. `include`: values the axis must show, whatever the data are."""

    y_name: str
    y_unit: str
    lines: Sequence[Line]
    include: Sequence[float] = ()

    def __post_init__(self) -> None:
        """Keep the lines in a tuple."""
        object.__setattr__(self, "lines", tuple(self.lines))
        object.__setattr__(self, "include", tuple(present(numbers(self.include))))


@dataclass(frozen=True, slots=True)
class Span:
    """A named range of x, such as a step. Raises ValueError if it does not go forward."""

    name: str
    start: float
    end: float

    def __post_init__(self) -> None:
        """Refuse a range that cannot be drawn."""
        if not -LARGEST <= self.start <= self.end <= LARGEST:
            raise ValueError(f"span {self.name!r}: from {self.start} to {self.end}")


@dataclass(frozen=True, slots=True)
class Figure:
    """Panels above each other over one x axis. `finding`: what it shows, in one sentence. `span_name`: what a span is.

    An x or y unit of `h` is written as hours, or as h:mm where the range is short.
    """

    title: str
    finding: str
    x_name: str
    x_unit: str
    panels: Sequence[Panel]
    spans: Sequence[Span] = ()
    span_name: str = "step"

    def __post_init__(self) -> None:
        """Keep panels and spans in tuples; a figure has at least one panel."""
        object.__setattr__(self, "panels", tuple(self.panels))
        object.__setattr__(self, "spans", tuple(self.spans))
        if not self.panels:
            raise ValueError(f"figure {self.title!r}: no panel")


@dataclass(frozen=True, slots=True)
class Dot:
    """One named row: its value, and its own range if it has one."""

    name: str
    value: Number
    low: Number = None
    high: Number = None

    def __post_init__(self) -> None:
        """Keep plain floats."""
        for field in ("value", "low", "high"):
            object.__setattr__(self, field, _number(getattr(self, field)))


@dataclass(frozen=True, slots=True)
class Dots:
    """One dot a named row on a shared axis, with the median and range of all: which row differs.

    A dot outside `low` to `high` is drawn filled and its name bold; inside, hollow. `row_name`: what a row is.
    """

    title: str
    finding: str
    x_name: str
    x_unit: str
    rows: Sequence[Dot]
    median: Number = None
    low: Number = None
    high: Number = None
    row_name: str = "circuit"

    def __post_init__(self) -> None:
        """Keep plain floats and a tuple of rows."""
        object.__setattr__(self, "rows", tuple(self.rows))
        for field in ("median", "low", "high"):
            object.__setattr__(self, field, _number(getattr(self, field)))

    def outside(self, row: Dot) -> bool:
        """Whether a row's value lies outside the range; without a range, or without a value, it does not."""
        if row.value is None:
            return False
        return (self.low is not None and row.value < self.low) or (self.high is not None and row.value > self.high)
