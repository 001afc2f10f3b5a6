"""One panel of a terminal's plot: bands and limits behind, lines before them, names at the lines' right ends."""

from __future__ import annotations

from collections.abc import Sequence

from controller.charts.canvas import Canvas, Signs
from controller.charts.figure import Line, Panel, Span, present
from controller.charts.layout import spread
from controller.charts.lettering import cells, shortened
from controller.charts.scales import Axis
from controller.charts.shared import label_of, pieces
from controller.charts.thinning import Point
from profiles.problems import clean

EARLY = 0.85
"""A line that ends before this share of the width has its name beside its end, not in the margin."""

Drawn = tuple[Line, list[list[Point]]]


def panel_lines(
    panel: Panel, spans: Sequence[Span], canvas: Canvas, margins: tuple[int, int], unnamed: list[str]
) -> list[str]:
    """Return the rows of a panel, with its numbers left (`margins[0]` columns) and its names right (`margins[1]`)."""
    drawn = [(line, _pieces(line, canvas)) for line in panel.lines if line.style != "mark"]
    marks = [line for line in panel.lines if line.style == "mark"]
    _behind(spans, drawn, canvas)
    keys = _draw(drawn, canvas)
    for line in marks:
        _mark_signs(line, canvas)
    if not any(found for _, found in drawn) and not any(present(line.x) for line in marks):
        canvas.word(canvas.rows // 2, (canvas.columns - 7) // 2, "no data")
    unnamed += [line.name for line in marks if not _mark_word(line, canvas)]
    names = _names(panel, drawn, keys, canvas, (margins[1], unnamed))
    ticks = {canvas.cell_of(canvas.x.low, value)[0]: text for value, text in canvas.y.ticks}
    lines = []
    for row in range(canvas.rows):
        edge = canvas.signs.left_tick if row in ticks else canvas.signs.left
        number = ticks.get(row, "")
        filled = " " * (margins[0] - 1 - cells(number)) + number
        lines.append(f"{filled} {edge}{canvas.line(row)}{names.get(row, '')}")
    return lines


def floor(axis: Axis, place: tuple[int, int], signs: Signs, columns: int) -> list[str]:
    """Return the x axis under the last panel and its numbers; `place`: columns left of the plot, of the plot."""
    left, plot = place
    base = [signs.floor] * plot
    numbers = [" "] * columns
    for value, text in axis.ticks:
        at = round(axis.share(value) * (plot - 1))
        base[at] = signs.floor_tick
        first = max(0, min(left + 1 + at - cells(text) // 2, columns - cells(text)))
        numbers[first : first + cells(text)] = text
    return [" " * left + signs.corner + "".join(base), "".join(numbers)]


def centred(text: str, under: tuple[int, int], columns: int) -> str:
    """Return a text in the middle of a stretch (its first column, its length), cut to the width of the terminal."""
    text = shortened(text, columns, cells)
    return " " * max(0, min(under[0] + (under[1] - cells(text)) // 2, columns - cells(text))) + text


def _pieces(line: Line, canvas: Canvas, upper: bool = False) -> list[list[Point]]:
    return pieces(line, canvas.dot_of, (canvas.x.low, canvas.x.high), 1.0, upper)


def _behind(spans: Sequence[Span], drawn: Sequence[Drawn], canvas: Canvas) -> None:
    """Draw the edges of spans, and fill bands."""
    for x in {edge for span in spans for edge in (span.start, span.end) if canvas.x.low < edge < canvas.x.high}:
        column = canvas.cell_of(x, canvas.y.low)[1]
        canvas.quiet.update({(row, column): canvas.signs.edge for row in range(canvas.rows)})
    for line, lower in drawn:
        if line.style != "band":
            continue
        for below, above in zip(lower, _pieces(line, canvas, upper=True), strict=True):
            low, high = canvas.ways(below), canvas.ways(above)
            for column in low.keys() & high.keys():
                rows = range(min(high[column]), max(low[column]) + 1)
                canvas.quiet.update({(row, column): canvas.signs.band for row in rows})


def _draw(drawn: Sequence[Drawn], canvas: Canvas) -> list[str]:
    """Draw limits, then courses, then what was read; return the sign of each line for its name."""
    signs = canvas.signs
    keys = [
        {"band": signs.band, "limit": signs.limit, "course": signs.key_course}.get(line.style, "") for line, _ in drawn
    ]
    reads = [number for number, (line, _) in enumerate(drawn) if line.style == "read"]
    for rank, number in enumerate(reads):
        keys[number] = signs.reads[rank % len(signs.reads)] if signs.reads else signs.key_read
    for style in ("limit", "course", "read"):
        for key, (line, found) in zip(keys, drawn, strict=True):
            for run in found if line.style == style else ():
                if style == "limit":
                    canvas.rule(run)
                else:
                    canvas.draw(run, key, dashed=style == "course")
    return keys


def _mark_signs(line: Line, canvas: Canvas) -> None:
    for x, y in zip(line.x, line.y, strict=True):
        if x is None:
            continue
        row, column = canvas.cell_of(x, canvas.y.low if y is None else y)
        if y is not None:
            canvas.loud[row, column] = "x"
            continue
        for at in range(canvas.rows):  # a tick does not hide the line that it stands for
            canvas.loud.setdefault((at, column), canvas.signs.tick)


def _mark_word(line: Line, canvas: Canvas) -> bool:
    """Write the word at the first point; whether it is written (or there is no point)."""
    first = next(((x, y) for x, y in zip(line.x, line.y, strict=True) if x is not None), None)
    if first is None:
        return True
    row, column = canvas.cell_of(first[0], canvas.y.low if first[1] is None else first[1])
    rows = range(canvas.rows) if first[1] is None else (row, row - 1, row + 1, row - 2, row + 2)
    return _written(clean(line.name), rows, column, canvas)


def _written(text: str, rows: Sequence[int], column: int, canvas: Canvas) -> bool:
    """Write a word right or left of a column in the first of the rows where nothing else stands."""
    width = cells(text)
    for row in rows:
        for start in (column + 2, column - 1 - width):
            if canvas.free(row, start, width):
                canvas.word(row, start, text)
                return True
    return False


def _names(
    panel: Panel, drawn: Sequence[Drawn], keys: Sequence[str], canvas: Canvas, margin: tuple[int, list[str]]
) -> dict[int, str]:
    """Return the margin's names by row; the name of a line that ends early is written beside its end."""
    room, unnamed = margin
    wanted: list[tuple[float, str]] = []
    for (line, found), key in zip(drawn, keys, strict=True):
        if not found:
            continue
        column, row = found[-1][-1]
        if line.style == "band":
            row = (row + _pieces(line, canvas, upper=True)[-1][-1][1]) / 2
        cell = int(row) // canvas.down
        text = label_of(line, panel.y_unit)
        early = column < EARLY * canvas.columns * canvas.across
        near = (cell, cell - 1, cell + 1, cell - 2, cell + 2)
        if not (early and _written(text, near, int(column) // canvas.across, canvas)):
            wanted.append((row / canvas.down, f" {key} {text}"))
    wanted.sort(key=lambda entry: entry[0])
    places = spread([row for row, _ in wanted], 0.0, canvas.rows - 1.0, 1.0)
    unnamed += [text[3:] for _, text in wanted[len(places) :]]
    rows: dict[int, str] = {}
    for place, (_, text) in zip(places, wanted, strict=False):
        row = max(int(place + 1e-9), max(rows, default=-1) + 1)
        rows[row] = shortened(text, room, cells)
    return rows
