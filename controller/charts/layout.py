"""Where labels stand so that none meets another or leaves the picture: by arithmetic, in any unit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from controller.charts.lettering import Measure
from controller.charts.thinning import Point


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle; y grows downwards."""

    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: Box) -> bool:
        """Whether the two share some area."""
        return (
            self.left < other.right and other.left < self.right and self.top < other.bottom and other.top < self.bottom
        )

    def within(self, other: Box) -> bool:
        """Whether it lies wholly inside the other."""
        return (
            other.left <= self.left
            and self.right <= other.right
            and other.top <= self.top
            and self.bottom <= other.bottom
        )

    def crossed(self, start: Point, end: Point) -> bool:
        """Whether the straight way between two points touches it."""
        (x, y), (x2, y2) = start, end
        if max(x, x2) < self.left or min(x, x2) > self.right or max(y, y2) < self.top or min(y, y2) > self.bottom:
            return False
        enter, leave = 0.0, 1.0
        for place, way, low, high in ((x, x2 - x, self.left, self.right), (y, y2 - y, self.top, self.bottom)):
            if way == 0:
                continue  # the quick look above has it inside
            first, last = sorted(((low - place) / way, (high - place) / way))
            enter, leave = max(enter, first), min(leave, last)
        return enter <= leave


def spread(wanted: Sequence[float], low: float, high: float, pitch: float) -> list[float]:
    """Return places near the wanted ones (which rise), `pitch` apart at least, all between low and high.

    Those that do not fit at all are the last ones: the list is then shorter.
    """
    fitting = min(len(wanted), int((high - low) / pitch + 1e-9) + 1)
    groups: list[tuple[float, int]] = []  # of labels that touch: mean of what they want less their offset, and count
    for number, want in enumerate(wanted[:fitting]):
        groups.append((want - number * pitch, 1))
        while len(groups) > 1 and groups[-2][0] >= groups[-1][0]:
            (mean, count), (mean2, count2) = groups[-2:]
            groups[-2:] = [((mean * count + mean2 * count2) / (count + count2), count + count2)]
    firsts = [mean for mean, count in groups for _ in range(count)]
    highest = high - (fitting - 1) * pitch
    return [max(low, min(first, highest)) + number * pitch for number, first in enumerate(firsts)]


@dataclass(frozen=True, slots=True)
class Named:
    """A span's name with its place: its middle, its row above the plot (0 is next to it), the middle of its span.

    `flag`: it begins at the line that leads down to its span.
    """

    text: str
    middle: float
    row: int
    points_to: float
    flag: bool = False


def span_names(
    spans: Sequence[tuple[str, float, float]], ends: tuple[float, float], measure: Measure, gap: float, rows: int
) -> tuple[list[Named], list[str]]:
    """Return the names of spans (name, start, end in the picture's unit) with their places, and those without room.

    A name stands over its span if it fits there, else in a row above, from where a line leads down to the span and
    crosses no other name. Where not all have room so, those that have none are named by their first word, such as a
    step's number; where that does not do, all are.
    """
    names = [name for name, _, _ in spans]
    firsts = [name.split(" ")[0] for name in names]
    found = [_tried(names, spans, ends, measure, gap, rows, flags) for flags in (False, True)]
    if len(set(firsts)) == len(firsts):
        mixed = [[firsts[at] if at in left_out else name for at, name in enumerate(names)] for _, left_out in found]
        found += [
            _tried(called, spans, ends, measure, gap, rows, flags)
            for called in (*mixed, firsts)
            for flags in (False, True)
        ]
    placed, left_out = min(found, key=lambda result: (len(result[1]), -sum(len(name.text) for name in result[0])))
    return placed, [names[at] for at in sorted(left_out)]


def _tried(
    called: Sequence[str],
    spans: Sequence[tuple[str, float, float]],
    ends: tuple[float, float],
    measure: Measure,
    gap: float,
    rows: int,
    flags: bool,
) -> tuple[list[Named], list[int]]:
    """Return what the spans are called with the places, and the numbers of those without.

    `flags`: names in upper rows begin at their line, from the last to the first, so that close ones rise like flags.
    """
    placed: list[Named] = []
    taken: list[tuple[int, float, float]] = []
    wide: list[int] = []
    left_out: list[int] = []
    for at, (name, (_, start, end)) in enumerate(zip(called, spans, strict=True)):
        half = (measure(name) + gap) / 2
        middle = (start + end) / 2
        if 2 * half <= end - start and not _meets([(0, start, end)], taken):
            placed.append(Named(name, middle, 0, middle))
            taken.append((0, middle - half, middle + half))
        else:
            wide.append(at)
    for at in reversed(wide) if flags else wide:
        name, (_, start, end) = called[at], spans[at]
        width = measure(name) + gap
        middle = (start + end) / 2
        left = min(max(middle - (gap / 2 if flags else width / 2), ends[0]), ends[1] - width)
        row = _row_above(left, left + width, middle, gap, range(1, rows), taken) if width <= ends[1] - ends[0] else None
        if row is None:
            left_out.append(at)
        else:
            placed.append(Named(name, left + width / 2, row, middle, flags))
    return placed, left_out


def _row_above(
    left: float, right: float, at: float, gap: float, rows: Iterable[int], taken: list[tuple[int, float, float]]
) -> int | None:
    """Return the lowest row with room for a name and the line below it, and mark what it takes; None if none has."""
    for row in rows:
        needs = [(row, left, right), *((below, at - gap / 4, at + gap / 4) for below in range(row))]
        if not _meets(needs, taken):
            taken += needs
            return row
    return None


def _meets(needs: list[tuple[int, float, float]], taken: list[tuple[int, float, float]]) -> bool:
    """Whether two stretches (row, from, to) share some room."""
    return any(r == r2 and a < b2 and a2 < b for r, a, b in needs for r2, a2, b2 in taken)


def best_place(
    candidates: Iterable[Box], inside: Box, taken: Sequence[Box], ways: Iterable[Sequence[Point]]
) -> Box | None:
    """Return the first candidate inside that meets no other label and is crossed least by lines; None if none is."""
    lines = list(ways)
    best: tuple[int, Box] | None = None
    for box in candidates:
        if not box.within(inside) or any(box.meets(other) for other in taken):
            continue
        crossings = sum(box.crossed(a, b) for line in lines for a, b in pairwise(line))
        if crossings == 0:
            return box
        if best is None or crossings < best[0]:
            best = (crossings, box)
    return best[1] if best else None
