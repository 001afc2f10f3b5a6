"""Figures for a terminal: plain characters, no colour; lines as braille dots, or in ASCII one character a line.

No line is wider than asked. What found no room beside its line is said below the plot.
"""

from __future__ import annotations

from controller.charts.canvas import ASCII, BLOCKS, Canvas, Signs
from controller.charts.figure import Dots, Figure
from controller.charts.layout import span_names
from controller.charts.lettering import cells, shortened, wrapped
from controller.charts.scales import make_axis
from controller.charts.shared import axis_name, label_of, x_ends, y_ends
from controller.charts.terminaldots import dots_lines
from controller.charts.terminalpanel import centred, floor, panel_lines
from profiles.problems import clean

LEAST_COLUMNS = 40
LEAST_ROWS = 4
MARGIN = 24
"""Columns that the names right of the plot may take."""


def to_text(figure: Figure | Dots, columns: int = 78, rows: int | None = None, ascii: bool = False) -> str:  # noqa: A002 - as the option is called
    """Return the figure as lines of a terminal, each ended by a line feed.

    `rows`: lines of each panel's plot; without it so many that one or two panels fit a screen of 24 lines. Raises
    ValueError below 40 columns or 4 rows.
    """
    if columns < LEAST_COLUMNS or (rows is not None and rows < LEAST_ROWS):
        raise ValueError(f"a plot needs {LEAST_COLUMNS} columns and {LEAST_ROWS} rows, not {columns} and {rows}")
    lines = wrapped(clean(figure.title), columns, cells, 2) + wrapped(clean(figure.finding), columns, cells, 3)
    signs = ASCII if ascii else BLOCKS
    if isinstance(figure, Dots):
        lines += dots_lines(figure, columns, signs)
    else:
        lines += _figure_lines(figure, columns, rows or {1: 12, 2: 7}.get(len(figure.panels), 6), signs)
    text = "".join(line.rstrip() + "\n" for line in lines)
    return text.encode("ascii", "replace").decode("ascii") if ascii else text


def _figure_lines(figure: Figure, columns: int, rows: int, signs: Signs) -> list[str]:
    axes = [make_axis(y_ends(panel), panel.y_unit, rows - 1, lambda _: 2.0) for panel in figure.panels]
    names = [label_of(line, panel.y_unit) for panel in figure.panels for line in panel.lines if line.style != "mark"]
    right = min(MARGIN, columns // 3, max((cells(name) for name in names), default=-3) + 3)
    left = max((cells(text) for axis in axes for _, text in axis.ticks), default=0) + 1
    plot = columns - left - 1 - right
    x = make_axis(x_ends(figure), figure.x_unit, plot - 1, lambda text: cells(text) + 3.0)
    lines: list[str] = []
    unnamed: list[str] = []
    for number, (panel, axis) in enumerate(zip(figure.panels, axes, strict=True)):
        canvas = Canvas(plot, rows, x, axis, signs)
        lines.append(shortened(axis_name(panel.y_name, axis.unit), columns, cells))
        if number == 0 and figure.spans:
            lines += [" " * (left + 1) + line for line in _span_lines(figure, canvas, unnamed)]
        lines += panel_lines(panel, figure.spans, canvas, (left, right), unnamed)
    lines += floor(x, (left, plot), signs, columns)
    lines.append(centred(axis_name(figure.x_name, x.unit), (left + 1, plot), columns))
    if unnamed:
        lines += wrapped("not named above: " + ", ".join(map(clean, unnamed)), columns, cells, 4)
    return lines


def _span_lines(figure: Figure, canvas: Canvas, unnamed: list[str]) -> list[str]:
    """Return the rows of names above the first plot; a sign leads from an upper name down to its span."""

    def column_of(x: float) -> float:
        return float(canvas.cell_of(x, canvas.y.low)[1])

    spans = [(clean(span.name), column_of(span.start), column_of(span.end)) for span in figure.spans]
    placed, left_out = span_names(spans, (0.0, float(canvas.columns)), cells, 2.0, 3)
    unnamed += left_out
    rows = 1 + max((name.row for name in placed), default=0)
    over = Canvas(canvas.columns, rows, canvas.x, canvas.y, canvas.signs)
    for name in placed:
        for below in range(name.row):
            over.loud[rows - 1 - below, int(name.points_to)] = canvas.signs.left
    for name in placed:
        column = round(name.middle - cells(name.text) / 2)
        over.word(rows - 1 - name.row, max(0, min(column, canvas.columns - cells(name.text))), name.text)
    return [over.line(row) for row in range(rows)]
