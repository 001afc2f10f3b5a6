"""One panel of an SVG figure: grid, bands, limits, lines, marks, and every name at its line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from controller.charts import sheet as ink
from controller.charts.figure import Line, Panel, Span, present
from controller.charts.layout import Box, best_place, spread
from controller.charts.lettering import points, shortened
from controller.charts.scales import Axis
from controller.charts.shared import label_of, pieces
from controller.charts.sheet import SIZE, Sheet, label_box, width_of
from controller.charts.thinning import Point

LABEL_PITCH = 13.0
MOST_LONE = 100
EARLY = 0.9
"""A line that ends before this share of the width has its name beside its end, not in the margin."""

_MIDDLE = 0.36 * SIZE  # from a text's middle down to its baseline
_READS = ((ink.INK, 1.7), (ink.SECOND, 1.2), (ink.INK, 0.8))  # several read lines of one panel: strong, grey, fine


@dataclass(frozen=True, slots=True)
class Frame:
    """Where a panel's plot stands, its two axes, and where the names right of it must end."""

    plot: Box
    x: Axis
    y: Axis
    right: float

    def at(self, x: float, y: float) -> Point:
        """Return where a point of the data lies in the picture."""
        return (
            self.plot.left + self.x.share(x) * (self.plot.right - self.plot.left),
            self.plot.bottom - self.y.share(y) * (self.plot.bottom - self.plot.top),
        )

    def pieces(self, line: Line, column: float, upper: bool = False) -> list[list[Point]]:
        """Return a line (or a band's edge) as unbroken pieces of few points in the picture."""
        return pieces(line, self.at, (self.x.low, self.x.high), column, upper)


def draw_panel(sheet: Sheet, panel: Panel, frame: Frame, spans: Sequence[Span], column: float) -> None:
    """Draw a panel; its names stand in the plot or in the margin right of it."""
    _grid(sheet, frame, spans)
    drawn = [(line, frame.pieces(line, column)) for line in panel.lines if line.style != "mark"]
    for line, found in drawn:
        if line.style == "band":
            _band(sheet, frame, line, found, column)
    _axes(sheet, frame)
    reads = 0
    for style in ("limit", "course", "read"):
        for line, found in drawn:
            if line.style == style:
                _line(sheet, style, found, reads)
                reads += style == "read"
    marks = [line for line in panel.lines if line.style == "mark"]
    for line in marks:
        _mark_signs(sheet, frame, line)
    if not any(found for _, found in drawn) and not any(present(line.x) for line in marks):
        plot = frame.plot
        sheet.text((plot.left + plot.right) / 2, (plot.top + plot.bottom) / 2, "no data", "middle", fill=ink.QUIET)
    ways = [piece for _, found in drawn for piece in found]
    for line in marks:
        _mark_word(sheet, frame, line, ways)
    _names(sheet, frame, [entry for entry in drawn if entry[1]], panel.y_unit, ways)


def _grid(sheet: Sheet, frame: Frame, spans: Sequence[Span]) -> None:
    plot = frame.plot
    for value, _ in frame.y.ticks:
        y = frame.at(frame.x.low, value)[1]
        sheet.line((plot.left, y), (plot.right, y), ink.GRID, 1)
    for x in sorted({edge for span in spans for edge in (span.start, span.end) if frame.x.low < edge < frame.x.high}):
        at = frame.at(x, frame.y.low)[0]
        sheet.line((at, plot.top), (at, plot.bottom), ink.EDGE, 0.8)


def _axes(sheet: Sheet, frame: Frame) -> None:
    plot = frame.plot
    sheet.line((plot.left, plot.top), (plot.left, plot.bottom), ink.QUIET, 1)
    sheet.line((plot.left, plot.bottom), (plot.right, plot.bottom), ink.QUIET, 1)
    for value, text in frame.y.ticks:
        y = frame.at(frame.x.low, value)[1]
        sheet.line((plot.left - 4, y), (plot.left, y), ink.QUIET, 1)
        sheet.text(plot.left - 6, y + _MIDDLE, text, "end", fill=ink.SECOND)
    for value, _ in frame.x.ticks:
        x = frame.at(value, frame.y.low)[0]
        sheet.line((x, plot.bottom), (x, plot.bottom + 4), ink.QUIET, 1)


def _band(sheet: Sheet, frame: Frame, line: Line, low: list[list[Point]], column: float) -> None:
    """Fill between the edges where both are there, and draw them thin, so that a band of no width is still seen."""
    for below, above in zip(low, frame.pieces(line, column, upper=True), strict=True):
        data = ink.path_data([[*above, *reversed(below)]])
        sheet.path(data + "z", ink.BAND, 1, fill=ink.BAND)
        sheet.path(ink.path_data([above, below]), ink.BAND_EDGE, 0.7)


def _line(sheet: Sheet, style: str, found: list[list[Point]], reads: int) -> None:
    data = ink.path_data(found)
    if style == "limit":
        sheet.path(data, ink.INK, 1.2, dash="1.5 3")
    elif style == "course":
        sheet.path(data, ink.COURSE, 1.7, dash="7 4")
        _lone(sheet, found, ink.COURSE)
    else:
        stroke, width = _READS[min(reads, 2)]
        sheet.path(data, stroke, width)
        _lone(sheet, found, stroke)


def _lone(sheet: Sheet, found: list[list[Point]], stroke: str) -> None:
    """Make points between breaks visible; where there are very many of them, the path's own dots are enough."""
    lone = [piece[0] for piece in found if len(piece) == 1]
    for at in lone if len(lone) <= MOST_LONE else ():
        sheet.dot(at, 2, stroke, stroke)


def _mark_signs(sheet: Sheet, frame: Frame, line: Line) -> None:
    for x, y in zip(line.x, line.y, strict=True):
        if x is None:
            continue
        if y is not None:
            sheet.dot(frame.at(x, y), 3.2, "#fff")
        else:
            at = frame.at(x, frame.y.low)[0]
            sheet.line((at, frame.plot.top), (at, frame.plot.bottom), ink.INK, 0.8)
            sheet.path(f"M{ink.number(at - 4)} {ink.number(frame.plot.top)}h8l-4 7z", ink.INK, 0.5, fill=ink.INK)


def _mark_word(sheet: Sheet, frame: Frame, line: Line, ways: Sequence[Sequence[Point]]) -> None:
    first = next(((x, y) for x, y in zip(line.x, line.y, strict=True) if x is not None), None)
    if first is None:
        return
    x, y = first
    if y is not None:
        _beside(sheet, frame.at(x, y), (line.name, ink.INK), frame.plot, ways)
        return
    at, plot = frame.at(x, frame.y.low)[0], frame.plot
    baselines = [plot.top + 0.9 * SIZE + step * 6 for step in range(int((plot.bottom - plot.top) / 6))]
    places = [(at + side * 7, baseline, "start" if side > 0 else "end") for baseline in baselines for side in (1, -1)]
    _written(sheet, places, (line.name, ink.INK), plot, ways)


def _beside(sheet: Sheet, at: Point, name: tuple[str, str], plot: Box, ways: Sequence[Sequence[Point]]) -> bool:
    """Write a name near a point, nearest places first; whether there was room."""
    x, y = at
    places: list[tuple[float, float, str]] = []
    for away in (7.0, 14.0, 22.0):
        places += [(x + away, y + _MIDDLE, "start"), (x + 2, y - away, "start"), (x - 2, y - away, "end")]
        places += [(x + 2, y + away + 0.8 * SIZE, "start"), (x - 2, y + away + 0.8 * SIZE, "end")]
        places += [(x - away, y + _MIDDLE, "end")]
    return _written(sheet, places, name, plot, ways)


def _written(
    sheet: Sheet,
    places: list[tuple[float, float, str]],
    name: tuple[str, str],
    plot: Box,
    ways: Sequence[Sequence[Point]],
) -> bool:
    """Write a name (text, colour) at the best of the places; where there is none it is kept for the description."""
    text = shortened(name[0], 0.5 * (plot.right - plot.left), points(SIZE))
    boxes = {label_box(x, baseline, text, anchor): (x, baseline, anchor) for x, baseline, anchor in places}
    best = best_place(boxes, plot, sheet.boxes, ways)
    if best is None:
        sheet.unnamed.append(name[0])
        return False
    x, baseline, anchor = boxes[best]
    sheet.text(x, baseline, text, anchor, fill=name[1], halo=True)
    return True


def _names(
    sheet: Sheet,
    frame: Frame,
    drawn: list[tuple[Line, list[list[Point]]]],
    unit: str,
    ways: Sequence[Sequence[Point]],
) -> None:
    """Name every line at its right end: in the margin, or beside the end where the line ends early."""
    plot, margin = frame.plot, []
    reads = 0
    for line, found in drawn:
        colour = ink.COURSE if line.style == "course" else ink.INK
        if line.style == "read":
            colour = _READS[min(reads, 2)][0]
            reads += 1
        end = found[-1][-1]
        if line.style == "band":
            end = (end[0], (end[1] + frame.pieces(line, 1.0, upper=True)[-1][-1][1]) / 2)
        name = (label_of(line, unit), colour)
        if end[0] < plot.left + EARLY * (plot.right - plot.left) and _beside(sheet, end, name, plot, ways):
            continue
        margin.append((end, name))
    margin.sort(key=lambda entry: entry[0][1])
    places = spread([end[1] for end, _ in margin], plot.top + 4, plot.bottom - 4, LABEL_PITCH)
    for ((x, y), (text, colour)), place in zip(margin, places, strict=False):
        if abs(place - y) > 2.5 or x < plot.right - 1:
            sheet.line((plot.right + 1, y), (plot.right + 9, place), ink.QUIET, 0.7)
        text = shortened(text, frame.right - plot.right - 11, points(SIZE))
        sheet.text(plot.right + 11, place + _MIDDLE, text, fill=colour)
    sheet.unnamed += [text for _, (text, _) in margin[len(places) :]]


def margin_width(panels: Sequence[Panel], most: float) -> float:
    """Return how wide the margin for the names right of the plots must be."""
    names = [label_of(line, panel.y_unit) for panel in panels for line in panel.lines if line.style != "mark"]
    return min(most, max((width_of(name) for name in names), default=0.0)) + 15.0


def x_axis(sheet: Sheet, axis: Axis, plot: Box, name: str, width: float) -> None:
    """Write the ticks' numbers below the plot, and under them what they are."""
    for value, text in axis.ticks:
        x = plot.left + axis.share(value) * (plot.right - plot.left)
        sheet.line((x, plot.bottom), (x, plot.bottom + 4), ink.QUIET, 1)
        sheet.text(x, plot.bottom + 7.5 + 0.8 * SIZE, text, "middle", fill=ink.SECOND)
    name = shortened(name, width - 20, points(SIZE))
    half = width_of(name) / 2
    middle = min(max(10 + half, (plot.left + plot.right) / 2), width - 10 - half)
    sheet.text(middle, plot.bottom + 23.5 + 0.8 * SIZE, name, "middle")
