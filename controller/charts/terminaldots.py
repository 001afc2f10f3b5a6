"""One dot a named row in a terminal: a row outside the range has a filled dot and an arrow before its name."""

from __future__ import annotations

from controller.charts.canvas import Signs
from controller.charts.figure import Dot, Dots
from controller.charts.lettering import cells, shortened
from controller.charts.scales import Axis, plain
from controller.charts.shared import axis_name, common_words, dots_axis
from controller.charts.terminalpanel import centred, floor
from profiles.problems import clean


def dots_lines(dots: Dots, columns: int, signs: Signs) -> list[str]:
    """Return the rows, the axis under them and its name."""
    names = [shortened(clean(row.name), columns // 3, cells) for row in dots.rows]
    values = ["--" if row.value is None else plain(row.value) for row in dots.rows]
    left = max((cells(name) for name in names), default=0) + 3
    right = max((cells(value) for value in values), default=0) + 1
    plot = columns - left - 1 - right
    axis = dots_axis(dots, plot - 1, lambda text: cells(text) + 3.0)
    said = common_words(dots)
    lines = [shortened(" " * (left + 1) + said, columns, cells)] if said else []
    for row, name, value in zip(dots.rows, names, values, strict=True):
        arrow = ">" if dots.outside(row) else " "
        filled = " " * (left - 3 - cells(name)) + name
        lines.append(f"{arrow} {filled} {signs.left}{_row(dots, row, axis, plot, signs)}{value:>{right}}")
    if not dots.rows:
        lines.append(" " * left + signs.left + " no data")
    lines += floor(axis, (left, plot), signs, columns)
    return [*lines, centred(axis_name(dots.x_name, axis.unit), (left + 1, plot), columns)]


def _row(dots: Dots, row: Dot, axis: Axis, plot: int, signs: Signs) -> str:
    def at(value: float) -> int:
        return round(axis.share(value) * (plot - 1))

    line = [" "] * plot
    for low, high, sign in ((dots.low, dots.high, signs.band), (row.low, row.high, signs.floor)):
        if low is not None and high is not None:
            first, last = at(low), at(high) + 1
            line[first:last] = [sign] * (last - first)
    if dots.median is not None:
        line[at(dots.median)] = signs.left
    if row.value is not None:
        inside = (dots.low is not None or dots.high is not None) and not dots.outside(row)
        line[at(row.value)] = signs.inside if inside else signs.outside
    return "".join(line)
