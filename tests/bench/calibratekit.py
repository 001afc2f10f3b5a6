"""Virtual logged runs with known parameters, for the tests of the calibration."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from controller.core.plan import compile_plan
from controller.core.planned import Load, Plan
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.types import Event, EventKind, Value
from controller.records.head import RunStart, Text
from controller.records.rows import EventRow, LogRow
from controller.records.run import RunRecord
from controller.records.writer import Writer
from controller.service.recorder import event_row
from profiles.loader import found_profile, load_model, read_document
from profiles.profile import Profile
from simulator.bench import calibratecourse
from simulator.bench.calibratecourse import course_of
from simulator.bench.calibratedata import Density, LoggedRun
from simulator.bench.calibratemodel import simulated
from simulator.parameters import CellParameters
from simulator.plant import VirtualPlant
from simulator.spec import CircuitSpec, PlantSpec

AIR_C = 22.0
UTC_MS = 1_773_640_800_000  # 2026-03-16T06:00:00Z
ROW_S = 60.0
THIN = 0.35
"""Of the built-in paste: plates that are formed within two hours, so that a whole course is short."""
SOAK_S = 1800.0
SHORT = ((0.2, 6.0), (1.2, 24.0), (0.6, 12.0), (0.4, 4.8))
"""Hours and amperes for thin plates: past start peak, hump and knee, and gassing at two currents."""
LONG = ((0.5, 3.0), (1.0, 6.0), (6.0, 15.0), (0.5, 0.0), (5.0, 12.0), (0.25, -6.0), (4.0, 9.0), (3.0, 4.8))
HOURS = (0.02, 0.7, 1.5, 2.3)
"""When densities are read."""
NO_NOISE = (0.0, 0.0, 0.0)
NOISE = (2e-3, 0.3, 1.0)
"""V per cell, K, kg/m3."""
TRUE = {"water_W_K": 0.93, "paste_Ah": 1.03, "gas_A": 1.12, "sulfate_most": 0.95, "sulfate": 1.06, "skin_ohm": 1.1}
BASE = replace(CellParameters(), paste_Ah=tuple(THIN * each for each in CellParameters().paste_Ah))
ONE = {"water_W_K": np.ones(1)}


def blank(steps=SHORT, batteries=18, row_s=ROW_S, soak_s=SOAK_S) -> LoggedRun:
    """Rows of a run without readings: what was asked, what flowed, the bath's water."""
    ends_s = np.cumsum([3600.0 * hours for hours, _ in steps])
    at_s = np.arange(0.0, ends_s[-1] + 1.0, row_s)
    amps = np.array([current for _, current in steps])
    asked = amps[np.minimum(np.searchsorted(ends_s, at_s, side="right"), amps.size - 1)]
    current = np.concatenate([[0.0], asked[:-1]])  # a row shows what flowed before its own set-point took effect
    bath_C = 28.0 + 2.0 * np.sin(at_s / 9000.0)
    empty = np.zeros(at_s.size)
    return LoggedRun("run", "", 6, batteries, 60.0, soak_s, at_s, np.abs(asked), current, empty, bath_C, empty)


def densities(run: LoggedRun, hours=HOURS) -> tuple[Density, ...]:
    return tuple(Density(3600.0 * hour, 1.2, 30.0, 25.0) for hour in hours)


def true_run(factors=TRUE, base=None, run=None, **changes) -> LoggedRun:
    """The run as a logger without any noise would have it, for one battery type."""
    run = blank(**changes) if run is None else run
    run = replace(run, densities=run.densities or densities(run))
    course = course_of(run)
    every = np.arange(course.dt_s.size)
    given = {name: np.array([factor]) for name, factor in factors.items()} or ONE
    seen = simulated(base or BASE, replace(course, volts_at=every, probe_at=every), given, AIR_C)
    ends_s = run.at_s[0] - run.soak_s + np.cumsum(course.dt_s)
    volts = np.interp(run.at_s, ends_s, seen.volts[:, 0]) * run.cells * run.batteries
    volts[run.at_s <= 0.0] = 0.0
    read = tuple(
        replace(one, density_kg_L=float(kg_m3) / 1000.0)
        for one, kg_m3 in zip(run.densities, seen.density[:, 0], strict=True)
    )
    return replace(run, voltage_V=volts, probe_C=np.interp(run.at_s, ends_s, seen.probe[:, 0]), densities=read)


def scattered(run: LoggedRun, seed: int, noise=NOISE, kept=0.0) -> LoggedRun:
    """With scatter of these standard deviations; `kept`: how much of it stays from one row to the next."""
    random = np.random.default_rng(seed)

    def scatter(size: int, sd: float, keeps: float) -> np.ndarray:
        fresh = random.standard_normal(size) * sd
        found = fresh.copy()
        for at in range(1, size):
            found[at] = keeps * found[at - 1] + np.sqrt(1.0 - keeps * keeps) * fresh[at]
        return found

    volts = run.voltage_V + scatter(run.at_s.size, noise[0], kept) * run.cells * run.batteries
    probe = run.probe_C + scatter(run.at_s.size, noise[1], kept)
    off = scatter(len(run.densities), noise[2], 0.0) / 1000.0
    read = tuple(
        replace(one, density_kg_L=one.density_kg_L + float(d)) for one, d in zip(run.densities, off, strict=True)
    )
    return replace(run, voltage_V=volts, probe_C=probe, densities=read)


def plan() -> Plan:
    """The plan of the library's 60 Ah profile."""
    document = read_document(found_profile("starter-60"))
    return compile_plan(load_model(document, Profile), document.sha256)


def written(runs, rows, *, batch="K1", soak_s=SOAK_S, readings=(), load=None, name="A01", **changes):
    """A run folder by the record's own writer; `rows` are LogRow, `readings` EventRow; returns the folder."""
    load = load or Load(plan(), 18, batch, first_filled_ms=round(-1000 * soak_s), last_filled_ms=round(-1000 * soak_s))
    settings = BathSettings("north", "A", True, 1_000, 3_000, 5_000, (CircuitSettings(name, 18, 0.5, 60.0, 340.0),))
    texts = {"profile": Text("p.toml", "kind = 'profile'\n"), "bath_file": Text("a.toml", "x = 1\n")}
    start = RunStart(UTC_MS, 0, name, settings, load, **{**texts, **changes}, map=Text("m.toml", "y = 1\n"))
    writer = Writer()
    record = RunRecord.create(runs, start, writer, by_count=True)
    for row in rows:
        record.add_log(row)
    for event in readings:
        record.add_event(event)
    record.close({"verdict": "complete"})
    record.release()
    assert writer.close(), writer.trouble
    return record.folder


def log_rows(run: LoggedRun) -> list[LogRow]:
    """The rows that a logger writes of such a run."""
    return [
        LogRow(
            UTC_MS + round(1000 * at_s), round(1000 * at_s), 1, "running", float(run.asked_A[at]),
            Value(float(run.current_A[at])), Value(float(run.voltage_V[at])), Value(float(run.bath_C[at])),
            Value(float(run.probe_C[at])), 0.0, 0.0, 0.0,
        )
        for at, at_s in enumerate(run.at_s)
    ]  # fmt: skip


def reading(at_s, density_kg_L, temperature_C=30.0, position=1, ago_min=0, circuit="A01") -> EventRow:
    """A density read by hand, as the service writes it."""
    data = {
        "who": "anna", "what": "density", "position": position, "value": density_kg_L, "unit": "kg/L",
        "temperature_C": temperature_C, "taken_minutes_ago": ago_min, "instrument": "H1", "order": "o1",
        "role": "technician",
    }  # fmt: skip
    event = Event("reading", circuit, EventKind.ORDER, data)
    now_ms = round(1000 * at_s)
    return event_row(event, UTC_MS + now_ms, now_ms)


def plant_rows(model: CellParameters, steps=SHORT, soak_s=SOAK_S, hours=HOURS):
    """Rows and readings of a string in the virtual plant: rectifier, bath and instruments of its own, no spread."""
    spec = CircuitSpec("A01", 18, watchdog_s=1e9)
    plant = VirtualPlant(PlantSpec((spec,), spread=False, soaked_s=soak_s, model=model, flow_L_min=8.0))
    rows, events = [], []
    ends_s = np.cumsum([3600.0 * length for length, _ in steps])
    wanted_s = [3600.0 * hour for hour in hours]
    while plant.elapsed_s <= ends_s[-1]:
        at_s, shown = plant.elapsed_s, plant.signals(0)
        asked_A = next((amps for end_s, (_, amps) in zip(ends_s, steps, strict=True) if at_s < end_s), 0.0)
        plant.order(0, {"set_current_A": asked_A, "set_voltage_V": 340.0, "output_on": float(asked_A > 0.0)})
        values = [Value(shown["current_A"]), Value(shown["voltage_V"])]
        values += [Value(plant.bath_signals()["water_C"]), Value(shown["probe_C"])]
        rows.append(
            LogRow(UTC_MS + round(1000 * at_s), round(1000 * at_s), 1, "running", asked_A, *values, 0.0, 0.0, 0.0)
        )
        if wanted_s and at_s >= wanted_s[0]:
            wanted_s.pop(0)
            look = plant.batteries(0)[8]
            events.append(reading(at_s, round(look["density_kg_L"], 4), round(look["temperature_C"], 1), 9))
        plant.advance(ROW_S)
    return rows, events


def typed(factors) -> CellParameters:
    """The thin type with these factors on it, pairs on both."""
    values = {}
    for name, factor in factors.items():
        value = getattr(BASE, name)
        values[name] = tuple(factor * one for one in value) if isinstance(value, tuple) else factor * value
    return replace(BASE, **values)


def coarse(patch) -> None:
    """Longer steps behind a change: runs that are made and fitted with the same steps need no fine ones."""
    patch.setattr(calibratecourse, "STEP_SHARE", 0.4)
    patch.setattr(calibratecourse, "YOUNG_STEP_C20", 1e-3)
