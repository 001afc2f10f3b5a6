"""Figures as SVG, written by hand: a plotting library is heavier than the whole controller, and would bring fonts,
caches and bytes that change from release to release; two kinds of figure are a few hundred plain lines.

One self-contained picture: system fonts, no script, no style sheet, nothing fetched; title and finding for who cannot
see it; dark, dashed and dotted, so that a black-and-white print loses nothing. The same figure gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from controller.charts import sheet as ink
from controller.charts.figure import Dots, Figure
from controller.charts.layout import Box, Named, span_names
from controller.charts.lettering import points, shortened, wrapped
from controller.charts.scales import Axis, make_axis
from controller.charts.shared import axis_name, label_of, x_ends, y_ends
from controller.charts.sheet import SIZE, Sheet, width_of
from controller.charts.svgdots import draw_dots
from controller.charts.svgpanel import LABEL_PITCH, Frame, draw_panel, margin_width, x_axis
from profiles.problems import clean

LEAST_WIDTH = 320
EDGE = 10.0
TITLE, FINDING = 14.0, 11.5
PANEL, PANEL_OF_MANY, LEAST_PANEL = 240.0, 150.0, 60.0
HEAD, BETWEEN, FOOT, SPAN_ROW = 17.0, 12.0, 38.0, 13.0
SPAN_ROWS = 3
MOST_BYTES = 57_000
"""What one picture may take; a figure with more keeps the extremes of wider columns."""


def to_svg(figure: Figure | Dots, width: float = 720, height: float | None = None) -> str:
    """Return the figure as one SVG element.

    `height`: of the whole picture; without it, and where it is too little for the labels, as high as it needs. Raises
    ValueError below 320 units of width, where nothing could be read.
    """
    if not width >= LEAST_WIDTH:
        raise ValueError(f"a figure {width} wide cannot be read; {LEAST_WIDTH} at least")
    if isinstance(figure, Dots):
        sheet = Sheet()
        bottom = draw_dots(sheet, figure, width, _heading(sheet, figure, width))
        return sheet.whole(width, bottom, figure.title, figure.finding)
    column, picture = 1.0, _drawn(figure, width, height, 1.0)
    while len(picture) > MOST_BYTES and column < 16:
        column *= 2
        picture = _drawn(figure, width, height, column)
    return picture


def _heading(sheet: Sheet, figure: Figure | Dots, width: float) -> float:
    """Write title and finding; return where they end."""
    y = EDGE
    for line in wrapped(clean(figure.title), width - 2 * EDGE, points(TITLE, bold=True), 2):
        sheet.text(EDGE, y + 0.85 * TITLE, line, size=TITLE, bold=True)
        y += ink.line_height(TITLE)
    for line in wrapped(clean(figure.finding), width - 2 * EDGE, points(FINDING), 3):
        sheet.text(EDGE, y + 0.85 * FINDING, line, size=FINDING, fill=ink.SECOND)
        y += ink.line_height(FINDING)
    return y + 4


def _drawn(figure: Figure, width: float, height: float | None, column: float) -> str:
    sheet = Sheet()
    top = _heading(sheet, figure, width)
    right = width - EDGE - margin_width(figure.panels, 0.28 * width)
    figure = _fitting_names(figure, width - EDGE - right - 15.0)
    axes = _axes(figure, right, top, width, height)
    placed, left_out = _span_names(figure, axes)
    rows = 1 + max((name.row for name in placed), default=0) if figure.spans else 0
    frames, bottom = _frames(figure, axes, top + rows * SPAN_ROW, height)
    plot = frames[0].plot
    for panel, frame in zip(figure.panels, frames, strict=True):
        head = frame.plot.top - 6 - (rows * SPAN_ROW if frame is frames[0] else 0)
        sheet.text(EDGE, head, shortened(axis_name(panel.y_name, frame.y.unit), width - 2 * EDGE, points(SIZE)))
    _write_span_names(sheet, figure, frames[0], placed)
    sheet.unnamed += left_out
    for panel, frame in zip(figure.panels, frames, strict=True):
        draw_panel(sheet, panel, frame, figure.spans, column)
    base = frames[-1].plot.bottom
    x_axis(sheet, axes.x, Box(plot.left, plot.top, plot.right, base), axis_name(figure.x_name, axes.x.unit), width)
    return sheet.whole(width, bottom, figure.title, figure.finding)


def _fitting_names(figure: Figure, room: float) -> Figure:
    """Return the figure with names cut to the margin; their full form stays in the table."""
    panels = []
    for panel in figure.panels:
        lines = []
        for line in panel.lines:
            behind = label_of(replace(line, name=""), panel.y_unit)
            least = room - (width_of(f" {behind}") if behind else 0.0)
            name = clean(line.name)
            lines.append(replace(line, name=name if line.style == "mark" else shortened(name, least, points(SIZE))))
        panels.append(replace(panel, lines=tuple(lines)))
    return replace(figure, panels=tuple(panels))


@dataclass(frozen=True, slots=True)
class Axes:
    """The axes of a figure, from where to where its plots go, where names end, how high each is at least."""

    left: float
    right: float
    edge: float
    high: float
    x: Axis
    y: tuple[Axis, ...]


def _fixed(figure: Figure, top: float) -> float:
    """Return what is not plot, from the top of the picture to its bottom; `top` is where the first head stands."""
    count = len(figure.panels)
    return top + count * HEAD + (count - 1) * BETWEEN + FOOT + EDGE


def _axes(figure: Figure, right: float, top: float, width: float, height: float | None) -> Axes:
    count = len(figure.panels)
    if height is not None:
        spans = SPAN_ROWS * SPAN_ROW if figure.spans else 0.0
        high = max(LEAST_PANEL, (height - _fixed(figure, top + spans)) / count)
    else:
        names = max(len(panel.lines) for panel in figure.panels)
        high = max(PANEL if count == 1 else PANEL_OF_MANY, LABEL_PITCH * (names + 1))
    y = tuple(make_axis(y_ends(panel), panel.y_unit, high, lambda _: 28.0) for panel in figure.panels)
    numbers = max((width_of(text) for axis in y for _, text in axis.ticks), default=0.0)
    left = EDGE + max(numbers + 8, 20)
    x = make_axis(x_ends(figure), figure.x_unit, right - left, lambda text: width_of(text) + 34)
    return Axes(left, right, width - EDGE, high, x, y)


def _frames(figure: Figure, axes: Axes, top: float, height: float | None) -> tuple[list[Frame], float]:
    """Return each panel's frame, and the height of the whole picture."""
    high = axes.high
    if height is not None:  # what the rows of names left over
        high = max(high, (height - _fixed(figure, top)) / len(axes.y))
    frames, y = [], top
    for axis in axes.y:
        y += HEAD
        frames.append(Frame(Box(axes.left, y, axes.right, y + high), axes.x, axis, axes.edge))
        y += high + BETWEEN
    return frames, y - BETWEEN + FOOT + EDGE


def _span_names(figure: Figure, axes: Axes) -> tuple[list[Named], list[str]]:
    def at(x: float) -> float:
        return axes.left + axes.x.share(x) * (axes.right - axes.left)

    spans = [(clean(span.name), at(span.start), at(span.end)) for span in figure.spans]
    return span_names(spans, (axes.left, axes.right), points(SIZE), 6.0, SPAN_ROWS)


def _write_span_names(sheet: Sheet, figure: Figure, frame: Frame, placed: Sequence[Named]) -> None:
    """Name the spans above the first plot; a line leads from a name without room down to its span."""
    top = frame.plot.top
    for name in placed:
        if name.row:
            sheet.line((name.points_to, top - 2 - name.row * SPAN_ROW), (name.points_to, top), ink.QUIET, 0.7)
    for edge in sorted({frame.at(x, frame.y.low)[0] for span in figure.spans for x in (span.start, span.end)}):
        sheet.line((edge, top - SPAN_ROW), (edge, top), ink.EDGE, 0.8)
    for name in placed:
        x, anchor = (name.middle - width_of(name.text) / 2, "start") if name.flag else (name.middle, "middle")
        sheet.text(x, top - 5 - name.row * SPAN_ROW, name.text, anchor, fill=ink.SECOND)
