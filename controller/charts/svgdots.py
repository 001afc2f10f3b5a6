"""One dot a named row as SVG: a row that differs has a filled dot and a bold name; the numbers stand at the right."""

from __future__ import annotations

from controller.charts import sheet as ink
from controller.charts.figure import Dot, Dots, present
from controller.charts.layout import Box
from controller.charts.lettering import points, shortened
from controller.charts.scales import Axis, plain
from controller.charts.shared import axis_name, common_words, dots_axis
from controller.charts.sheet import SIZE, Sheet, width_of
from controller.charts.svgpanel import x_axis
from profiles.problems import clean

ROW = 18.0
EDGE = 10.0
_MIDDLE = 0.36 * SIZE


def draw_dots(sheet: Sheet, dots: Dots, width: float, top: float) -> float:
    """Draw the rows under `top`; return the height of the whole picture."""
    measure = points(SIZE, bold=True)
    names = [shortened(clean(row.name), 0.3 * width, measure) for row in dots.rows]
    values = ["--" if row.value is None else plain(row.value) for row in dots.rows]
    head = shortened(clean(dots.x_unit), 0.15 * width, points(SIZE))
    left = EDGE + max((measure(name) for name in names), default=0.0) + 10
    right = width - EDGE - max(measure(text) for text in (*values, head)) - 12
    plot = Box(left, top + 20, right, top + 20 + ROW * max(1, len(names)) + 4)
    axis = dots_axis(dots, right - left, lambda text: width_of(text) + 22)
    _common(sheet, dots, plot, axis)
    sheet.text(width - EDGE, plot.top - 6, head, "end", fill=ink.SECOND)
    for number, row in enumerate(dots.rows):
        y = plot.top + 2 + ROW * (number + 0.5)
        bold = dots.outside(row)
        sheet.text(left - 10, y + _MIDDLE, names[number], "end", bold=bold)
        sheet.text(width - EDGE, y + _MIDDLE, values[number], "end", bold=bold)
        _row(sheet, dots, row, (plot, axis), y)
    if not dots.rows:
        sheet.text((left + right) / 2, plot.top + 15, "no data", "middle", fill=ink.QUIET)
    x_axis(sheet, axis, plot, axis_name(dots.x_name, axis.unit), width)
    return plot.bottom + 38 + EDGE


def _common(sheet: Sheet, dots: Dots, plot: Box, axis: Axis) -> None:
    """Draw what all rows share: range, median, axis; and name them above the plot."""

    def at(value: float) -> float:
        return plot.left + axis.share(value) * (plot.right - plot.left)

    low, high = dots.low, dots.high
    if low is not None and high is not None:
        sheet.area(Box(at(low), plot.top, at(high), plot.bottom), ink.BAND)
    for edge in present((low, high)):
        sheet.line((at(edge), plot.top), (at(edge), plot.bottom), ink.BAND_EDGE, 0.7)
    if dots.median is not None:
        sheet.line((at(dots.median), plot.top), (at(dots.median), plot.bottom), ink.COURSE, 1.5, dash="7 4")
    said = shortened(common_words(dots), plot.right - plot.left, points(SIZE))
    half = width_of(said) / 2
    meant = [at(value) for value in present((low, high))] or [at(value) for value in present((dots.median,))]
    middle = sum(meant) / len(meant) if meant else plot.left
    sheet.text(min(max(middle, plot.left + half), plot.right - half), plot.top - 6, said, "middle", fill=ink.SECOND)
    sheet.line((plot.left, plot.bottom), (plot.right, plot.bottom), ink.QUIET, 1)


def _row(sheet: Sheet, dots: Dots, row: Dot, place: tuple[Box, Axis], y: float) -> None:
    plot, axis = place

    def at(value: float) -> float:
        return plot.left + axis.share(value) * (plot.right - plot.left)

    sheet.line((plot.left, y), (plot.right, y), "#cfcfcf", 0.8, dash="1 3")
    if row.low is not None and row.high is not None:
        sheet.line((at(row.low), y), (at(row.high), y), ink.SECOND, 1.2)
        for edge in (row.low, row.high):
            sheet.line((at(edge), y - 3), (at(edge), y + 3), ink.SECOND, 1.2)
    if row.value is not None:
        inside = (dots.low is not None or dots.high is not None) and not dots.outside(row)
        sheet.dot((at(row.value), y), 4, "#fff" if inside else ink.INK)
