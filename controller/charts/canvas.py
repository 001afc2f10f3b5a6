"""A plot of a terminal: cells with characters, and finer dots in them where braille may be used."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from controller.charts.lettering import cells
from controller.charts.scales import Axis
from controller.charts.thinning import Point

_BRAILLE = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
_DASH, _PERIOD = 4, 7
"""Of a dashed line in dots: so many on, of so many."""


@dataclass(frozen=True, slots=True)
class Signs:
    """What stands for what. `reads`: one line after the other; empty where lines are dots."""

    reads: str
    course: str
    band: str
    limit: str
    edge: str
    tick: str
    key_read: str
    key_course: str
    left: str
    left_tick: str
    corner: str
    floor: str
    floor_tick: str
    inside: str
    outside: str


ASCII = Signs("*#%", "o", ".", "-", ":", "!", "*", "o", "|", "+", "+", "-", "+", "o", "#")
BLOCKS = Signs("", "", "░", "┄", "┊", "│", "━", "╍", "│", "┤", "└", "─", "┴", "o", "●")


class Canvas:
    """One plot, `columns` wide and `rows` high, with its two axes; later signs cover earlier ones."""

    def __init__(self, columns: int, rows: int, x: Axis, y: Axis, signs: Signs) -> None:
        self.columns, self.rows, self.x, self.y, self.signs = columns, rows, x, y, signs
        self.across, self.down = (1, 1) if signs.reads else (2, 4)
        self.quiet: dict[tuple[int, int], str] = {}
        self.loud: dict[tuple[int, int], str] = {}
        self._dots: dict[tuple[int, int], int] = {}

    def dot_of(self, x: float, y: float) -> Point:
        """Return the dot of a point of the data: column, row from the top."""
        width, height = self.columns * self.across - 1, self.rows * self.down - 1
        return float(round(self.x.share(x) * width)), float(round((1.0 - self.y.share(y)) * height))

    def cell_of(self, x: float, y: float) -> tuple[int, int]:
        """Return row and column of the cell of a point of the data."""
        column, row = self.dot_of(x, y)
        return int(row) // self.down, int(column) // self.across

    def draw(self, run: Sequence[Point], sign: str, dashed: bool) -> None:
        """Draw an unbroken line through dots; `sign` where cells are not made of dots."""
        for count, (row, column) in enumerate(self._way(run)):
            if self.down == 1:
                self.loud[row, column] = sign
            elif not dashed or count % _PERIOD < _DASH:
                cell = (row // 4, column // 2)
                self._dots[cell] = self._dots.get(cell, 0) | _BRAILLE[row % 4][column % 2]

    def rule(self, run: Sequence[Point]) -> None:
        """Draw a limit through dots, in whole cells."""
        for row, column in self._way(run):
            self.loud[row // self.down, column // self.across] = self.signs.limit

    def ways(self, run: Sequence[Point]) -> dict[int, list[int]]:
        """Return the rows of cells that an unbroken line passes, by column."""
        found: dict[int, list[int]] = {}
        for row, column in self._way(run):
            found.setdefault(column // self.across, []).append(row // self.down)
        return found

    @staticmethod
    def _way(run: Sequence[Point]) -> Iterator[tuple[int, int]]:
        """Yield all dots (row, column) on the straight ways between points, the last point with them."""
        for start, end in zip(run, [*run[1:], run[-1]], strict=True):
            steps = max(1, int(max(abs(end[0] - start[0]), abs(end[1] - start[1]))))
            for step in range(steps):
                column = round(start[0] + (end[0] - start[0]) * step / steps)
                yield round(start[1] + (end[1] - start[1]) * step / steps), column

    def free(self, row: int, column: int, width: int) -> bool:
        """Whether a word may stand there: inside, and over nothing that was drawn but bands and edges."""
        if not (0 <= row < self.rows and column >= 0 and column + width <= self.columns):
            return False
        places = [(row, at) for at in range(column - 1, column + width + 1)]
        return not any(place in self.loud or place in self._dots for place in places)

    def word(self, row: int, column: int, text: str) -> None:
        """Write a word; a wide character takes the next cell, too."""
        for char in text:
            width = cells(char)
            if width == 0:
                continue
            self.loud[row, column] = char
            for more in range(1, width):
                self.loud[row, column + more] = ""
            column += width

    def line(self, row: int) -> str:
        """Return one row as text."""
        return "".join(self._cell((row, column)) for column in range(self.columns))

    def _cell(self, place: tuple[int, int]) -> str:
        """Return what a cell shows: words and points, else lines, else limits and ticks, else what lies behind."""
        loud, dots = self.loud.get(place), self._dots.get(place)
        if loud is not None and (dots is None or loud not in {self.signs.limit, self.signs.tick}):
            return loud
        return chr(0x2800 + dots) if dots is not None else self.quiet.get(place, " ")
