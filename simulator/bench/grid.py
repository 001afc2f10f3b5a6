"""A study over one or two settings: each value, or each pair, is a cell with its own strings and the same draws.

The draws are the same in every cell, so that what differs between cells is the setting's doing (common random
numbers). Only where the number of batteries itself varies can they not be: other batteries are other draws.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, fields, replace
from decimal import Decimal
from itertools import product

from profiles.nearkeys import nearest
from profiles.problems import InputError, Problem, clean
from simulator.bench import batches
from simulator.bench.asked import AIR_C, BATTERIES, WATER_C
from simulator.bench.batches import Batch
from simulator.bench.digits import is_number
from simulator.bench.setting import Setting
from simulator.bench.study import Study, collected
from simulator.bench.studypool import done_batches
from simulator.modelfile import RANGES
from simulator.parameters import CellParameters

SETTINGS: Mapping[str, tuple[float, float]] = {"water_C": WATER_C, "air_C": AIR_C, "batteries": BATTERIES}
PLATES = ("positive", "negative")
MOST_VALUES, MOST_CELLS, MOST_AXES = 50, 200, 2


@dataclass(frozen=True, slots=True)
class Axis:
    """One setting and its values; the name is that of the setting, or of a model parameter (`gas_A`,
    `paste_Ah.positive`).
    """

    name: str
    values: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """What came of it: a study a cell, the first axis's values outermost."""

    axes: tuple[Axis, ...]
    cells: tuple[Study, ...]

    def at(self, *places: int) -> Study:
        """The cell at these places along the axes."""
        index = 0
        for axis, place in zip(self.axes, places, strict=True):
            index = index * len(axis.values) + place
        return self.cells[index]

    @property
    def strings(self) -> int:
        """Strings tried in all cells together."""
        return sum(cell.strings for cell in self.cells)


def names() -> tuple[str, ...]:
    """All that can be varied."""
    defaults = CellParameters()
    found = list(SETTINGS)
    for each in fields(CellParameters):
        pair = isinstance(getattr(defaults, each.name), tuple)
        found += [f"{each.name}.{plate}" for plate in PLATES] if pair else [each.name]
    return tuple(found)


def read_axes(texts: Sequence[str]) -> tuple[Axis, ...]:
    """The axes that `--vary` names. Raises InputError with everything that is wrong."""
    found, wrong = [], []
    for text in texts:
        try:
            found.append(read_axis(text))
        except ValueError as error:
            wrong.append(_problem(str(error)))
    if len(texts) > MOST_AXES:
        wrong.append(_problem(f"{len(texts)} settings, a table has {MOST_AXES}: leave out {len(texts) - MOST_AXES}"))
    if len({axis.name for axis in found}) < len(found):
        wrong.append(_problem(f"{found[0].name} is given twice, vary two different settings"))
    cells = 1
    for axis in found:
        cells *= len(axis.values)
    if cells > MOST_CELLS:
        wrong.append(_problem(f"{cells} cells, at most {MOST_CELLS}: write larger steps"))
    if wrong:
        raise InputError(wrong)
    return tuple(found)


def read_axis(text: str) -> Axis:
    """One `NAME=LOW:HIGH:STEP`. Raises ValueError with a sentence."""
    name, _, span = text.partition("=")
    name, parts = name.strip(), span.split(":")
    shown = clean(text, 60)
    if len(parts) != 3:
        raise ValueError(f"{shown!r} is not understood, write NAME=LOW:HIGH:STEP such as water_C=20:34:2")
    least, most = _bounds(name)
    parts = [part.strip() for part in parts]
    if not all(map(is_number, parts)):
        raise ValueError(f"{shown!r}: LOW, HIGH and STEP are numbers, such as water_C=20:34:2")
    low, high, step = map(Decimal, parts)  # as written, so that 0.1 added up stays 0.1
    if step <= 0 or low > high:
        raise ValueError(f"{shown!r}: HIGH is at least LOW, and STEP above 0")
    if not (least <= float(low) and float(high) <= most):
        raise ValueError(f"{shown!r}: {name} is out of range, write {least:g} to {most:g}")
    if (high - low) / step >= MOST_VALUES:
        raise ValueError(f"{shown!r}: more than {MOST_VALUES} values, write a larger STEP")
    values = tuple(float(low + step * k) for k in range(int((high - low) / step) + 1))
    if name == "batteries" and any(value != int(value) for value in values):
        raise ValueError(f"{shown!r}: batteries are whole, write such as batteries=12:18:2")
    return Axis(name, values)


def _bounds(name: str) -> tuple[float, float]:
    if name in SETTINGS:
        return SETTINGS[name]
    known = names()
    if name in known:
        return RANGES[name.partition(".")[0]]
    shown = clean(name, 40)
    if name in RANGES:
        raise ValueError(f"{shown} has a value for each plate, write {name}.positive or {name}.negative")
    near = nearest(name, known)
    right = f"did you mean {near}?" if near else f"right are {', '.join(SETTINGS)} and the model's parameters by name"
    raise ValueError(f"{shown!r} cannot be varied; {right}")


def varied(setting: Setting, name: str, value: float) -> Setting:
    """The setting with this one value changed."""
    if name == "batteries":
        return replace(setting, batteries=int(value))
    if name == "water_C":
        return replace(setting, water_C=value)
    if name == "air_C":
        return replace(setting, air_C=value)
    key, _, plate = name.partition(".")
    if not plate:
        changes: dict[str, float | tuple[float, ...]] = {key: value}
    else:
        pair = list(getattr(setting.model, key))
        pair[PLATES.index(plate)] = value
        changes = {key: tuple(pair)}
    return replace(setting, model=replace(setting.model, **changes))  # type: ignore[arg-type]  # names were checked


def settings_of(setting: Setting, axes: Sequence[Axis]) -> tuple[Setting, ...]:
    """A setting for each cell. Raises InputError where a cell cannot be."""
    found = []
    for values in product(*(axis.values for axis in axes)):
        cell = setting
        for axis, value in zip(axes, values, strict=True):
            cell = varied(cell, axis.name, value)
        if not cell.model.sulfate < cell.model.sulfate_most:
            what = f"sulfate {cell.model.sulfate:g} is not below sulfate_most {cell.model.sulfate_most:g} in every cell"
            raise InputError([_problem(what)])
        if setting.bath is not None and cell.batteries > setting.bath.file.circuit[0].places:
            places = setting.bath.file.circuit[0].places
            raise InputError([_problem(f"{cell.batteries} batteries, the bath's circuit has {places} places")])
        found.append(cell)
    return tuple(found)


def _problem(what: str) -> Problem:
    return Problem("study", None, "--vary", what)


def study_grid(
    setting: Setting,
    axes: Sequence[Axis],
    strings: int,
    seed: int,
    pool: Executor,
    *,
    partly: Callable[[Grid], None] = lambda _: None,
    waiting: Callable[[], None] = lambda: None,
) -> Grid:
    """Study every cell on so many strings. The cells' first batches come before any second one.

    See `study.studied` for `partly`, `waiting` and what is raised.
    """
    settings = settings_of(setting, axes)
    jobs = [job for at, each in enumerate(settings) for job in batches.jobs(each, strings, seed, cell=at)]
    jobs.sort(key=lambda job: (job.number, job.cell))
    done: list[list[Batch]] = [[] for _ in settings]

    def grid() -> Grid:
        cells = zip(settings, done, strict=True)
        return Grid(tuple(axes), tuple(collected(each, strings, seed, parts) for each, parts in cells))

    for batch in done_batches(pool, jobs, waiting):
        done[batch.cell].append(batch)
        partly(grid())
    return grid()
