"""What every drawing of a figure has in common, on paper and in a terminal: ranges of the axes, words at the lines."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from controller.charts.figure import Dots, Figure, Line, Number, Panel, present
from controller.charts.scales import Axis, exact_range, make_axis, padded_range, plain
from controller.charts.thinning import Point, runs, stairs, thinned
from profiles.problems import clean


def x_ends(figure: Figure) -> tuple[float, float]:
    """Return the range of the shared axis: all points and all spans."""
    values = [x for panel in figure.panels for line in panel.lines for x in present(line.x)]
    return exact_range([*values, *(edge for span in figure.spans for edge in (span.start, span.end))])


def y_ends(panel: Panel) -> tuple[float, float]:
    """Return the range of a panel's own axis: all points, limits and what it must include."""
    values = [value for line in panel.lines for value in (*present(line.y), *present(line.high))]
    return padded_range([*values, *panel.include])


def dots_axis(dots: Dots, length: float, room: Callable[[str], float]) -> Axis:
    """Return the axis of a figure of dots: all values, all ranges and the median."""
    own = [number for row in dots.rows for number in (row.value, row.low, row.high)]
    return make_axis(padded_range(present([*own, dots.median, dots.low, dots.high])), dots.x_unit, length, room)


def axis_name(name: str, unit: str) -> str:
    """Return an axis' name with its unit."""
    return ", ".join(part for part in (clean(name), clean(unit)) if part)


def label_of(line: Line, unit: str) -> str:
    """Return what stands at a line: its name, of a limit with its value."""
    values = set(present(line.y))
    if line.style == "limit" and len(values) == 1:
        return f"{clean(line.name)} {plain(values.pop())} {clean(unit)}".strip()
    return clean(line.name)


def common_words(dots: Dots) -> str:
    """Return what all rows share, in words."""
    said = [] if dots.median is None else [f"median {plain(dots.median)}"]
    if dots.low is not None and dots.high is not None:
        said.append(f"range {plain(dots.low)} to {plain(dots.high)}")
    return ", ".join(said)


def pieces(
    line: Line, at: Callable[[float, float], Point], ends: tuple[float, float], column: float, upper: bool = False
) -> list[list[Point]]:
    """Return a line, or a band's lower or upper edge, as unbroken pieces of few points in the picture.

    `at` leads from the data to the picture; `ends` are those of the x axis; a band is broken where one edge is missing.
    """
    if line.everywhere:
        found = [[(end, value) for end in ends] for value in present(line.y)]
    else:
        found = runs(line.x, _edge(line, upper) if line.style == "band" else line.y)
    return [thinned([at(*point) for point in (stairs(run) if line.stepped else run)], column) for run in found]


def _edge(line: Line, upper: bool) -> Sequence[Number]:
    both = [
        (low, high) if low is not None and high is not None else None
        for low, high in zip(line.y, line.high, strict=True)
    ]
    return [None if pair is None else max(pair) if upper else min(pair) for pair in both]
