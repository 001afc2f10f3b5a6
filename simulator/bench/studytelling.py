"""A study as people read it: figures with what chance leaves open, shares, what moves what; or a table of settings."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from profiles.problems import clean
from simulator.bench.grid import Axis, Grid
from simulator.bench.quantiles import Share, order_ranks
from simulator.bench.study import MOVED, QUANTILES, Study, Three, limits_of, water_text
from simulator.bench.studyrow import FIGURES, KEYS, Quantity

WIDTH = 79
ALWAYS_ZERO = ("discharge_Ah",)
"""Figures left out where no string has any of it."""
ENDS = {
    "complete": "ran to their end",
    "derated": "reduced by a derate",
    "held": "held",
    "tripped": "tripped",
    "limited": "held back by a voltage limit",
    "overrun": "a step took its longest time",
}
NO_FIGURES = "no batch was done, there are no figures"


def lines(study: Study) -> list[str]:
    """The whole result of a study."""
    if not study.strings:
        return [NO_FIGURES]
    found = [*_head(study), "", *_figures(study), "", *_shares(study), "", *_moved(study)]
    return [line.rstrip() for line in found]


def _head(study: Study) -> Iterator[str]:
    plan, setting = study.plan, study.setting
    many = f"{study.strings} strings" if study.strings == study.asked else f"{study.strings} of {study.asked} strings"
    yield clean(f"{plan.name}, revision {plan.revision}: {many} of {setting.batteries} batteries")[:WIDTH]
    yield f"seed {study.seed}, {water_text(study.water_C)}, air {setting.air_C:g} C, {_model(study)}"
    yield "+-: what chance leaves open at this number of strings, 95 % sure"


def _model(study: Study) -> str:
    built_in = type(study.setting.model)()
    return "built-in battery type" if study.setting.model == built_in else "a battery type of your own"


def _figures(study: Study) -> Iterator[str]:
    yield f"{'of all strings':<28}{'5 %':>17}{'50 %':>17}{'95 %':>17}"
    missing: set[float] = set()
    for quantity in FIGURES:
        three = study.quantity(quantity.key)
        if three is None or (quantity.key in ALWAYS_ZERO and three.high.value == 0.0):
            continue
        yield f"{quantity.words:<28}" + "".join(f"{part:>17}" for part in _three(three))
        each = zip(QUANTILES, (three.low, three.middle, three.high), strict=True)
        missing |= {share for share, estimate in each if estimate.beside is None}
    if missing:
        needs = ", ".join(f"{least_strings(share)} at {100.0 * share:g} %" for share in sorted(missing))
        yield f"+-?: too few strings; an interval takes {needs}"


def least_strings(share: float) -> int:
    """How many strings a quantile's interval needs at least, so that chance can be said on both sides."""
    return next(count for count in itertools.count(1) if None not in order_ranks(count, share))


def _three(three: Three) -> Iterator[str]:
    decimals = three.quantity.decimals
    for each in (three.low, three.middle, three.high):
        beside = "?" if each.beside is None else f"{each.beside:.{decimals}f}"
        yield f"{each.value:.{decimals}f} +-{beside}"


def _shares(study: Study) -> Iterator[str]:
    yield f"{'strings that':<34}{'share':>9}{'95 % sure':>18}"
    for flag, words in ENDS.items():
        why = study.by_law(flag)
        laws = ", ".join(f"{clean(code, 30)} {count}" for code, count in list(why.items())[:2])
        yield f"{words:<34}{_share(study.share(flag))}  {laws}"[:WIDTH]
    for limit in limits_of(study.plan):
        yield f"{limit.words:<34}{_share(study.outside(limit))}"


def _share(share: Share) -> str:
    if not share.of:
        return f"{'-':>9}{'-':>18}"
    return f"{share.percent:>7.1f} %{f'{share.low:.1f} to {share.high:.1f} %':>18}"


def _moved(study: Study) -> Iterator[str]:
    yield f"moved most by (rank correlation over {study.strings} strings; less than chance: not named)"
    for key in MOVED:
        quantity = FIGURES[KEYS.index(key)]
        named = [f"{each.input} {each.correlation:+.2f}" for each in study.moved_by(key)]
        rest = named or ["nothing beyond chance"]
        yield f"{quantity.words:<28}{rest[0]}"
        yield from (f"{'':<28}{each}" for each in rest[1:])


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table of settings, or one whole table of two settings."""

    head: str
    words: str
    value: Callable[[Study], str]


def _quantile(key: str, which: str) -> Callable[[Study], str]:
    quantity: Quantity = FIGURES[KEYS.index(key)]

    def value(study: Study) -> str:
        three = study.quantity(key)
        return "-" if three is None else f"{getattr(three, which).value:.{quantity.decimals}f}"

    return value


def _percent(flag: str) -> Callable[[Study], str]:
    return lambda study: f"{study.share(flag).percent:.1f}" if study.strings else "-"


COLUMNS = (
    Column("n", "strings", lambda study: str(study.strings)),
    Column("end h", "end, h after the start, 50 %", _quantile("hours", "middle")),
    Column("95 %", "end, h after the start, 95 %", _quantile("hours", "high")),
    Column("hot C", "hottest battery, C, 50 %", _quantile("hottest_C", "middle")),
    Column("95 %", "hottest battery, C, 95 %", _quantile("hottest_C", "high")),
    Column("V/cell", "highest, V/cell, 50 %", _quantile("highest_V_per_cell", "middle")),
    Column("kg/L", "end density, kg/L at 25 C, 50 %", _quantile("density_kg_L", "middle")),
    Column("derate", "derated, %", _percent("derated")),
    Column("hold", "held, %", _percent("held")),
    Column("trip", "tripped, %", _percent("tripped")),
)
TABLES = tuple(COLUMNS[at] for at in (1, 4, 6, 7, 8, 9))
"""Of two settings: a table each."""


def grid_lines(grid: Grid) -> list[str]:
    """The whole result of a study over one or two settings."""
    if not grid.strings:
        return [NO_FIGURES]
    first = grid.cells[0]
    asked, cells = first.asked, len(grid.cells)
    many = f"{cells} cells of {asked} strings, the same draws in each"
    if grid.strings < asked * cells:
        many = f"{cells} cells, {grid.strings} of {asked * cells} strings"
    head = [
        clean(f"{first.plan.name}, revision {first.plan.revision}: {first.setting.batteries} batteries")[:WIDTH],
        f"{many}; seed {first.seed}",
        ", ".join(_said(grid, first)),
    ]
    body = _one_axis(grid) if len(grid.axes) == 1 else _two_axes(grid)
    return [line.rstrip() for line in [*head, "", *body]]


def _said(grid: Grid, first: Study) -> Iterator[str]:
    """What every cell shares: water and air, unless they are what varies."""
    varied = {axis.name for axis in grid.axes}
    if "water_C" not in varied:
        yield water_text(first.water_C)
    if "air_C" not in varied:
        yield f"air {first.setting.air_C:g} C"
    yield from (f"{axis.name} {axis.values[0]:g} to {axis.values[-1]:g}" for axis in grid.axes)


def _one_axis(grid: Grid) -> Iterator[str]:
    axis = grid.axes[0]
    wide = 9
    yield f"rows {axis.name}"
    yield f"{'':<{wide}}" + "".join(f"{column.head:>7}" for column in COLUMNS)
    for at, value in enumerate(axis.values):
        yield f"{value:<{wide}g}" + "".join(f"{column.value(grid.at(at)):>7}" for column in COLUMNS)


def _two_axes(grid: Grid) -> Iterator[str]:
    rows, columns = grid.axes
    yield f"rows {rows.name}, columns {columns.name}"
    for table in TABLES:
        cells = [[table.value(grid.at(r, c)) for c in range(len(columns.values))] for r in range(len(rows.values))]
        if len({each for row in cells for each in row}) == 1:
            yield f"{table.words}: {cells[0][0]} in every cell"
            continue
        yield ""
        yield table.words
        yield from _matrix(rows, columns, cells)


def _matrix(rows: Axis, columns: Axis, cells: Sequence[Sequence[str]]) -> Iterator[str]:
    """A table of numbers, in parts that fit a terminal."""
    most = (WIDTH - 10) // 8
    for start in range(0, len(columns.values), most):
        part = range(start, min(start + most, len(columns.values)))
        yield f"{'':<10}" + "".join(f"{columns.values[c]:>8g}" for c in part)
        for r, value in enumerate(rows.values):
            yield f"{value:<10g}" + "".join(f"{cells[r][c]:>8}" for c in part)
