"""What a run folder gives a calibration: its rows as arrays, its densities, and why some folders cannot be used."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from controller.core.planned import Load
from controller.records.bathrows import rows_after
from controller.records.errors import RecordError
from controller.records.head import Head
from controller.records.reader import RunFolder, read_run
from controller.records.readings import readings_of, reference_C
from controller.records.rows import parse_time
from profiles.problems import InputError, Problem, clean
from simulator.parameters import Array

LEAST_ROWS = 50
"""Fewer say nothing of a course; own choice."""
LATEST_READING_S = 24 * 3600.0
"""A density read longer after the last row is left out: batteries may have been moved; own choice."""
USED = ("current_A", "voltage_V", "bath_C", "probe_C")


@dataclass(frozen=True, slots=True)
class Density:
    """One hydrometer reading, kg/L brought to `reference_C`, `at_s` after the start of the run."""

    at_s: float
    density_kg_L: float
    temperature_C: float
    reference_C: float


@dataclass(frozen=True, slots=True)
class LoggedRun:
    """One run as logged: a value a row, not a number where it is missing or of bad quality. Times from the start.

    `soak_s`: from filling (the middle of first and last battery) to the first row. `asked_A` is the set-point.
    """

    name: str
    battery_type: str
    cells: int
    batteries: int
    capacity_C20_Ah: float
    soak_s: float
    at_s: Array
    asked_A: Array
    current_A: Array
    voltage_V: Array
    bath_C: Array
    probe_C: Array
    densities: tuple[Density, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def size(self) -> str:
        """The battery in words, as far as the model knows it."""
        kind = f" {clean(self.battery_type, 40)}" if self.battery_type else ""
        return f"{self.cells} cells, {self.capacity_C20_Ah:g} Ah{kind}"


def read_runs(folders: Sequence[Path]) -> list[LoggedRun]:
    """All run folders, of one battery type; raises InputError for the first that cannot be used."""
    found: list[LoggedRun] = []
    for folder in folders:
        try:
            one = _logged(read_run(folder))
        except RecordError as error:
            raise _wrong(folder, str(error)) from None
        if found and one.size != found[0].size:
            raise _wrong(
                folder, f"another battery ({one.size}) than in {found[0].name} ({found[0].size}), one at a time"
            )
        if one.name in {other.name for other in found}:
            raise _wrong(folder, "is given twice, it would count double: give it once")
        found.append(one)
    return found


def _wrong(folder: Path, what: str) -> InputError:
    return InputError([Problem(str(folder), None, "", what)])


def _logged(run: RunFolder) -> LoggedRun:
    head = run.head
    _refuse_unusable(run, head)
    numbers = {name: _column(run, name) for name in ("elapsed_s", "set_current_A", *USED)}
    keep = np.isfinite(numbers["elapsed_s"])
    rising = np.zeros(keep.shape, dtype=bool)
    rising[keep] = np.diff(np.maximum.accumulate(numbers["elapsed_s"][keep]), prepend=-np.inf) > 0.0
    keep &= rising & (numbers["elapsed_s"] >= 0.0)
    taken = {name: values[keep] for name, values in numbers.items()}
    for name in ("current_A", "voltage_V", "bath_C"):
        if int(np.isfinite(taken[name]).sum()) < LEAST_ROWS:
            raise RecordError(
                f"log.csv: {name}: fewer than {LEAST_ROWS} good values, a calibration needs a whole course"
            )
    plan, load = head.load.plan, head.load
    if float(np.nanmax(np.abs(taken["current_A"]))) < 0.01 * plan.capacity_C20_Ah:
        raise RecordError("log.csv: current_A: no current ever flowed, nothing can be learned from it")
    filled_ms = 0.5 * (load.first_filled_ms + load.last_filled_ms)
    soak_s = (head.start_ms - filled_ms) / 1000.0 + float(taken["elapsed_s"][0])
    if not 0.0 <= soak_s <= 48 * 3600.0:
        raise RecordError("run.json: load: the batteries were not filled within two days before the start")
    return LoggedRun(
        name=clean(run.folder.resolve().name, 120),
        battery_type=load.battery_type or plan.battery_type,
        cells=plan.cells,
        batteries=load.batteries,
        capacity_C20_Ah=plan.capacity_C20_Ah,
        soak_s=soak_s,
        at_s=taken["elapsed_s"],
        asked_A=np.nan_to_num(taken["set_current_A"]),
        current_A=taken["current_A"],
        voltage_V=taken["voltage_V"],
        bath_C=taken["bath_C"],
        probe_C=taken["probe_C"],
        densities=tuple(_densities(run, head, float(taken["elapsed_s"][-1]))),
        notes=tuple(_notes(run, taken)),
    )


def _refuse_unusable(run: RunFolder, head: Head) -> None:
    """Raise RecordError for a damaged record, and for runs that do not begin with fresh batteries and stay theirs."""
    damage = [*run.log.damage, *run.events.damage, *run.cycles.damage]
    damage += [problem for problem in run.problems if "SHA-256" in problem]
    if damage:
        raise RecordError(f"damaged: {damage[0]}; formbath verify tells more")
    load: Load = head.load
    if load.batteries < 1 or load.plan.soak_max_ms is None:
        raise RecordError("its profile has no soak: a resistor, no filled string, and a calibration needs one")
    if not load.fresh or load.continues or load.first_step > 0:
        raise RecordError("goes on with an earlier run: a calibration begins with a fresh filling")
    if any(step.refill_density is not None for step in load.plan.steps):
        raise RecordError("its acid is changed on the way, which calibrate cannot follow: take a run of one acid")
    if "recounted" in run.events.column("code"):
        raise RecordError("its number of batteries was changed on the way: take another run")


def _column(run: RunFolder, name: str) -> Array:
    """A column of the log; not a number where it is empty, no number, absurd, or its quality is bad.

    A number whose quality is only suspect is left out, too: a fit must not lean on it.
    """
    values = np.array([np.nan if value is None else value for value in run.log.numbers(name)], dtype=np.float64)
    values[~(np.abs(values) < 1e7)] = np.nan
    if name in USED:
        bad = np.array([f"{name}=" in quality for quality in run.log.column("quality")], dtype=bool)
        values[bad] = np.nan
    return values


def _notes(run: RunFolder, taken: Mapping[str, Array]) -> Iterator[str]:
    missing = {name: int((~np.isfinite(taken[name])).sum()) for name in USED}
    total = taken["elapsed_s"].size
    told = ", ".join(f"{name} in {count}" for name, count in missing.items() if count)
    if told:
        yield f"of {total} rows left out as missing or of bad quality: {told}"
    if run.summary is None:
        yield "the run is not over, or was never closed: read as far as it goes"
    added = run.events.column("code").count("added")
    if added:
        yield f"{added} additions of water or acid are not in the model"


def _densities(run: RunFolder, head: Head, last_s: float) -> Iterator[Density]:
    """Density readings of the run and those soon after it: in after.csv, or in the bath's own file beside it."""
    reference, start_ms = reference_C(head.plain), _start_ms(head)
    events = [dict(zip(run.events.columns, row, strict=False)) for row in run.events.rows]
    after = run.tables.get("after.csv")
    later = [] if after is None else [dict(zip(after.columns, row, strict=False)) for row in after.rows]
    for reading in readings_of((*events, *_beside(run, head, start_ms)), later):
        if reading.what != "density" or reading.temperature_C is None or not 1.0 <= reading.value <= 1.4:
            continue
        at_s = (reading.taken_ms - start_ms) / 1000.0
        if 0.0 <= at_s <= last_s + LATEST_READING_S:
            yield Density(at_s, reading.value, reading.temperature_C, reference)


def _start_ms(head: Head) -> int:
    try:
        return parse_time(head.start_utc)
    except ValueError:
        raise RecordError("run.json: start_utc: is no time") from None


def _beside(run: RunFolder, head: Head, start_ms: int) -> Iterator[dict[str, str]]:
    """Rows of the circuit in the bath's events from the run's start until its string was unloaded."""
    if re.fullmatch(r"[A-Za-z0-9_-]{1,16}", head.bath):
        yield from rows_after(run.folder.resolve().parent / head.bath, head.circuit, start_ms)
