"""The numbers of a figure as a table: whoever doubts a picture can draw it again.

RFC 4180 but for the line ends, which are line feeds. Missing is empty. Numbers are written so that they read back
exactly. A text that a spreadsheet would take for a formula has an apostrophe before it.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from controller.charts.figure import Dots, Figure, Line, Number, Panel, present
from profiles.problems import clean


@dataclass(frozen=True, slots=True)
class Column:
    """One column of points: what stands above it, and its own x and values."""

    head: str
    x: tuple[Number, ...]
    values: tuple[Number, ...]


def to_csv(figure: Figure | Dots) -> str:
    """Return the table: a head with units, then one row for each x (of dots: for each row).

    Lines share the rows of equal x; if one goes back in x or has a point without x, each group of lines with the same x
    has its own rows, one group below the other, so that no order is lost. Limits stand in every row.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    for row in _dots_rows(figure) if isinstance(figure, Dots) else _figure_rows(figure):
        writer.writerow(row)
    return out.getvalue()


def cell(value: Number | str) -> str:
    """Return one field: a number as short as it reads back, a text that no spreadsheet computes, or nothing."""
    if value is None:
        return ""
    if isinstance(value, str):
        text = clean(value)
        return f"'{text}" if text.lstrip().startswith(("=", "+", "-", "@")) else text
    return repr(value).removesuffix(".0")


def _head(name: str, unit: str) -> str:
    return cell(f"{name} ({unit})" if unit else name)


def _dots_rows(dots: Dots) -> Iterable[list[str]]:
    unit = dots.x_unit
    common = [("median", dots.median), ("range low", dots.low), ("range high", dots.high)]
    yield [cell(dots.row_name), *(_head(name, unit) for name in (dots.x_name, "low", "high", *(n for n, _ in common)))]
    for row in dots.rows:
        yield [cell(row.name), *(cell(value) for value in (row.value, row.low, row.high, *(v for _, v in common)))]


def _figure_rows(figure: Figure) -> Iterable[list[str]]:
    columns = [column for panel in figure.panels for line in panel.lines for column in _columns(figure, panel, line)]
    limits = [
        (_title(figure, panel, line.name), line.y[0])
        for panel in figure.panels
        for line in panel.lines
        if line.everywhere
    ]
    words = [(line.name, x) for panel in figure.panels for line in panel.lines for x in _ticks(line)]
    heads = _unlike([*(column.head for column in columns), *(head for head, _ in limits)])
    more = [figure.span_name] * bool(figure.spans) + ["mark"] * bool(words)
    yield [_head(figure.x_name, figure.x_unit), *heads, *map(cell, more)]
    also = [*(span.start for span in figure.spans), *(x for _, x in words)]
    rows = _rows(columns, also)
    for x, values in rows or ([(None, {})] if limits else []):
        row = [cell(x), *(cell(values.get(number)) for number in range(len(columns))), *(cell(y) for _, y in limits)]
        if figure.spans:
            row.append(cell(" / ".join(_spans_at(figure, x))))
        if words:
            row.append(cell(" / ".join(word for word, at in words if at == x)))
        yield row


def _title(figure: Figure, panel: Panel, name: str) -> str:
    whole = name if len(figure.panels) == 1 else f"{panel.y_name}: {name}"
    return _head(whole, panel.y_unit)


def _columns(figure: Figure, panel: Panel, line: Line) -> list[Column]:
    """Return the columns of a line: two of a band, none of a limit without x or of ticks without y."""
    x, y = tuple(line.x), tuple(line.y)
    if line.style == "band":
        low, high = (_title(figure, panel, f"{line.name} {edge}") for edge in ("low", "high"))
        return [Column(low, x, y), Column(high, x, tuple(line.high))]
    if line.everywhere or (line.style == "mark" and not any(value is not None for value in y)):
        return []
    return [Column(_title(figure, panel, line.name), x, y)]


def _ticks(line: Line) -> list[float]:
    if line.style != "mark":
        return []
    return [x for x, y in zip(line.x, line.y, strict=True) if x is not None and y is None]


def _unlike(heads: Sequence[str]) -> list[str]:
    """Return the heads, later ones of the same text numbered from 2."""
    return [
        head if (before := list(heads[:at]).count(head)) == 0 else f"{head} {before + 1}"
        for at, head in enumerate(heads)
    ]


def _rows(columns: Sequence[Column], also: Sequence[float]) -> list[tuple[Number, dict[int, float]]]:
    """Return x and values (by number of column) of each row; `also`: x that need a row of their own if none has it."""
    ordered = all(_rises(column.x) for column in columns)
    groups = {column.x: group for group, column in enumerate(columns)}
    rows: dict[tuple[float, float], tuple[Number, dict[int, float]]] = {}
    for number, column in enumerate(columns):
        seen: Counter[Number] = Counter()
        for place, (x, value) in enumerate(zip(column.x, column.values, strict=True)):
            key = (x, float(seen[x])) if ordered and x is not None else (float(groups[column.x]), float(place))
            seen[x] += 1
            values = rows.setdefault(key, (x, {}))[1]
            if value is not None:
                values[number] = value
    known = {x for x, _ in rows.values()}
    for place, x in enumerate(sorted(set(also) - known)):
        rows[(x, 0.0) if ordered else (float(len(columns)), float(place))] = (x, {})
    return [rows[key] for key in sorted(rows)]


def _rises(x: Sequence[Number]) -> bool:
    """Whether every point has an x and none goes back."""
    there = present(x)
    return len(there) == len(x) and all(a <= b for a, b in pairwise(there))


def _spans_at(figure: Figure, x: Number) -> list[str]:
    """Return the names of the spans at x; at the very end of the last one, still that one."""
    if x is None:
        return []
    inside = [span.name for span in figure.spans if span.start <= x < span.end]
    return inside or [span.name for span in figure.spans if x == span.end]
